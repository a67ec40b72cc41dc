"""What a study tells, as plain values: the content of `study.json`, of the tables and of the report.

Numbers are rounded when they are made, so that terminal, report, JSON and CSV show the
same ones. None: it can't be known. Percentages are percent, not fractions, unless a
name says `share`; times are session seconds.
"""

import math
from typing import Literal

import msgspec

from monitor.study.parts.stroke.results import RiderStroke, StrokeStudy

Judged = Literal["agrees", "differs", "undecided"]
Serves = Literal["yes", "no", "undecided"]
Point = Literal["good", "bad", "open"]

FORMAT = 1
"""Version of `study.json`; keys may be added within one version."""


class Means(msgspec.Struct, frozen=True):
    """What one instrument showed over a segment after settling; `coverage` is 0..1 of its seconds.

    The means are of the same `seconds` for all instruments that were heard at least half of the time;
    `fault_s` seconds with a fault of its signal (no power, stuck, a spike, and what they smear) are left out.
    """

    power_w: float | None
    left_w: float | None
    right_w: float | None
    cadence_rpm: float | None
    coverage: float
    left_percent: float | None = None
    seconds: int = 0
    fault_s: int = 0


class Part(msgspec.Struct, frozen=True):
    """A stretch of a segment between two changes of an instrument."""

    start_s: float
    end_s: float
    deviation_percent: float
    u95_percent: float | None
    verdict: Judged


class Difference(msgspec.Struct, frozen=True):
    """One instrument against its reference over a segment.

    `delta_*` is as shown, `expected_percent` what the drivetrain should make of it,
    `deviation_percent` what is left at the crank after that: it is judged, with
    `u95_percent`, against `limit_percent`. `u95_percent` is the root sum of squares of the spread of
    `blocks` blocks, the loss model, values that a ride file held between its records, and the edges.
    `left_delta_w` and `right_delta_w` are against the side reference; `share_right` is the
    part of their sum that the right side makes, told only where the sum is beyond chance.
    `excluded_s`: seconds left out for a fault of the signal (no power, stuck, a spike).
    """

    instrument: str
    reference: str
    delta_w: float
    delta_percent: float
    expected_percent: float
    u95_percent: float | None
    limit_percent: float
    verdict: Judged
    left_delta_w: float | None
    right_delta_w: float | None
    share_right: float | None
    deviation_percent: float
    blocks: int
    spread_u95_percent: float | None
    loss_u95_percent: float
    edge_percent: float
    side_reference: str | None = None
    excluded_s: int = 0
    parts: list[Part] = []
    held_u95_percent: float = 0.0


class PeakDifference(msgspec.Struct, frozen=True):
    """One instrument's mean in a window against the reference's in the same seconds.

    `delta_*` as shown, `deviation_percent` at the crank, after the loss that the drivetrain should make.
    """

    instrument: str
    reference: str
    delta_w: float
    delta_percent: float
    deviation_percent: float


class SamePeak(msgspec.Struct, frozen=True):
    """The reference's highest mean over `seconds`, and what all others showed in the same seconds.

    `start_s`: where the window begins; `clipped`: labels that showed their highest value without end.
    """

    seconds: int
    reference: str
    start_s: float
    power_w: dict[str, float | None]
    differences: list[PeakDifference]
    clipped: list[str] = []


class SprintStatistics(msgspec.Struct, frozen=True):
    """All sprints of a session in means of `seconds`, against the reference in the same ones.

    `u95_percent` is Student's 95 % half-width of the mean deviation over the sprints (None for one);
    `clipped` counts sprints in which the instrument cut off, which are left out.
    """

    instrument: str
    reference: str
    seconds: int
    sprints: int
    delta_w: float
    delta_percent: float
    deviation_percent: float
    sd_percent: float | None
    u95_percent: float | None
    clipped: int = 0


class Sprint(msgspec.Struct, frozen=True):
    """A sprint: highest means over 1, 3, 5 and 10 s, and the work, by label; at what second each peaked.

    `peaks_w` is each one's own best, `same` what all showed in the reference's best seconds.
    """

    peaks_w: dict[str, dict[str, float | None]]
    work_kj: dict[str, float | None]
    peak_s: dict[str, float | None]
    same: list[SamePeak] = []


class SegmentStudy(msgspec.Struct, frozen=True):
    """One segment; `settle_s` of its beginning are left out of the means.

    `kind`: block, ramp, sprint, free, over-under. `load`: how it was held: held (trainer at a
    target), grade, resistance, target (a target, nobody told who held it), free, sprint.
    """

    name: str
    start_s: float
    end_s: float
    steady: bool
    means: dict[str, Means]
    differences: list[Difference]
    kind: str
    load: str
    settle_s: float
    target_w: float | None
    power_w: float | None
    torque_nm: float | None
    cadence_rpm: float | None
    gear: str
    found: bool
    sprint: Sprint | None = None


