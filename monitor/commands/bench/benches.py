"""`bench check`: is this bench what its tester means."""

from pathlib import Path

from monitor.commands.output import table, write_message, write_result
from monitor.setup.bench import load_bench, remarks


def check(file: Path) -> int:
    """Print what the bench says. BenchError: it can't be used."""
    bench = load_bench(file)
    rows = [("LABEL", "ROLE", "MOUNT", "SIDES", "CLAIM", "LINK")]
    rows += [
        (
            instrument.label,
            "reference" if instrument.label == bench.reference else instrument.role,
            instrument.mount,
            instrument.sides,
            "-" if instrument.claim_percent is None else f"±{instrument.claim_percent:g} %",
            instrument.link,
        )
        for instrument in bench.instruments
    ]
    for line in table(rows):
        write_result(line)
    if bench.protocol is not None:
        total_s = bench.protocol.total_s
        write_result(f"protocol: {len(bench.protocol.segments)} segments, {total_s / 60:.0f} min")
    for remark in remarks(bench):
        write_message(f"note: {remark}")
    write_message(f"{file}: good, {len(bench.instruments)} instruments against {bench.reference}")
    return 0
