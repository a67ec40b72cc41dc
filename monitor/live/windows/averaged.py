"""What averaging of one of two instruments leaves open of a window: it answers a change of load slowly."""

import math
from collections.abc import Iterable

from monitor.live.windows.ends import VARIES
from monitor.live.windows.lags import Lags
from monitor.live.windows.past import NEIGHBOURHOOD_S
from monitor.live.windows.span import Span

UNTOLD_S = 6.0
"""A mean of ten seconds comes so much later: while nothing speaks against one, that is open where the load
changes by more than steady riding does."""


def averaged_j(width_s2: float, start_w: float, stop_w: float) -> float:
    """Work (J) that a moving mean may move over the ends of a window although its lag is corrected.

    A step of the load is a ramp as long as the mean. Read half its width earlier, k seconds after the ramp
    began, k²/(2 width) of the step is missing, up to an eighth of width x step in the middle; what five
    seconds show of the ramp is then k/width of the step, or 5/width once it is longer than that.
    `width_s2`: the width squared; `start_w` and `stop_w`: how much it varied in five seconds at the ends.
    """
    width_s = math.sqrt(width_s2)
    # Twice five seconds: from there on the middle of the ramp is more than five seconds after its beginning.
    return 0.25 * width_s * max(1.0, width_s / (2.0 * NEIGHBOURHOOD_S)) * math.hypot(start_w, stop_w)


def averaged_percent(span: Span, lags: Lags, i: int, others: Iterable[int], power_w: float) -> float:
    """Percent of a window's work that averaging of `i`, or of one of those that it is held against, leaves
    open: what it shows at the ends, or what an unknown mean of ten seconds could."""
    most_j = 0.0
    widths_s2, unknown = lags.widths_s2, lags.unknown
    for j in others:
        wider_s2 = widths_s2[i] - widths_s2[j]
        if wider_s2:
            _, start, stop, _ = span.ends(i if wider_s2 > 0.0 else j)
            most_j = max(most_j, averaged_j(abs(wider_s2), start, stop))
        elif unknown[i] or unknown[j]:
            change = max(span.ends(i).change_w, span.ends(j).change_w)
            if change > VARIES * power_w:
                most_j = max(most_j, UNTOLD_S * change)
    return 100.0 * most_j / (span.length_s * power_w) if most_j else 0.0
