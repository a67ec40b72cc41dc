"""What is said of one instrument, in sentences; what is decided of it is in `answers.verdict`."""

from collections.abc import Container, Sequence

from monitor.analysis.consistency import LEAST_OPINIONS
from monitor.setup.bench import CONSENSUS
from monitor.study.answers.partly import Partly
from monitor.study.answers.verdict import Judgement
from monitor.study.results import Difference, ShiftStudy, SideResult, Split, State, rounded
from monitor.text import change_by, clock

ACT_WORDS = {
    "zeroed": "zeroing",
    "position": "remounting",
    "remounted": "remounting",
    "crank-length-set": "a new crank length",
    "setting": "a new setting",
    "firmware": "new firmware",
}


class Sentences:
    """The words to a judgement."""

    def __init__(self, of: Judgement) -> None:
        self.of = of

    @property
    def cause_text(self) -> str:
        """The sentence to the cause; empty without one."""
        cause = self.of.cause
        if cause is None:
            return ""
        if swapped := self.of.standing("sides-swapped"):
            return swapped[-1].what
        counted_twice = self.of.standing("one-sided")
        if counted_twice and cause == "one-side":
            return counted_twice[-1].what
        if cause == "drift" and self.of.drift is not None:
            return drift_words(self.of.drift)
        if self.of.partly is not None and cause in ("placement", "unclear"):
            where = "suspect the position of magnet or sensor"
            goes = f"the error goes with the {self.of.partly.by}"
            return f"{goes}: {where}" if cause == "placement" else goes
        if cause == "drivetrain":
            return "drivetrain or hub: more is lost than the bench states"
        if cause == "one-side" and (sides := self._both_sides()):
            return sides
        if (
            self.of.of_one_state is not None
            and self.of.of_one_state.cause == cause
            and self.of.of_one_state.why
        ):
            return self.of.of_one_state.why
        if cause in ("scale", "zero-offset") and self.of.left_state is not None:
            return self._line_words(cause, self.of.left_state)
        judged = [f for f in self.of.standing("power-off", "side-off", "one-sided") if f.cause == cause]
        if judged:
            return judged[-1].what
        if cause == "one-side":
            if self.of.left_state is not None and self.of.left_state.silent_side is not None:
                return f"its {self.of.left_state.silent_side} side shows nothing"
            return (
                "; ".join(_side_words(r) for r in self.of.sides_off()) or "the sides differ from each other"
            )
        if self.of.left_state is not None and self.of.left_state.verdict != "differs":
            return "it differs in some segments and not in others"
        return "the ride does not tell what kind of error it is"

    def _both_sides(self) -> str:
        """`left -6.3 % ± 0.4 %, right +1.9 % ± 0.3 %` in the state as left; empty if one is not known."""
        left = self.of.left_state
        if left is None or left.left_percent is None or left.right_percent is None:
            return ""
        sides = ((left.left_percent, left.left_u95_percent), (left.right_percent, left.right_u95_percent))
        each = [f"{value:+z.1f} %" + ("" if u is None else f" ± {u:.1f} %") for value, u in sides]
        return f"left {each[0]}, right {each[1]}"

    def _line_words(self, cause: str, left: State) -> str:
        """A scale error or a zero offset, in the figures of the state as left."""
        own = self.of.stands_apart == "yes"
        what = "the error" if own else "the difference"
        as_error = "a {}" if own else "as a {} makes"
        if cause == "zero-offset":
            size = f" of {left.offset_nm:+z.2f} N·m" if left.offset_nm is not None else ""
            return f"{what} is a constant torque{size}, {as_error.format('zero offset')}"
        display = self.of.display_percent
        part = "" if display is None else f", of which its display makes {display:+z.1f} %"
        as_error = as_error.format("scale error")
        return f"{what} is {left.deviation_percent:+z.1f} % at every torque, {as_error}{part}"

    def words(self) -> list[str]:
        """What the numbers say: sentences, the first without the name."""
        overall = self.of.overall
        judged = self.of.differences()
        off = self.of.off()
        where = self.where
        if not judged or overall is None:
            return [f"could not be compared with {where}: too little common riding"]
        left = self.of.left_state
        now: Split | State = left if left is not None else overall
        size, sure = _size(now)
        floor = f", the floor of {self.of.bench.limits.floor_w:g} W" if self.of.floor_decides(now) else ""
        limit = f"limit {now.limit_percent:.1f} %{floor}"
        pair = self.of.pair_verdict
        if self.of.copy_of is not None:
            same = f"is the same instrument as {self.of.copy_of}, heard twice"
            return [f"{same}: {size}{sure}, no opinion of its own"]
        if pair == "agrees":
            if left is not None and len(self.of.judged_states) > 1:
                judged = self._within(left)
            agreeing = sum(d.verdict == "agrees" for _, d in judged)
            differing = sum(d.verdict == "differs" for _, d in judged)
            none = f"differs in {differing}" if differing else "differs in none"
            among = f"in {agreeing} of {len(judged)} segments"
            # Segments too short to be judged each are no news.
            counted = f", {among}, {none}" if agreeing or differing else ""
            return [f"agrees with {where}: {size}{sure} ({limit}){counted}"]
        if pair == "undecided":
            return [f"undecided: {size}{sure} against {where}, {limit}"]
        if self.of.is_the_references and left is not None:
            agree = self.of.who.found.apart if self.of.who is not None else {}
            others = [label for label, apart in agree.items() if apart == "no" and label != self.of.label]
            same = f"agrees with {join_names(others)}" if others else "agrees with the others"
            parts = self.of.partly
            if parts is not None:
                return [
                    f"{same}, not with {where}, which stands apart{self._in_part}",
                    f"it differs from {where} {parts.words} (limit {parts.limit})",
                ]
            return [f"{same}, not with {where}, which stands apart: {size}{sure} against it ({limit})"]
        who = self.who_words()
        if self.of.sides_off() and abs(now.deviation_percent or 0.0) <= (now.limit_percent or 0.0):
            sides = [_side_words(r) for r in self.of.sides_off()]
            return ["differs on one side", *sides, f"in all it reads {size}{sure}", who]
        if self.of.partly is not None:
            return self._partly_words(self.of.partly, f"{size}{sure}")
        if left is not None and left.verdict != "differs" and left.end_percent is None and off:
            return [*self._worst_segment(self._within(left)), who, f"in all it reads {size}{sure}"]
        if left is not None and left.end_percent is not None and self.of.drift is not None:
            whose = "the drift is its own" if self.of.drifted_away else who
            return [f"differs from {where}: it came to {size}{sure} ({limit}) by a drift", whose]
        if left is not None or not off:
            over = "" if left is not None else " over the whole ride"
            return [f"differs from {where} by {size}{sure}{over} ({limit})", who, *self.chain_words(now)]
        return [*self._worst_segment(judged), who]

    def _worst_segment(self, judged: Sequence[tuple[str, Difference]]) -> list[str]:
        """In how many segments it differs, and by how much at most."""
        off = [(name, d) for name, d in judged if (name, d) in self.of.off()]
        if not off:
            return []
        worst = max(off, key=lambda nd: _worst(nd[1]))
        deviation, u95 = _worst_pair(worst[1])
        above = "more" if deviation > 0.0 else "less"
        amount = f"{abs(deviation):.1f} %" + (f" ± {u95:.1f} %" if u95 is not None else "")
        count = f"{len(off)} of {len(judged)} segments"
        beyond = f"beyond the limit of {worst[1].limit_percent:.1f} % in {count}"
        return [f"differs from {self.where}: up to {amount} {above} ({worst[0]}), {beyond}"]

    def _partly_words(self, parts: Partly, in_all: str) -> list[str]:
        """Where it differs, where it agrees, and what it comes to over all."""
        return [
            f"differs from {self.where} {parts.words} (limit {parts.limit})",
            self.who_words(),
            f"it agrees {parts.agreeing}",
            f"in all it reads {in_all}",
        ]

    @property
    def _in_part(self) -> str:
        """Under which condition somebody stands apart, after a verb; empty: at large."""
        part = self.of.who.part if self.of.who is not None else ""
        return f" {part}" if part else ""

    def _within(self, state: State) -> list[tuple[str, Difference]]:
        """Comparisons of segments that lie in a state."""
        inside = {
            s.name
            for s in self.of.segments
            if s.start_s + s.settle_s >= state.from_s and s.end_s <= state.to_s
        }
        inside |= {c.name for c in self.of.cycles if c.start_s >= state.from_s and c.end_s <= state.to_s}
        return [(name, d) for name, d in self.of.differences() if name in inside]

    @property
    def where(self) -> str:
        """What it is compared with, for people: one that doubles a side is held against that side."""
        if self.of.reference == CONSENSUS:
            return "the median of the others"
        sides = self.of.instrument.sides
        if sides in ("left", "right") and self.of.reference is not None and self.of.both_percent is not None:
            return f"twice the {sides} side of {self.of.reference}"
        return self.of.reference or "nothing"

    def chain_words(self, now: Split | State) -> list[str]:
        """Where a chain lies between the two: whether one that takes more than stated would look the same."""
        hub, against = self.of.instrument.mount == "hub", self.of.reference_mount == "hub"
        known = self.of.who is not None and not self.of.who.found.consistent and self.of.stands_apart == "no"
        if hub == against or now.deviation_percent is None or known:
            return []
        name = self.of.label if hub else self.of.reference
        if (now.deviation_percent < 0.0) == hub:
            return [
                "a chain that takes more than the bench states would look the same: drivetrain or hub",
                "a ride with a clean chain would tell: what stays is the hub's",
            ]
        return [f"no chain makes {name} read more: it is no loss"]

    def history(self) -> list[str]:
        """What it was before the state as left, and what ended each earlier state; newest first."""
        left = self.of.left_state
        lines = []
        if left is not None and len(self.of.judged_states) > 1:
            for before, after in zip(
                self.of.judged_states[-2::-1], self.of.judged_states[:0:-1], strict=True
            ):
                spent = f"from {clock(before.from_s)} to {clock(before.to_s)} it"
                if before.end_percent is not None and before.deviation_percent is not None:
                    began = 2.0 * before.deviation_percent - before.end_percent
                    lines.append(f"{spent} drifted from {began:+z.1f} % to {before.end_percent:+z.1f} %")
                    continue
                silent = before.silent_side
                nothing = "" if silent is None else f" with nothing from its {silent} side"
                lines.append(
                    f"{spent} read {before.deviation_percent:+z.1f} % ± {before.u95_percent:.1f} %{nothing}, "
                    f"until {after.opened_by.text or after.opened_by.kind}"
                )
        listed: set[str] = set()
        for act in self.of.acts:
            name = f"{act.act} at {clock(act.t_s)}"
            if name in listed or act.effect not in ("no-change", "worse") or act.change_percent is None:
                continue
            listed |= {name, *act.judged_with}
            words = "not the cause" if act.effect == "no-change" else "it became worse"
            sure = f" ± {act.u95_percent:.1f}" if act.u95_percent is not None else ""
            together = f", judged with {join_names(act.judged_with)}," if act.judged_with else ""
            lines.append(
                f"{ACT_WORDS.get(act.act, act.act)} at {clock(act.t_s)}{together} changed it by "
                f"{act.change_percent:+z.1f}{sure} %: {words}"
            )
        return lines[:4]

    def who_words(self) -> str:
        """After a difference: whose it is, as far as independent instruments can say."""
        who = self.of.who
        if self.of.follows_rider:
            return "it doubles one side, and nobody tells how much of that is the rider's balance"
        if who is None:
            return "too little was ridden with all instruments to tell whose it is"
        if len(who.opinions) < LEAST_OPINIONS:
            return "with two instruments, neither can be called wrong"
        apart = self.of.stands_apart
        others = [label for label, verdict in who.found.apart.items() if verdict == "yes"]
        if apart == "yes":
            agree = [label for label, verdict in who.found.apart.items() if verdict == "no"]
            return f"it stands apart{self._in_part}, {join_names(agree)} agree with each other"
        if apart == "no" and others:
            return f"{join_names(others)} stands apart{self._in_part}, {self.of.label} agrees with the others"
        if who.found.consistent and self.of.beyond_claims:
            return "at least one claim is broken, and too little was ridden since to tell whose"
        if who.found.consistent:
            return "unusual, yet all may be within their claims"
        likely = sorted(who.found.odds.items(), key=lambda x: -x[1])[:2]
        odds = ", ".join(f"{label} {100.0 * p:.0f} %" for label, p in likely)
        return f"undecided whose it is (odds: {odds})"

    def sentence(self, all_of: dict[str, "Judgement"]) -> str:
        """The verdict, in sentences."""
        if not self.of.powered:
            said = ["reports cadence only: there is no power to judge"]
        elif self.of.is_reference:
            said = self._reference_words(all_of)
        else:
            said = self._what_it_is_first(self.words())
        history = self.history()
        said += history or self._shift_words()
        said += self._trouble()
        first, *rest = said
        return " ".join(
            f"{part}." for part in (f"{self.of.label} {first}", *(_begun(r, all_of) for r in rest))
        )

    def _what_it_is_first(self, said: list[str]) -> list[str]:
        """What makes all that follows speak of a part only comes before it."""
        cut = [f.value for f in self.of.raised("clipped") if f.value is not None]
        swapped = self.of.standing("sides-swapped")
        if not cut and not swapped and not self.of.standing("one-sided"):
            return said
        first = f"is {said[0]}" if said[0].startswith("undecided") else said[0]
        if cut:
            return [
                f"cuts off at {min(cut):.0f} W, so its peaks can't be used",
                f"below that it {first}",
                *said[1:],
            ]
        if swapped:
            what = (
                swapped[-1].what.removeprefix(f"{self.of.label} ").removesuffix(", so its sides are swapped")
            )
            return [f"has its sides exchanged: it {what}", f"in all it {first}", *said[1:]]
        return ["counts one side twice, and follows the rider's balance", f"it {first}", *said[1:]]

    def _reference_words(self, all_of: dict[str, "Judgement"]) -> list[str]:
        if self.of.stands_apart == "yes" and self.of.who is not None:
            same = [label for label, verdict in self.of.who.found.apart.items() if verdict == "no"]
            deviation, _ = self.of.who.against_others[self.of.label]
            return [
                f"stands apart{self._in_part} by {deviation:+z.1f} % from {join_names(same)}, "
                "which agree with each other"
            ]
        others = [j for j in all_of.values() if j.reference == self.of.label]
        said = ["is what the others are compared with"]
        for verdict, one, many in (("agrees", "agrees with it", "agree with it"),
                                   ("differs", "differs from it", "differ from it")):  # fmt: skip
            names = [j.label for j in others if j.verdict == verdict]
            if names:
                said.append(f"{join_names(names)} {one if len(names) == 1 else many}")
        return said

    def _shift_words(self) -> list[str]:
        said = []
        for s in self.of.shifts[:3]:
            side = "it " if s.side == "total" else f"its {s.side} side "
            way = "rose" if s.delta_percent > 0.0 else "fell"
            if not s.sure and self.of.reference is not None:
                way += f" against {self.of.reference}"
            act = f" ({s.act})" if s.act else ""
            when = f"at {clock(s.t_s)}" if s.until_s is None else f"from {clock(s.t_s)} to {clock(s.until_s)}"
            inferred = f", {s.inference}" if s.inference else ""
            by = change_by(s.delta_percent) if s.delta_percent > 100.0 else f"by {abs(s.delta_percent):.1f} %"
            said.append(f"{side}{way} {by} {when}{act}{inferred}")
        return said

    def _trouble(self) -> list[str]:
        """What was seen of it beside its accuracy."""
        said = []
        if self.of.both_percent is not None and self.of.reference is not None:
            said.append(f"against both sides of {self.of.reference} it reads {self.of.both_percent:+z.1f} %")
        cut = self.of.raised("clipped")
        if cut and self.of.is_reference:
            said.append("it cuts off at the top" + (f": {cut[-1].what}" if cut[-1].what else ""))
        trouble = []
        lost = sum(b - a for a, b in self.of.signal.lost)
        nothing = sum(b - a for a, b in self.of.signal.no_power)
        if lost >= 3.0:
            trouble.append(f"was not heard for {lost:.0f} s while the others showed pedalling")
        if nothing >= 3.0:
            where = next((f.what for f in self.of.raised("power-missing") if "only " in f.what), "")
            only = f", {where[where.index('only ') :]}" if where else ""
            trouble.append(f"showed no power for {nothing:.0f} s while the others did{only}")
        if trouble:
            said.append("it " + " and ".join(trouble))
        return said