class CadenceBy(msgspec.Struct, frozen=True):
    """A difference of cadence where the reference turned from `low_rpm` to `high_rpm` (None: no end)."""

    low_rpm: float
    high_rpm: float | None
    deviation_rpm: float
    u95_rpm: float | None
    verdict: Judged = "undecided"
    blocks: int = 0


class CadenceStudy(msgspec.Struct, frozen=True):
    """One instrument's cadence against the most trusted one that measures it.

    `differs` also where it does so in one range only. `estimated`: a hub, which may work its cadence out
    of the power.
    """

    instrument: str
    reference: str
    deviation_rpm: float
    u95_rpm: float | None
    limit_rpm: float
    verdict: Judged
    by: list[CadenceBy]
    blocks: int = 0
    estimated: bool = False


class TargetStudy(msgspec.Struct, frozen=True):
    """A trainer in one segment against what it was told; powers are means after settling, as it shows them.

    `overshoot_w` is beyond the target, in the direction of its step; `settles_s` from the second in
    which the target was reached by command. None: no step, or it never settled. `load`: held, grade,
    resistance; without a target only the load and what was shown are known.
    """

    instrument: str
    segment: str
    target_w: float | None
    shown_w: float | None
    error_w: float | None
    overshoot_w: float | None
    settles_s: float | None
    load: str = "held"
    grade_percent: float | None = None


class StretchStudy(SegmentStudy, frozen=True):
    """A stretch that was asked for: all that a segment has, and its peaks; it changes no segment.

    `too_short`: under half a minute a mean has no ±, since that is made of blocks of ten seconds.
    """

    peaks: list[SamePeak] = []
    too_short: bool = False


class Cycles(msgspec.Struct, frozen=True):
    """Segments that alternate between two loads, judged over whole cycles."""

    name: str
    start_s: float
    end_s: float
    cycles: int
    differences: list[Difference]


class Repeat(msgspec.Struct, frozen=True):
    """Blocks of one kind: the first against the last. Losses cancel, so only spread and edges count."""

    name: str
    instrument: str
    reference: str
    first: str
    last: str
    first_percent: float
    first_u95_percent: float | None
    last_percent: float
    last_u95_percent: float | None
    change_percent: float
    change_u95_percent: float | None
    beyond_chance: bool | None
    text: str


class Split(msgspec.Struct, frozen=True):
    """One instrument's deviation in one group of blocks: by load, torque, cadence or power.

    `low` and `high` are the edges of the group in N·m, rpm or W; None where it has none.
    """

    by: str
    group: str
    instrument: str
    reference: str
    blocks: int
    deviation_percent: float
    u95_percent: float | None
    limit_percent: float
    verdict: Judged
    low: float | None = None
    high: float | None = None


class Agreement(msgspec.Struct, frozen=True):
    """Bland and Altman's bias and limits of agreement for a block of ten seconds, ratio form.

    `within_percent` is the spread of blocks of one segment, `between_percent` that of the
    segments' own levels; the limits hold both.
    """

    instrument: str
    reference: str
    blocks: int
    bias_percent: float
    bias_u95_percent: float | None
    sd_percent: float
    lower_percent: float
    upper_percent: float
    within_percent: float | None
    between_percent: float | None


class Peak(msgspec.Struct, frozen=True):
    """Mean-maximal power over `seconds`: each instrument's own best, and all in the reference's window."""

    seconds: int
    reference: str
    start_s: float
    best_w: dict[str, float | None]
    best_start_s: dict[str, float | None]
    same_window_w: dict[str, float | None]


class Efficiency(msgspec.Struct, frozen=True):
    """Work at the hub over work at the crank, beside what is published for clean chains at this power."""

    hub: str
    crank: str
    segment: str
    power_w: float
    seconds: int
    percent: float
    u95_percent: float | None
    expected_low_percent: float
    expected_high_percent: float
    text: str


class TorqueLine(msgspec.Struct, frozen=True, rename={"separable": "told"}):
    """Own torque over the reference's: gain and zero with errors in both, and whether they can be told apart.

    `at_mean_nm` and `at_mean_percent` are the deviation at the mean torque, which is known
    even where gain and zero are not.
    """

    instrument: str
    reference: str
    blocks: int
    gain: float
    gain_u95: float
    offset_nm: float
    offset_u95_nm: float
    mean_nm: float
    at_mean_nm: float
    at_mean_percent: float
    least_nm: float
    most_nm: float
    separable: bool


