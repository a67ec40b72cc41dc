"""A session whose every text from outside is an attack: nothing that it makes or prints carries one on."""

import ast
import csv
import html.parser
import json
import re
import unicodedata
import zipfile
from pathlib import Path

import pytest

from capture.record import Act, Link, Packet, Record, Reported, Store, Write
from monitor.cli import main
from storage.session import safe_name
from tests.helpers.rides import scene_records, two, write_session

ROOT = Path(__file__).parents[1]
ATTACKS = (
    "\x1b]0;owned\x07\x1b[2J\x9b31m",
    "<img src=x onerror=alert(1)><script>alert(2)</script>",
    "[@click=app.quit]x[/] {{7*7}} {% raw %}",
    "=cmd|' /C calc'!A0",
    "../../../outside",
    "\u202egnirts\u2066",
)
ALL = " ".join(ATTACKS)
VISIBLE = ATTACKS[3] + "<img src=x onerror=alert(1)>" + ATTACKS[4]
"""A bench with control characters is refused as it is."""


def attacked(record: Record) -> list[Record]:
    """The record, and now and then one with hostile texts after it."""
    if not isinstance(record, Packet) or record.t_ns % 7:
        return [record]
    t_ns, label = record.t_ns, record.instrument
    return [
        record,
        *(Reported(t_ns, label, key, ALL) for key in ("name", "firmware", "manufacturer", "serial", ALL)),
        Act(t_ns, "note", ALL, label),
        Act(t_ns, "gear", ATTACKS[3], label),
        Act(t_ns, ALL, ALL, ALL),
        Link(t_ns, label, "down", ALL),
        Link(t_ns, label, "up", ALL),
        Write(t_ns, label, ALL, b"\x00", ALL),
        Store(t_ns, "failing", 1, ALL),
        Store(t_ns, "resumed", 1, ALL),
        Packet(t_ns, ALL, ALL, b"\xff" * 30),
        Packet(t_ns, label, "2A29", ALL.encode()),
    ]


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = two(3, 1.09, 9).replace('name = "two"', f"name = {json.dumps(VISIBLE)}")
    for k, name in enumerate((ATTACKS[3], ATTACKS[1], ATTACKS[4])):
        text += f"[[protocol.segment]]\nname = {json.dumps(name)}\nseconds = 40\ntarget_w = {200 + 20 * k}\n"
    bench, records = scene_records(text)
    assert bench.name == VISIBLE
    hostile = [one for record in records for one in attacked(record)]
    # The one on test is given up near the end: the reason stands in the finding.
    gone_ns = records[-1].t_ns - 20_000_000_000
    hostile = [r for r in hostile if r.t_ns < gone_ns or getattr(r, "instrument", "") != "heron"]
    at = next(k for k, r in enumerate(hostile) if r.t_ns >= gone_ns)
    hostile.insert(at, Link(gone_ns, "heron", "given-up", ALL))
    assert len(hostile) > len(records) + 100
    return write_session(tmp_path_factory.mktemp("hostile"), bench, hostile)


def harmless(text: str) -> None:
    """Only line ends and tabs of all control and format characters."""
    bad = {c for c in text if unicodedata.category(c) in ("Cc", "Cf") and c not in "\n\t"}
    assert not bad, bad


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    code = main(list(arguments))
    out, err = capsys.readouterr()
    assert code in (0, 4), err
    harmless(out)
    harmless(err)
    return out


def test_nothing_printed_moves_a_terminal(session: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lines = run(capsys, "replay", str(session), "--headless", "--speed", "max").splitlines()
    assert any("owned" in json.loads(line).get("advice", "") for line in lines)
    assert len(run(capsys, "study", str(session))) > 1000
    run(capsys, "study", str(session), "--json", "-")


class Tags(html.parser.HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, list[tuple[str, str | None]]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, attrs))