def _size(now: Split | State) -> tuple[str, str]:
    """By how much it deviates, and how sure that is; of a drift what it came to."""
    value, u95 = now.deviation_percent, now.u95_percent
    if isinstance(now, State) and now.end_percent is not None:
        value, u95 = now.end_percent, now.end_u95_percent
    return f"{rounded(value or 0.0, 1):+z.1f} %", f" ± {u95:.1f} %" if u95 is not None else ""


def drift_words(shift: ShiftStudy) -> str:
    """`it drifted by -6.1 % from 4:13 to 24:13, -18.4 % an hour`."""
    until = f" to {clock(shift.until_s)}" if shift.until_s is not None else ""
    rate = "" if shift.percent_per_hour is None else f", {shift.percent_per_hour:+z.1f} % an hour"
    return f"it drifted by {shift.delta_percent:+z.1f} % from {clock(shift.t_s)}{until}{rate}"


def _begun(text: str, labels: Container[str]) -> str:
    """A sentence with its capital, unless it begins with the name of an instrument."""
    return text if text.split(" ")[0].rstrip(",") in labels else text[:1].upper() + text[1:]


def _side_words(r: SideResult) -> str:
    more = "more" if r.deviation_percent > 0.0 else "less"
    sure = f" ± {r.u95_percent:.1f} %" if r.u95_percent is not None else ""
    return (
        f"its {r.side} side reads {abs(r.deviation_percent):.1f} %{sure} {more} than that of {r.reference} "
        f"(limit {r.limit_percent:.1f} %)"
    )


def _worst(d: Difference) -> float:
    return abs(_worst_pair(d)[0])


def _worst_pair(d: Difference) -> tuple[float, float | None]:
    pairs = [(p.deviation_percent, p.u95_percent) for p in d.parts if p.verdict == "differs"]
    if d.verdict == "differs":
        pairs.append((d.deviation_percent, d.u95_percent))
    return max(pairs, key=lambda p: abs(p[0])) if pairs else (d.deviation_percent, d.u95_percent)


def join_names(labels: Sequence[str]) -> str:
    """`heron`, `heron and hub`, `heron, hub and pedals`."""
    return labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} and {labels[-1]}"
