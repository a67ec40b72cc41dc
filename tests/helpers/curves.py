"""What tests ask of a work curve that the program does not."""

from monitor.analysis.curve import Curve
from monitor.analysis.work.track import Track


class Counted(Curve):
    """A curve that also adds up all work that is laid on it: what its cells must hold in the end."""

    def __init__(self) -> None:
        super().__init__()
        self.total_j = 0.0

    def work(self, t0_s: float, t1_s: float, work_j: float, left_share: float | None) -> None:
        if t1_s > t0_s:
            self.total_j += work_j
        super().work(t0_s, t1_s, work_j, left_share)


def counted(track: Track) -> Track:
    """The track, with a curve that counts."""
    track.curve = track._laying.curve = Counted()
    return track


def laid_j(track: Track) -> float:
    """All work that was laid so far on the curve of a `counted` track, joules."""
    assert isinstance(track.curve, Counted)
    return track.curve.total_j
