"""Closed seconds with work as it was shown: counters say when it was done, what is shown is judged."""

from collections.abc import Callable, Sequence

from monitor.analysis.accounts import Account
from monitor.analysis.curve import COVERED, LEFT, WORK
from monitor.analysis.work.track import Track


class AsShown:
    """Holds what each instrument counts against what it shows, second by second.

    `rescale(index, by)` is called when what an instrument shows turns out to be `by` times what was taken
    for it up to now.
    """

    def __init__(
        self, tracks: Sequence[Track], accounts: Sequence[Account], rescale: Callable[[int, float], None]
    ) -> None:
        self._each = list(zip(tracks, accounts, strict=True))
        self._rescale = rescale

    def take(self, second: int, rows: list[list[float]]) -> bool:
        """Make the work in `rows` (a cell, changed in place) of closed second `second` what was shown;
        whether that is other than what was counted."""
        other = False
        for i, (track, account) in enumerate(self._each):
            row, before = rows[i], account.factor
            factor = account.counts(second, row[WORK], row[COVERED], track.counts_work)
            if factor is not None:
                self._rescale(i, factor / before)
            if account.factor != 1.0:
                row[WORK] *= account.factor
                row[LEFT] *= account.factor
                other = True
        return other
