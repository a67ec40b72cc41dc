"""What the ends of a window leave open: a lag, and smoothing, show there what lies beside it."""

import math
from typing import NamedTuple

from monitor.analysis.block import BLOCK_S

VARIES = 0.15
"""In steady riding five seconds vary by less than this part of the power (common practice, no source)."""
UNSTEADY = 0.15
"""A window of ten seconds whose ends differ by more than this part of its power judges nothing."""
SILENT_PART = 0.3
"""Below this part of the window's power in the last two seconds one has just fallen silent, or the rider has
just stopped: no better than a hole (common practice, no source)."""
SLOPE_OF_TWO = 6.0
"""The slope of power at an end (W/s) is about a third of how much it varies there in five seconds (common
practice, no source), and each of two instruments brings half of it."""
JUMP_TIMES = 2.0
"""A jump at an end counts so many times: one of two instruments shows it a second before the other, at
either end."""
SMOOTHED_HUB_S2, SMOOTHED_CRANK_S2 = 1.0, 0.4
"""What smoothing, which is no mere delay, still moves over a window's end once the lag is corrected: this
many square seconds of the slope of power there. Half the second moment of a moving mean of five seconds
or a low pass of 1.4 s; at the crank of three seconds (common practice, no source)."""
UNKNOWN_PERCENT = 1000.0
"""So much that nothing is judged: what an edge may move when one has just fallen silent."""


class Ends(NamedTuple):
    """How an instrument's power moved at the ends of a window (W): between them, around each, and its mean
    over the last two seconds."""

    change_w: float
    start_w: float
    stop_w: float
    two_w: float


class Edge(NamedTuple):
    """Percent of a window's work that a second of lag, and a square second of smoothing, can move over its
    ends."""

    a_second: float
    a_square_second: float


UNKNOWN = Edge(UNKNOWN_PERCENT, UNKNOWN_PERCENT)


def smoothed_of(hub: bool) -> float:
    """What smoothing moves over an end, square seconds of the slope there, at a `hub` or at the crank."""
    return SMOOTHED_HUB_S2 if hub else SMOOTHED_CRANK_S2


def edge_of(own: Ends, other: Ends, power_w: float, length_s: int) -> Edge:
    """What the ends of a window of two instruments leave open, at this mean power (W).

    A lag moves lag x (power at the end - power at the beginning), at most what either
    instrument shows over any of the neighbourhoods of the ends that it reaches; smoothing
    moves its part of the slope at either end, about a third of how much the power varies there in
    five seconds. A jump there, more than riding varies by, one shows a second before the other.
    """
    own_change, own_start, own_stop, own_two = own
    other_change, other_start, other_stop, other_two = other
    low = SILENT_PART * power_w
    if own_change != own_change or other_change != other_change or own_two < low or other_two < low:
        return UNKNOWN
    change = other_change if other_change > own_change else own_change
    if length_s <= BLOCK_S and change > UNSTEADY * power_w:
        return UNKNOWN
    smoothed = math.hypot(
        own_start / SLOPE_OF_TWO + other_start / SLOPE_OF_TWO,
        own_stop / SLOPE_OF_TWO + other_stop / SLOPE_OF_TWO,
    )
    jump = max(own_start, own_stop, other_start, other_stop) - VARIES * power_w
    if jump > 0.0:
        smoothed += JUMP_TIMES * jump
    scale = 100.0 / (length_s * power_w)
    return Edge(scale * change, scale * smoothed)
