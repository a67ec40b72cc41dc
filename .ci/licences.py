"""The licences of all that is installed for the program, as a table; 1 if one is not among those known.

`python .ci/licences.py LOCK`: the names come from a lock file, the rest from what is installed.
"""

import re
import sys
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

KNOWN = (
    "0BSD", "Apache", "BSD", "ISC", "MIT", "MPL-2.0", "Mozilla Public License", "PSF",
    "Python Software Foundation", "Python-2.0", "Unlicense", "Zlib", "CC0",
)  # fmt: skip
"""Permissive licences, and the Mozilla one, whose duties concern its own files only."""
LINKED = {
    "libusb-package": "Apache-2.0; carries libusb, LGPL-2.1, as a shared library that can be replaced",
    "allantools": "LGPL-3.0; only the tests use it, nothing of it is passed on",
}
"""Packages that carry something under another licence, or serve only here."""


def licence(found: Distribution) -> str:
    """The licence that a package names: its expression, else its classifiers, else its text's first line."""
    meta = found.metadata
    if expression := meta.get("License-Expression"):
        return str(expression)
    classifiers = [
        c.rpartition(" :: ")[2] for c in meta.get_all("Classifier") or () if c.startswith("License")
    ]
    classifiers = [c for c in classifiers if c != "OSI Approved"]
    if classifiers:
        return ", ".join(classifiers)
    text = str(meta.get("License") or "").strip()
    if "Permission is hereby granted, free of charge" in text:
        return "MIT, by its text"
    return (text.splitlines() or ["not told"])[0]


def main() -> int:
    """Print the table."""
    names = re.findall(r"(?m)^([A-Za-z0-9._-]+)==(\S+)", Path(sys.argv[1]).read_text("utf-8"))
    unknown = 0
    for name, locked in names:
        try:
            found = distribution(name)
        except PackageNotFoundError:
            print(f"{name:24} {locked:12} not installed on this system")
            continue
        told = LINKED.get(name) or licence(found)
        fine = name in LINKED or any(word in told for word in KNOWN)
        unknown += not fine
        differs = "" if found.version == locked else f"  (installed: {found.version})"
        print(f"{name:24} {locked:12} {told}{differs}{'' if fine else '  <- NOT KNOWN'}")
    print(f"{len(names)} packages, {unknown} with a licence that is not known")
    return int(unknown > 0)


if __name__ == "__main__":
    sys.exit(main())
