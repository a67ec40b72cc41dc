"""The demo did its job: a finding was raised and cleared, and the session's files are there and readable."""

import json
import sys
from pathlib import Path

import pyarrow as pa
from pyarrow import parquet

lines = [json.loads(line) for line in Path(sys.argv[1]).read_text(encoding="utf-8").splitlines()]
*findings, end = lines
raised = {(f["kind"], f["instrument"], f["side"]) for f in findings if f["event"] == "raised"}
cleared = {(f["kind"], f["instrument"], f["side"]) for f in findings if f["event"] == "cleared"}
assert raised & cleared, "nothing was raised and cleared"
assert ("side-off", "heron", "right") in raised & cleared, sorted(raised & cleared)
assert end["event"] == "end", end
assert end["lost_records"] == 0, end

(session,) = Path(sys.argv[2]).iterdir()
assert Path(end["session"]).samefile(session), end
for name in ("session.json", "journal.arrows", "journal.crc", "findings.jsonl"):
    assert (session / name).stat().st_size > 0, name
with pa.ipc.open_stream(session / "journal.arrows") as journal:
    assert journal.read_all().num_rows == end["records"]
recorded = (session / "findings.jsonl").read_text(encoding="utf-8").splitlines()
assert [json.loads(line) for line in recorded] == findings
for name in ("samples.parquet", "grid.parquet"):
    if (session / name).exists():
        assert parquet.read_table(session / name).num_rows > 0, name
print(f"{len(findings)} changes of findings, {end['records']} records in {session.name}")
