"""Known holes of all that is pinned, as far as the package registry answers: `python .ci/audit.py LOCK ...`.

Asks with pip-audit, whose place is `--tool PATH`. Ends with 0 if every package was asked about and
none has a known hole, with 1 if one has, with 3 if some or all could not be asked about: nothing
is said of them then, neither good nor bad.
"""

import argparse
import json
import subprocess
import sys
from collections.abc import Mapping
from typing import Any

HOLES, NOT_ASKED = 1, 3


def ask(tool: str, lock: str, service: str) -> dict[str, Any] | str:
    """What pip-audit found, as it tells it in JSON; or why it could not."""
    command = [tool, "--requirement", lock, "--require-hashes", "--disable-pip", "--format", "json",
               "--progress-spinner", "off", "--vulnerability-service", service]  # fmt: skip
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=900)
        found = json.loads(done.stdout)
    except (OSError, subprocess.TimeoutExpired) as error:
        return str(error)
    except ValueError:
        return (done.stderr.strip().splitlines() or [f"it ended with {done.returncode}"])[-1]
    return found if isinstance(found, dict) else "it said nothing that could be read"


def verdict(found: Mapping[str, Any]) -> tuple[list[str], list[str], int]:
    """Lines of known holes, lines of what was not asked about, and how many packages were."""
    holes, skipped, asked = [], [], 0
    for package in found.get("dependencies", ()):
        name = f"{package['name']} {package.get('version', '')}".rstrip()
        if "skip_reason" in package:
            skipped.append(f"{name}: {package['skip_reason']}")
            continue
        asked += 1
        for hole in package.get("vulns", ()):
            mended = ", ".join(hole.get("fix_versions") or ()) or "in no version yet"
            other = ", ".join(hole.get("aliases") or ())
            holes.append(f"{name}: {hole['id']}{f' ({other})' if other else ''}, mended in {mended}")
    return holes, skipped, asked


def main(arguments: list[str] | None = None) -> int:
    """Audit the lock files, say what was found and what could not be asked."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("locks", nargs="+")
    parser.add_argument("--tool", default="pip-audit")
    parser.add_argument("--service", choices=("pypi", "osv"), default="pypi", help="whose list of holes")
    args = parser.parse_args(arguments)
    code = 0
    for lock in args.locks:
        found = ask(args.tool, lock, args.service)
        if isinstance(found, str):
            print(f"{lock}: NOT AUDITED, {found}")
            code = code or NOT_ASKED
            continue
        holes, skipped, asked = verdict(found)
        print(
            f"{lock}: {asked} packages asked about, {len(holes)} known holes, {len(skipped)} NOT ASKED ABOUT"
        )
        for line in (*holes, *skipped[:3]):
            print(f"  {line}")
        if len(skipped) > 3:
            print(f"  ... and {len(skipped) - 3} more")
        if skipped or not asked:
            print("  The registry tells nothing of those: ask where it can be reached, or try --service osv.")
            code = code or NOT_ASKED
        if holes:
            code = HOLES
    return code


if __name__ == "__main__":
    sys.exit(main())
