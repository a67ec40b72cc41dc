"""One side of an instrument beyond its tolerance: `side-off`."""

import math
from typing import Literal

from monitor.analysis.block import SILENT_SIDE_PART
from monitor.analysis.expected import limit_words
from monitor.finding import Side
from monitor.live.faults.compared.quantity import SIDE_SIGMA, SYSTEMATIC, Look, judge, sigma, zone_with
from monitor.live.faults.sign import Sign
from monitor.live.pair import Pair, Window


def judge_side(sign: Sign, side: Literal["left", "right"], pair: Pair, rounding: float = 0.0) -> None:
    """Hold one side (`left`, `right`) against that of `sign.reference`; a side that no window tells stays
    without a signal. `rounding`: what the steps of both shares leave open of a side that does half (percent):
    the same in every window as long as the rider's balance stands still."""
    looks = {n: look for n, w in pair.windows.items() if (look := _look(n, w, side, rounding)) is not None}
    if not looks:
        return
    verdict = pair.verdict_left if side == "left" else pair.verdict_right
    noise = pair.noise_of(side)
    judged = judge(looks, pair.shown_s, verdict, noise)
    sign.signal, sign.value, sign.limit = judged.signal, judged.look.value, judged.look.limit
    sign.rests_on = (judged.look.window.begin_s, judged.look.window.end_s)
    if judged.leans:
        _tell(sign, side, judged.look)
        sign.zone = zone_with(judged.look, verdict, noise)


def _look(length: int, w: Window, side: Literal["left", "right"], rounding: float) -> Look | None:
    known = w.side(side)
    if known is None:
        return None
    own, limits = known
    rounding *= w.times_half(side)
    other, u = (w.right, w.u_left) if side == "left" else (w.left, w.u_right)
    # A side is named only if it stands out from the other one: when both lean alike it is the total
    # that leans.
    alone = alone_long = True
    if other is not None:
        apart = max(limits.percent, 0.5 * abs(own))
        alone_long = abs(own - other) > apart and abs(own) > abs(other)
        alone = alone_long and abs(own - other) > 2.5 * u
    scatter = math.hypot(u, w.u_side_lag)
    return Look(
        w, own, limits, w.side_edge, sigma(SIDE_SIGMA, length) * scatter + SYSTEMATIC * rounding,
        1.96 * math.hypot(scatter, rounding), systematic=SYSTEMATIC * rounding,
        alone=alone, alone_long=alone_long,
    )  # fmt: skip


def _tell(sign: Sign, side: Side, look: Look) -> None:
    """What the window shows, in words."""
    own, w = look.value, look.window
    watts = (w.left_w if side == "left" else w.right_w) or 0.0
    delta_w = watts - watts / (1.0 + own / 100.0) if own > -100.0 else -watts
    reference_w = w.left_reference_w if side == "left" else w.right_reference_w
    if w.both is not None:
        # Its rider sees twice this side: the two comparisons are two things.
        sign.what = (
            f"{sign.instrument} reads {abs(own):.1f} % {'more' if own > 0.0 else 'less'} than twice "
            f"the {side} side of {sign.reference}, and {w.both:+z.1f} % against both of its sides"
        )
    elif watts <= SILENT_SIDE_PART * reference_w:
        # A side that vanished is another matter than one that leans, and worth to be said again.
        sign.what = (
            f"{sign.instrument} {side} side shows nothing, that of {sign.reference} {reference_w:.0f} W"
        )
        sign.inferred = "silent"
        return
    else:
        sign.what = (
            f"{sign.instrument} {side} side {delta_w:+z.0f} W ({own:+z.1f} %) against {sign.reference}"
        )
    if look.limits.floor_decides:
        sign.what += f" (limit {limit_words(look.limits)})"
