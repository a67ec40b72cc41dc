"""The report: whole in one file, hostile to nobody's browser, readable without eyes for colour."""

import base64
import dataclasses
import hashlib
import html.parser
import json
import re
from collections.abc import Iterator
from itertools import combinations, pairwise
from pathlib import Path

import msgspec
import numpy as np
import pytest

from capture.record import Act
from monitor.dashboard import look
from monitor.report import first, head, report_html
from monitor.report.drawing import plots
from monitor.report.drawing.colours import GROUND, SESSIONS, TEXT
from monitor.report.drawing.svg import apart, nice_ticks, padded
from monitor.report.material import Material
from monitor.report.selection import milliwatts
from monitor.report.series import MOST_POINTS, changes_of, deviations, payload, rolling, script_json
from monitor.report.terminal import study_lines
from monitor.report.words import WORDS, fact, number, sure
from monitor.sessions import vouched
from monitor.setup.bench import parse_bench
from monitor.setup.roles import LOOKS
from monitor.study.against import Given, compare_sessions
from monitor.study.grid import Grid
from monitor.study.parts.common import shared_of
from monitor.study.recording import Recording
from monitor.study.study import study
from monitor.text import minus
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
    paper = GROUND["paper"]
    looks = [*SESSIONS, *(look for of_role in LOOKS.values() for look in of_role)]
    light = [GROUND[name].light for name in TEXT] + [look.light for look in looks]
    dark = [GROUND[name].dark for name in TEXT] + [look.dark for look in looks]
    for colours, ground in ((light, paper.light), (dark, paper.dark)):
        for colour in colours:
            low, high = sorted((luminance(colour), luminance(ground)))
            assert (high + 0.05) / (low + 0.05) >= 4.5, (colour, ground)


def test_colour_is_never_the_only_sign() -> None:
    roles = [look for of_role in LOOKS.values() for look in of_role]
    for looks in (SESSIONS, roles):
        signs = [(look.marker, look.dash, look.width) for look in looks]
        assert len(set(signs)) == len(signs)


def test_the_screen_draws_a_role_as_the_report_does() -> None:
    for role, looks in LOOKS.items():
        colours = [style.color.name for style in look.LINES[role] if style.color is not None]
        assert colours == [own.dark for own in looks]
        assert all(style.bold == (role == "on-test") for style in look.LINES[role])


# Machado, Oliveira and Fernandes, IEEE Trans. Vis. Comput. Graph. 15, 1291 (2009), severity 1.0, on linear
# red, green and blue; the numbers are cited from memory, each row adds up to one.
DEFICIENT = {
    "protan": (
        (0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998),
    ),
    "deutan": (
        (0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881),
    ),
    "tritan": (
        (1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900),
    ),
}  # fmt: skip


def seen(colour: str, by: str) -> np.ndarray:
    """A colour as somebody with a colour vision deficiency sees it: L*, a*, b* of CIE 1976 (D65)."""
    rgb = np.array([int(colour[k : k + 2], 16) / 255.0 for k in (1, 3, 5)])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    if by:
        linear = np.clip(np.array(DEFICIENT[by]) @ linear, 0.0, 1.0)
    # IEC 61966-2-1 and CIE 15.
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ linear
    t = xyz / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("by", ["", *DEFICIENT])
@pytest.mark.parametrize("ground", ["light", "dark"])
def test_roles_and_sides_look_unlike_to_all_eyes(by: str, ground: str) -> None:
    assert all(sum(row) == pytest.approx(1.0, abs=1e-5) for rows in DEFICIENT.values() for row in rows)
    roles = [getattr(looks[0], ground) for looks in LOOKS.values()]
    sides = [getattr(GROUND[name], ground) for name in ("sideL", "sideR")]
    states = [getattr(GROUND[name], ground) for name in ("good", "bad")]
    for colours in (roles, sides, states):
        for a, b in combinations(colours, 2):
            # Ten is a difference that is seen at a glance (common practice, no source).
            assert float(np.linalg.norm(seen(a, by) - seen(b, by))) > 10.0, (a, b)


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


def material(recording: Recording) -> Material:
    """A session studied, with its arrays."""
    shared = shared_of(recording)
    return Material(study(recording, shared), shared)


def test_curves_are_the_grids_with_gaps_left_open() -> None:
    recording = evening_recording()
    given = material(recording)
    told = payload(given)
    power = told["power"]["pedals"]
    assert len(power) == told["n"] == len(recording.cells)
    assert power[212] is None
    assert power[100] == pytest.approx(recording.cells[100, 1, 0] / recording.cells[100, 1, 3], abs=0.05)
    assert told["left"]["pedals"][100] + told["right"]["pedals"][100] == pytest.approx(power[100], abs=0.11)
    assert told["limits"] == {
        "pedals": pytest.approx(2**0.5, abs=1e-3),
        "heron": pytest.approx(1.803, abs=1e-3),
    }


def test_a_deviation_over_time_follows_the_window_of_the_bench() -> None:
    recording = evening_recording()
    text = recording.bench.text + "\n[limits]\nwindow_s = 12\n"
    other = dataclasses.replace(recording, bench=parse_bench(text, "with a window"))
    assert "mean over 30 s" in first.on_test(material(recording))[0]["chart"]["caption"]
    assert "mean over 12 s" in first.on_test(material(other))[0]["chart"]["caption"]


