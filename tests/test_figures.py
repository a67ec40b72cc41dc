"""Figures: what stands in the picture, that it can be read, and that it is refused with a remedy."""

import re
import struct
import sys
from itertools import combinations
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
from matplotlib.text import Text

from monitor.cli import main
from monitor.commands.figure import parse_size
from monitor.commands.output import UsageError
from monitor.report.figures import HOW_TO_ADD, KINDS, FigureError, Wanted, figure_bytes, shapes, traces
from monitor.report.figures.sheet import Sheet
from monitor.report.figures.wanted import Stretch
from monitor.report.material import Material
from monitor.setup.roles import LOOKS
from monitor.study.parts.common import shared_of
from monitor.study.study import study
from tests.helpers.rides import evening_recording, short_session

DRAW = {kind: getattr(traces if hasattr(traces, kind) else shapes, kind) for kind in KINDS}
UNITS = {
    "deviation": "deviation, %", "power": "power, W", "sides": "left side, %", "cadence": "cadence, rpm",
    "sprint": "power, W", "torque": "own torque minus it, N·m", "agreement": "mean of both, W",
    "repeats": "deviation, %",
}  # fmt: skip


@pytest.fixture(scope="module")
def given() -> Material:
    recording = evening_recording()
    shared = shared_of(recording)
    return Material(study(recording, shared), shared)


def words(svg: bytes) -> list[str]:
    """Every text of a figure; matplotlib leaves it as a comment beside the paths of its letters."""
    return re.findall(r"<!-- (.*?) -->", svg.decode())


def test_a_figure_names_all_that_a_reader_needs(given: Material) -> None:
    svg = figure_bytes(given, Wanted("deviation", smooth_s=5), "svg")
    found = words(svg)
    text = "\n".join(found)
    assert "heron and pedals against hub: deviation" in text
    assert "evening · 25 November 2025 · heron: scene heron, model crank, serial 4103, firmware 0.9" in text
    assert "Mean over 5 s" in text
    assert "Limits: heron ± 1.8 %, pedals ± 1.4 % (band: heron)." in text
    assert {"deviation, %", "time in the session, min:s", "heron", "pedals", "1:00"} <= set(found)
    assert b'width="1920" height="1080"' in svg
    title = re.search(r'<title id="title">(.*?)</title>', svg.decode())
    spoken = re.search(
        r'role="img" aria-labelledby="title desc">\s*<desc id="desc">(.*?)</desc>', svg.decode()
    )
    assert title is not None
    assert title[1] == "heron and pedals against hub: deviation"
    assert spoken is not None
    assert "Mean over 5 s" in spoken[1]
    assert figure_bytes(given, Wanted("deviation", smooth_s=5), "svg") == svg


def test_a_figure_shows_what_was_measured(given: Material) -> None:
    sheet = traces.deviation(given, Wanted("deviation", ("heron",), smooth_s=10))
    t, y = (np.asarray(each, dtype=np.float64) for each in sheet.panels[0].lines[0].get_data())
    (state,) = [s for s in given.study.instruments["heron"].states if s.verdict == "differs"]
    inside = (t > state.from_s + 6.0) & (t < state.to_s - 6.0)
    assert float(np.nanmean(y[inside])) == pytest.approx(state.deviation_percent, abs=0.15)


def texts_of(
    sheet: Sheet, monkeypatch: pytest.MonkeyPatch
) -> list[tuple[str, float, tuple[float, float, float, float]]]:
    """Each text that is drawn: words, height of its letters in pixels, edges."""
    drawn: list[Text] = []
    draw = Text.draw

    def watch(self: Text, *more: object, **named: object) -> None:
        if self.get_visible() and self.get_text().strip():
            drawn.append(self)
        draw(self, *more, **named)  # type: ignore[arg-type]

    sheet._finish()
    sheet.figure.canvas.draw()
    monkeypatch.setattr(Text, "draw", watch)
    sheet.figure.canvas.draw()
    renderer = sheet.figure.canvas.get_renderer()  # type: ignore[attr-defined]
    return [
        (t.get_text(), float(t.get_fontsize()) * 100.0 / 72.0, t.get_window_extent(renderer).extents)
        for t in drawn
    ]


