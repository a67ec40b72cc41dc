"""Manners that are rare among meters, and right: each is met on some unit, and none is a fault.

Common practice, no source. What a detector takes for a fault in one of them is a false alarm.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.benchmarks.detection.meters import Meter

Manner = Callable[[Meter], Meter]


def _half_turns(m: Meter) -> Meter:
    """Reports each half revolution: what the two legs do comes in turn."""
    # Torque sums need whole revolutions: it tells power and, over ANT+, page 0x10 alone.
    sender = "ble-dual" if m.sender == "ble-dual-torque" else m.sender
    return replace(m, sender=sender, turn=0.5, pages12=False, update_s=0.0)


def _late(m: Meter) -> Meter:
    """Shows everything three seconds late."""
    return replace(m, delay_s=3.0)


def _asleep_at_once(m: Meter) -> Meter:
    """Says nothing from the second after the last revolution until the cranks turn again."""
    return replace(m, sleeps=True, sleeps_after_s=2.0)


def _holds(m: Meter) -> Meter:
    """Repeats the last value while nobody pedals."""
    return replace(m, holds=True, sleeps=False)


def _idles(m: Meter) -> Meter:
    """Shows a watt or two, up and down, while nobody pedals."""
    return replace(m, idle_w=2.0)


def _as_others(m: Meter) -> Meter:
    return m


CRANK: tuple[Manner, ...] = (_half_turns, _late, _asleep_at_once, _holds)
SPIDER: tuple[Manner, ...] = (_late, _asleep_at_once, _holds, _as_others)
HUB: tuple[Manner, ...] = (_late, _idles, _as_others)


def with_manners(meters: list[Meter], rng: np.random.Generator) -> list[Meter]:
    """The same instruments, each with a manner that is drawn for its kind."""

    def drawn(m: Meter) -> Meter:
        manners = HUB if m.mount == "hub" else CRANK if "dual" in m.sender else SPIDER
        return manners[int(rng.integers(len(manners)))](m)

    return [drawn(m) for m in meters]
