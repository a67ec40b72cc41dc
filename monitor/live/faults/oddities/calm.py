"""How a detector says that nothing is odd."""

from monitor.finding import Kind
from monitor.live.faults.seen import Seen
from monitor.live.faults.sign import Sign


def calm(seen: Seen, kind: Kind, label: str) -> Sign | None:
    """Nothing odd about the total; that need only be said where something was."""
    if (kind, label, "total") in seen.standing:
        return Sign(kind, label, "total", "below", unit="W")
    return None
