"""What one evening says of one instrument, in a row: total and sides, held and free, low and high cadence."""

from collections.abc import Callable, Iterable, Sequence

import msgspec
import numpy as np

from monitor.study.results import InstrumentStudy, Judged, Split, State, Study, known

HELD, FREE = ("held", "target"), ("free", "grade", "resistance")
"""Words of a segment's load that mean a target power, and riding as one likes."""
LOW_RPM, HIGH_RPM = 80.0, 95.0
"""Below and from there a cadence is low or high: edges of the groups of `monitor.study.parts.splits`."""
TRUSTED = ("reference", "witness")


class Value(msgspec.Struct, frozen=True):
    """A deviation with its uncertainty, percent; None: not known."""

    percent: float | None = None
    u95_percent: float | None = None


class Torque(msgspec.Struct, frozen=True):
    """An instrument's deviation from its reference in one range of torque, as left."""

    low_nm: float
    high_nm: float | None
    blocks: int
    deviation_percent: float
    u95_percent: float | None


class Evening(msgspec.Struct, frozen=True, kw_only=True):
    """One instrument in one session, in the state as left. Texts are empty where nothing is known.

    `unit` is the serial number, `gain` the ridden scale against the reference; `weighed` the day on which
    static weights were put on, and `weighed_gain` the scale that they gave: these two as values, not percent.
    """

    session: str
    utc: str
    bench: str
    instrument: str
    unit: str
    model: str
    firmware: str
    role: str
    mount: str
    sides: str
    reference: str
    reference_unit: str
    verdict: Judged | None
    total: Value
    limit_percent: float | None
    left: Value
    right: Value
    held: Value
    free: Value
    low_cadence: Value
    high_cadence: Value
    as_found: Judged | None
    serves_as_reference: str
    stands_apart: str
    cause: str
    blocks: int
    battery_percent: float | None = None
    zero: str = ""
    torques: list[Torque] = []
    gain: Value = Value()
    weighed: str = ""
    weighed_gain: Value = Value()

    @property
    def date(self) -> str:
        """The day of the evening, or the name of the session."""
        return self.utc[:10] or self.session

    @property
    def identity(self) -> str:
        """Model and unit as far as they are known, else the label."""
        words = " ".join(w for w in (self.model, self.unit) if w)
        return words or self.instrument


def evenings_of(session: str, study: Study) -> list[Evening]:
    """A row for each instrument that measures power."""
    return [
        _evening(session, study, label, i)
        for label, i in study.instruments.items()
        if i.mount != "cadence" and i.work_kj is not None
    ]


def _evening(session: str, study: Study, label: str, i: InstrumentStudy) -> Evening:
    splits = [s for s in study.splits if s.instrument == label]
    whole = next((s for s in splits if s.by == "all"), None)
    state = last_state(i.states)
    reference = whole.reference if whole is not None else ""
    other = study.instruments.get(reference)
    facts = i.reported
    return Evening(
        session=session,
        utc=utc_text(study.utc_ns),
        bench=study.bench,
        instrument=label,
        unit=facts.get("serial", ""),
        model=facts.get("model", "") or facts.get("model_number", "") or facts.get("name", ""),
        firmware=facts.get("firmware", ""),
        role=i.role,
        mount=i.mount,
        sides=i.sides,
        reference=reference,
        reference_unit=other.reported.get("serial", "") if other is not None else "",
        verdict=state.verdict if state is not None else whole.verdict if whole is not None else None,
        total=Value(state.deviation_percent, state.u95_percent)
        if state is not None
        else Value(whole.deviation_percent, whole.u95_percent)
        if whole is not None
        else Value(),
        limit_percent=state.limit_percent
        if state is not None
        else whole.limit_percent
        if whole is not None
        else None,
        left=Value(state.left_percent, state.left_u95_percent) if state is not None else Value(),
        right=Value(state.right_percent, state.right_u95_percent) if state is not None else Value(),
        held=pooled(splits, "load", lambda s: s.group in HELD),
        free=pooled(splits, "load", lambda s: s.group in FREE),
        low_cadence=pooled(splits, "cadence", lambda s: s.high is not None and s.high <= LOW_RPM),
        high_cadence=pooled(splits, "cadence", lambda s: s.low is not None and s.low >= HIGH_RPM),
        as_found=i.as_found,
        serves_as_reference=i.serves_as_reference,
        stands_apart=i.stands_apart,
        cause=i.cause or "",
        blocks=whole.blocks if whole is not None else 0,
        battery_percent=_number(facts.get("battery_percent", "")),
        zero=i.zeroed[-1].partition(" ")[2] if i.zeroed else "",
        torques=[
            Torque(s.low or 0.0, s.high, s.blocks, s.deviation_percent, s.u95_percent)
            for s in splits
            if s.by == "torque"
        ],
        gain=Value(i.gain, i.gain_u95),
    )


def last_state(states: Sequence[State]) -> State | None:
    """The latest state in which a deviation is known: as left."""
    return next((s for s in reversed(states) if s.deviation_percent is not None), None)


def pooled(splits: Iterable[Split], by: str, which: Callable[[Split], bool]) -> Value:
    """Groups of blocks together, each by its number of blocks.

    What does not average down (losses, lags) is common to all groups, so their uncertainties are averaged and
    not divided: an upper bound.
    """
    found = [s for s in splits if s.by == by and which(s)]
    n = sum(s.blocks for s in found)
    if not n:
        return Value()
    mean = sum(s.blocks * s.deviation_percent for s in found) / n
    widths = [s.u95_percent for s in found if s.u95_percent is not None]
    u95 = None
    if len(widths) == len(found):
        u95 = sum(s.blocks * (s.u95_percent or 0.0) for s in found) / n
    return Value(known(mean, 3), known(u95, 3))


def utc_text(utc_ns: int | None) -> str:
    """Wall time as text, empty if it is not known."""
    if not utc_ns:
        return ""
    return f"{np.datetime_as_string(np.datetime64(utc_ns, 'ns'), unit='s')}Z"


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None