class ShiftStudy(msgspec.Struct, frozen=True):
    """A step of an instrument against its own past; `act` is what the operator did then, if anything.

    `sure`: it is this one's, not that of what it is compared with. Two instruments alone can't tell.
    `drift`: a slow change from `t_s` to `until_s`, with its rate; `delta_percent` is what it came to.
    """

    instrument: str
    t_s: float
    delta_percent: float
    side: str
    act: str = ""
    sure: bool = True
    inference: str = ""
    """What its own left share tells of the side, where no second instrument knows its sides."""
    drift: bool = False
    until_s: float | None = None
    percent_per_hour: float | None = None


class Reason(msgspec.Struct, frozen=True):
    """One consideration of the closing question: good, bad or open."""

    point: Point
    text: str


class Signal(msgspec.Struct, frozen=True):
    """How well an instrument was heard; `lost` are stretches without a word while others showed pedalling."""

    packets: int
    bad_packets: int
    missed_packets: int
    interval_s: float | None
    longest_gap_s: float | None
    lost: list[tuple[float, float]]
    no_power: list[tuple[float, float]]


class SideResult(msgspec.Struct, frozen=True):
    """One side against the same side of another instrument, in the stretch where it deviates most."""

    side: str
    reference: str
    start_s: float
    end_s: float
    deviation_percent: float
    u95_percent: float | None
    limit_percent: float
    verdict: Judged


class Opened(msgspec.Struct, frozen=True):
    """What opened a state: an act, a change found in the data, or the session itself."""

    kind: Literal["start", "zeroed", "remounted", "setting", "firmware", "reconnected", "step", "drift"]
    t_s: float
    text: str


class State(msgspec.Struct, frozen=True):
    """A stretch of time in which nothing about an instrument changed, and what it showed in it.

    `budget` has the parts of `u95_percent` by name, each as a 95 % half-width in percent. Of a drift
    `deviation_percent` is the mean, and `end_percent` what it came to; the worse of its ends is judged.
    `apart` is whoever stands apart in this time where it is not this instrument, which agrees with the
    others then. `silent_side` shows nothing where that of another instrument works.
    """

    from_s: float
    to_s: float
    opened_by: Opened
    blocks: int
    deviation_percent: float | None
    u95_percent: float | None
    limit_percent: float | None
    verdict: Judged
    left_percent: float | None = None
    left_u95_percent: float | None = None
    right_percent: float | None = None
    right_u95_percent: float | None = None
    gain: float | None = None
    gain_u95: float | None = None
    offset_nm: float | None = None
    offset_u95_nm: float | None = None
    cause: str | None = None
    budget: dict[str, float] = {}
    end_percent: float | None = None
    end_u95_percent: float | None = None
    apart: str | None = None
    silent_side: Literal["left", "right"] | None = None


class ShownOverCounted(msgspec.Struct, frozen=True):
    """Power that is shown over power that is counted (torque and revolutions), over common events."""

    ratio: float
    u95: float


class ActJudged(msgspec.Struct, frozen=True):
    """What an act changed: the deviation of the instrument before and after it.

    `judged_with`: other acts of the same stop. Nothing was ridden between them, so that the effect is that
    of all of them together. `noted_s`: when it was noted, if that was later than it was done.
    """

    t_s: float
    act: str
    instrument: str
    before_percent: float | None
    after_percent: float | None
    change_percent: float | None
    u95_percent: float | None
    effect: Literal["cured", "better", "no-change", "worse", "undecided"]
    judged_with: list[str] = []
    noted_s: float | None = None


class RiderChange(msgspec.Struct, frozen=True):
    """Whether rider or unit changed between two stretches, [from, to] in session seconds."""

    before: tuple[float, float]
    after: tuple[float, float]
    left_share_change_points: float | None
    u95_points: float | None
    cadence_change_rpm: float | None
    peak_angle_change_deg: float | None
    verdict: Literal["rider", "unit", "both", "undecided"]
    instrument: str
    stroke: RiderStroke | None = None
    changed: list[str] = []
    """Which instrument changed, of the two that are compared: both, where it cannot be told which."""


class InstrumentStudy(msgspec.Struct, frozen=True, rename={"reported": "told"}):
    """One instrument over the whole session.

    `gain`, `offset_nm` and `cause` are relative to the reference. `noise_w` is the standard
    deviation of a ten-second mean, told from three or more instruments; `noise_high_w`
    its upper 95 % bound. `lost_s` are seconds without a word while others showed that
    somebody pedalled; `loss_percent` is of packets where lost ones are counted, else of time.
    """

    gain: float | None
    gain_u95: float | None
    offset_nm: float | None
    offset_u95_nm: float | None
    cause: str | None
    lag_s: float | None
    noise_w: float | None
    lost_s: float
    loss_percent: float | None
    peaks_w: dict[str, float | None]
    serves_as_reference: Serves
    why: str
    verdict: str
    sentence: str
    reasons: list[Reason]
    role: str
    mount: str
    sides: str
    claim_percent: float | None
    crank_length_mm: float | None
    notes: str
    reported: dict[str, str]
    zeroed: list[str]
    noise_high_w: float | None
    lag_correlation: float | None
    work_kj: float | None
    signal: Signal
    cause_text: str
    by_side: list[SideResult] = []
    lag_u95_s: float | None = None
    """This and what follows: not in studies by earlier versions of the program."""
    states: list[State] = []
    as_found: Judged | None = None
    as_left: Judged | None = None
    stands_apart: Literal["yes", "no", "undecided"] = "undecided"
    apart_odds: float | None = None
    same_as: str | None = None
    shown_over_counted: ShownOverCounted | None = None


