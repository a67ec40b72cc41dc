"""How each role of a bench is drawn: one table for the screen, the report and the figures.

A unit on test has the ink of the page itself and the widest line, witnesses are green and
dashed, the reference is a plain grey line. Colour is never the only sign: within a role
marker and dash differ, between roles the width does too. A state (agrees, differs) has no
colour of an instrument: it is told by a mark and a word.
"""

from typing import NamedTuple

from monitor.setup.bench import Bench, Instrument, Role

Marker = str
"""`circle`, `square`, `triangle`, `diamond` or `cross`."""


class Look(NamedTuple):
    """How one instrument is drawn; `key` names the look, `dash` is in the picture's units."""

    key: str
    light: str
    """Its colour on a light ground, as #rrggbb."""
    dark: str
    """Its colour on a dark ground."""
    dash: tuple[float, ...]
    width: float
    marker: Marker


LOOKS: dict[Role, tuple[Look, ...]] = {
    "on-test": (
        Look("t0", "#111111", "#ffffff", (), 2.8, "triangle"),
        Look("t1", "#8f1d6b", "#ff9ad8", (9.0, 3.0), 2.8, "diamond"),
        Look("t2", "#5a3fa0", "#c3b5ff", (9.0, 3.0, 2.0, 3.0), 2.8, "circle"),
        Look("t3", "#7a3b00", "#f2b98a", (3.0, 2.0), 2.8, "square"),
        Look("t4", "#00607a", "#7fd4ee", (6.0, 2.0, 1.0, 2.0, 1.0, 2.0), 2.8, "cross"),
        Look("t5", "#a8003c", "#ff8fae", (1.5, 1.5), 2.8, "circle"),
    ),
    "witness": (
        Look("w0", "#00704f", "#45cfa4", (6.0, 3.0), 1.7, "square"),
        Look("w1", "#6b5900", "#dcc35a", (2.0, 2.5), 1.7, "cross"),
        Look("w2", "#006d7a", "#6fd0de", (7.0, 3.0, 2.0, 3.0), 1.7, "diamond"),
        Look("w3", "#565656", "#c4c4c4", (4.0, 2.0), 1.7, "triangle"),
    ),
    "reference": (Look("r0", "#747474", "#8f8f8f", (), 1.7, "circle"),),
}
"""In the order of the bench; more instruments of a role than looks begin again."""
ORDER: dict[Role, int] = {"on-test": 0, "witness": 1, "reference": 2}
"""In which order instruments are named: what is on test first."""


def role_of(bench: Bench, instrument: Instrument) -> Role:
    """The role that an instrument plays: what the others are compared with is the reference."""
    return "reference" if instrument.label == bench.reference else instrument.role


def looks_of(bench: Bench) -> list[Look]:
    """The look of each instrument, in bench order."""
    count: dict[Role, int] = dict.fromkeys(LOOKS, 0)
    found = []
    for instrument in bench.instruments:
        role = role_of(bench, instrument)
        found.append(LOOKS[role][count[role] % len(LOOKS[role])])
        count[role] += 1
    return found


def by_role(bench: Bench) -> list[int]:
    """The numbers of the instruments with what is on test first, then the witnesses, then the reference."""
    roles = [ORDER[role_of(bench, instrument)] for instrument in bench.instruments]
    return sorted(range(len(roles)), key=roles.__getitem__)
