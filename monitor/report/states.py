"""States, acts and what else a study says of instruments, in rows and sentences for terminal and page."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from monitor.report.stroke import change_sentence
from monitor.study.answers.sentences import ACT_WORDS
from monitor.study.results import ActJudged, InstrumentStudy, RiderChange, State, Study
from monitor.text import Figures, clock, plain

OPENED = {
    "start": "start", "zeroed": "zeroed", "remounted": "remounted", "setting": "setting changed",
    "firmware": "new firmware", "reconnected": "reconnected", "step": "a step", "drift": "a drift",
}  # fmt: skip
SHOWN_APART = 0.005
"""Power shown is said to differ from power counted when their ratio leaves one by more than this, and by
more than its own uncertainty."""
HEAD = (
    "INSTRUMENT",
    "VERDICT",
    "FROM",
    "TO",
    "OPENED BY",
    "CAUSE",
    "DEVIATION %",
    "LIMIT %",
    "LEFT %",
    "RIGHT %",
)


LEFT_OVER_S = 60.0
"""What is left over beside a drift and shorter than this has no row of its own."""


class StateRow(NamedTuple):
    """One state of one instrument; `verdict` is the key, all else is text."""

    label: str
    verdict: str
    start: str
    end: str
    opened: str
    cause: str
    deviation: str
    limit: str
    left: str
    right: str
    apart: str | None = None
    """Who else stands apart then: the difference is that one's."""

    def word(self, words: Mapping[str, str]) -> str:
        """Its verdict for people, a difference that is another's as what it is."""
        return f"{self.apart} is apart" if self.apart and self.verdict == "differs" else words[self.verdict]

    def cells(self, words: Mapping[str, str]) -> tuple[str, ...]:
        """Text in the order of `HEAD`."""
        return (
            self.label, self.word(words), self.start, self.end, self.opened, self.cause, self.deviation,
            self.limit, self.left, self.right,
        )  # fmt: skip


def state_rows(study: Study, figures: Figures) -> list[StateRow]:
    """Every state of every instrument; instruments on test first. Empty for studies without states."""
    return [
        StateRow(
            label,
            s.verdict,
            clock(s.from_s),
            clock(s.to_s),
            _opened(s),
            s.cause or figures.nothing,
            figures.sure(s.deviation_percent, s.u95_percent, 2),
            figures.number(s.limit_percent, 2),
            figures.sure(s.left_percent, s.left_u95_percent, 1),
            figures.sure(s.right_percent, s.right_u95_percent, 1),
            s.apart,
        )
        for label in by_role(study)
        for s in _shown(study.instruments[label].states)
    ]


def _shown(states: Sequence[State]) -> list[State]:
    """Without what is left over before the begin or after the end of a drift, too short to be judged."""
    opened = [*(s.opened_by.kind for s in states[1:]), ""]
    return [
        s
        for s, after in zip(states, opened, strict=False)
        if s.deviation_percent is not None
        or "drift" not in (s.opened_by.kind, after)
        or s.to_s - s.from_s > LEFT_OVER_S
    ]


def by_role(study: Study) -> list[str]:
    """Labels: on test first, then witnesses, then the reference."""
    order = {"on-test": 0, "witness": 1}
    return sorted(study.instruments, key=lambda label: order.get(study.instruments[label].role, 2))


def _opened(s: State) -> str:
    words = OPENED.get(s.opened_by.kind, s.opened_by.kind)
    text = plain(s.opened_by.text, 40)
    # Many texts begin with the word for what opened it.
    return text if text.startswith(words) else f"{words}: {text}" if text else words


def act_name(act: ActJudged) -> str:
    """What was done. A position that belongs to an instrument is how it sits, not how the rider does."""
    return plain(ACT_WORDS.get(act.act, act.act), 40)


def act_sentence(study: Study, act: ActJudged, figures: Figures) -> str:
    """What an act changed, and how the instrument has read since."""
    what = act_name(act)
    if act.change_percent is None:
        return f"{act.instrument}: the effect of {what} at {clock(act.t_s)} is not known."
    change = f"{figures.sure(act.change_percent, act.u95_percent)} %"
    late = f" (noted at {clock(act.noted_s)})" if act.noted_s is not None else ""
    start = f"{act.instrument}: {what} at {clock(act.t_s)}{late}"
    if act.effect == "no-change":
        return f"{start} changed it by only {change}: not the cause."
    if act.effect == "undecided":
        return f"{start} changed it by {change}: its effect is undecided."
    return f"{start} changed it by {change}: {act.effect}{_since(study, act)}."


