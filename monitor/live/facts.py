"""What the instruments of a bench reported of themselves, and whether each is heard."""

import math

from monitor.live.view import Heard
from monitor.live.zeros import Zeros


class Facts:
    """One entry an instrument, in bench order; filled by the pipeline and by who judges silence."""

    def __init__(self, n: int) -> None:
        self.reported: list[dict[str, float | str]] = [{} for _ in range(n)]
        """Firmware, battery, crank length and the like, by the names of `capture.sample.Reading.facts`."""
        self.zeros = [Zeros() for _ in range(n)]
        self.heard: list[Heard] = ["searching"] * n
        self.heard_since_s = [0.0] * n
        """Since when it is as `heard` says, session seconds."""
        self.touched_s = [-math.inf] * n
        """When each was zeroed or seated anew last, session seconds."""
        self.given_up: list[str | None] = [None] * n
        """Why a link is not tried any more."""
