"""Many evenings: groups and their spread, control charts of trusted pairs, the page."""

import hashlib
import json
import math
import re
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from monitor.cli import main
from monitor.controls.preflight import Preflight
from monitor.live.pipeline import Pipeline
from monitor.report.evenings.page import evenings_html
from monitor.report.evenings.terminal import evening_lines, reference_lines
from monitor.sessions.archive.dataset import TABLES
from monitor.sessions.live.trusted import keep_health, references_line
from monitor.setup.bench import parse_bench
from monitor.study.evenings.control import STUDENT, chart_of, ewma_limit, ewma_of, individuals_limits
from monitor.study.evenings.evening import Evening, Torque, Value, pooled
from monitor.study.evenings.groups import mean_value, side_by_side, spread_of
from monitor.study.evenings.references import days_between, references_of
from monitor.study.results import Split
from tests.helpers.folders import Truth, bench_of, make_evening

ROOT = Path(__file__).parents[1]
VECTORS = {v["id"]: v for v in json.loads((ROOT / "fixtures/vectors/control-charts.json").read_text("utf-8"))}


def evening(day: int, **changes: Any) -> Evening:
    nothing = Value()
    known: dict[str, Any] = {
        "session": f"s{day:04d}",
        "utc": str(np.datetime64("2025-10-01T18:00:00") + np.timedelta64(day, "D")) + "Z",
        "bench": "winter", "instrument": "heron", "unit": "7", "model": "K2", "firmware": "1.0",
        "role": "on-test", "mount": "crank", "sides": "both", "reference": "pedals", "reference_unit": "51",
        "verdict": "agrees", "total": Value(0.0, 0.5), "limit_percent": 1.8, "left": Value(0.0, 0.5),
        "right": Value(0.0, 0.5), "held": nothing, "free": nothing, "low_cadence": nothing,
        "high_cadence": nothing, "as_found": "agrees", "serves_as_reference": "yes", "stands_apart": "no",
        "cause": "", "blocks": 40,
    }  # fmt: skip
    return Evening(**(known | changes))


# -- groups


def test_a_model_against_the_earlier_one_is_the_first_sentence() -> None:
    old = [evening(k, model="K1", unit="5", right=Value(-5.1 + 0.1 * (k % 2), 0.6)) for k in range(3)]
    new = [evening(30 + k, right=Value(8.2 - 0.1 * (k % 2), 0.6), total=Value(4.0, 0.4)) for k in range(3)]
    found = side_by_side([*new, *old], "model")
    assert found.sentence == "right side: -5.1 % on the earlier model (K1), +8.2 % on this one (K2)."
    assert [g.name for g in found.groups] == ["K1", "K2"]
    assert [e.session for e in found.evenings[:3]] == ["s0000", "s0001", "s0002"]
    assert any(b.quantity == "right" and b.beyond_chance for b in found.between)
    assert not any(b.quantity == "left" and b.beyond_chance for b in found.between)


def test_groups_that_do_not_differ_are_said_so() -> None:
    found = side_by_side([evening(k, unit=str(k % 2 + 1)) for k in range(6)], "unit")
    assert found.sentence == "No two of 2 groups differ beyond chance."
    alone = side_by_side([evening(1)], "unit")
    assert alone.sentence == "K2 7: 0.0 ± 0.5 % over one evening."
    assert side_by_side([], "unit").sentence == "No instrument on test was compared with another."


@pytest.mark.parametrize(("by", "names"), [
    ("unit", ["K1 5", "K2 7"]), ("model", ["K1", "K2"]), ("bench", ["winter"]),
    ("firmware", ["K1, firmware 1.0", "K2, firmware 1.0"])])  # fmt: skip
def test_rows_by(by: Any, names: list[str]) -> None:
    found = side_by_side([evening(0, model="K1", unit="5"), evening(1)], by)
    assert [g.name for g in found.groups] == names


def test_units_without_a_serial_number_are_matched_by_label_and_that_is_said() -> None:
    found = side_by_side([evening(0, unit="", model=""), evening(1, unit="", model="", instrument="kite")])
    assert [g.name for g in found.groups] == ["heron", "kite"]
    assert any("serial number of heron, kite is not known" in remark for remark in found.remarks)


