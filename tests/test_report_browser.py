"""The report in a real browser: what its script draws, selects, copies and saves."""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.cli import main
from monitor.report import report_html
from monitor.report.page import About
from monitor.report.words import number
from monitor.setup.roles import LOOKS
from monitor.study.asked.stretch import stretch_of
from monitor.study.parts.common import Shared, shared_of
from monitor.study.results import StretchStudy, Study, decode
from monitor.study.study import study
from monitor.text import seconds_of
from tests.helpers.chromium import PROGRAM, Browser
from tests.helpers.rides import evening_recording, evening_records, write_session

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(PROGRAM is None, reason="no Chromium on this computer"),
]
SESSION = "2025-11-25-190000-evening"


@pytest.fixture(scope="module")
def judged() -> tuple[Study, Shared]:
    recording = evening_recording()
    shared = shared_of(recording)
    return study(recording, shared), shared


@pytest.fixture(scope="module")
def file(judged: tuple[Study, Shared], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path: Path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(report_html(*judged, None, About(SESSION)), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with Browser(tmp_path_factory.mktemp("profile"), 1280, 900) as opened:
        yield opened


@pytest.fixture
def page(browser: Browser, file: Path) -> Iterator[Browser]:
    """The report, just opened; it must not complain, nor ask for anything but itself."""
    browser.resize(1280, 900)
    browser.open(file)
    yield browser
    assert browser.complaints() == []
    asked = [url for url in browser.requests() if not url.startswith("data:")]
    assert asked == [file.resolve().as_uri()]


def pixels(browser: Browser, node: str, colour: str) -> int:
    """How many pixels of a canvas have nearly this colour."""
    rgb = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return int(
        browser.value(
            f"""(() => {{
                const from = document.querySelector('#{node} canvas'), c = document.createElement('canvas');
                [c.width, c.height] = [from.width, from.height];
                c.getContext('2d', {{ willReadFrequently: true }}).drawImage(from, 0, 0);
                const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
                let n = 0;
                for (let k = 0; k < d.length; k += 4)
                    if (Math.abs(d[k] - {rgb[0]}) + Math.abs(d[k + 1] - {rgb[1]})
                        + Math.abs(d[k + 2] - {rgb[2]}) < 40 && d[k + 3] > 128) n++;
                return n;
            }})()"""
        )
    )


def drag(browser: Browser, low: float, high: float, node: str = "trace-power") -> None:
    """Drag over a trace, by parts of its width."""
    left, top, width, height = browser.value(
        f"""(() => {{
            const over = document.querySelector('#{node} .u-over');
            over.scrollIntoView({{block: 'center'}});
            const r = over.getBoundingClientRect();
            return [r.left, r.top, r.width, r.height];
        }})()"""
    )
    browser.drag(left + low * width, left + high * width, top + 0.5 * height)


def test_all_traces_are_drawn_in_the_looks_of_their_roles(page: Browser) -> None:
    assert page.value("document.documentElement.dataset.plots") == "6"
    assert page.value("document.querySelectorAll('.plot[data-drawn=yes] canvas').length") == 6
    for look in (LOOKS["on-test"][0], LOOKS["witness"][0], LOOKS["reference"][0]):
        assert pixels(page, "trace-power", look.light) > 60, look
    legend = page.value("document.querySelector('#trace-power .legend').innerText").split()
    assert legend == ["heron", "pedals", "hub"]
    assert page.value("document.documentElement.scrollWidth") <= 1280


@pytest.mark.slow
def test_one_switch_smooths_all_traces_and_is_named_in_their_captions(page: Browser) -> None:
    rough = pixels(page, "trace-cadence", LOOKS["on-test"][0].light)
    page.value("document.querySelector('[data-smooth=\"30\"]').click()")
    captions = page.value("[...document.querySelectorAll('figure.trace .smoothed')].map(n => n.innerText)")
    assert len(captions) == 6
    assert set(captions) == {"30 s"}
    page.value("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    assert pixels(page, "trace-cadence", LOOKS["on-test"][0].light) != rough


def test_a_drag_selects_a_stretch_in_all_traces_and_leaves_the_view(page: Browser) -> None:
    drag(page, 0.25, 0.5, "trace-difference")
    low, high = map(float, page.value("document.documentElement.dataset.selected").split())
    assert (low, high) == pytest.approx((90.0, 180.0), abs=3.0)
    widths = page.value("[...document.querySelectorAll('.u-select')].map(n => n.offsetWidth)")
    assert min(widths) > 100
    page.value("document.querySelector('[data-do=zoom]').click()")
    assert page.value("document.documentElement.dataset.shown") == f"{low:g} {high:g}"
    page.value("document.querySelector('[data-zoom=all]').click()")
    assert page.value("document.documentElement.dataset.shown") == "0 360"
    page.value("document.querySelector('[data-zoom=\"9\"]').click()")
    low, high = map(float, page.value("document.documentElement.dataset.shown").split())
    assert low < 270.0 < 282.0 < high
    page.value("document.querySelector('[data-do=clear]').click()")
    assert page.value("document.getElementById('selected').hidden")


def select(browser: Browser, low: str, high: str) -> list[list[str]]:
    """Select by the two fields; the texts of the table."""
    rows: list[list[str]] = browser.value(
        f"""(() => {{
            document.getElementById('from').value = '{low}';
            document.getElementById('to').value = '{high}';
            document.getElementById('to').dispatchEvent(new Event('change'));
            return [...document.querySelectorAll('#selected tbody tr')].map(
                row => [...row.children].map(cell => cell.innerText));
        }})()"""
    )
    return rows


def expected(row: StretchStudy, label: str, reference: str) -> list[str]:
    """What the page has to show of a row of the study."""
    marks = {"agrees": "✓ agrees", "differs": "✗ differs", "undecided": "? can’t tell yet"}
    m = row.means[label]
    d = next((d for d in row.differences if d.instrument == label), None)
    verdict = "● the reference" if label == reference else marks[d.verdict] if d else "–"
    sure = "–"
    if d is not None:
        sure = number(d.deviation_percent, 2, True)
        if row.too_short:
            verdict = "too short"
        else:
            sure += f" ± {'?' if d.u95_percent is None else number(d.u95_percent, 2)}"
    return [
        label, verdict, sure, number(d.limit_percent if d else None, 2), number(m.power_w), number(m.left_w),
        number(m.right_w), number(d.delta_w if d else None, 1, True),
        number(d.delta_percent if d else None, 2, True), number(d.left_delta_w if d else None, 1, True),
        number(d.right_delta_w if d else None, 1, True),
    ]  # fmt: skip


def close(shown: str, wanted: str) -> bool:
    """Whether two cells are the same to one in the last place, which rounding twice may differ by."""
    numbers = r"[−+]?\d+\.\d+"
    if re.sub(numbers, "#", shown) != re.sub(numbers, "#", wanted):
        return False
    pairs = zip(re.findall(numbers, shown), re.findall(numbers, wanted), strict=True)
    return all(
        abs(float(a.replace("−", "-")) - float(b.replace("−", "-"))) <= 1.01 * 10 ** -len(a.split(".")[1])
        for a, b in pairs
    )


STRETCHES = [
    ("0:50", "1:40"),
    ("0:20", "2:10"),
    ("1:50", "4:20"),
    ("3:20", "3:55"),
    ("4:20", "4:50"),
    ("5:00", "5:45"),
    ("0:40", "1:00"),
    ("0:00", "6:00"),
]


def test_the_page_has_the_numbers_of_the_study(page: Browser, judged: tuple[Study, Shared]) -> None:
    whole, shared = judged
    same = 0
    for low, high in STRETCHES:
        row = stretch_of(shared, seconds_of(low) or 0.0, seconds_of(high) or 0.0)
        shown = select(page, low, high)
        assert [cells[0] for cells in shown] == ["heron", "pedals", "hub"]
        for cells in shown:
            wanted = expected(row, cells[0], whole.reference)
            assert all(close(a, b) for a, b in zip(cells, wanted, strict=True)), (low, cells, wanted)
            same += sum(a == b for a, b in zip(cells, wanted, strict=True))
        remarks = page.value("document.querySelector('#selected .remarks').innerText")
        assert ("too short for ±" in remarks) == row.too_short
    # Rounding twice moves a last place now and then, not more.
    assert same >= 33 * len(STRETCHES) - 3


@pytest.mark.slow
def test_the_page_has_the_numbers_of_the_command(browser: Browser, tmp_path: Path) -> None:
    bench, records = evening_records()
    session = write_session(tmp_path, bench, records)
    report, told = tmp_path / "page.html", tmp_path / "study.json"
    browser.resize(1280, 900)
    assert main(["study", str(session), "--html", str(report)]) == 0
    browser.open(report)
    drag(browser, 0.3, 0.62)
    browser.value("document.querySelector('[data-copy=command]').click()")
    command = browser.value("document.documentElement.dataset.copied").split()
    assert command[:3] == ["plumbwatt", "study", session.name]
    assert main(["study", str(session), *command[3:], "--json", str(told)]) == 0
    (row,) = decode(told.read_bytes()).stretches
    low, high = browser.value("document.documentElement.dataset.selected").split()
    assert (row.start_s, row.end_s) == (float(low), float(high))
    rows = "[...document.querySelectorAll('#selected tbody tr')]"
    for cells in browser.value(f"{rows}.map(row => [...row.children].map(cell => cell.innerText))"):
        wanted = expected(row, cells[0], "hub")
        assert all(close(a, b) for a, b in zip(cells, wanted, strict=True)), (cells, wanted)


def test_a_short_stretch_has_no_uncertainty(page: Browser) -> None:
    shown = select(page, "0:50", "1:10")
    assert "too short for ±" in page.value("document.querySelector('#selected .remarks').innerText")
    assert [cells[1] for cells in shown] == ["too short", "too short", "● the reference"]
    assert not any("±" in cell for cells in shown for cell in cells)


@pytest.mark.slow
def test_what_is_copied_is_the_table_and_the_command_that_keeps_it(page: Browser) -> None:
    select(page, "0:50", "1:40")
    page.value("document.querySelector('[data-copy=text]').click()")
    lines = page.value("document.documentElement.dataset.copied").splitlines()
    assert lines[0] == "evening, 25 November 2025, 0:50 to 1:40, 0:50 long"
    assert lines[1].split("\t")[:3] == ["Instrument", "Verdict", "Deviation %"]
    assert lines[2].startswith("heron\t✗ differs\t+4.")
    page.value(
        """(() => { const n = document.getElementById('stretch-name'); n.value = 'the climb"; rm $x';
        n.dispatchEvent(new Event('input')); document.querySelector('[data-copy=command]').click(); })()"""
    )
    told = page.value("document.documentElement.dataset.copied")
    assert told == f'plumbwatt study {SESSION} --stretch "0:50-1:40=the climb rm x"'


@pytest.mark.slow
def test_a_dark_page_is_dark_in_its_charts_too(page: Browser) -> None:
    page.value("document.querySelector('[data-do=dark]').click()")
    page.value("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    assert page.value("getComputedStyle(document.body).backgroundColor") == "rgb(20, 23, 26)"
    assert pixels(page, "trace-power", LOOKS["on-test"][0].dark) > 60
    line = "getComputedStyle(document.querySelector('.unit svg .line')).stroke"
    assert page.value(line) == "rgb(255, 255, 255)"
    page.value("document.querySelector('[data-do=large]').click()")
    assert page.value("getComputedStyle(document.documentElement).fontSize") == "24px"
    assert page.value("document.documentElement.scrollWidth") <= 1280


@pytest.mark.slow
def test_every_chart_can_be_saved_as_a_picture(page: Browser) -> None:
    figures = page.value("document.querySelectorAll('figure').length")
    assert page.value("document.querySelectorAll('figure figcaption > button.save').length") == figures
    for which in ("figure.trace .save", ".unit .save", "#sprints .save", "#signal .save"):
        told = page.value(
            f"""new Promise(done => {{
                delete document.documentElement.dataset.saved;
                document.querySelector('{which}').click();
                const look = () => document.documentElement.dataset.saved
                    ? done(document.documentElement.dataset.saved) : setTimeout(look, 20);
                look();
            }})"""
        )
        name, size, octets = told.split(" ")
        assert re.fullmatch(r"evening-25-november-2025-[\w-]+\.png", name)
        assert size.startswith("1600x")
        assert int(octets) > 20_000


def test_on_a_phone_nothing_sticks_out_and_the_verdict_is_seen(page: Browser, file: Path) -> None:
    page.resize(390, 844, 2.0, mobile=True)
    watch = """window.words = []; const plain = CanvasRenderingContext2D.prototype.fillText;
        CanvasRenderingContext2D.prototype.fillText = function (text, ...where) {
            window.words.push(text); return plain.call(this, text, ...where); };"""
    page.command("Page.addScriptToEvaluateOnNewDocument", {"source": watch})
    page.open(file)
    assert any(word.startswith("under") and word.endswith("…") for word in page.value("words"))
    ends = "[...document.querySelectorAll('caption')].filter(c => c.offsetWidth)"
    assert max(page.value(f"{ends}.map(c => c.lastChild.getBoundingClientRect().right)")) <= 390
    heights = "[...document.querySelectorAll('.strip text')].map(t => t.getBoundingClientRect().height)"
    assert min(page.value(heights)) >= 9.0
    assert page.value("document.documentElement.scrollWidth") <= 390
    assert page.value("document.querySelector('#trace-power canvas').clientWidth") <= 390
    # Instrument, verdict and deviation of each segment, and the answer with its chart on the first screen.
    for k in (1, 2, 3):
        cell = f"#segments tbody tr:nth-child(2) > :nth-child({k})"
        assert page.value(f"document.querySelector('{cell}').getBoundingClientRect().right") <= 390
    bottom = "document.querySelector('.unit svg:not(.swatch)').getBoundingClientRect().bottom"
    assert page.value(f"{bottom} + scrollY") <= 844


def test_on_a_desk_the_first_screen_answers(page: Browser) -> None:
    for what in (".tiles", ".unit figure", ".condition"):
        assert page.value(f"document.querySelector('{what}').getBoundingClientRect().bottom") <= 900


@pytest.mark.slow
def test_on_paper_the_first_page_answers_and_few_follow(page: Browser, tmp_path: Path) -> None:
    page.pdf(tmp_path / "report.pdf")
    data = (tmp_path / "report.pdf").read_bytes()
    assert data.startswith(b"%PDF")
    (count,) = re.findall(rb"/Type /Pages\s*/Count (\d+)", data) or re.findall(rb"/Count (\d+)", data)
    assert int(count) <= 5
    # Afterwards it is as it was.
    assert page.value("document.querySelectorAll('details[open]').length") == 0
    assert json.loads(page.value("JSON.stringify(document.documentElement.dataset.plots)")) == "6"
