"""The grounds of the screen: which one it is, and that every state is told on each."""

import pytest
from rich.color import Color
from rich.style import Style
from test_dashboard import PICTURES, Frozen, calm, differs, press, settle, shown

from monitor.dashboard import grounds, look
from monitor.dashboard.app import BenchApp
from monitor.setup.roles import LOOKS


def luminance(colour: Color) -> float:
    """Relative luminance, WCAG 2.2, definitions."""
    assert colour.triplet is not None
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour.triplet.normalized]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(style: Style, ground: str | None = None) -> float:
    """Contrast ratio, WCAG 2.2, definitions."""
    assert style.color is not None
    assert style.bgcolor is not None
    back = Color.parse(ground) if ground else style.bgcolor
    bright, dark = sorted((luminance(style.color), luminance(back)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def test_contrast() -> None:
    """WCAG 2.2: text at least 4.5 to 1 (success criterion 1.4.3), marks at least 3 to 1 (1.4.11)."""
    for style in (look.GROUND, look.BOLD, look.QUIET, look.FAINT, look.LOUD, look.ASK, look.KEY):
        assert contrast(style) >= 4.5
    for style in (look.BOLD, look.QUIET):
        assert contrast(style, look.RAISED) >= 4.5
    for style in (look.CALM, look.BAND, look.WARM):
        assert contrast(style) >= 3.0


async def test_without_colour_the_words_are_the_same_and_there_is_none(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The NO_COLOR convention (no-color.org): set and not empty, no colour is added."""
    monkeypatch.setenv("NO_COLOR", "1")
    app = BenchApp(Frozen(differs()), poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "escape")
        text = shown(app)
        styles = [
            (segment.text.strip(), segment.style)
            for strip in app.screen._compositor.render_strips()
            for segment in strip
            if segment.style is not None
        ]
    assert text + "\n" == (PICTURES / "differs-80x24.txt").read_text(encoding="utf-8")
    for _, style in styles:
        assert style.color is None or style.color.is_default
        assert style.bgcolor is None or style.bgcolor.is_default
    loud = [text for text, style in styles if style.bold and style.reverse]
    assert loud == ["✗", "RIGHT HIGH", "!", "!"]


@pytest.mark.parametrize(
    ("report", "light"),
    [
        ("\x1b]11;rgb:ffff/ffff/ffff\x1b\\", True),
        ("\x1b]11;rgb:0000/0000/0000\x07\x1b[?62;c", False),
        ("\x1b]11;rgb:fd/f6/e3\x1b\\", True),
        ("\x1b]11;rgba:1e1e/1e1e/2e2e/ffff\x1b\\", False),
        ("\x1b]11;rgb:0000/ffff/0000\x07", True),  # green is bright: 0.7152
        ("\x1b]11;rgb:ffff/0000/ffff\x07", False),  # 0.2848
        ("\x1b[?62;c", None),
        ("", None),
    ],
)
def test_what_a_terminal_says_of_its_ground(report: str, light: bool | None) -> None:
    """Xterm's control sequence OSC 11; the weights of luminance are those of Recommendation ITU-R BT.709."""
    assert grounds.is_light(report) is light


@pytest.mark.parametrize(
    ("environ", "reported", "ground"),
    [
        ({"TERM": "xterm-256color"}, None, "dark"),
        ({"TERM": "xterm-256color"}, True, "light"),
        ({"TERM": "xterm-256color", "COLORFGBG": "0;15"}, None, "light"),
        ({"TERM": "xterm-256color", "COLORFGBG": "15;default;0"}, None, "dark"),
        ({"TERM": "xterm-256color", "COLORFGBG": "15;0"}, True, "light"),  # what it says goes first
        ({"TERM": "xterm-256color", "PLUMBWATT_STYLE": "light"}, False, "light"),
        ({"TERM": "xterm-256color", "PLUMBWATT_STYLE": "dark"}, True, "dark"),
        ({"TERM": "xterm-256color", "NO_COLOR": "1", "PLUMBWATT_STYLE": "light"}, None, "none"),
        ({"TERM": "linux"}, None, "few"),
        ({"TERM": "xterm", "COLORTERM": "truecolor"}, None, "dark"),
        ({"TERM": "xterm", "PLUMBWATT_STYLE": "light"}, None, "light"),
        ({"TEXTUAL_DRIVER": "x", "TERM": "xterm", "PLUMBWATT_STYLE": "light"}, None, "light"),
    ],
)
def test_which_ground_it_is(environ: dict[str, str], reported: bool | None, ground: str) -> None:
    assert grounds.choose(environ, reported) == ground


STYLES = {
    name: style
    for name, style in vars(look).items()
    if isinstance(style, Style) and name.isupper() and name != "OLD"
}


def test_contrast_on_a_light_ground() -> None:
    """WCAG 2.2, as on the dark one, and the same words are loud."""
    paint = grounds.painter("light")
    for name, style in STYLES.items():
        at_least = 3.0 if name in ("CALM", "BAND", "WARM") else 4.5
        assert contrast(paint(style)) >= at_least, name
        raised = paint(style + Style(bgcolor=look.RAISED))
        if name in ("BOLD", "QUIET"):
            assert contrast(raised) >= 4.5, name
    assert luminance(paint(look.GROUND).bgcolor) > 0.9  # type: ignore[arg-type]


def test_without_colours_an_alarm_is_bold_and_reversed_and_nothing_else_is() -> None:
    paint = grounds.painter("none")
    for name, style in STYLES.items():
        bare = paint(style)
        assert bare.color is None
        assert bare.bgcolor is None
        assert (
            (bool(bare.bold), bool(bare.reverse)) == (True, True)
            if name == "LOUD"
            else not (bare.bold and bare.reverse)
        )


def test_in_sixteen_colours_states_stay_apart() -> None:
    """Every style has colours of the sixteen; what is loud, asked, calm, warm, quiet differ."""
    paint = grounds.painter("few")
    painted = {name: paint(style) for name, style in STYLES.items()}
    for name, style in painted.items():
        for colour in (style.color, style.bgcolor):
            assert colour is not None, name
            assert colour.number is not None, name
            assert colour.number < 16, name
        assert style.color != style.bgcolor, name
    told_apart = ("LOUD", "ASK", "CALM", "WARM", "QUIET", "BOLD", "KEY")
    assert len({painted[name] for name in told_apart}) == len(told_apart)


async def test_a_light_screen_has_the_same_words_on_a_light_ground() -> None:
    app = BenchApp(Frozen(differs()), poll_hz=0, ground="light")
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "escape")
        await settle(app, pilot)
        text = shown(app)
        cells_of = [cell for strip in app.screen._compositor.render_strips() for cell in strip]
    assert text + "\n" == (PICTURES / "differs-80x24.txt").read_text(encoding="utf-8")
    light = [
        cell for cell in cells_of if cell.style and cell.style.bgcolor and luminance(cell.style.bgcolor) > 0.7
    ]
    assert sum(len(cell.text) for cell in light) > 0.8 * 80 * 24


async def test_a_late_answer_of_the_terminal_presses_no_keys() -> None:
    """`ESC ]11;rgb:...` that comes after nobody waits for it is read as keys, some of which would act."""
    source = Frozen(calm())
    app = BenchApp(source, poll_hz=0)
    async with app.run_test(size=(80, 24)) as pilot:
        await press(pilot, "right_square_bracket", *"11", "semicolon", *"rgb", "colon", *"ffff", "backslash")
        assert (source.acts, source.finished, app._page, app._question) == ([], 0, "bench", None)
        await press(pilot, "space")
        assert [act for act, *_ in source.acts] == ["mark"]


@pytest.mark.parametrize("ground", ["dark", "light", "few"])
def test_lines_have_the_colours_of_their_role_as_in_report_and_figures(ground: grounds.Ground) -> None:
    """WCAG 2.2, success criterion 1.4.11: marks at least 3 to 1. No two of the looks are alike."""
    paint = grounds.painter(ground)
    lines = [
        (role, at, paint(style)) for role, styles in look.LINES.items() for at, style in enumerate(styles)
    ]
    apart = [style.color for role, at, style in lines if ground != "few" or at < 4]
    assert len(set(apart)) == len(apart)
    for role, at, style in lines:
        assert bool(style.bold) == (role == "on-test")
        if ground == "few":
            continue
        assert contrast(style) >= 3.0
        own = LOOKS[role][at]
        assert style.color is not None
        assert style.color.name.lower() == (own.light if ground == "light" else own.dark).lower()
