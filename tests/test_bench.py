"""Bench files: what is accepted with which defaults, and what is refused with which message."""

from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.setup.bench import MOST_INSTRUMENTS, load_bench, parse_bench, remarks
from monitor.setup.toml_check import SIZE_LIMIT, BenchError, Document, nearest
from tests.benchmarks.performance.crowd import bench_text

BENCHES = Path(__file__).parent.parent / "fixtures" / "benches"

GOOD = """\
[bench]
name = "winter bench"
reference = "hub"

[[instrument]]
label = "hub"
role = "reference"
mount = "hub"
link = "bluetooth:AA:BB:CC:DD:EE:FF"
claim_percent = 2
drivetrain_loss = [2.6, 1.0]

[[instrument]]
label = "crank"
link = "ant:power:12345"

[[instrument]]
label = "pedals"
link = "ant:power:12346"

[limits]
window_s = 20.0
"""


def refusal(old: str, new: str, text: str = GOOD) -> BenchError:
    assert old in text
    with pytest.raises(BenchError) as caught:
        parse_bench(text.replace(old, new, 1), "winter.toml")
    return caught.value


def test_the_documented_example_and_its_defaults() -> None:
    bench = parse_bench(GOOD, "winter.toml")
    hub, crank, _ = bench.instruments
    assert (bench.name, bench.reference, bench.text) == ("winter bench", "hub", GOOD)
    assert (hub.claim_percent, hub.drivetrain_loss, hub.mount, hub.role) == (
        2.0,
        (2.6, 1.0),
        "hub",
        "reference",
    )
    assert (crank.role, crank.sides, crank.profile, crank.claim_percent) == ("on-test", "total", None, None)
    limits = bench.limits
    assert (limits.window_s, limits.floor_w, limits.power_percent) == (20.0, 3.0, 0.0)
    assert (limits.balance_points, limits.cadence_rpm, limits.lost_after_s) == (2.0, 2.0, 2.5)
    assert bench.scene is None
    assert bench.protocol is None
    assert not bench.scripted


@pytest.mark.parametrize("path", sorted(BENCHES.glob("*.toml")), ids=lambda path: path.stem)
def test_every_bench_in_fixtures_is_good(path: Path) -> None:
    assert load_bench(path).text == path.read_text(encoding="utf-8")


