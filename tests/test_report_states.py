"""States, acts and first screen: what a study says of them, from values made by hand."""

import re
from typing import Any

import msgspec
import pytest

from monitor.report import report_html
from monitor.report.states import act_sentence, remarks, rider_sentence, sentences, state_rows
from monitor.report.terminal import study_lines
from monitor.study.parts.common import Shared, shared_of
from monitor.study.results import ActJudged, Opened, RiderChange, ShownOverCounted, State, Study
from monitor.study.study import study
from monitor.text import PAGE, TERMINAL
from tests.helpers.rides import evening_recording

FOUND = State(
    0.0, 180.0, Opened("start", 0.0, ""), 12, 4.7, 0.4, 1.8, "differs",
    left_percent=0.2, left_u95_percent=0.5, right_percent=9.1, right_u95_percent=0.6, cause="one-side",
)  # fmt: skip
LEFT = State(180.0, 360.0, Opened("zeroed", 180.0, "by hand"), 14, -0.2, 0.4, 1.8, "agrees")
ZEROED = ActJudged(180.0, "zeroed", "heron", 4.7, -0.2, -4.9, 0.4, "cured")
RIDER = RiderChange((0.0, 180.0), (180.0, 360.0), 0.3, 0.4, -2.0, None, "unit", "heron")


def changed(whole: Study, label: str, **values: Any) -> Study:
    """The study with other values of one instrument."""
    instrument = msgspec.structs.replace(whole.instruments[label], **values)
    return msgspec.structs.replace(whole, instruments={**whole.instruments, label: instrument})


@pytest.fixture(scope="module")
def shared() -> Shared:
    return shared_of(evening_recording())


@pytest.fixture(scope="module")
def bare(shared: Shared) -> Study:
    """As an earlier version of the program left it: without states."""
    whole = study(shared.recording, shared)
    for label in whole.instruments:
        whole = changed(
            whole, label, states=[], as_found=None, as_left=None, stands_apart="no", apart_odds=None,
            same_as=None, shown_over_counted=None, verdict="differs" if label == "heron" else "agrees",
        )  # fmt: skip
    return msgspec.structs.replace(whole, acts_judged=[], rider=[])


@pytest.fixture(scope="module")
def full(bare: Study) -> Study:
    whole = changed(
        bare, "heron", states=[FOUND, LEFT], as_found="differs", as_left="agrees", stands_apart="yes",
        apart_odds=0.89, shown_over_counted=ShownOverCounted(1.2, 0.002),
    )  # fmt: skip
    return msgspec.structs.replace(whole, acts_judged=[ZEROED], rider=[RIDER])


def test_an_act_is_told_with_its_effect(full: Study) -> None:
    assert (
        act_sentence(full, ZEROED, TERMINAL)
        == "heron: zeroing at 3:00 changed it by -4.9 ± 0.4 %: cured; agrees since, 3 min."
    )


@pytest.mark.parametrize(
    ("effect", "change", "ends"),
    [
        ("no-change", 0.1, "changed it by only +0.1 ± 0.4 %: not the cause."),
        ("undecided", 0.5, "changed it by +0.5 ± 0.4 %: its effect is undecided."),
        ("worse", 2.0, "changed it by +2.0 ± 0.4 %: worse."),
        ("undecided", None, "the effect of zeroing at 3:20 is not known."),
    ],
)
def test_no_act_is_praised_without_evidence(
    full: Study, effect: str, change: float | None, ends: str
) -> None:
    act = msgspec.structs.replace(ZEROED, t_s=200.0, effect=effect, change_percent=change)
    text = act_sentence(full, act, TERMINAL)
    assert text.endswith(ends)
    assert "cured" not in text


def test_the_rider_or_the_unit() -> None:
    assert rider_sentence(RIDER, PAGE) == (
        "heron, between 0:00–3:00 and 3:00–6:00: the unit changed, not the rider "
        "(rider: left share +0.3 ± 0.4 points, cadence −2 rpm)."
    )
    unknown = msgspec.structs.replace(
        RIDER, left_share_change_points=None, cadence_change_rpm=None, verdict="undecided"
    )
    assert rider_sentence(unknown, PAGE).endswith("rider or unit: undecided.")
    open_ = msgspec.structs.replace(RIDER, changed=["heron", "pedals"])
    assert "heron or pedals changed, not the rider" in rider_sentence(open_, PAGE)
    theirs = msgspec.structs.replace(RIDER, changed=["pedals"])
    assert "heron, between 0:00–3:00 and 3:00–6:00: pedals changed, not the rider" in rider_sentence(
        theirs, PAGE
    )


def test_who_stands_apart_and_what_is_shown_otherwise_than_counted(full: Study) -> None:
    assert remarks(full, TERMINAL) == [
        "heron stands apart from the other instruments (probability 89 %).",
        "heron shows 20.0 % more power than its own torque and cadence give.",
    ]


