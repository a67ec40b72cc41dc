"""`python -m tests.benchmarks.performance`: what things cost, as tables; `--readme` keeps them."""

import argparse
import datetime
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.performance import live, packet, start
from tests.benchmarks.performance.measure import machine

README = Path(__file__).parents[1] / "README.md"
RECORDED = "## Last recorded run"
PARTS = ("packet", "replay", "live", "start")


def table(rows: list[tuple[str, str, str]]) -> str:
    """Rows of what, measured, to reach."""
    lines = ["| what | measured | to reach |", "|---|---|---|"]
    return "\n".join(lines + [f"| {' | '.join(row)} |" for row in rows])


def packet_rows(args: argparse.Namespace) -> list[tuple[str, str, str]]:
    """Microseconds a packet."""
    cost = packet.costs(args.rounds, hours=args.hours)
    four = cost.instruments[4]
    per_size = ", ".join(f"{n}: {us:.1f}" for n, us in cost.instruments.items())
    rows = [
        ("a packet from bytes to findings, four instruments", f"**{four:.1f} µs**", "40 µs"),
        ("decoding alone", f"{cost.decoding:.1f} µs", ""),
        (
            "pandas, the whole ride in one table",
            f"{cost.pandas_at_once:.1f} µs",
            "",
        ),
        (
            "pandas, each second anew as a live script",
            f"{cost.pandas_live:.0f} µs ({cost.pandas_live / four:.0f} times ours)",
            "",
        ),
        ("instruments: µs a packet", per_size, "at most linear"),
    ]
    if cost.aged:
        rows.append(
            (
                f"after {cost.aged.hours:g} h, in turn with the first minute of a new ride",
                f"{cost.aged.late:.1f} µs, {cost.aged.first_minute:.1f} µs (**{cost.aged.ratio:.2f}**)",
                "no slower",
            )
        )
    return rows + [(f"ratio: {name}", f"{value:.2f}", "guarded") for name, value in cost.ratios.items()]


def replay_rows(args: argparse.Namespace) -> list[tuple[str, str, str]]:
    """A cold replay, and the journal's size."""
    one = start.replay(args.rounds)
    speed = 3600.0 * one.hours / one.seconds
    return [
        (
            "replay of an hour of four at 4 Hz, cold",
            f"**{one.seconds:.2f} s**, {speed:.0f} times",
            "4 s, 900 times",
        ),
        (
            "journal with its side file, written each second",
            f"{one.journal_octets_a_packet:.0f} octets a packet",
            "",
        ),
    ]


def live_rows(args: argparse.Namespace) -> list[tuple[str, str, str]]:
    """Load and lateness of two processes."""
    with tempfile.TemporaryDirectory() as folder:
        one = live.measure(Path(folder), args.live_seconds)
    late, screen = one.stamp_late_ms, one.to_screen_ms
    return [
        (
            f"recorder and monitor, four instruments, {args.live_seconds} s, trace on",
            f"**{one.recorder_percent + one.monitor_percent:.1f} %** of a core "
            f"({one.recorder_percent:.1f} and {one.monitor_percent:.1f})",
            "12 %",
        ),
        ("memory of the two", f"{one.recorder_mb:.0f} and {one.monitor_mb:.0f} MB resident", ""),
        (
            "arrival to the end of the redraw that knows it",
            f"median {screen['median']:.0f} ms, 99 % **{screen['99 %']:.0f} ms**, "
            f"most {screen['most']:.0f} ms",
            "300 ms at 99 %",
        ),
        (
            "lateness of the arrival stamp",
            f"median {late['median']:.1f} ms, 99 % **{late['99 %']:.1f} ms**, most {late['most']:.1f} ms",
            "5 ms at 99 %",
        ),
    ]


def start_rows(args: argparse.Namespace) -> list[tuple[str, str, str]]:
    """Start-up and install."""
    helps = start.help_s(args.rounds)
    sizes = start.install_mb()
    rows = [
        (
            "`--help` of the slowest command",
            f"**{max(helps.values()):.2f} s** ({max(helps, key=helps.__getitem__)})",
            "0.3 s",
        ),
        ("first frame of the demo", f"**{start.first_frame_s(args.rounds):.2f} s**", "1.5 s"),
        ("install with all it needs", f"{sum(sizes.values()):.0f} MB in {len(sizes)} packages", ""),
    ]
    return rows + [
        (f"of it {name}", f"{mb:.0f} MB", start.REASONS.get(name, "NO REASON GIVEN"))
        for name, mb in sorted(sizes.items(), key=lambda item: -item[1])
        if mb > start.BIG_MB
    ]


def main() -> int:
    """Measure the parts asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.performance", description=__doc__)
    parser.add_argument("parts", nargs="*", help=f"of {', '.join(PARTS)} (all)")
    parser.add_argument("--rounds", type=int, default=5, help="medians of so many runs (5)")
    parser.add_argument("--hours", type=float, default=24.0, help="length of the long ride; 0: none (24)")
    parser.add_argument("--live-seconds", type=int, default=120, help="length of the live part (120)")
    parser.add_argument("--readme", action="store_true", help="keep the tables in the README above")
    args = parser.parse_args()
    if unknown := set(args.parts) - set(PARTS):
        parser.error(f"unknown part {min(unknown)!r}; one of {', '.join(PARTS)}")
    makers = {"packet": packet_rows, "replay": replay_rows, "live": live_rows, "start": start_rows}
    text = [f"{datetime.date.today()}, {machine()}.\n"]
    for part in args.parts or PARTS:
        made = table(makers[part](args))
        text.append(f"### {part}\n\n{made}\n")
        print(text[-1], flush=True)
    if args.readme:
        kept = README.read_text("utf-8").partition(RECORDED)[0]
        README.write_text(f"{kept}{RECORDED}\n\n" + "\n".join(text), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
