"""Links: which are up, which were told to be down, and slots without a message."""

from collections.abc import Callable, Mapping, Sequence

from capture.record import Link
from monitor.analysis.work.track import Track
from monitor.live.facts import Facts
from monitor.live.faults.watch import Watch

EventSink = Callable[[float, str, str], None]


class Links:
    """Takes the changes of links of a bench; lists have one entry an instrument."""

    def __init__(
        self,
        index: Mapping[str, int],
        tracks: Sequence[Track],
        packets: Sequence[int],
        facts: Facts,
        watch: Watch,
        event: EventSink,
    ) -> None:
        self._index, self._tracks, self._packets = index, tracks, packets
        self._facts, self._watch, self._event = facts, watch, event
        self.missed = [0] * len(tracks)
        """Expected ANT+ slots without a message."""
        self.gone = [False] * len(tracks)
        """The link was told to be down: nothing that waits will come."""
        self._up = [False] * len(tracks)

    def take(self, link: Link, t_s: float) -> None:
        """The next change of a link."""
        i = self._index.get(link.instrument)
        if i is None:
            return
        if link.state == "missed":
            self.missed[i] += 1
            return
        gone = self.gone[i] = link.state in ("down", "given-up", "radio-lost")
        if link.state == "up":
            if not self._up[i]:
                if self._packets[i]:
                    self._watch.changes.happened.add(t_s, f"a new connection of {link.instrument}")
                self._tracks[i].baseline()
                self._watch.seen.linked_s[i] = t_s
            self._up[i] = True
            self._facts.given_up[i] = None
        elif gone:
            self._up[i] = False
            given_up = link.state != "down"
            self._facts.given_up[i] = link.reason or "the link is given up" if given_up else None
        reason = f": {link.reason}" if link.reason else ""
        self._event(t_s, "~", f"{link.instrument} {link.state}{reason}")
