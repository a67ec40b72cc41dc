"""What an instrument tells of itself: restarted counters, settings that differ, a low battery."""

from collections.abc import Iterator

from monitor.live.faults.seen import Key, Seen
from monitor.live.faults.sign import SHOWN_S, Sign

LOW_BATTERY_PERCENT = 15.0
"""Common practice, no source."""
SAME_LENGTH_MM = 0.4
"""Crank lengths that differ by less are the same: they come in steps of half a millimetre at the least."""
COMMON_CRANK_MM = 172.5
"""The lever of a force where the bench tells no crank length."""


class Settings:
    """Compares what the radio reported with the bench."""

    def __init__(self, seen: Seen) -> None:
        self.seen = seen
        self.bench = seen.bench
        self.tracks = seen.tracks
        self.comparator = seen.comparator
        self.labels = seen.labels
        n = len(seen.tracks)
        self._restarts = [0] * n
        self._restarted_keys: list[Key] = [("restarted", label, None) for label in seen.labels]
        self._battery_keys: list[Key] = [("battery-low", label, None) for label in seen.labels]
        self._known: list[dict[str, float | str]] = [{} for _ in range(n)]
        self._states: list[float | str | None] = [None] * n
        """The state of each battery as of the facts known last."""

    def signs(self, i: int, now_s: float) -> Iterator[Sign]:
        """`restarted`, and where the radio told of them `setting-differs` and `battery-low`."""
        track, facts, seen = self.tracks[i], self.seen.facts[i], self.seen
        if track.restarts != self._restarts[i]:
            self._restarts[i] = track.restarts
            seen.restarted_s[i] = now_s
        recent = now_s - seen.restarted_s[i] < SHOWN_S
        if recent or self._restarted_keys[i] in seen.standing:
            yield self._restarted(i, recent)
        if not facts:
            return
        if "crank_length_mm" in facts:
            yield from self._crank_length(i)
        if seen.zeros[i].here:
            yield from self._zero(i)
        battery = facts.get("battery_percent")
        state = self._battery_state(i)
        low = (isinstance(battery, float) and battery <= LOW_BATTERY_PERCENT) or state in ("low", "critical")
        battery_known = isinstance(battery, float) or isinstance(state, str)
        if low or (battery_known and self._battery_keys[i] in seen.standing):
            yield self._battery(i, low, battery if isinstance(battery, float) else None, str(state))

    def _restarted(self, i: int, recent: bool) -> Sign:
        label = self.labels[i]
        return Sign(
            "restarted",
            label,
            None,
            "over" if recent else "below",
            value=0.0,
            unit="s",
            since_s=self.seen.restarted_s[i],
            cause="unclear",
            what=f"the counters of {label} started again: it was reset or lost its supply",
            do="check its battery, zero it and ride the block again",
        )

    def _crank_length(self, i: int) -> Iterator[Sign]:
        """The length that is set in it against the one that is mounted."""
        label, mounted = self.labels[i], self.bench.instruments[i].crank_length_mm
        length_mm = self.seen.facts[i].get("crank_length_mm")
        if mounted is None or not isinstance(length_mm, float) or length_mm <= 0.0:
            return
        differs = abs(length_mm - mounted) >= SAME_LENGTH_MM
        if differs or ("setting-differs", label, None) in self.seen.standing:
            percent = 100.0 * (length_mm / mounted - 1.0)
            yield Sign(
                "setting-differs",
                label,
                None,
                "over" if differs else "below",
                value=percent,
                limit=0.0,
                cause="setting",
                what=f"{label} is set to {length_mm:g} mm cranks, {mounted:g} mm are mounted, "
                f"which alone makes {percent:+z.1f} %",
                do=f"set {mounted:g} mm",
            )

    def _battery(self, i: int, low: bool, percent: float | None, state: str) -> Sign:
        shown = state if percent is None else f"{percent:.0f} %"
        return Sign(
            "battery-low",
            self.labels[i],
            None,
            "over" if low else "below",
            value=percent,
            limit=LOW_BATTERY_PERCENT,
            what=f"the battery of {self.labels[i]} is low ({shown})",
            do="change or charge it before the next ride",
        )

    def _battery_state(self, i: int) -> float | str | None:
        """The state of its battery in words; with several batteries the weakest counts."""
        facts = self.seen.facts[i]
        if facts != self._known[i]:
            self._known[i] = dict(facts)
            states = [v for k, v in facts.items() if k.startswith("battery") and k.endswith("_state")]
            self._states[i] = next(
                (v for v in states if v in ("low", "critical")), states[0] if states else None
            )
        return self._states[i]

    def _zero(self, i: int) -> Iterator[Sign]:
        """A zero offset far from the ones before; it stands until the next one."""
        zeros, label = self.seen.zeros[i], self.labels[i]
        found = zeros.jump
        if found is None:
            if ("zero-jumped", label, None) in self.seen.standing:
                yield Sign("zero-jumped", label, None, "below", 0.0, unit="N·m")
            return
        mm = self.bench.instruments[i].crank_length_mm or COMMON_CRANK_MM
        # A raw zero has no unit that others know: percent of what is usual for it.
        scale, unit = {
            "N·m": (1.0, "N·m"),
            "N": (mm / 1000.0, "N·m"),
            "raw": (100.0 / max(abs(found.usual), 1.0), "%"),
        }[found.unit]
        value, limit = scale * found.delta, scale * found.limit
        yield Sign(
            "zero-jumped",
            label,
            None,
            "over",
            value=value,
            limit=limit,
            unit=unit,  # type: ignore[arg-type]
            since_s=zeros.jumped_s,
            what=f"the zero offset of {label} moved by {value:+z.1f} {unit} against those before",
            do="unload the pedals, hold the crank still, check that it is tight and warm, then zero it again",
        )
