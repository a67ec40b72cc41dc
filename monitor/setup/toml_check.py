"""TOML files that people write: read, checked key by key, refused with the place and the remedy.

The standard TOML reader tells lines for errors of syntax only, and the value checker
stops at a path without a line. So lines are found by a scan over headers and keys; where
the scan finds nothing (inline tables) the message has the path alone.
"""

import difflib
import math
import re
import tomllib
import types
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path as FilePath
from typing import Any, Literal, NoReturn, TypeVar, get_args, get_origin

import msgspec

SIZE_LIMIT = 1_000_000
"""Octets; a bench of twenty instruments with a long protocol has about 10 000."""

Path = tuple[str | int, ...]
"""Where in a document: `("instrument", 1, "label")` is the label of the second instrument."""

StructT = TypeVar("StructT", bound=msgspec.Struct)

_HEADER = re.compile(r"\s*\[(\[)?\s*([^\[\]]+?)\s*\]")
_KEY = re.compile(
    r"""\s*((?:[A-Za-z0-9_-]+|"[^"\\\n]*"|'[^'\n]*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"\\\n]*"|'[^'\n]*'))*)\s*="""
)
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"\\\n]*"|'[^'\n]*'""")


class BenchError(Exception):
    """A bench or protocol file that cannot be used.

    `file` names it, `line` counts from 1 (None: not known), `key` is the path in words
    (empty: the whole file), `problem` what is wrong, `hint` the remedy.
    """

    def __init__(
        self, file: str, problem: str, hint: str = "", key: str = "", line: int | None = None
    ) -> None:
        self.file, self.problem, self.hint, self.key, self.line = file, problem, hint, key, line
        place = file + (f", line {line}" if line else "") + (f", {key}" if key else "")
        super().__init__(f"{place}: {problem}." + (f" {hint}" if hint else ""))


def nearest(word: str, words: Iterable[str]) -> str | None:
    """The entry of `words` that `word` was most likely meant to be; None if none is near."""
    found = difflib.get_close_matches(word.lower(), list(words), n=1, cutoff=0.6)
    return found[0] if found else None


def suggestion(word: str, words: Sequence[str]) -> str:
    """A sentence with the nearest right word, or with all of them."""
    near = nearest(word, words)
    return f'Did you mean "{near}"?' if near else f"Known: {', '.join(words)}."


