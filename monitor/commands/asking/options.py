"""What may be asked of a session beyond its study: options that `study` and `export` share."""

import os
import shutil
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from capture.record import Act
from monitor.commands.output import UsageError
from monitor.live.runner import effective
from monitor.sessions.live.hand_back import seconds_left
from monitor.setup.toml_check import suggestion
from monitor.study.asked.choice import choose
from monitor.study.asked.wanted import Wanted, parse_stretch
from monitor.study.results import Study
from monitor.text import clock, plain
from storage.session import Session


@dataclass(frozen=True)
class Asked:
    """Stretches to keep and to drop, another bench, instruments and segments to show, and how wide."""

    stretches: tuple[str, ...] = ()
    forget: tuple[str, ...] = ()
    bench: Path | None = None
    only: tuple[str, ...] = ()
    segments: str = ""
    summary: bool = False
    wide: bool = False

    @property
    def of_one(self) -> bool:
        """Whether it asks for what only a single session has."""
        return bool(self.stretches or self.forget or self.bench or self.only or self.segments or self.summary)

    @property
    def chosen(self) -> bool:
        """Whether it shows a part of the study."""
        return bool(self.only or self.segments)

    @property
    def width(self) -> int | None:
        """Columns of the terminal; None where all is to be shown, or nobody tells how wide it is.

        COLUMNS tells it too: what is read by a program has every column.
        """
        if self.wide:
            return None
        if os.environ.get("COLUMNS", "").isdigit() or (sys.stdout is not None and sys.stdout.isatty()):
            return max(40, shutil.get_terminal_size().columns)
        return None

    def part_of(self, study: Study) -> Study:
        """The study, or the part of it that was asked for. UsageError: nothing of it fits."""
        for label in self.only:
            if label not in study.instruments:
                raise UsageError(
                    f"--only {plain(label, 40)}: no instrument of this session. "
                    f"{suggestion(label, list(study.instruments))}"
                )
        part = choose(study, self.only, self.segments)
        if self.segments and not part.segments and not part.stretches:
            names = ", ".join(plain(s.name, 40) for s in study.segments) or "none"
            raise UsageError(f"--segments {plain(self.segments, 40)}: no segment fits. There are: {names}.")
        return part


NOTHING_MORE = Asked()


def time_left(study: Study, now: datetime | None = None) -> str:
    """How long it is until the unit goes back, in words; empty where no time was told, or the day is over."""
    if study.tasks is None or not study.tasks.hand_back or not study.utc_ns:
        return ""
    now_ns = round((now or datetime.now()).timestamp() * 1e9)
    left_s = seconds_left(study.tasks.hand_back, study.utc_ns, now_ns, None if now is None else now.tzinfo)
    if left_s is None:
        return ""
    return f"in {clock(left_s)}" if left_s > 0.0 else "which is over"


def parse_all(texts: Sequence[str]) -> list[Wanted]:
    """The stretches that were given. UsageError: one is none."""
    try:
        return [parse_stretch(text) for text in texts]
    except ValueError as error:
        raise UsageError(f"{error}.") from None


def keep(session: Session, asked: Asked) -> None:
    """Keep and drop the stretches that were asked for. UsageError or SessionError: nothing is changed."""
    if not asked.stretches and not asked.forget:
        return
    from monitor.sessions.asked import forget, keep_stretches

    wanted = parse_all(asked.stretches)
    acts, seconds = _acts_and_length(session)
    if asked.forget:
        forget(session.path, asked.forget, acts)
    keep_stretches(session.path, wanted, seconds)


def _acts_and_length(session: Session) -> tuple[list[Act], float]:
    """What was done in a session, and how many seconds it lasts."""
    from monitor.sessions.acts import open_session_journal
    from monitor.sessions.vouched import kept_recording

    kept = kept_recording(session.path)
    if kept is not None:
        return kept.acts, kept.seconds
    _header, records = open_session_journal(session.path)
    acts: list[Act] = []
    last_ns = 0
    for record in records:
        last_ns = max(last_ns, record.t_ns)
        if isinstance(record, Act):
            acts.append(record)
    return effective(acts), last_ns / 1e9
