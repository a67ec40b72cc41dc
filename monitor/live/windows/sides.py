"""The sides of a window: what each shows, and by how much it differs from that side of another."""

from collections.abc import Sequence

from monitor.analysis.block import LEAST_SIDE_PART, LEAST_SIDE_W
from monitor.live.pair import Pair, Window
from monitor.live.windows.past import Past
from monitor.live.windows.span import Span


def add_sides(window: Window, i: int, pair: Pair, span: Span, past: Sequence[Past], from_s: int) -> None:
    """What both instruments show of their sides; nothing where one did not tell both since `from_s`, or where
    both tell that a side hardly works.

    Fails for a reference and a unit that both lose the same side at once: then only the totals tell.
    """
    sides, side = pair.sides, pair.side
    if sides == "total" or past[i].sided_since > from_s:
        return
    lag_s = pair.side_timing.lag_s if side is not None else 0.0
    own_left, own_right = span.shared(i, lag_s if lag_s < 0.0 else 0.0)
    if sides != "right":
        window.left_w = own_left
    if sides != "left":
        window.right_w = own_right
    if sides == "both" and own_left + own_right > 0.0:
        window.balance = 100.0 * own_left / (own_left + own_right)
    tolerance = pair.side_tolerance
    if side is None or tolerance is None:
        return
    if past[side].sided_since > from_s or past[side].clean_since > from_s:
        return
    left, right = span.shared(side, -lag_s if lag_s > 0.0 else 0.0)
    if left < LEAST_SIDE_W or right < LEAST_SIDE_W:
        return
    least_w = left if left < right else right
    if sides == "both" and least_w < LEAST_SIDE_PART * (left + right):
        # What hardly works for one of them only is a difference.
        own_least_w = own_left if left < right else own_right
        if own_least_w < LEAST_SIDE_PART * (own_left + own_right):
            return
    size = 0.0
    if sides != "right":
        window.left = 100.0 * (own_left / left - 1.0)
        window.scatter_left = 100.0 * pair.noise_left.of_mean(span.length_s)
        size = abs(window.left)
    if sides != "left":
        window.right = 100.0 * (own_right / right - 1.0)
        window.scatter_right = 100.0 * pair.noise_right.of_mean(span.length_s)
        size = max(size, abs(window.right))
    if sides in ("left", "right"):
        window.both = 100.0 * (2.0 * (own_left if sides == "left" else own_right) / (left + right) - 1.0)
    if sides == "both":
        window.balance_reference = 100.0 * left / (left + right)
    window.side_tolerance = tolerance
    window.left_reference_w, window.right_reference_w = left, right
    window.left_limit, window.right_limit = tolerance.percent_at(left), tolerance.percent_at(right)
    window.side_ends = span.ends(side)
    window.side_lag_sd_s, window.side_smoothed_s2 = pair.side_timing.sd_s, pair.side_smoothed_s2
    if size > tolerance.claims_percent:
        window.side_within = span.change_within(i, side, left + right) + span.share_within(
            i, side, left + right, least_w, lag_s
        )
