"""The lock files: in step with pyproject.toml, hashes, no place of a registry; and the audit of them."""

import importlib.util
import json
import re
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[1]
LOCKS = {
    "requirements.lock": ("ride-files", "serve"),
    "requirements-dev.lock": ("ride-files", "serve", "dev"),
}


def locked(name: str) -> dict[str, tuple[str, int]]:
    """Version and number of hashes of each package that a lock file names."""
    found: dict[str, tuple[str, int]] = {}
    for block in re.split(r"(?m)^(?=[A-Za-z0-9])", (ROOT / name).read_text("utf-8")):
        if head := re.match(r"([A-Za-z0-9._-]+)==([^\s;\\]+)", block):
            hashes = re.findall(r"--hash=sha256:[0-9a-f]{64}\b", block)
            found[canonicalize_name(head[1])] = head[2], len(hashes)
        else:
            assert not block.strip(), f"{name}: {block[:80]}"
    return found


@pytest.mark.parametrize("name", LOCKS)
def test_a_lock_is_in_step_with_the_project(name: str) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *(each for extra in LOCKS[name] for each in extras[extra])]
    found = locked(name)
    for text in wanted:
        requirement = Requirement(text)
        version, _ = found[canonicalize_name(requirement.name)]
        assert requirement.specifier.contains(version), f"{text}: {version} is locked; run make lock"


@pytest.mark.parametrize("name", LOCKS)
def test_everything_locked_has_hashes_and_comes_from_nowhere_in_particular(name: str) -> None:
    found = locked(name)
    assert len(found) > 20
    assert all(hashes for _, hashes in found.values())
    assert not re.search(
        r"(?i)://|^\s*-(?:i|f|-\w*index\w*|-find\w*)\b| @ ", (ROOT / name).read_text("utf-8"), re.M
    )


def test_what_is_run_is_tested_in_the_same_versions() -> None:
    small, large = locked("requirements.lock"), locked("requirements-dev.lock")
    assert {name: large[name][0] for name in small} == {name: small[name][0] for name in small}


# -- the audit


@pytest.fixture(scope="module")
def audit() -> ModuleType:
    spec = importlib.util.spec_from_file_location("audit", ROOT / ".ci" / "audit.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def tool(folder: Path, text: str, code: int = 0) -> str:
    """A stand-in for pip-audit that prints a text."""
    (folder / "said").write_text(text, "utf-8")
    path = folder / "tool"
    path.write_text(
        f"#!{sys.executable}\nprint(open({str(folder / 'said')!r}).read())\nraise SystemExit({code})\n"
    )
    path.chmod(0o755)
    return str(path)


FINE = {"name": "numpy", "version": "2.4.0", "vulns": []}
HOLED = {
    "name": "jinja2",
    "version": "3.0",
    "vulns": [{"id": "PYSEC-1", "aliases": ["CVE-1"], "fix_versions": ["3.1"]}],
}
SKIPPED = {"name": "rich", "skip_reason": "not found"}


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-in is a script")
@pytest.mark.parametrize(
    ("packages", "code", "words"),
    [
        ([FINE], 0, "1 packages asked about, 0 known holes, 0 NOT"),
        ([FINE, HOLED], 1, "jinja2 3.0: PYSEC-1 (CVE-1), mended in 3.1"),
        ([FINE, SKIPPED], 3, "1 NOT ASKED ABOUT"),
        ([HOLED, SKIPPED], 1, "rich: not found"),
        ([], 3, "0 packages asked about"),
    ],
)
def test_the_audit_says_what_it_could_not_ask(
    audit: ModuleType,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    packages: list[object],
    code: int,
    words: str,
) -> None:
    path = tool(tmp_path, json.dumps({"dependencies": packages}), code=1)
    assert audit.main(["some.lock", "--tool", path]) == code
    assert words in capsys.readouterr().out


@pytest.mark.skipif(sys.platform == "win32", reason="the stand-in is a script")
def test_an_audit_that_fails_is_no_audit(
    audit: ModuleType, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for path in (tool(tmp_path, "Traceback: no network", 1), str(tmp_path / "missing")):
        assert audit.main(["some.lock", "--tool", path]) == 3
        assert "NOT AUDITED" in capsys.readouterr().out
