"""The left share that an instrument reports, against that of another with both sides: `balance-off`."""

from monitor.live.faults.compared.quantity import SIDE_SIGMA, sigma
from monitor.live.faults.sign import Sign
from monitor.live.pair import Pair

SIGMA = 4.0
"""Standard deviations of scatter that must lie between a share and its limit, at least: short windows
need as many as those of a side."""
LEAST_S = 20
"""A shorter window judges a balance only where the bench asks for it."""


def judge_balance(sign: Sign, pair: Pair, limit: float, reference: str) -> None:
    """Hold the left share against that of `reference`, with `limit` in percentage points."""
    w = pair.shown
    length_s = 0 if w is None else w.end_s - w.begin_s
    if w is None or length_s < min(LEAST_S, pair.shown_s):
        return
    if w.balance is None or w.balance_reference is None:
        return
    off = w.balance - w.balance_reference
    sign.value, sign.limit, sign.reference = off, limit, reference
    sign.cause = "one-side"
    if abs(off) - limit - w.balance_within > max(SIGMA, sigma(SIDE_SIGMA, length_s)) * w.u_balance:
        sign.signal = "over"
        sign.what = (
            f"{sign.instrument} reports {w.balance:.1f} % on the left, "
            f"{reference} {w.balance_reference:.1f} %"
        )
        sign.do = "zero both sides, check whether one pedal is loose"
    else:
        sign.signal = "below" if abs(off) < limit else "between"