def _since(study: Study, act: ActJudged) -> str:
    """How the state that the act opened reads."""
    instrument = study.instruments.get(act.instrument)
    for s in instrument.states if instrument is not None else []:
        if abs(s.from_s - act.t_s) <= 1.0 and s.verdict != "undecided":
            minutes = (s.to_s - s.from_s) / 60.0
            return f"; {s.verdict} since, {minutes:.0f} min" if minutes >= 1.0 else f"; {s.verdict} since"
    return ""


def rider_sentence(change: RiderChange, figures: Figures) -> str:
    """Whether it was the rider or the unit that changed, with the numbers."""
    if change.stroke is not None and change.stroke.source is not None:
        return change_sentence(change, change.stroke, figures)
    unit = " or ".join(change.changed) or "the unit"
    changes = []
    if change.left_share_change_points is not None:
        share = figures.sure(change.left_share_change_points, change.u95_points)
        changes.append(f"left share {share} points")
    if change.cadence_change_rpm is not None:
        changes.append(f"cadence {figures.number(change.cadence_change_rpm, 0, True)} rpm")
    if change.peak_angle_change_deg is not None:
        changes.append(f"angle of peak torque {figures.number(change.peak_angle_change_deg, 0, True)}°")
    who = {
        "rider": f"the rider changed, not {change.instrument}",
        "unit": f"{unit} changed, not the rider",
        "both": f"the rider and {unit} both changed",
        "undecided": "rider or unit: undecided",
    }[change.verdict]
    spans = [f"{clock(a)}–{clock(b)}" for a, b in (change.before, change.after)]
    numbers = f" (rider: {', '.join(changes)})" if changes else ""
    own = ""
    if change.stroke is not None:
        own = f" Only {change.instrument} itself reports the stroke: nothing is concluded from it."
    return f"{change.instrument}, between {spans[0]} and {spans[1]}: {who}{numbers}.{own}"


def remarks(study: Study, figures: Figures) -> list[str]:
    """Who stands apart, who was heard twice, and whose displayed power is not what it counts."""
    lines = []
    for label in by_role(study):
        i = study.instruments[label]
        if i.same_as is not None:
            lines.append(f"{label} is the same instrument as {i.same_as}: the two count once.")
        odds = "" if i.apart_odds is None else f" (probability {100.0 * i.apart_odds:.0f} %)"
        if i.stands_apart == "yes":
            lines.append(f"{label} stands apart from the other instruments{odds}.")
        elif i.stands_apart == "undecided" and i.apart_odds is not None:
            lines.append(f"Whether {label} stands apart is undecided{odds}.")
        if (ratio := shown_off(i)) is not None:
            more = "more" if ratio > 1.0 else "less"
            off = figures.number(abs(100.0 * (ratio - 1.0)))
            lines.append(f"{label} shows {off} % {more} power than its own torque and cadence give.")
    return lines


def shown_off(i: InstrumentStudy) -> float | None:
    """The ratio of power shown to power counted where it is off; None: not known, or one."""
    shown = i.shown_over_counted
    if shown is None or abs(shown.ratio - 1.0) <= max(SHOWN_APART, shown.u95):
        return None
    return shown.ratio


def sentences(study: Study, figures: Figures) -> list[str]:
    """Acts, rider and remarks, in this order; of a rider only what is decided and answers a question."""
    lines = [act_sentence(study, act, figures) for act in study.acts_judged]
    lines += [rider_sentence(c, figures) for c in study.rider if _asked(c)]
    return [plain(line) for line in (*lines, *remarks(study, figures))]


def _asked(change: RiderChange) -> bool:
    """Whether somebody asks: of a block ridden twice that read alike, nobody does, however it was ridden."""
    again = change.before[1] != change.after[0]
    return change.verdict != "undecided" and not (change.verdict == "rider" and again)


def exchanged(i: InstrumentStudy) -> bool:
    """Whether its left side is reported as its right one."""
    return i.cause == "setting" and i.cause_text.endswith("sides are swapped")


def now_reads(s: State) -> tuple[float | None, float | None]:
    """What a state deviates by, and its 95 %, percent: of a drift what it came to."""
    if s.end_percent is not None:
        return s.end_percent, s.end_u95_percent
    return s.deviation_percent, s.u95_percent


def judged_states(states: Sequence[State]) -> list[State]:
    """Those with a deviation and its uncertainty."""
    return [s for s in states if s.deviation_percent is not None and s.u95_percent is not None]