def test_the_report_holds_texts_and_no_markup_of_theirs(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    page = tmp_path / "report.html"
    run(capsys, "study", str(session), "--html", str(page))
    text = page.read_text("utf-8")
    tags = Tags()
    tags.feed(text)
    assert "img" not in {tag for tag, _ in tags.tags}
    assert not [name for _, attributes in tags.tags for name, _ in attributes if name.startswith("on")]
    assert sum(tag == "script" for tag, _ in tags.tags) == text.count("</script>") <= 2
    assert "Content-Security-Policy" in text
    assert "{{7*7}}" not in text or "49" not in text.split("{{7*7}}")[0][-3:]
    harmless(text)


def test_tables_run_nothing(session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "export", str(session), "--to", "csv", "--out", str(tmp_path))
    files = sorted(tmp_path.rglob("*.csv"))
    assert files
    for path in files:
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                for field in row:
                    if field.lstrip()[:1] in ("=", "+", "-", "@", "|"):
                        float(field)


def test_the_package_stays_in_its_folder(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = set(session.parent.rglob("*"))
    run(capsys, "export", str(session), "--to", "package", "--out", str(tmp_path))
    assert set(tmp_path.parent.rglob("outside*")) == set()
    assert {path.parent for path in set(session.parent.rglob("*")) - before} <= {session}
    (path,) = tmp_path.glob("*.zip")
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        for member in archive.infolist():
            parts = Path(member.filename).parts
            assert not Path(member.filename).is_absolute()
            assert ".." not in parts
            assert "\\" not in member.filename
            assert ":" not in member.filename
            assert member.external_attr >> 28 != 0xA, "no links"
        for member in archive.infolist():
            if member.filename.endswith((".md", ".txt", ".csv")):
                harmless(archive.read(member).decode("utf-8").replace("\r\n", "\n"))
        # Text, not Markdown or HTML of theirs, in whatever shows it.
        (readme,) = [name for name in archive.namelist() if name.endswith("README.md")]
        (line,) = [x for x in archive.read(readme).decode("utf-8").splitlines() if x.startswith("Bench ")]
        assert "img src" in line
        assert not re.search(r"(?<!\\)[<>\[\]&]", line.partition("Open `report.html`")[0])


@pytest.mark.parametrize("name", [*ATTACKS, "..", ".", "", "CON", "a/b\\c:d", "x" * 5000, "\0"])
def test_a_session_s_name_is_no_path(name: str) -> None:
    safe = safe_name(name)
    assert Path(safe).name == safe
    assert not safe.startswith(".")
    assert len(safe.encode()) <= 100
    harmless(safe)


def test_a_bench_from_others_says_what_is_wrong_in_plain_words(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(
        f'[bench]\nreference = "x"\n{json.dumps(ALL)} = 1\n[[instrument]]\nlabel = {json.dumps(ALL)}\n',
        encoding="utf-8",
    )
    assert main(["bench", "check", str(path)]) == 2
    harmless("".join(capsys.readouterr()))
    # A name of a file is told as well, and may be of others.
    assert main(["bench", "check", str(tmp_path / f"{ATTACKS[0]}{ATTACKS[5]}.toml")]) == 2
    said = "".join(capsys.readouterr())
    assert "]0;owned" in said
    harmless(said)


FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__"}
FORBIDDEN_MODULES = {"pickle", "marshal", "shelve", "dill", "yaml"}


@pytest.mark.parametrize(
    "path", [p for part in ("capture", "storage", "monitor") for p in sorted((ROOT / part).rglob("*.py"))],
    ids=lambda p: str(p.relative_to(ROOT)),
)  # fmt: skip
def test_no_file_is_opened_with_what_can_run_code(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            assert not {alias.name.split(".")[0] for alias in node.names} & FORBIDDEN_MODULES
        elif isinstance(node, ast.ImportFrom):
            assert (node.module or "").split(".")[0] not in FORBIDDEN_MODULES
        elif isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name):
                assert node.func.id not in FORBIDDEN_CALLS
            for keyword in node.keywords:
                assert keyword.arg not in ("allow_pickle", "shell") or (
                    isinstance(keyword.value, ast.Constant) and keyword.value.value is False
                )
