"""Seated or standing as the tester noted it: what is known of the rider where no instrument reports it."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from capture.record import Act
from monitor.analysis.block import BLOCK_S
from monitor.analysis.stroke.series import LEAST_SHARE

Words = NDArray[np.str_]
SEATED, STANDING = "seated", "standing"


def noted_positions(acts: Sequence[Act], seconds: int) -> Words:
    """`seated`, `standing` or nothing for each second of a session, by the acts `position` of the rider.

    Before the first one the rider sat if that says `standing`: the screen says so until a key is pressed.
    Another text (a grip on the bar) ends what was known. Acts that name an instrument are of the instrument.
    """
    words: Words = np.full(seconds, "", dtype="U8")
    mine = sorted((a for a in acts if a.act == "position" and not a.instrument), key=lambda a: a.moment_ns)
    for number, act in enumerate(mine):
        at = max(0, round(act.moment_ns / 1e9))
        text = act.text.strip().lower()
        if number == 0 and text == STANDING:
            words[:at] = SEATED
        words[at:] = text if text in (SEATED, STANDING) else ""
    return words


def position_of(words: Words, begin_s: int, end_s: int) -> str:
    """The position that most of some seconds were ridden in; empty where none was."""
    part = words[max(0, begin_s) : max(0, end_s)]
    return next((w for w in (SEATED, STANDING) if len(part) and (part == w).mean() >= LEAST_SHARE), "")


def block_position(words: Words, begin_s: int) -> str:
    """The same of the block that begins there."""
    return position_of(words, begin_s, begin_s + BLOCK_S)
