"""The states of an alarm as rows: what was seen each second, and what the alarm then is."""

import pytest

from monitor.finding import Rule
from monitor.live.alarm import Alarm, Signal, step

ENTER, LEAVE = 5, 3
RULE = Rule(2.0, 2.0, "", "", "")


def signal(value: str) -> Signal:
    """Enter at 5, leave below 3; `-` is not to be seen."""
    if value == "-":
        return None
    number = int(value)
    return "over" if number >= ENTER else "below" if number < LEAVE else "between"


def states(values: str, rule: Rule = RULE) -> tuple[str, list[tuple[int, str]]]:
    """The first letter of the state after each second (f: raised), and what was announced when."""
    alarm, letters, events = Alarm(), [], []
    for t, value in enumerate(values.split()):
        event = step(rule, alarm, signal(value), float(t))
        if event is not None:
            events.append((t, event))
        letters.append({"clear": "c", "pending": "p", "raised": "f", "blind": "b"}[alarm.state])
    return " ".join(letters), events


@pytest.mark.parametrize(
    ("values", "expected", "events"),
    [
        # One value a second, hold 2 s, linger 2 s.
        ("0 6 6 6 6 4 4 2 2 2 0", "c p p f f f f f f c c", [(3, "raised"), (9, "cleared")]),
        ("0 6 2 6 6 6", "c p c p p f", [(5, "raised")]),
        ("0 6 6 6 - - 2 2 2 2", "c p p f b b f f c c", [(3, "raised"), (8, "cleared")]),
        # A value that trembles about one limit does not flap, about both it does nothing either.
        ("6 6 6 4 6 4 6 4 6", "p p f f f f f f f", [(2, "raised")]),
        ("6 6 6 2 6 2 6 2 6", "p p f f f f f f f", [(2, "raised")]),
        ("4 4 4 4 4", "c c c c c", []),
        ("6 4 6 4 6 4", "p c p c p c", []),
        # Between the thresholds the time towards clearing begins anew.
        ("6 6 6 2 2 4 2 2 2 2", "p p f f f f f f c c", [(2, "raised"), (8, "cleared")]),
        # What was cleared can be raised again.
        (
            "6 6 6 2 2 2 0 6 6 6 6",
            "p p f f f c c p p f f",
            [(2, "raised"), (5, "cleared"), (9, "raised")],
        ),
        # Blind is neither calm nor alarm, and remembers.
        ("- - -", "b b b", []),
        ("6 6 - 6 6 6", "p p b p p f", [(5, "raised")]),
        ("6 6 6 - - 6 6 2 2 2", "p p f b b f f f f c", [(2, "raised"), (9, "cleared")]),
        ("6 6 6 2 2 - 2 2 2", "p p f f f b f f c", [(2, "raised"), (8, "cleared")]),
        ("6 6 6 - 4 - 2 2 2", "p p f b f b f f c", [(2, "raised"), (8, "cleared")]),
    ],
)
def test_rows(values: str, expected: str, events: list[tuple[int, str]]) -> None:
    assert states(values) == (expected, events)


def test_without_hold_and_linger_it_answers_at_once() -> None:
    assert states("0 6 4 2 6", Rule(0.0, 0.0, "", "", "")) == (
        "c f f c f",
        [(1, "raised"), (3, "cleared"), (4, "raised")],
    )


def test_time_is_an_argument_not_a_count_of_steps() -> None:
    alarm = Alarm()
    rule = Rule(2.0, 2.0, "", "", "")
    assert step(rule, alarm, "over", 10.0) is None
    for k in range(1, 20):
        assert step(rule, alarm, "over", 10.0 + 0.1 * k) is None
    assert step(rule, alarm, "over", 12.0) == "raised"
    assert step(rule, alarm, "below", 12.1) is None
    assert step(rule, alarm, "below", 500.0) == "cleared"


def test_an_event_is_told_once() -> None:
    alarm = Alarm()
    rule = Rule(0.0, 0.0, "", "", "")
    told = [step(rule, alarm, "over", float(t)) for t in range(5)]
    assert told == ["raised", None, None, None, None]
    told = [step(rule, alarm, "below", 5.0 + t) for t in range(5)]
    assert told == ["cleared", None, None, None, None]
