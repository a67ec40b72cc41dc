"""Records of a ride file: their values stand for the seconds that follow them."""

from capture.sample import Reading
from monitor.analysis.work.laying import Laying
from monitor.analysis.work.showing import Showing
from monitor.analysis.work.sides import STEP_ANT, Sides

PACE_S, PACE_WEIGHT = 2.0, 0.1
"""Seconds. No profile sends more seldom while the crank turns (common practice, no source): a longer time is
no usual one. Weight of each new time in the usual one."""
ONLY_CHANGES_S = 1.5
"""Seconds. A file with less than a record a second wrote changes only: what repeats in it stands."""


def feed_record(
    r: Reading, t_s: float, held_s: float, showing: Showing, laying: Laying, sides: Sides
) -> None:
    """A record of a ride file: its values stand for the `held_s` seconds that follow it.

    A paused timer vouches for nothing; what it leaves out is neither riding nor loss.
    """
    end_s = t_s + held_s
    curve = laying.curve
    showing.heard_s = max(showing.heard_s, end_s)
    showing.period_s += PACE_WEIGHT * (min(held_s, PACE_S) - showing.period_s)
    showing.fresh = False
    if r.moving is False:
        showing.paused_s = end_s
        curve.worked_s, curve.turned_s = max(curve.worked_s, end_s), max(curve.turned_s, end_s)
        return
    if held_s > ONLY_CHANGES_S:
        showing.held_s = end_s
    showing.power_w, showing.cadence_rpm = r.power_w, r.cadence_rpm
    sides.left_share = r.left_share
    if r.left_share is not None:
        sides.share_s, sides.step = t_s, STEP_ANT
    if r.power_w is None:
        curve.worked_s = max(curve.worked_s, end_s)
    else:
        begin_s = max(t_s, curve.worked_s)
        # No power is none of either side, and no file gives it a share.
        share = sides.share(t_s) if r.power_w > 0.0 else 0.5
        curve.work(begin_s, end_s, r.power_w * (end_s - begin_s), share)
        showing.shows(r.power_w, t_s, r.cadence_rpm)
        # What is held is shown as long as it is held.
        if r.power_w > 0.0:
            showing.powered_s = end_s
            if showing.pedalled_s == t_s:
                showing.pedalled_s = end_s
    if r.cadence_rpm is None:
        curve.turned_s = max(curve.turned_s, end_s)
    else:
        if r.cadence_rpm > 0.0 and (r.power_w or 0.0) > 0.0:
            showing.turning_s = end_s
        begin_s = max(t_s, curve.turned_s)
        curve.turn(begin_s, end_s, r.cadence_rpm / 60.0 * (end_s - begin_s))