def test_a_mean_over_time_needs_four_fifths_of_its_seconds_and_is_of_work() -> None:
    own, theirs = np.full(40, 210.0), np.full(40, 200.0)
    own[20:] = 420.0
    assert rolling(own, theirs, 10)[10] == pytest.approx(5.0)
    # Half of it at 5 %, half at 110 %.
    assert rolling(own, theirs, 10)[20] == pytest.approx(57.5)
    own[5:8] = np.nan
    assert np.isnan(rolling(own, theirs, 10)[8])
    assert not np.isnan(rolling(own, theirs, 10)[12])


def test_no_mean_over_time_reaches_over_a_change() -> None:
    own, theirs = np.full(60, 210.0), np.full(60, 200.0)
    own[20:] = 240.0
    plain, cut = rolling(own, theirs, 10), rolling(own, theirs, 10, changes_s=[20.0])
    assert plain[19] == pytest.approx(0.6 * 5.0 + 0.4 * 20.0)
    assert cut[19] == pytest.approx(5.0)
    assert cut[20] == pytest.approx(20.0)
    assert np.isfinite(cut).all()
    # What lies between two changes is too short for a mean if it is less than half a window.
    assert np.isnan(rolling(own, theirs, 10, changes_s=[20.0, 23.0])[20:23]).all()


def test_changes_are_those_of_the_states_and_stand_in_the_page() -> None:
    given = material(evening_recording())
    found = changes_of(given.study, "heron")
    states = given.study.instruments["heron"].states
    assert found == [states[1].from_s, states[2].from_s]
    assert payload(given)["changes"] == {"pedals": [], "heron": [round(c) for c in found]}


def test_a_trace_has_a_gap_where_timing_would_make_it() -> None:
    """Beside rests and sprints the smallest lag moves a mean by more than healthy pedals deviate."""
    given = material(evening_recording())
    pair = given.grid.compared(given.order["pedals"])
    every = rolling(pair.own_w, pair.reference_w, 10)
    total = deviations(given, "pedals", 10)["total"]
    both = np.isfinite(total)
    assert np.array_equal(total[both], every[both])
    dropped = np.isfinite(every) & ~both
    assert 0 < dropped.sum() < 0.3 * len(every)
    assert np.abs(total[both]).max() < np.abs(every[dropped]).max()


def test_milliwatts_add_up_to_the_work_that_was_done() -> None:
    values = np.random.default_rng(3).normal(200.0, 30.0, 5000)
    values[100:140] = np.nan
    told = milliwatts(values)
    assert told[100:140] == [None] * 40
    for a, b in ((0, 5000), (90, 150), (1234, 1264)):
        exact = float(np.nansum(values[a:b]))
        assert sum(v for v in told[a:b] if v is not None) / 1000.0 == pytest.approx(exact, abs=0.0011)


def test_a_long_session_is_thinned_but_keeps_its_work() -> None:
    recording = evening_recording()
    many = 160
    cells = np.tile(recording.cells, (many, 1, 1))
    given = material(recording)
    grid = Grid(dataclasses.replace(recording, cells=cells))
    told = payload(dataclasses.replace(given, shared=dataclasses.replace(given.shared, grid=grid)))
    assert told["step"] == 3
    assert told["n"] <= MOST_POINTS
    assert len(told["thin"]["heron"]["own"]) == told["n"]
    for k in (50, 1000, 4000):
        assert told["power"]["hub"][k] == pytest.approx(
            float(grid.power_w[3 * k : 3 * k + 3, 0].mean()), abs=0.06
        )


def test_labels_are_moved_apart_and_keep_their_order() -> None:
    assert apart([50.0, 52.0, 120.0], 0.0, 200.0) == [50.0, 63.0, 120.0]
    placed = apart([195.0, 199.0, 198.0], 0.0, 200.0)
    assert placed == [174.0, 200.0, 187.0]
    assert apart([], 0.0, 1.0) == []


def test_the_large_marks_of_the_agreement_plot_are_the_means_of_the_table() -> None:
    given = material(evening_recording())
    chart = plots.agreement(given, "heron")
    assert chart is not None
    large = dict(re.findall(r"<title>([^:<]+): ([−+]?[0-9.]+) % at", chart["svg"]))
    table = {s.name: d for s in given.study.segments for d in s.differences if d.instrument == "heron"}
    assert len(large) >= 5
    for name, text in large.items():
        assert text == number(table[name].deviation_percent, 2, True)


@pytest.mark.parametrize(
    ("started", "told"),
    [
        ("", "25 November 2025, 19:00 UTC"),
        ("2025-11-25 20:00:03", "25 November 2025, 20:00 local time"),
        ("2025-11-26 00:45:00", "26 November 2025, 00:45 local time"),
        # A scene's own date, or a clock that was set in between: no zone is as far as that.
        ("2026-03-01 10:00:00", "25 November 2025, 19:00 UTC"),
        ("2025-11-25 20:07:00", "25 November 2025, 19:00 UTC"),
        ("yesterday", "25 November 2025, 19:00 UTC"),
    ],
)
def test_the_head_has_the_local_date_where_it_is_known(started: str, told: str) -> None:
    assert head.ridden(material(evening_recording()).study, started) == told


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


def test_a_report_is_made_anew_when_its_script_changes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = vouched.code_sha256()
    for name in ("monitor/sessions/vouched.py", "monitor/report/web/save.js"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes((ROOT / name).read_bytes())
    monkeypatch.setattr(vouched, "__file__", str(tmp_path / "monitor/sessions/vouched.py"))
    small = vouched.code_sha256.__wrapped__()
    (tmp_path / "monitor/report/web/save.js").write_text("let changed;\n", encoding="utf-8")
    assert len({before, small, vouched.code_sha256.__wrapped__()}) == 3
