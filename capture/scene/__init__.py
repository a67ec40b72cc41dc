"""A virtual bench: a rider and instruments that emit the bytes of real profiles, seeded, with known truth.

`Scene` plays a definition (see `capture.scene.definition` for its keys and faults);
`evening` is the built-in one.
"""

from capture.scene.definition import SceneError
from capture.scene.scene import Scene, evening

__all__ = ["Scene", "SceneError", "evening"]