def test_spread_is_that_of_a_one_way_layout() -> None:
    """ISO 5725-2, 7.4: the same mean squares as an analysis of variance by another program."""
    rng = np.random.default_rng(3)
    rows = []
    for unit, n in (("1", 4), ("2", 3), ("3", 6)):
        level = rng.normal(0.0, 1.0)
        rows += [
            evening(len(rows) + k, unit=unit, total=Value(level + rng.normal(0.0, 0.4), 0.5))
            for k in range(n)
        ]
    found = spread_of(rows)
    data = pandas.DataFrame({"y": [e.total.percent for e in rows], "unit": [e.unit for e in rows]})
    fit = smf.ols("y ~ C(unit)", data).fit()
    within = float(fit.mse_resid)
    n0 = (13 - (16 + 9 + 36) / 13) / 2
    between = (float(fit.mse_model) - within) / n0
    assert found.repeatability_percent == pytest.approx(math.sqrt(within), abs=6e-4)
    assert found.between_units_percent == pytest.approx(math.sqrt(between), abs=6e-4)
    assert found.reproducibility_percent == pytest.approx(math.sqrt(within + between), abs=6e-4)
    assert (found.evenings, found.units) == (13, 3)


def test_repeatability_is_of_one_unit_under_one_condition() -> None:
    two = [evening(0, total=Value(0.0, 0.3)), evening(1, unit="8", total=Value(4.0, 0.3))]
    assert spread_of(two).repeatability_percent is None
    models = [
        evening(k, model=f"K{k % 2}", unit=str(k % 2), total=Value(4.0 * (k % 2), 0.3)) for k in range(6)
    ]
    found = spread_of(models)
    assert found.repeatability_percent == 0.0
    # How two models differ is a difference, no reproducibility.
    assert found.reproducibility_percent is None
    firmware = [evening(k, firmware=f"1.{k // 3}", total=Value(2.0 * (k // 3), 0.3)) for k in range(6)]
    assert spread_of(firmware).repeatability_percent == 0.0
    reference = [evening(k, reference_unit=str(k // 3), total=Value(2.0 * (k // 3), 0.3)) for k in range(6)]
    assert spread_of(reference).repeatability_percent == 0.0


def test_a_mean_over_evenings_is_no_surer_than_what_is_systematic_in_each() -> None:
    assert mean_value([Value(1.0, 0.9)] * 50) == Value(1.0, 0.9)
    spread = [Value(v, 0.1) for v in (1.0, 2.0, 3.0)]
    # Student, two degrees of freedom: 4.303 s / sqrt(3).
    assert mean_value(spread).u95_percent == pytest.approx(4.3027 / math.sqrt(3.0), abs=1e-3)
    assert mean_value([Value()]) == Value()


def test_pooled_groups_weigh_by_blocks() -> None:
    def split(group: str, blocks: int, percent: float, low: float | None, high: float | None) -> Split:
        return Split("cadence", group, "x", "y", blocks, percent, 0.5, 1.8, "agrees", low, high)

    splits = [split("a", 10, 1.0, 0.0, 65.0), split("b", 30, 2.0, 65.0, 80.0), split("c", 9, 9.0, 80.0, 95.0)]
    assert pooled(splits, "cadence", lambda s: s.high is not None and s.high <= 80.0) == Value(1.75, 0.5)
    assert pooled(splits, "load", lambda s: True) == Value()


# -- control charts


def test_the_published_individuals_chart() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.2, the worked example of ten batches."""
    vector = VECTORS["nist-shewhart-6.3.2.2"]
    centre, mean, low, high = individuals_limits(vector["x"])
    assert [centre, mean, high, low] == pytest.approx(vector["published"], abs=1e-4)
    chart = chart_of(vector["x"])
    assert chart is not None
    assert chart.beyond == ()


def test_the_published_ewma_chart() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: twenty values, weight 0.3, and pandas on the same."""
    vector = VECTORS["nist-ewma-6.3.2.4"]
    found = ewma_of(vector["x"], vector["start"], vector["weight"])
    assert found.tolist() == pytest.approx(vector["published"], abs=0.005001)
    series = pandas.Series([vector["start"], *vector["x"]]).ewm(alpha=vector["weight"], adjust=False).mean()
    assert found.tolist() == pytest.approx(series.tolist()[1:], abs=1e-12)
    limit = ewma_limit(vector["s"], vector["weight"])
    # The handbook rounds the root.
    assert [50.0 + limit, 50.0 - limit] == pytest.approx(vector["published_limits"], abs=1.1e-4)


def pairs(
    values: Sequence[float], bins: Sequence[tuple[float, float]] = ((12.0, 20.0), (20.0, 28.0))
) -> list[Evening]:
    found = []
    for k, v in enumerate(values):
        torques = [Torque(low, high, 12, v, 0.6) for low, high in ((12.0, 20.0), (20.0, 28.0))]
        hub = {"instrument": "hub", "unit": "9", "mount": "hub", "role": "witness", "model": "drum"}
        found.append(evening(10 * k, **hub, total=Value(v, 0.6), torques=torques))
        found.append(
            evening(10 * k, instrument="pedals", unit="51", role="reference", reference="", model="twin")
        )
    return found


def noise(n: int, seed: int, sd: float = 0.25) -> list[float]:
    return [round(float(v), 3) for v in np.random.default_rng(seed).normal(0.0, sd, n)]


def test_a_reference_that_moved_is_named_as_a_pair_with_its_month() -> None:
    values = [*noise(12, 1, 0.15), *(0.9 + v for v in noise(4, 2, 0.15))]
    found = references_of(pairs(values))
    (pair,) = found.pairs
    assert pair.verdict == "changed"
    assert pair.change_percent == pytest.approx(0.9, abs=0.25)
    assert pair.since == pair.points[12].utc[:7]
    assert re.fullmatch(r"hub/pedals \+\d\.\d % since 20\d\d-\d\d: look before you trust", found.line)
    assert found.line in reference_lines(found)[0]


def test_a_slow_drift_is_seen_by_its_average() -> None:
    values = [v + (0.05 * max(0, k - 10)) for k, v in enumerate(noise(26, 3))]
    chart = references_of(pairs(values)).pairs[0].chart
    assert chart is not None
    assert chart.drifted
    assert not chart.beyond or chart.drifted[0] <= chart.beyond[0]


def test_true_references_are_left_alone() -> None:
    """A wrong alarm before a ride is the worse error: few of a hundred healthy pairs."""
    alarms = sum(
        references_of(pairs(noise(20, seed))).pairs[0].verdict == "changed" for seed in range(100, 200)
    )
    assert alarms <= 3
    # Student's t, by another library.
    assert all(value == pytest.approx(stats.t.ppf(0.99865, dof), abs=1e-3) for dof, value in STUDENT.items())
    few = references_of(pairs(noise(4, 1)))
    assert few.pairs[0].verdict == "too-few"
    assert few.line == ""


def test_an_evening_without_the_hard_blocks_is_no_change() -> None:
    """Where the ratio depends on torque only common torques tell, as if all had been ridden."""
    whole = pairs(noise(12, 5, 0.05))
    for k, e in enumerate(whole):
        if e.torques:
            both = [Torque(12.0, 20.0, 12, e.torques[0].deviation_percent, 0.6),
                    Torque(20.0, 28.0, 12, e.torques[0].deviation_percent + 3.0, 0.6)]  # fmt: skip
            whole[k] = evening(10 * (k // 2), instrument="hub", unit="9", mount="hub", role="witness",
                               model="drum", torques=both[:1] if k == 22 else both)  # fmt: skip
    (pair,) = references_of(whole).pairs
    assert len(pair.points) == 12
    assert pair.points[-1].ranges == 1
    assert pair.verdict == "steady"
    assert pair.points[-1].percent == pytest.approx(pair.points[0].percent, abs=0.4)


def test_two_witnesses_are_a_pair_through_their_reference() -> None:
    rows = []
    for k in range(6):
        for label, unit, v in (("hub", "9", 1.0), ("crank", "4", -1.0)):
            rows.append(evening(k, instrument=label, unit=unit, model=label, role="witness",
                                torques=[Torque(12.0, 20.0, 12, v, 0.3)]))  # fmt: skip
        rows.append(evening(k, instrument="pedals", unit="51", model="twin", role="reference", reference=""))
    found = references_of(rows)
    assert len(found.pairs) == 3
    pair = next(p for p in found.pairs if "pedals" not in (p.first.label, p.second.label))
    assert abs(pair.points[0].percent) == pytest.approx(100.0 * (1.01 / 0.99 - 1.0), abs=0.05)


def test_weights_and_zero_offsets_stand_beside_it() -> None:
    rows = pairs(noise(6, 8))
    rows[1] = evening(0, instrument="pedals", unit="51", role="reference", reference="", model="twin",
                      zero="305 counts", battery_percent=80.0)  # fmt: skip
    found = references_of(rows, {"51": "2025-01-10"}, "2025-11-28")
    health = {h.who.label: h for h in found.instruments}
    assert health["pedals"].zeros == [("2025-10-01", "305 counts")]
    assert health["pedals"].days_since_weights == 322
    assert "half a year" in found.line
    assert health["hub"].text == "hub (9): never checked with weights"
    assert days_between("2024-02-28", "2024-03-01") == 2
    assert days_between("", "2024-03-01") is None


def test_the_checks_before_a_ride_say_what_the_folder_says(tmp_path: Path) -> None:
    bench = parse_bench(bench_of(Truth(0)))
    assert references_line(tmp_path, bench) == ""
    changed = references_of(pairs([*noise(12, 1, 0.15), *(0.9 + v for v in noise(4, 2, 0.15))]))
    (tmp_path / "archive").mkdir()
    keep_health(tmp_path / "archive", changed)
    line = references_line(tmp_path, bench)
    assert line == changed.line
    preflight = Preflight(bench)
    preflight.references = line
    items = {item.key: item for item in preflight.checks(Pipeline(bench), None).groups[0].items}
    assert (items["references"].state, items["references"].text) == ("warn", line)
    # Pairs of other benches, and those that are steady, say nothing.
    keep_health(tmp_path / "archive", references_of(pairs(noise(16, 3))))
    assert references_line(tmp_path, bench) == ""
    (tmp_path / "archive" / "references.json").write_bytes(b"{")
    assert references_line(tmp_path, bench) == ""


# -- the page and the schema


def test_the_page_loads_nothing_and_holds_hostile_names() -> None:
    rows = [*pairs(noise(12, 1)), evening(1, model="<script>alert(1)</script>", unit="\x1b[2J"), evening(2)]
    html = evenings_html("a & b", side_by_side(rows, "model"), references_of(rows), "plumbwatt 0")
    assert "<script" not in html
    assert "\x1b" not in html
    assert "default-src &#39;none&#39;" in html
    assert not re.search(r'(src|href)="(?!#)', html)
    assert html == evenings_html("a & b", side_by_side(rows, "model"), references_of(rows), "plumbwatt 0")
    assert "look before you trust" not in html
    assert all("\x1b" not in line for line in evening_lines(side_by_side(rows, "model")))


def test_every_column_is_described() -> None:
    text = (ROOT / "monitor/sessions/archive/SCHEMA.md").read_text("utf-8")
    parts = {part.partition("`")[0]: part for part in text.split("\n## `")[1:]}
    for table, columns in TABLES.items():
        named = re.findall(r"`([a-z_0-9]+)`", parts[table].partition("\n")[2])
        assert named == [column.name for column in columns]


# -- handed over


@pytest.mark.slow
def test_several_sessions_go_into_one_package(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    truths = (Truth(0), Truth(9, right=1.1))
    paths = [make_evening(tmp_path / "s", truth, seconds=30) for truth in truths]
    given = [str(path) for path in paths]
    assert main(["export", *given, "--to", "package", "--out", str(tmp_path / "out")]) == 0
    (written,) = (tmp_path / "out").iterdir()
    assert capsys.readouterr().out.strip() == str(written)
    with zipfile.ZipFile(written) as package:
        names = package.namelist()
        root = names[0].partition("/")[0]
        sums = package.read(f"{root}/SHA256SUMS").decode().splitlines()
        for line in sums:
            digest, _, name = line.partition("  ")
            assert hashlib.sha256(package.read(f"{root}/{name}")).hexdigest() == digest
        told = json.loads(package.read(f"{root}/evenings.json"))
    assert len(sums) == len(names) - 1
    for path in paths:
        wanted = ("report.html", "journal.arrows", "study.json")
        assert {f"{root}/{path.name}/{name}" for name in wanted} <= set(names)
    assert [e["session"] for e in told["evenings"]] == [path.name for path in paths]
    assert main(["export", given[0], given[0], "--to", "package"]) == 2
    assert main(["export", *given, "--to", "csv"]) == 2