@pytest.mark.parametrize(("ratio", "u95", "off"), [(1.004, 0.001, 0), (1.02, 0.03, 0), (0.98, 0.01, 1)])
def test_a_ratio_within_its_uncertainty_is_not_called_off(
    bare: Study, ratio: float, u95: float, off: int
) -> None:
    told = remarks(changed(bare, "heron", shown_over_counted=ShownOverCounted(ratio, u95)), TERMINAL)
    assert len(told) == off
    assert all("less" in line for line in told)


def test_the_terminal_has_a_table_of_states(full: Study, bare: Study) -> None:
    lines = study_lines(full)
    at = lines.index("STATES")
    assert lines[at + 1].split()[:2] == ["INSTRUMENT", "VERDICT"]
    assert re.split(r"  +", lines[at + 2]) == [
        "heron", "DIFFERS", "0:00", "3:00", "start", "one-side", "+4.70 ± 0.40", "1.80", "+0.2 ± 0.5",
        "+9.1 ± 0.6",
    ]  # fmt: skip
    assert re.split(r"  +", lines[at + 3])[4] == "zeroed: by hand"
    assert any("cured; agrees since" in line for line in lines)
    assert "STATES" not in study_lines(bare)
    assert state_rows(bare, TERMINAL) == sentences(bare, TERMINAL) == []


def lead_of(page: str) -> str:
    (lead,) = re.findall(r'<p class="lead">(.*?)</p>', page)
    return spaces(lead)


def spaces(text: str) -> str:
    """A text whose figures may be broken again, to be compared."""
    return text.replace("\u00a0", " ")


def test_the_first_screen_answers_for_the_unit_on_test(full: Study, shared: Shared) -> None:
    page = report_html(full, shared)
    main = page[page.index("<main>") :]
    first = main[: main.index("</section>")]
    assert "scene heron, model crank, serial 4103, firmware 0.9" in first
    tiles = re.findall(r'<div class="tile (\w+)"><dt>(.*?)</dt><dd class="answer">(.*?)</dd>', first)
    assert tiles[0] == ("agrees", "Reads true?", "✓ agrees")
    # The figure of the sentence, the table of states and the tile is one.
    assert spaces(tiles[1][2]).startswith("Right +9.1 ± 0.6 %")
    assert tiles[2] == ("agrees", "What cured it?", "Zeroing at 3:00")
    assert len(tiles) == 4
    assert "as left −0.2 ± 0.4 %, limit 1.8 %; as found +4.7 ± 0.4 %: differs" in spaces(first)
    # No line ends within a figure, on a telephone as in large type.
    assert "+4.7\u00a0±\u00a00.4\u00a0%" in first
    assert lead_of(page) == (
        "heron agrees with hub as left (−0.2 ± 0.4 %), after +4.7 % from 0:00 to 3:00 "
        "(right side +9.1 %); zeroing cured it."
    )
    assert len(lead_of(page).split()) < 25
    assert "deviation over the session" in first
    assert '<p class="word">✓ agrees as left</p>' in main
    assert 'class="flag"' in first
    assert 'class="thin sideL"' in first


def test_a_study_without_states_has_a_first_screen_too(bare: Study, shared: Shared) -> None:
    page = report_html(bare, shared)
    assert "This study has no states." in page
    assert lead_of(page).startswith("heron differs from hub")
    assert "No act was judged" in page


def test_the_verdict_stands_in_the_second_column(full: Study, shared: Shared) -> None:
    page = report_html(full, shared)
    heads = re.findall(r"<thead><tr>(.*?)</tr></thead>", page)
    judged = [re.findall(r"<th[^>]*>(.*?)</th>", head) for head in heads if ">Verdict<" in head]
    assert judged
    for names in judged:
        assert names[:2] == ["Instrument", "Verdict"]


def test_a_finding_is_listed_once_with_its_end(full: Study, shared: Shared) -> None:
    page = report_html(full, shared)
    table = page[page.index("in the order raised") :]
    rows = re.findall(r'<tr><th scope="row">(.*?)</tr>', table[: table.index("</table>")])
    raised = shared.recording.findings
    cleared = sum(f.event == "cleared" for f in raised)
    assert len(rows) == cleared + sum("still open at the end" in row for row in rows)
    assert len(rows) <= sum(f.event == "raised" for f in raised)


def test_what_is_left_over_beside_a_drift_has_no_row(bare: Study) -> None:
    def state(a: float, b: float, kind: str, value: float | None) -> State:
        return State(a, b, Opened(kind, a, ""), 9, value, 0.3, 1.8, "undecided")  # type: ignore[arg-type]

    stub, drift, after = (
        state(0, 16, "start", None),
        state(16, 900, "drift", -1.0),
        state(900, 1800, "drift", -2.0),
    )
    whole = changed(bare, "heron", states=[stub, drift, after])
    assert [r.start for r in state_rows(whole, PAGE)] == ["0:16", "15:00"]
    # An act so near to another says that it could not be judged.
    acted = state(16, 900, "zeroed", -1.0)
    assert [r.start for r in state_rows(changed(bare, "heron", states=[stub, acted]), PAGE)] == [
        "0:00",
        "0:16",
    ]