# old text, new text, line of the message, words that it must hold
REFUSED = {
    "unknown key": ("claim_percent", "clame_percent", 10, ['"clame_percent"', '"claim_percent"']),
    "unknown table": ("[limits]", "[limit]", 21, ['"limit"', '"limits"']),
    "unknown limit": ("window_s", "windows", 22, ['limits "windows"', '"window_s"']),
    "choice": ('"reference"', '"refrence"', 7, ['"refrence"', 'Did you mean "reference"']),
    "not a number": ("= 2\n", "= nan\n", 10, ["nan", "finite"]),
    "infinite in a list": ("[2.6, 1.0]", "[inf, 1.0]", 11, ["inf", "finite"]),
    "text for a number": ("= 2\n", '= "2"\n', 10, ['"2"', "a number"]),
    "truth for a number": ("= 2\n", "= true\n", 10, ["true", "a number"]),
    "huge number": ("= 2\n", f"= 1{'0' * 400}\n", 10, ["a number"]),
    "out of range": ("= 2\n", "= -2\n", 10, ["-2", "percent"]),
    "window of zero": ("window_s = 20.0", "window_s = 0", 22, ["window_s", "seconds"]),
    "loss of one number": ("[2.6, 1.0]", "[2.6]", 11, ["2 numbers"]),
    "loss elsewhere": ('mount = "hub"', 'mount = "crank"', 11, ["drivetrain_loss", '"hub"']),
    "label twice": ('label = "crank"', 'label = "hub"', 14, ['"hub"', "unique"]),
    "label form": ('label = "crank"', 'label = "Left Crank"', 14, ["a-z", '"left-crank"']),
    "label reserved": ('label = "crank"', 'label = "consensus"', 14, ["median"]),
    "label missing": ('label = "crank"\n', "", 13, ['"label"', "missing"]),
    "link missing": ('link = "ant:power:12345"\n', "", 13, ['"link"', "missing"]),
    "link twice": ("12346", "12345", 19, ["also the link", '"crank"']),
    "scheme": ("bluetooth:AA", "bluetoth:AA", 9, ['Did you mean "bluetooth:"']),
    "address": ("AA:BB:CC", "AA:BB", 9, ["address", "plumbwatt find"]),
    "empty name": ("AA:BB:CC:DD:EE:FF", "name=", 9, ["address"]),
    "ant kind": ("ant:power:12345", "ant:powr:12345", 15, ['Did you mean "power"']),
    "ant number": ("ant:power:12345", "ant:power:70000", 15, ["65535"]),
    "ant without number": ("ant:power:12345", "ant:power:", 15, ["65535"]),
    "scene label": ("ant:power:12345", "scene:Hub One", 15, ["scene"]),
    "log label": ("ant:power:12345", "log:", 15, ["log"]),
    "reference": ('reference = "hub"', 'reference = "hubb"', 3, ['"hubb"', 'Did you mean "hub"']),
    "reference without power": ('mount = "hub"', 'mount = "cadence"', 11, ["drivetrain_loss"]),
    "no bench": ("[bench]", "[banch]", 1, ['"banch"', '"bench"']),
    "syntax": ("= 2\n", "= = 2\n", 10, ["TOML", "column"]),
    "control characters": ('"winter bench"', '"winter\\u001b[2J"', 2, ["control characters"]),
    "name of nothing": ('"winter bench"', '"  "', 2, ["1 to 80"]),
    "limits as a list": ("[limits]", "[[limits]]", 21, ["[limits]"]),
    "scene as a word": ("[bench]", "scene = 3\n[bench]", 1, ["[scene]"]),
}


@pytest.mark.parametrize("case", REFUSED.values(), ids=REFUSED.keys())
def test_refused_with_file_line_and_remedy(case: tuple[str, str, int, list[str]]) -> None:
    old, new, line, words = case
    error = refusal(old, new)
    assert error.file == "winter.toml"
    assert error.line == line, str(error)
    assert str(error).startswith(f"winter.toml, line {line}")
    for word in words:
        assert word in str(error)
    assert str(error).isprintable()


def test_consensus_needs_three_that_measure_power() -> None:
    text = GOOD.replace('reference = "hub"', 'reference = "consensus"', 1)
    assert parse_bench(text).reference == "consensus"
    error = refusal('label = "pedals"', 'label = "pedals"\nmount = "cadence"', text)
    assert "three" in str(error)
    assert error.line == 3


def test_a_reference_must_measure_power() -> None:
    error = refusal(
        'reference = "hub"', 'reference = "rpm"', GOOD.replace('"crank"', '"rpm"\nmount = "cadence"')
    )
    assert "no power" in str(error)


def test_sixty_four_instruments_are_the_most() -> None:
    text = bench_text(MOST_INSTRUMENTS)
    assert len(parse_bench(text).instruments) == MOST_INSTRUMENTS == 64
    with pytest.raises(BenchError, match="more than 64 instruments"):
        parse_bench(bench_text(MOST_INSTRUMENTS + 1))


def test_one_address_may_be_heard_in_two_profiles() -> None:
    text = GOOD.replace('"ant:power:12345"', '"bluetooth:aa:bb:cc:dd:ee:ff"\nprofile = "fitness-machine"')
    assert parse_bench(text).instruments[1].profile == "fitness-machine"


def test_a_protocol_may_stand_in_the_bench() -> None:
    bench = load_bench(BENCHES / "consensus.toml")
    assert bench.protocol is not None
    assert [segment.name for segment in bench.protocol.segments] == ["block 1/3", "block 2/3", "block 3/3"]
    error = refusal("[limits]", "[[protocol.segment]]\nname = 'x'\nseconds = 60\n[limits]")
    assert error.line == 21
    assert "target_w" in str(error)
    error = refusal("[limits]", "[[protocol.segmnt]]\nname = 'x'\n[limits]")
    assert error.line == 21
    assert '"segment"' in str(error)


