"""A torn or damaged session made whole again, in a copy, and what was lost said."""

import contextlib
import shutil
import zlib
from pathlib import Path
from typing import Literal

import msgspec

from capture.record import End, Header, Packet, Record, Reported, Store, Tick
from storage.damage import Damage, SessionError
from storage.disk import read_plain, write_whole
from storage.info import Anchor, Clock, Counts, Listed, write_info
from storage.journal import Flush, JournalWriter, read_journal
from storage.remainder import read_session
from storage.session import LOG, LOG_LIMIT, Session, make_folder, open_session

_FLUSH_RECORDS = 4096
_encode = msgspec.msgpack.Encoder().encode


class RescueReport(msgspec.Struct, frozen=True, kw_only=True):
    """What a rescue did.

    `outcome`: `whole` (every record that was ever on the disk is kept), `lossy`, or `nothing` (not one
    record could be read). `path`: the copy; the session itself if there was nothing to mend; None if
    nothing was kept. `records` are kept, without those that the rescue added; `bytes_lost` of the journal
    are unreadable; `seconds_lost` is an estimate.
    """

    outcome: Literal["whole", "lossy", "nothing"]
    path: Path | None
    records: int = 0
    bytes_lost: int = 0
    rows_lost: int = 0
    seconds_lost: float = 0.0
    text: str = ""


class _Tally:
    """Counts records and sums them up, so that two passes can be compared."""

    def __init__(self) -> None:
        self.count, self.sum, self.last_ns = 0, 0, 0
        self.ended = False
        self.ticks: list[Anchor] = []
        self.packets: dict[str, int] = {}
        self.reported: dict[str, dict[str, str]] = {}

    def add(self, record: Record) -> None:
        self.count += 1
        self.sum = zlib.crc32(_encode(record), self.sum)
        self.last_ns = record.t_ns
        self.ended = isinstance(record, End)
        match record:
            case Packet(_, instrument):
                self.packets[instrument] = self.packets.get(instrument, 0) + 1
            case Tick(t_ns, utc_ns):
                self.ticks = [*self.ticks[:1], Anchor(t_ns, utc_ns)]
            case Reported(_, instrument, key, value):
                self.reported.setdefault(instrument, {})[key] = value


def rescue(folder: Path | str) -> RescueReport:
    """Copy a session to `NAME-rescued` beside it, with every record that can be proved right.

    The session itself is not touched. Where records were lost in between, the copy has a `Store`
    record `resumed` with the reason and an estimate of their number; it ends with an `End`. The copy is
    read again and compared before this returns. A session that is still being recorded is
    copied as far as it is written.

    Raises:
        SessionError: there is no session, or the copy can't be made.
        DamagedSession: the journal is empty.
    """
    session = open_session(folder)
    _, records = read_session(session.path)
    for _ in records:
        pass
    if records.damage is None and records.rest is None:
        text = "the session is whole, there is nothing to mend"
        return RescueReport(outcome="whole", path=session.path, records=records.count, text=text)
    if not records.count:
        damage = records.damage or Damage()
        text = f"not one record can be read: {damage.text}"
        return RescueReport(outcome="nothing", path=None, bytes_lost=damage.bytes_lost, text=text)
    path = make_folder(session.path.parent, f"{session.path.name}-rescued")
    try:
        return _rescue_into(path, session, records.damage or Damage(), records.rest)
    except BaseException:
        # Only ours, and not yet a session that anyone was told of.
        shutil.rmtree(path, ignore_errors=True)
        raise


def _rescue_into(path: Path, session: Session, damage: Damage, rest: Path | None) -> RescueReport:
    header, records = read_session(session.path)
    writer = JournalWriter(path, header)
    kept, copied = _Tally(), _Tally()

    def copy(record: Record) -> None:
        copied.add(record)
        if writer.waiting >= _FLUSH_RECORDS:
            _checked(path, writer.flush())
        if not writer.append(record):
            # Few but large ones fill the memory, too.
            _checked(path, writer.flush())
            if not writer.append(record):
                problem = f"holds a record at {record.t_ns / 1e9:.1f} s that is too large for a journal"
                raise SessionError(
                    session.path, problem, "No recorder wrote it: ask whoever gave you the session"
                )

    gaps = lost = 0
    for record in records:
        if len(records.gaps) > gaps:
            gaps = len(records.gaps)
            octets = records.gaps[-1].octets
            lost += max(1, round(octets * records.count / max(1, records.good_octets)))
            copy(Store(record.t_ns, "resumed", lost, f"rescued: {octets} octets before this are unreadable"))
        elif isinstance(record, Store):
            lost = max(lost, record.lost)
        kept.add(record)
        copy(record)
    if not kept.ended:
        copy(End(kept.last_ns, f"rescued: {damage.text}"))
    _checked(path, writer.close())
    text = (
        f"{kept.count} records kept, to {kept.last_ns / 1e9:.1f} s; {damage.text}"
        if damage.lossy
        else f"all {kept.count} records kept, to {kept.last_ns / 1e9:.1f} s; {damage.text}"
    )
    if rest is not None:
        text += f"; joined with its end, which stood in {rest}"
    _describe(path, session, header, copied, text)
    # A log that is missing, too long or a link to something else is no reason to keep nothing.
    with contextlib.suppress(OSError, SessionError):
        write_whole(path / LOG, read_plain(session.path / LOG, LOG_LIMIT))
    _compare(path, header, copied)
    return RescueReport(
        outcome="lossy" if damage.lossy else "whole",
        path=path,
        records=kept.count,
        bytes_lost=damage.bytes_lost,
        rows_lost=damage.rows_lost,
        seconds_lost=damage.seconds_lost,
        text=text,
    )


def _checked(path: Path, flush: Flush) -> None:
    if flush.failing:
        raise SessionError(path, f"the copy can't be written ({flush.reason})", "Make room and try again")


def _describe(path: Path, session: Session, header: Header, copied: _Tally, text: str) -> None:
    """`session.json` of the copy, from the old one and from what the records tell."""
    info = msgspec.structs.replace(
        session.info,
        state="rescued",
        rescued_from=session.path.name,
        bench=header.bench or session.info.bench,
        counts=Counts(records=copied.count, lost=session.info.counts.lost),
        clock=Clock(utc_ns=header.utc_ns, anchors=copied.ticks),
        remarks=[*session.info.remarks, text],
    )
    known = {each.label: each for each in info.instruments}
    labels = [
        *known,
        *(label for label in {**copied.packets, **copied.reported} if label and label not in known),
    ]
    info.instruments = [
        msgspec.structs.replace(
            known.get(label) or Listed(label=label),
            packets=copied.packets.get(label, 0),
            reported={**(known[label].reported if label in known else {}), **copied.reported.get(label, {})},
        )
        for label in labels
    ]
    try:
        write_info(path, info)
    except OSError as error:
        raise SessionError(
            path, f"can't be written to ({error.strerror})", "Make room and try again"
        ) from None


def _compare(path: Path, header: Header, copied: _Tally) -> None:
    """Read the copy as anyone would.

    Raises:
        SessionError: it is not what was written.
    """
    found_header, records = read_journal(path)
    found = _Tally()
    for record in records:
        found.add(record)
    if (found_header, records.damage, found.count, found.sum) != (header, None, copied.count, copied.sum):
        raise SessionError(path, "the copy doesn't read as it was written", "Try another disk")
