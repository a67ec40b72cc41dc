"""Which acts of a tester may change an instrument, and whose they are."""

from typing import Literal

Touch = Literal["zeroed", "remounted", "setting", "firmware"]

TOUCHES: dict[str, Touch] = {
    "zeroed": "zeroed",
    "position": "remounted",
    "remounted": "remounted",
    "crank-length-set": "setting",
    "setting": "setting",
    "firmware": "firmware",
}
"""What was done, by the kind of act. A position that names an instrument is how it sits."""


def touch_of(act: str, named: str, label: str) -> Touch | None:
    """What an act that names the instrument `named` ("": none) did to `label`; None: nothing.

    A zero without a name is everybody's, all else belongs to the one that is named.
    """
    kind = TOUCHES.get(act)
    return kind if named == label or (not named and kind == "zeroed") else None