@pytest.mark.slow
@pytest.mark.parametrize("size", [(1920, 1080, "light"), (1400, 1000, "print"), (1080, 1920, "dark")])
@pytest.mark.parametrize("kind", KINDS)
def test_no_text_is_small_or_covers_another(
    given: Material, kind: str, size: tuple[int, int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    width, height, style = size
    wanted = Wanted(kind, width=width, height=height, style=style)  # type: ignore[arg-type]
    seen = texts_of(DRAW[kind](given, wanted), monkeypatch)
    assert UNITS[kind] in {text for text, *_ in seen}
    for text, px, (x0, y0, x1, y1) in seen:
        # 20 pixels of 1080 are 0.33 degrees on a screen that fills 18 degrees of the view: above the 16 to
        # 18 minutes of arc that ISO 9241-303 asks of letters (cited from memory).
        assert px >= 20.0 * min(width / 1920.0, height / 1080.0), text
        assert min(x0, y0) >= -1, text
        assert x1 <= width + 1, text
        assert y1 <= height + 1, text
    for (a, _, (ax0, ay0, ax1, ay1)), (b, _, (bx0, by0, bx1, by1)) in combinations(seen, 2):
        over = min(ax1, bx1) - max(ax0, bx0) > 2.0 and min(ay1, by1) - max(ay0, by0) > 4.0
        assert not over, (a, b)


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_drawn_in_the_colours_of_its_roles(given: Material, kind: str, tmp_path: Path) -> None:
    for style, ground in (("light", "light"), ("dark", "dark")):
        png = figure_bytes(given, Wanted(kind, style=style), "png")  # type: ignore[arg-type]
        assert struct.unpack(">II", png[16:24]) == (1920, 1080)
        (tmp_path / "x.png").write_bytes(png)
        pixels = np.rint(255.0 * matplotlib.image.imread(tmp_path / "x.png")[:, :, :3]).astype(int)
        look = LOOKS["on-test"][0]
        colour = getattr(look, ground)
        rgb = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
        assert (np.abs(pixels - rgb).sum(axis=2) < 20).sum() > 300
    pdf = figure_bytes(given, Wanted(kind), "pdf")
    assert pdf.startswith(b"%PDF")
    assert b"CreationDate" not in pdf


def test_parts_of_a_session_stand_side_by_side(given: Material) -> None:
    wanted = Wanted("power", ("hub",), (Stretch(30.0, 130.0, "first"), Stretch(260.0, 310.0, "4:20-5:10")))
    sheet = traces.power(given, wanted)
    assert [axes.get_title(loc="left") for axes in sheet.panels] == ["first, 0:30 to 2:10", "4:20 to 5:10"]
    assert [axes.get_xlim() for axes in sheet.panels] == [(30.0, 130.0), (260.0, 310.0)]


def test_a_picture_holds_six_instruments_and_names_the_others(given: Material) -> None:
    labels = [f"unit-{k}" for k in range(9)]
    chosen = Wanted("power").chosen(labels)
    assert chosen == (labels[:6], labels[6:])
    assert Wanted("power", ("unit-8", "unit-1")).chosen(labels) == (["unit-1", "unit-8"], [])
    sheet = Sheet(given, Wanted("power"), chosen._replace(labels=["heron"]), "Power")
    assert "Not drawn: unit-6, unit-7, unit-8. Choose with --instrument." in sheet._description()


@pytest.mark.parametrize(
    ("wanted", "why"),
    [
        (Wanted("sprint", stretches=(Stretch(0.0, 60.0),)), "no sprint there"),
        (Wanted("sides", ("pedals",)), "pedals can't be drawn as sides. This session has it of: heron"),
        (Wanted("power", ("cadence",)), "This session has it of: heron, pedals, hub"),
        (Wanted("power", stretches=(Stretch(900.0, 960.0),)), "it has 360 s"),
        (Wanted("repeats", stretches=(Stretch(0.0, 60.0),)), "Leave --stretch out"),
    ],
)
def test_what_can_not_be_drawn_is_said(given: Material, wanted: Wanted, why: str) -> None:
    with pytest.raises(FigureError, match=re.escape(why)):
        figure_bytes(given, wanted, "svg")


def test_without_matplotlib_the_remedy_is_named(given: Material, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [n for n in sys.modules if n.startswith("monitor.report.figures.") and n[-6:] != "wanted"]:
        monkeypatch.delitem(sys.modules, name)
    for name in ("shapes", "traces", "sheet"):
        monkeypatch.delattr(sys.modules["monitor.report.figures"], name, raising=False)
    for name in [n for n in sys.modules if n.partition(".")[0] == "matplotlib"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(FigureError) as told:
        figure_bytes(given, Wanted("power"), "svg")
    assert str(told.value) == HOW_TO_ADD
    assert "pip install 'plumbwatt[figures]'" in HOW_TO_ADD


@pytest.mark.parametrize("text", ["1920", "0x0", "1920x99999", "axb", "100x1080"])
def test_a_size_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match=r"1920x1080|pixels a side"):
        parse_size(text)


@pytest.mark.slow
def test_the_command_draws_into_a_file_and_names_what_is_wrong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session, out = short_session(tmp_path / "s", seed=4), tmp_path / "heron.png"
    assert parse_size(" 1280 x 720 ") == (1280, 720)
    command = ["figure", str(session), "--what", "deviation", "--size", "1280x720", "--out"]
    assert main([*command, str(out)]) == 0
    assert capsys.readouterr().out == f"{out}\n"
    assert struct.unpack(">II", out.read_bytes()[16:24]) == (1280, 720)
    whole = out.read_bytes()
    assert main([*command, str(out), "--stretch", "0:10-0:40=first", "--stretch", "0:50-1:20=second"]) == 0
    assert out.read_bytes() != whole
    capsys.readouterr()
    for more, why in (
        ([str(tmp_path / "x.jpg")], "Name it .png, .svg or .pdf"),
        ([str(out), "--instrument", "herons"], "Did you mean heron?"),
        ([str(out), "--stretch", "soon"], "is no stretch"),
        ([str(out), "--stretch", "0:10-0:40", "--stretch", "59:00-60:00=late"], "so late does not lie in it"),
        ([str(out), "--stretch", "0:10-0:40=a", "0:50-1:00=b"], "0:50-1:00=b"),
        ([str(out), *(f"--stretch=0:0{k}-0:40=part {k}" for k in range(7))], "at most 4 stretches"),
        ([str(out), "--smooth", "0"], "--smooth takes 1 to 3600 seconds"),
        ([str(tmp_path / "none" / "x.png")], "Make it first"),
    ):
        assert main([*command, *more]) == 2
        assert why in capsys.readouterr().err
