"""The checks of this computer: none hangs, none raises, and each says what to do."""

import threading

import pytest

from capture.source import SourceError
from monitor.commands.bench.checkup import doctor
from monitor.doctor import CHECKS, RADIOS, Check, examine, radio_usable


def missing() -> tuple[str, str, str]:
    raise SourceError("no stick", "Plug one in.")


def test_a_stuck_check_is_given_up_and_the_others_still_run() -> None:
    release = threading.Event()

    def stuck() -> tuple[str, str, str]:
        release.wait(60)
        return "ok", "", ""

    def broken() -> tuple[str, str, str]:
        raise RuntimeError("bad cable")

    checks = {"stuck": stuck, "broken": broken, "missing": missing, "good": lambda: ("ok", "fine", "")}
    found = examine(limit_s=0.05, checks=checks)  # type: ignore[arg-type]
    release.set()
    assert [(check.name, check.state) for check in found] == [
        ("stuck", "wrong"), ("broken", "wrong"), ("missing", "wrong"), ("good", "ok"),
    ]  # fmt: skip
    assert "no answer within 0.05 s" in found[0].seen
    assert "bad cable" in found[1].seen
    assert (found[2].seen, found[2].remedy) == ("no stick", "Plug one in.")


def test_the_real_checks_answer_whatever_this_computer_has() -> None:
    found = examine()
    assert [check.name for check in found] == list(CHECKS)
    assert set(RADIOS) <= set(CHECKS)
    for check in found:
        assert check.seen
        assert check.state == "ok" or check.remedy, check
    by_name = {check.name: check for check in found}
    assert by_name["libraries"].state == "ok"
    assert by_name["disk"].state != "wrong"


@pytest.mark.parametrize(
    ("bluetooth", "ant", "code"),
    [("ok", "ok", 0), ("wrong", "ok", 0), ("ok", "wrong", 0), ("wrong", "wrong", 3)],
)
def test_exit_code_tells_whether_a_radio_is_there(
    bluetooth: str, ant: str, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    checks = [Check("bluetooth", bluetooth, "told \x1b[2J"), Check("ant+", ant, "told", "do this")]  # type: ignore[arg-type]
    assert radio_usable(checks) == (code == 0)
    assert doctor(json=False, checks=checks) == code
    out, err = capsys.readouterr()
    assert "do this" in out
    assert "\x1b" not in out
    assert ("neither radio" in err) == (code == 3)


def test_json_is_a_list_of_checks(capsys: pytest.CaptureFixture[str]) -> None:
    import json

    doctor(json=True, checks=[Check("clock", "ok", "12:00")])
    assert json.loads(capsys.readouterr().out) == [
        {"name": "clock", "state": "ok", "told": "12:00", "remedy": ""}
    ]