def test_a_scene_is_handed_on_as_it_stands() -> None:
    text = GOOD.replace("ant:power:12345", "scene:crank") + '\n[scene]\nrider = "evening"\nseed = 3\n'
    assert parse_bench(text).scene == {"rider": "evening", "seed": 3}


def test_scripted_benches_may_run_at_another_speed() -> None:
    text = GOOD.replace("ant:power:12345", "scene:crank").replace("ant:power:12346", "log:pedals")
    assert not parse_bench(text).scripted
    assert parse_bench(text.replace("bluetooth:AA:BB:CC:DD:EE:FF", "scene:hub")).scripted


def test_remarks_tell_what_was_probably_not_meant() -> None:
    text = (
        GOOD.replace("power:12345", "power:0")
        .replace('"crank"', '"crank"\nrole = "reference"')
        .replace('"pedals"', '"pedals"\nrole = "witness"')
    )
    told = " ".join(remarks(parse_bench(text)))
    assert "crank has the role" in told
    assert "crank takes the first of its kind" in told
    assert "claim_percent" in told
    assert "on test" in told


def test_files_that_are_no_text(tmp_path: Path) -> None:
    (tmp_path / "winter.toml").write_bytes(b'[bench]\nname = "caf\xe9"\n')
    with pytest.raises(BenchError, match=r"line 2: octet 0xe9 is not UTF-8"):
        load_bench(tmp_path / "winter.toml")
    with pytest.raises(BenchError, match=r'no such file\. Did you mean ".*winter\.toml"'):
        load_bench(tmp_path / "wintr.toml")
    with pytest.raises(BenchError, match="folder"):
        load_bench(tmp_path)
    (tmp_path / "large.toml").write_bytes(b"#" * (SIZE_LIMIT + 1))
    with pytest.raises(BenchError, match="larger than 1000 kB"):
        load_bench(tmp_path / "large.toml")
    with pytest.raises(BenchError, match="larger than"):
        parse_bench("#" * (SIZE_LIMIT + 1))


def test_a_byte_order_mark_is_no_part_of_the_text(tmp_path: Path) -> None:
    (tmp_path / "winter.toml").write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert load_bench(tmp_path / "winter.toml").text == GOOD


def test_lines_of_quoted_and_dotted_keys_and_after_long_text() -> None:
    text = 'a."b c" = 1\n[t]\nlong = """\nx = 2\n[no]\n"""\nx = 3\n[[t.list]]\n[[t.list]]\ny = {z = 4}\n'
    document = Document(text, "x")
    assert document.line(("a", "b c")) == 1
    assert document.line(("t", "x")) == 7
    assert document.line(("t", "list", 1)) == 9
    assert document.line(("t", "list", 1, "y", "z")) == 10
    assert document.line(("no", "such")) is None


def test_deep_nesting_and_long_numbers_are_plain_errors() -> None:
    with pytest.raises(BenchError, match="nested"):
        parse_bench("a = " + "[" * 5000 + "]" * 5000)
    with pytest.raises(BenchError):
        parse_bench("a = " + "9" * 5000)


def test_nearest_words() -> None:
    assert nearest("windows_s", ["window_s", "floor_w"]) == "window_s"
    assert nearest("zzz", ["window_s", "floor_w"]) is None


@given(st.text(max_size=200))
def test_no_text_raises_anything_but_bench_error(text: str) -> None:
    with suppress(BenchError):
        parse_bench(text)


@settings(max_examples=300)
@given(st.data())
def test_no_damage_to_a_good_bench_raises_anything_but_bench_error(data: st.DataObject) -> None:
    at = data.draw(st.integers(0, len(GOOD)))
    cut = data.draw(st.integers(0, 12))
    put = data.draw(st.text(alphabet="[]{}=\"'.,:#\n \\0aé\x00", max_size=6))
    text = GOOD[:at] + put + GOOD[at + cut :]
    with suppress(BenchError):
        assert parse_bench(text).text == text
