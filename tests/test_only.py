"""A part of a bench shown alone: no sentence, table, drawing or data names an instrument that stays out."""

import json
import re
import zipfile
from pathlib import Path
from typing import Any

import pytest

from capture.record import Act, Record
from monitor.cli import main
from monitor.sessions.derived import write_derived
from tests.helpers.rides import scene_records, short_session, write_session

Capture = pytest.CaptureFixture[str]
LABELS = ("kestrel", "osprey", "merlin", "curlew")
MOUNTS = {"kestrel": "hub", "osprey": "pedals", "merlin": "spider", "curlew": "crank"}
BENCH = """
[bench]
name = "four birds"
reference = "kestrel"
hand_back = "21:00"
"""
for _label, _mount in MOUNTS.items():
    BENCH += f"""
[[instrument]]
label = "{_label}"
role = "{"reference" if _mount == "hub" else "on-test" if _mount == "crank" else "witness"}"
mount = "{_mount}"
sides = "{"both" if _mount in ("pedals", "crank") else "total"}"
link = "scene:{_label}"
claim_percent = 1.5
notes = "the secret of {_label}"
[scene.instrument.{_label}]
kind = "{"trainer" if _mount == "hub" else _mount}"
radio = "{"bluetooth" if _mount in ("hub", "crank") else "ant"}"
"""
BENCH += """
gain_right = 1.08
[scene]
seed = 36
"""
for _k, _watts in enumerate((180, 240, 200)):
    BENCH += f"""
[[protocol.segment]]
name = "block {_k}"
seconds = 70
target_w = {_watts}
cadence_rpm = {85 + 5 * _k}
settle_s = 5
"""


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench, ride = scene_records(BENCH)
    acts = [("zeroed", "", "osprey"), ("note", "merlin squeaks", "merlin"), ("note", "osprey again", ""),
            ("position", "remounted", "curlew"), ("gear", "50x17", "")]  # fmt: skip
    records: list[Record] = [*ride]
    for k, (act, text, label) in enumerate(acts, 1):
        at = k * len(records) // 7
        records.insert(at, Act(records[at].t_ns, act, text, label))
    path = write_session(tmp_path_factory.mktemp("four"), bench, records)
    write_derived(path)
    assert main(["words", str(path), "--set", "question=Does curlew hold its claim?",
                 "--set", "conclusion=merlin is better"]) == 0  # fmt: skip
    assert main(["study", str(path), "--stretch", "0:20-1:50=middle"]) == 0
    return path


def numbers(found: Any) -> Any:
    """The same without texts and names."""
    if isinstance(found, dict):
        return [numbers(value) for value in found.values()]
    if isinstance(found, list):
        return [numbers(value) for value in found]
    return None if isinstance(found, str) else found


@pytest.mark.slow
@pytest.mark.parametrize("only", [("curlew",), ("curlew", "kestrel"), ("osprey",), ("kestrel", "merlin")])
def test_nobody_else_is_named(session: Path, tmp_path: Path, capsys: Capture, only: tuple[str, ...]) -> None:
    before = {path.name: path.read_bytes() for path in session.iterdir() if path.is_file()}
    page, told = tmp_path / "page.html", tmp_path / "told.json"
    texts = []
    for more in (["--wide"], ["--summary"], ["--html", str(page), "--json", str(told)]):
        capsys.readouterr()
        assert main(["study", str(session), *more, "--only", *only]) == 0
        texts.append(capsys.readouterr().out)
    texts += [page.read_text(), told.read_text()]
    for text in texts:
        for label in set(LABELS) - set(only):
            found = re.search(f".{{0,60}}(?<![a-z]){label}.{{0,60}}", text)
            assert found is None, found[0]
        assert all(label in text for label in only)
    assert ("question" in json.loads(told.read_text())["words"]) == ("curlew" in only)
    # All numbers are those of the whole study.
    whole, part = json.loads((session / "study-2.json").read_bytes()), json.loads(told.read_text())
    assert part["records"] == whole["records"]
    for label in only:
        assert numbers(part["instruments"][label]) == numbers(whole["instruments"][label])
    for mine, theirs in zip(
        [*part["segments"], *part["stretches"]], [*whole["segments"], *whole["stretches"]], strict=True
    ):
        assert [numbers(d) for d in mine["differences"]] == [
            numbers(d) for d in theirs["differences"] if d["instrument"] in only
        ]
        assert mine["means"] == {k: v for k, v in theirs["means"].items() if k in only}
    assert {path.name: path.read_bytes() for path in session.iterdir() if path.is_file()} == before


@pytest.mark.slow
def test_a_comparison_and_another_bench_name_nobody_else_either(
    session: Path, tmp_path: Path, capsys: Capture
) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(BENCH.replace('reference = "kestrel"', 'reference = "osprey"'), encoding="utf-8")
    capsys.readouterr()
    assert main(["study", str(session), "--bench", str(bench), "--only", "curlew", "--wide"]) == 0
    shown = capsys.readouterr().out
    assert not [label for label in LABELS[:3] if label in shown]
    assert "reference: reference, recorded other-1" in shown
    other = short_session(tmp_path, seed=9, seconds=20)
    assert main(["study", str(session), "--against", str(other), "--only", "curlew"]) == 2
    assert "has none of these instruments" in capsys.readouterr().err


@pytest.mark.slow
def test_a_package_of_chosen_ones_has_their_numbers_and_no_other_name(session: Path, tmp_path: Path) -> None:
    arguments = ["--to", "package", "--only", "curlew", "--rename", "curlew=unit-7", "--out", str(tmp_path)]
    assert main(["export", str(session), *arguments]) == 0
    (package,) = tmp_path.iterdir()
    with zipfile.ZipFile(package) as archive:
        members = {name.split("/", 1)[1]: archive.read(name) for name in archive.namelist()}
    for name, data in members.items():
        for label in LABELS[:3]:
            assert label.encode() not in data, (name, label)


@pytest.mark.slow
def test_a_label_that_is_none_is_refused(session: Path, capsys: Capture) -> None:
    assert main(["study", str(session), "--only", "zebra"]) == 2
    assert "--only zebra: no instrument of this session" in capsys.readouterr().err