def read_text(path: FilePath | str) -> str:
    """The text of a TOML file. BenchError: it is not there, not readable, too large, not UTF-8."""
    name = str(path)
    try:
        with open(path, "rb") as file:
            data = file.read(SIZE_LIMIT + 1)
    except FileNotFoundError:
        raise BenchError(name, "there is no such file", _neighbours(FilePath(path))) from None
    except IsADirectoryError:
        raise BenchError(name, "this is a folder", "Give the .toml file in it.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BenchError(name, f"the file cannot be read: {reason}") from None
    if len(data) > SIZE_LIMIT:
        raise BenchError(name, f"larger than {SIZE_LIMIT // 1000} kB", "Is this the right file?")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        problem = f"octet 0x{data[error.start]:02x} is not UTF-8"
        raise BenchError(name, problem, "Save the file as UTF-8.", line=line) from None


def _neighbours(path: FilePath) -> str:
    try:
        names = sorted(p.name for p in path.parent.iterdir() if p.suffix == ".toml")
    except OSError:
        return f"There is no folder {path.parent} either."
    near = nearest(path.name, names)
    if near:
        return f'Did you mean "{path.parent / near}"?'
    return ""


class Document:
    """One parsed TOML file that knows where its keys stand. `root` is the top table."""

    def __init__(self, text: str, name: str) -> None:
        self.name = name
        if len(text.encode("utf-8", "surrogatepass")) > SIZE_LIMIT:
            raise BenchError(name, f"larger than {SIZE_LIMIT // 1000} kB", "Is this the right file?")
        try:
            self.root: dict[str, Any] = tomllib.loads(text)
        except RecursionError:
            raise BenchError(name, "tables or lists are nested too deeply") from None
        except ValueError as error:
            problem, line = _syntax(str(error))
            raise BenchError(name, f"not valid TOML: {problem}", line=line) from None
        self._lines = _places(text)
        self._refuse_not_finite(self.root, ())

    def fail(self, path: Path, problem: str, hint: str = "") -> NoReturn:
        """Raise the BenchError for what stands at `path`."""
        raise BenchError(self.name, problem, hint, self.words(path), self.line(path))

    def line(self, path: Path) -> int | None:
        """Line of the key or header at `path`, else of the nearest table around it; None: not found."""
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path[:-1]
        return None

    def words(self, path: Path) -> str:
        """`instrument 2 "label"`: numbers count from 1, as a person does."""
        parts: list[str] = []
        for at, part in enumerate(path):
            if isinstance(part, int):
                parts.append(str(part + 1))
            elif at == len(path) - 1:
                parts.append(shown(part))
            else:
                parts.append(part if part.isidentifier() else shown(part))
        return " ".join(parts)

    def table(self, path: Path, value: object) -> dict[str, Any]:
        """`value` if it is a table. BenchError otherwise."""
        if not isinstance(value, dict):
            hint = f"Write it as [{_dotted(path)}] and keys below."
            self.fail(path, f"is {shown(value)}, must be a table", hint)
        return value

    def tables(self, path: Path, value: object) -> list[dict[str, Any]]:
        """`value` if it is a list of tables. BenchError otherwise."""
        if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
            hint = f"Write [[{_dotted(path)}]] above the keys of each."
            self.fail(path, "must be a list of tables", hint)
        return value

    def refuse_unknown(self, table: Mapping[str, object], path: Path, known: Sequence[str]) -> None:
        """BenchError for the first key of `table` that is not among `known`."""
        for key in table:
            if key not in known:
                self.fail((*path, key), "no such key", suggestion(key, known))

    def convert(self, table: Mapping[str, object], path: Path, kind: type[StructT]) -> StructT:
        """A table as a struct, strictly: unknown and missing keys and wrong types are BenchErrors."""
        fields = msgspec.structs.fields(kind)
        self.refuse_unknown(table, path, [field.encode_name for field in fields])
        values: dict[str, object] = {}
        for field in fields:
            if field.encode_name not in table:
                if field.required:
                    self.fail(
                        path, f'the key "{field.encode_name}" is missing', f"It is {described(field.type)}."
                    )
                continue
            raw = table[field.encode_name]
            where = (*path, field.encode_name)
            try:
                values[field.name] = msgspec.convert(raw, field.type, strict=True)
            except (msgspec.ValidationError, OverflowError):
                choices = _choices(field.type)
                hint = suggestion(raw, choices) if choices and isinstance(raw, str) else ""
                self.fail(where, f"is {shown(raw)}, must be {described(field.type)}", hint)
            if isinstance(raw, str) and not _printable(raw):
                self.fail(where, "holds control characters", "Use plain text in one line.")
        return kind(**values)

    def require_range(self, path: Path, value: float | None, low: float, high: float, unit: str) -> None:
        """BenchError if a value that was given lies outside of low..high."""
        if value is not None and not low <= value <= high:
            self.fail(path, f"is {value:g}, must be from {low:g} to {high:g} {unit}".rstrip())

    def _refuse_not_finite(self, value: object, path: Path) -> None:
        if isinstance(value, float) and not math.isfinite(value):
            self.fail(path, f"is {value}", "Give a finite number.")
        elif isinstance(value, dict):
            for key, entry in value.items():
                self._refuse_not_finite(entry, (*path, key))
        elif isinstance(value, list):
            for at, entry in enumerate(value):
                self._refuse_not_finite(entry, (*path, at))


def shown(value: object) -> str:
    """A value as a message may print it: short, escaped, in the words of TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    text = repr(value) if not isinstance(value, str) else '"' + repr(value)[1:-1] + '"'
    return text if len(text) <= 60 else text[:57] + "..."


def described(kind: Any) -> str:
    """What a field wants, in words: `a number`, `one of "left", "right"`."""
    choices = _choices(kind)
    if choices:
        return "one of " + ", ".join(f'"{choice}"' for choice in choices)
    plain = [part for part in _union(kind) if part is not type(None)]
    kind = plain[0] if plain else kind
    if get_origin(kind) is tuple:
        return f"a list of {len(get_args(kind))} numbers"
    return {str: "text in quotes", float: "a number", int: "a whole number", bool: "true or false"}[kind]


def _choices(kind: Any) -> list[str]:
    return [str(word) for part in _union(kind) if get_origin(part) is Literal for word in get_args(part)]


def _union(kind: Any) -> tuple[Any, ...]:
    return (
        get_args(kind) if isinstance(kind, types.UnionType) or "Union" in str(get_origin(kind)) else (kind,)
    )


def _printable(text: str) -> bool:
    return all(char.isprintable() or char in "\n\t" for char in text)


def _dotted(path: Path) -> str:
    return ".".join(str(part) for part in path if not isinstance(part, int))


def _syntax(message: str) -> tuple[str, int | None]:
    found = re.search(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)", message)
    if not found:
        return message, None
    problem = message[: found.start()]
    if found[1] is None:
        return f"{problem} at the end of the file", None
    return f"{problem}, column {found[2]}", int(found[1])


def _places(text: str) -> dict[Path, int]:
    """First line of every header and of every key at the start of a line."""
    places: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    fence = ""
    for number, line in enumerate(text.splitlines(), 1):
        if fence:
            if line.count(fence) % 2:
                fence = ""
            continue
        header = _HEADER.match(line)
        key = _KEY.match(line)
        if header:
            table = _resolve(_parts(header[2]), counts, new=bool(header[1]))
            for depth in range(1, len(table) + 1):
                places.setdefault(table[:depth], number)
        elif key:
            parts = _parts(key[1])
            for depth in range(1, len(parts) + 1):
                places.setdefault((*table, *parts[:depth]), number)
        for mark in ('"""', "'''"):
            if line.count(mark) % 2:
                fence = mark
    return places


def _resolve(parts: Path, counts: dict[Path, int], new: bool) -> Path:
    """A header's words as a path: lists of tables get the number of their latest entry."""
    path: Path = ()
    for at, part in enumerate(parts):
        path = (*path, part)
        if new and at == len(parts) - 1:
            counts[path] = counts.get(path, -1) + 1
        if path in counts:
            path = (*path, counts[path])
    return path


def _parts(words: str) -> Path:
    return tuple(part.strip("\"'") for part in _PART.findall(words))
