"""Pictures for an article or a film: one chart a file, drawn by matplotlib, which is an optional part."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from monitor.report.figures.wanted import HOW_TO_ADD, KINDS, FigureError, Wanted
from monitor.report.material import Material

if TYPE_CHECKING:
    from monitor.report.figures.sheet import Sheet

__all__ = ["HOW_TO_ADD", "KINDS", "FigureError", "Wanted", "figure_bytes"]


def figure_bytes(given: Material, wanted: Wanted, form: str) -> bytes:
    """The picture as a file of the form png, svg or pdf; the same session gives the same octets.

    Raises FigureError: the optional part is not installed, or the session has nothing to draw of it.
    """
    try:
        from monitor.report.figures import shapes, traces
    except ModuleNotFoundError as error:
        if error.name is None or error.name.partition(".")[0] != "matplotlib":
            raise
        raise FigureError(HOW_TO_ADD) from None
    draw: dict[str, Callable[[Material, Wanted], Sheet]] = {
        "deviation": traces.deviation,
        "power": traces.power,
        "sides": traces.sides,
        "cadence": traces.cadence,
        "sprint": shapes.sprint,
        "torque": shapes.torque,
        "agreement": shapes.agreement,
        "repeats": shapes.repeats,
    }
    return draw[wanted.what](given, wanted).encoded(form)
