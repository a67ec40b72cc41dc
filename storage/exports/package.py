"""A package to hand over: one zip file with data, report, checksums and a text that explains each file."""

import hashlib
import io
import time
import zipfile
from collections.abc import Sequence
from pathlib import Path

import msgspec

from storage.disk import read_plain

CHECKSUMS, README = "SHA256SUMS", "README.md"
FIRST_DAY = (1980, 1, 1, 0, 0, 0)
"""The first date that a zip file can hold; for sessions without a clock."""


class Item(msgspec.Struct, frozen=True):
    """A file of the package: its name in it, its content or where it lies, and what it is."""

    name: str
    content: bytes | Path
    explanation: str

    def data(self) -> bytes:
        """The content as bytes. OSError if the file can't be read."""
        return read_plain(self.content) if isinstance(self.content, Path) else self.content


def readme(title: str, introduction: str, items: Sequence[Item], ending: str) -> str:
    """The text beside the files: what each is, how to read it, how to check it."""
    lines = [f"# {title}", "", introduction, "", "| file | what it is |", "|---|---|"]
    lines += [f"| `{item.name}` | {item.explanation} |" for item in items]
    lines += [
        f"| `{CHECKSUMS}` | SHA-256 of every other file; check with `sha256sum -c {CHECKSUMS}` |",
        "",
        ending,
    ]
    return "\n".join(lines).rstrip() + "\n"


def package_bytes(items: Sequence[Item], folder: str, utc_s: float | None) -> bytes:
    """The zip file: all items in one folder, with checksums; the same items give the same bytes.

    `utc_s` (Unix seconds) is the date that all files get. OSError if one can't be read.
    """
    date = time.gmtime(utc_s)[:6] if utc_s is not None and utc_s > 315_532_800 else FIRST_DAY
    buffer = io.BytesIO()
    sums = []
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for item in items:
            data = item.data()
            sums.append(f"{hashlib.sha256(data).hexdigest()}  {item.name}\n")
            _add(archive, f"{folder}/{item.name}", data, date)
        _add(archive, f"{folder}/{CHECKSUMS}", "".join(sums).encode(), date)
    return buffer.getvalue()


def _add(archive: zipfile.ZipFile, name: str, data: bytes, date: tuple[int, int, int, int, int, int]) -> None:
    info = zipfile.ZipInfo(name, date)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = 0o644 << 16
    info.create_system = 3
    archive.writestr(info, data)
