"""The left share that an instrument reports, against that of another with both sides: `balance-off`."""

from monitor.live.faults.sign import Sign
from monitor.live.pair import Pair

SIGMA = 4.0
"""Standard deviations of scatter that must lie between a share and its limit."""


def judge_balance(sign: Sign, pair: Pair, limit: float, reference: str) -> None:
    """Hold the left share against that of `reference`, with `limit` in percentage points."""
    windows = pair.windows
    lengths = [n for n in windows if 20 <= n <= 60]
    w = windows[min(lengths, key=lambda n: abs(n - 30))] if lengths else None
    if w is None or w.balance is None or w.balance_reference is None:
        return
    off = w.balance - w.balance_reference
    sign.value, sign.limit, sign.reference = off, limit, reference
    sign.cause = "one-side"
    if abs(off) - limit > SIGMA * w.u_balance:
        sign.signal = "over"
        sign.what = (
            f"{sign.instrument} reports {w.balance:.1f} % on the left, "
            f"{reference} {w.balance_reference:.1f} %"
        )
        sign.do = "zero both sides, check whether one pedal is loose"
    else:
        sign.signal = "below" if abs(off) < limit else "between"
