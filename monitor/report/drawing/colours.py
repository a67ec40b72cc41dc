"""The colours of the page and of figures, on a light and on a dark ground."""

from typing import NamedTuple

from monitor.setup.roles import LOOKS, Look


class Pair(NamedTuple):
    """One colour on both grounds, as #rrggbb."""

    light: str
    dark: str


GROUND: dict[str, Pair] = {
    "ink": Pair("#1a1a1a", "#f0f0f0"),
    "soft": Pair("#4a4a4a", "#b9bec4"),
    "rule": Pair("#c9c9c9", "#454b52"),
    "paper": Pair("#ffffff", "#14171a"),
    "wash": Pair("#f3f4f6", "#20252a"),
    "good": Pair("#005a94", "#6cb8ec"),
    "bad": Pair("#a33d00", "#ff9a5c"),
    "open": Pair("#4b4b4b", "#b5b5b5"),
    "link": Pair("#00518a", "#86c5f2"),
    "band": Pair("#0072b2", "#4aa3dd"),
    "sideL": Pair("#005a94", "#6cb8ec"),
    "sideR": Pair("#a33d00", "#ff9a5c"),
}
"""Blue for what agrees and orange for what differs, as on the screen; both beside a mark and a word."""
TEXT = ("ink", "soft", "good", "bad", "open", "link", "sideL", "sideR")
"""Those in which something is written."""

SESSIONS = (
    Look("s0", "#0072b2", "#6cb8ec", (), 1.8, "circle"),
    Look("s1", "#b34700", "#ff9a5c", (6.0, 3.0), 1.8, "square"),
    Look("s2", "#00704f", "#45cfa4", (2.0, 3.0), 1.8, "triangle"),
    Look("s3", "#8a3c76", "#e49bd0", (8.0, 3.0, 2.0, 3.0), 1.8, "diamond"),
    Look("s4", "#6b5900", "#dcc35a", (1.0, 2.0), 1.8, "cross"),
    Look("s5", "#3f3f3f", "#cfcfcf", (10.0, 4.0), 1.8, "circle"),
    Look("s6", "#006d7a", "#6fd0de", (4.0, 2.0), 1.8, "square"),
    Look("s7", "#a8003c", "#ff8fae", (3.0, 5.0), 1.8, "triangle"),
)
"""Sessions that stand beside each other: colours after Okabe and Ito, and a dash and marker each."""


def css() -> str:
    """All colours as variables of a page, and the class of each look. On paper it is always light."""
    looks = [*SESSIONS, *(look for of_role in LOOKS.values() for look in of_role)]
    pairs = GROUND | {look.key: Pair(look.light, look.dark) for look in looks}
    light = "".join(f"--{name}:{pair.light};" for name, pair in pairs.items())
    dark = "color-scheme:dark;" + "".join(f"--{name}:{pair.dark};" for name, pair in pairs.items())
    classes = "".join(f".k-{look.key}{{--k:var(--{look.key})}}" for look in looks)
    return (
        f":root{{color-scheme:light;{light}}}\n@media screen{{:root[data-theme=dark]{{{dark}}}}}\n"
        f"@media screen and (prefers-color-scheme:dark){{:root:not([data-theme]){{{dark}}}}}\n{classes}\n"
    )