class JudgedUnder(msgspec.Struct, frozen=True):
    """Another bench than the recorded one that a session was judged under; `changes` one line each."""

    bench: str
    file: str
    recorded_bench: str
    changes: list[str]


class Open(msgspec.Struct, frozen=True):
    """What could not be decided, and the ride that would tell.

    `needs` is what that ride has to have: unlike torques, so many `minutes` at a steady load, the first
    block again, another load; empty where no riding decides it.
    """

    instrument: str
    question: str
    ride: str
    needs: Literal["torques", "minutes", "again", "load", ""] = ""
    minutes: int | None = None


class RideBlock(msgspec.Struct, frozen=True):
    """A block that is worth riding, and the open questions that it helps to settle."""

    name: str
    seconds: int
    target_w: float | None
    cadence_rpm: float | None
    settles: list[str]


class Task(msgspec.Struct, frozen=True):
    """Something to do about an instrument (empty: the bench): what is the matter, and what to try."""

    instrument: str
    what: str
    do: str


class Tasks(msgspec.Struct, frozen=True):
    """What is left before a unit is handed back, at `hand_back` (local time, empty: not told).

    `cure`: faults that stand; `blocks`: the shortest ride, of `seconds`, that settles what is open;
    `other`: what no ride of this bench settles.
    """

    hand_back: str
    cure: list[Task]
    blocks: list[RideBlock]
    other: list[Task]
    seconds: int


class Study(msgspec.Struct, frozen=True):
    """A studied session; `encode` gives `study.json`. `utc_ns`: wall clock at session time zero."""

    segments: list[SegmentStudy]
    instruments: dict[str, InstrumentStudy]
    shifts: list[ShiftStudy]
    cycles: list[Cycles]
    repeats: list[Repeat]
    splits: list[Split]
    agreement: list[Agreement]
    lines: list[TorqueLine]
    peaks: list[Peak]
    efficiency: list[Efficiency]
    open: list[Open]
    bench: str
    reference: str
    utc_ns: int | None
    seconds: float
    records: int
    lost_records: int
    whole: bool
    program: str
    format: int = FORMAT
    splits_found: list[Split] = []
    """As found, of instruments that did not stay as they were; `splits` and `agreement` are as left."""
    agreement_found: list[Agreement] = []
    acts_judged: list[ActJudged] = []
    rider: list[RiderChange] = []
    stretches: list[StretchStudy] = []
    cadence: list[CadenceStudy] = []
    cadence_advice: str = ""
    target: list[TargetStudy] = []
    missing: str = ""
    """What is missing of the recording, as a sentence; empty if it is whole."""
    late_stamps: str = ""
    """That the computer did not keep up while it recorded, as a sentence; empty if it did."""
    sprint_statistics: list[SprintStatistics] = []
    highest: list[SamePeak] = []
    """The highest 1, 3, 5 and 10 s of the session, all instruments in the same seconds."""
    words: dict[str, str] = {}
    """What the tester says of the session, by key."""
    tasks: Tasks | None = None
    judged_under: JudgedUnder | None = None
    """None: the bench that was recorded."""
    strokes: StrokeStudy | None = None


def encode(study: Study) -> bytes:
    """The text of `study.json`."""
    return msgspec.json.format(msgspec.json.encode(study), indent=1) + b"\n"


def decode(data: bytes) -> Study:
    """A study from its JSON. Raises msgspec.MsgspecError if it is none, or of another format."""
    study = msgspec.json.decode(data, type=Study)
    if study.format != FORMAT:
        raise msgspec.ValidationError(f"study of format {study.format}, not {FORMAT}")
    labels = {label for segment in study.segments for label in segment.means}
    if not labels <= set(study.instruments):
        raise msgspec.ValidationError("its segments tell of instruments that it does not know")
    if study.strokes is not None and (wrong := study.strokes.wrong(study.instruments)):
        raise msgspec.ValidationError(wrong)
    return study


def rounded(value: float, digits: int) -> float:
    """`value` to so many decimals, never a negative zero."""
    return round(float(value), digits) + 0.0


def known(value: float | None, digits: int) -> float | None:
    """The same for what may be unknown: None, nan and infinity give None."""
    return None if value is None or not math.isfinite(value) else rounded(value, digits)
