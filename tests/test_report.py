"""The report: whole in one file, hostile to nobody's browser, readable without eyes for colour."""

import base64
import dataclasses
import hashlib
import html.parser
import json
import re
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import msgspec
import numpy as np
import pytest

from capture.record import Act
from monitor.report import report_html
from monitor.report.charts import COLOURS, DASHES, MARKERS, nice_ticks, padded
from monitor.report.series import MOST_POINTS, payload, script_json
from monitor.report.terminal import study_lines
from monitor.report.words import WORDS, fact, number, sure
from monitor.setup.bench import parse_bench
from monitor.study.against import Given, compare_sessions
from monitor.study.grid import Grid
from monitor.study.parts.common import shared_of
from monitor.study.recording import Recording
from monitor.study.study import study
from monitor.text import minus
from tests.helpers.chromium import PROGRAM, Browser
from tests.helpers.rides import evening_recording, evening_records, record

ROOT = Path(__file__).parent.parent


def html_of(recording: Recording) -> str:
    """The report of a session."""
    shared = shared_of(recording)
    return report_html(study(recording, shared), shared)


@pytest.fixture(scope="module")
def page() -> str:
    recording = evening_recording()
    return html_of(recording)


class Elements(html.parser.HTMLParser):
    """All elements in order, with the names of those that are open around each."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None], tuple[str, ...]]] = []
        self._open: list[str] = []
        self.texts: list[tuple[str, str]] = []
        self.feed(text)
        assert self._open == [], self._open

    VOID = frozenset({"meta", "br", "link", "img", "input", "hr"})

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs), tuple(self._open)))
        if tag not in self.VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs), tuple(self._open)))

    def handle_endtag(self, tag: str) -> None:
        assert self._open, f"</{tag}> closes nothing"
        assert self._open[-1] == tag, (self._open[-3:], tag)
        self._open.pop()

    def handle_data(self, data: str) -> None:
        self.texts.append((self._open[-1] if self._open else "", data))

    def all(self, tag: str) -> Iterator[dict[str, str | None]]:
        """Attributes of every element of that name."""
        return (attributes for name, attributes, _ in self.found if name == tag)


def test_the_same_session_gives_the_same_page(page: str) -> None:
    recording = record(*evening_records())
    assert html_of(recording) == page


def test_verdicts_come_first_and_every_part_is_there(page: str) -> None:
    ids = re.findall(r'<section id="([a-z]+)"', page)
    assert ids[:5] == ["verdict", "states", "bench", "judged", "trace"]
    wanted = {"segments", "sides", "agreement", "torque", "where", "sprints", "repeats", "signal", "open"}
    assert wanted <= set(ids)
    linked = re.findall(r'href="#([a-z]+)"', page)
    assert set(linked) <= set(ids)
    assert "✗ differs" in page
    assert "A reference for others? No." in page


def test_nothing_is_loaded_from_anywhere(page: str) -> None:
    elements = Elements(page)
    for name, attributes, _ in elements.found:
        assert name not in ("link", "img", "iframe", "object", "embed", "base", "form"), name
        assert "src" not in attributes
        assert not any(key.startswith("on") for key in attributes), attributes
        assert "style" not in attributes
        href = attributes.get("href")
        assert href is None or href.startswith("#")
    assert "@import" not in page
    assert "url(" not in page


def test_only_the_pages_own_script_and_style_may_run(page: str) -> None:
    elements = Elements(page)
    (policy,) = [
        m["content"] for m in elements.all("meta") if m.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy is not None
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy
    for name in ("script", "style"):
        bodies = re.findall(rf"<{name}>(.*?)</{name}>", page, re.DOTALL)
        assert len(bodies) == 1
        digest = base64.b64encode(hashlib.sha256(bodies[0].encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_tables_charts_and_headings_speak_to_those_who_listen(page: str) -> None:
    elements = Elements(page)
    (root,) = elements.all("html")
    assert root["lang"] == "en"
    tables = len(list(elements.all("table")))
    assert tables >= 8
    assert len(list(elements.all("caption"))) == tables
    assert all(th.get("scope") for th in elements.all("th"))
    for svg in elements.all("svg"):
        assert svg.get("aria-hidden") == "true" or (svg.get("role") == "img" and svg.get("aria-label"))
    levels = [int(name[1]) for name, _, _ in elements.found if re.fullmatch("h[1-6]", name)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert len(list(elements.all("main"))) == 1
    figures = [around for name, _, around in elements.found if name == "figcaption"]
    assert len(figures) == len(list(elements.all("figure")))


def luminance(colour: str) -> float:
    """Relative luminance of a colour (WCAG 2.2, definition)."""
    parts = [int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_colours_stand_out_from_white_as_text_must() -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1 for text.
    style = (ROOT / "monitor" / "report" / "style.css").read_text("utf-8")
    named = re.findall(r"--(?:ink|soft|good|bad|open|link):(#[0-9a-f]{3,6})", style)
    assert len(named) == 6
    for colour in [*COLOURS, *named]:
        assert 1.05 / (luminance(colour) + 0.05) >= 4.5, colour


def test_colour_is_never_the_only_sign() -> None:
    signs = [(MARKERS[k], DASHES[k]) for k in range(len(COLOURS))]
    assert len(set(signs)) == len(signs)


HOSTILE = "</script><script>alert(1)</script><img src=x onerror=alert(2)>\x1b[2J\u202e&quot;{{7*7}}"


def test_hostile_names_stay_names() -> None:
    bench, records = evening_records()
    text = bench.text.replace('name = "evening"', 'name = "<b onclick=alert(1)>evening & co</b>"')
    hostile = parse_bench(text, "hostile")
    told = []
    for r in records:
        told.append(msgspec.structs.replace(r, text=HOSTILE) if isinstance(r, Act) else r)
    recording = record(hostile, told)
    for facts in recording.facts:
        facts["name"] = HOSTILE
        facts["serial"] = "=1+1"
        facts["zero_\x1b[2J\u202e<i>"] = "x"
    recording = dataclasses.replace(
        recording,
        findings=[msgspec.structs.replace(f, what=HOSTILE, advice=HOSTILE) for f in recording.findings],
    )
    text = html_of(recording)
    elements = Elements(text)
    assert len(list(elements.all("script"))) == 2
    assert not list(elements.all("img"))
    assert not list(elements.all("b")) or all(not b for b in elements.all("b"))
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "49" not in [t.strip() for _, t in elements.texts]
    (data,) = re.findall(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert json.loads(data)["segments"][0]["name"].startswith("</script><script>")


def test_what_a_verdict_rests_on_is_drawn(page: str) -> None:
    """The unit on test differs in a part of one segment only, and agrees over all whole segments."""
    (forest,) = re.findall(r'<svg[^>]*aria-label="heron: deviation by segment.*?</svg>', page, re.DOTALL)
    (part,) = [t for t in re.findall(r"<title>(.*?)</title>", forest) if "differs" in t]
    assert part.startswith("· 0:4")
    assert ">· 0:4" in forest
    assert "Rows with a dot are parts" in page


def test_no_cell_tells_its_verdict_by_colour_alone(page: str) -> None:
    cells = re.findall(r'<td class="(?:t )?v (agrees|differs|undecided)">(.*?)</td>', page)
    assert {verdict for verdict, _ in cells} == {"agrees", "differs", "undecided"}
    for verdict, text in cells:
        assert WORDS[verdict][0] in text


def test_charts_of_several_instruments_say_whose_line_is_whose(page: str) -> None:
    for title in ("Deviation against torque", "Deviation against cadence", "sprint at one second"):
        (caption,) = re.findall(rf'aria-label="{title}.*?<figcaption>(.*?)</figcaption>', page, re.DOTALL)
        assert caption.count('class="swatch"') == len(re.findall(r'class="key"', caption)) >= 2
        assert "heron" in caption


def test_facts_have_their_units_behind_the_number(page: str) -> None:
    assert "crank length 172.5 mm" in page
    assert fact("battery_v", "2.90625") == "battery 2.906 V"
    assert fact("battery_percent", "85") == "battery 85 %"
    assert fact("battery_v", "?\x1b") == "battery ?\ufffd V"
    assert fact("v", "1") == "v 1"
    assert fact("model_number", "12345678") == "model number 12345678"


def test_seconds_that_were_left_out_are_told_beside_the_mean_that_holds_them(page: str) -> None:
    (row,) = re.findall(r"<tr>(?:(?!</tr>).)*left out of differences.*?</tr>", page, re.DOTALL)
    assert "heron" in row
    result = study(evening_recording())
    (d,) = [d for s in result.segments for d in s.differences if d.excluded_s]
    assert f"{d.excluded_s} s around a fault" in row


@pytest.mark.parametrize("text", ["</script>", "<!--", "\u2028", "a&b", "]]>"])
def test_json_in_the_page_can_not_end_its_element(text: str) -> None:
    told = script_json({"x": text})
    assert json.loads(told) == {"x": text}
    assert not set("<>&\u2028\u2029") & set(told)


def test_curves_are_the_grids_with_gaps_left_open() -> None:
    recording = evening_recording()
    result = study(recording)
    told = payload(result, Grid(recording))
    power = told["power"]["pedals"]
    assert len(power) == len(told["t"]) == len(recording.cells)
    assert power[212] is None
    assert power[100] == pytest.approx(recording.cells[100, 1, 0] / recording.cells[100, 1, 3], abs=0.05)
    assert told["limits"] == {
        "pedals": pytest.approx(2**0.5, abs=1e-3),
        "heron": pytest.approx(1.803, abs=1e-3),
    }
    assert max(v for v in told["difference"]["heron"][60:95] if v is not None) == pytest.approx(4.2, abs=0.3)


def test_a_long_session_is_thinned_but_keeps_its_work() -> None:
    recording = evening_recording()
    many = 40
    cells = np.tile(recording.cells, (many, 1, 1))
    long = dataclasses.replace(recording, cells=cells)
    told = payload(study(recording), Grid(long))
    assert told["step"] == 3
    assert len(told["t"]) <= MOST_POINTS
    grid = Grid(long)
    for k in (50, 1000, 4000):
        assert told["power"]["hub"][k] == pytest.approx(
            float(grid.power_w[3 * k : 3 * k + 3, 0].mean()), abs=0.06
        )


def test_other_sessions_stand_beside_this_one() -> None:
    recording = evening_recording()
    result = study(recording)
    comparison = compare_sessions([Given("first", result), Given("second <i>", result)])
    text = report_html(result, shared_of(recording), comparison)
    assert '<section id="against"' in text
    assert "second &lt;i&gt;" in text
    Elements(text)


def test_numbers_for_readers() -> None:
    assert number(-0.04, 1, sign=True) == "0.0"
    assert number(-1.25, 2, sign=True) == "−1.25"
    assert number(None) == "–"
    assert minus("by -1.5 % at 2023-11-14, steady-2 (-3)") == "by −1.5 % at 2023-11-14, steady-2 (−3)"
    assert nice_ticks(0.0, 10.0) == [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]
    low, high = padded([5.0], 2.0)
    assert (low, high) == pytest.approx((4.0, 6.0))


def test_a_lag_is_told_with_its_uncertainty() -> None:
    recording = evening_recording()
    result = study(recording)
    page = report_html(result, shared_of(recording))
    pedals = result.instruments["pedals"]
    assert pedals.lag_s is not None
    assert pedals.lag_u95_s is not None
    told = sure(pedals.lag_s, pedals.lag_u95_s, 2)
    assert "±" in told
    assert f"<td>{told}</td>" in page
    assert f"pedals {told} s" in page
    assert told.replace("−", "-") in "\n".join(study_lines(result))


@pytest.mark.skipif(PROGRAM is None, reason="no Chromium on this computer")
def test_in_a_real_browser(page: str, tmp_path: Path) -> None:
    file = tmp_path / "report.html"
    file.write_text(page, encoding="utf-8")
    profile = tmp_path / "profile"
    with Browser(profile, 1280, 900) as browser:
        browser.open(file)
        assert browser.value("document.documentElement.dataset.plots") == "4"
        assert browser.value("document.querySelectorAll('.plot[data-drawn=yes] canvas').length") == 4
        # Something is drawn in the instruments' own colours.
        for node, colour in (("trace-power", COLOURS[0]), ("trace-difference", COLOURS[2])):
            rgb = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
            near = browser.value(
                f"""(() => {{
                    const c = document.querySelector('#{node} canvas');
                    const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
                    let n = 0;
                    for (let k = 0; k < d.length; k += 4)
                        if (Math.abs(d[k] - {rgb[0]}) + Math.abs(d[k + 1] - {rgb[1]})
                            + Math.abs(d[k + 2] - {rgb[2]}) < 60 && d[k + 3] > 128) n++;
                    return n;
                }})()"""
            )
            assert near > 100, node
        assert browser.value("document.documentElement.scrollWidth") <= 1280
        # Zoom by dragging over one trace: all follow.
        left, top, width, height = browser.value(
            """(() => {
                const over = document.querySelector('#trace-power .u-over');
                over.scrollIntoView({block: 'center'});
                const r = over.getBoundingClientRect();
                return [r.left, r.top, r.width, r.height];
            })()"""
        )
        browser.drag(left + 0.25 * width, left + 0.5 * width, top + 0.5 * height)
        low, high = map(float, browser.value("document.documentElement.dataset.shown").split())
        assert (low, high) == pytest.approx((90.0, 180.0), abs=6.0)
        browser.value("document.querySelector('[data-zoom=all]').click()")
        assert browser.value("document.documentElement.dataset.shown") == "0 360"
        browser.value("document.querySelector('[data-zoom=\"9\"]').click()")
        low, high = map(float, browser.value("document.documentElement.dataset.shown").split())
        assert low < 270.0 < 282.0 < high
        assert browser.complaints() == []
        assert browser.requests() == [file.resolve().as_uri()]
        # On a phone nothing sticks out, and the first words are the verdict.
        browser.resize(390, 844, 2.0, mobile=True)
        watch = """window.words = []; const plain = CanvasRenderingContext2D.prototype.fillText;
            CanvasRenderingContext2D.prototype.fillText = function (text, ...where) {
                window.words.push(text); return plain.call(this, text, ...where); };"""
        browser.command("Page.addScriptToEvaluateOnNewDocument", {"source": watch})
        browser.open(file)
        assert "under 1…" in browser.value("words") or "under…" in browser.value("words")
        ends = "[...document.querySelectorAll('caption')].map(c => c.lastChild.getBoundingClientRect().right)"
        assert max(browser.value(ends)) <= 390
        heights = "[...document.querySelectorAll('.strip text')].map(t => t.getBoundingClientRect().height)"
        assert min(browser.value(heights)) >= 9.0
        assert browser.value("document.documentElement.scrollWidth") <= 390
        assert browser.value("document.querySelector('#trace-power canvas').clientWidth") <= 390
        assert browser.complaints() == []
        assert browser.requests() == [file.resolve().as_uri()]
        browser.pdf(tmp_path / "report.pdf")
    assert (tmp_path / "report.pdf").read_bytes().startswith(b"%PDF")
