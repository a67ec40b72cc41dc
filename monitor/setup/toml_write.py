"""A bench as TOML text again, after a program has changed it. Comments are not kept."""

import re
from collections.abc import Mapping

import msgspec

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def toml_text(root: Mapping[str, object]) -> str:
    """Nested tables of text, numbers, truth values and lists as TOML 1.0.

    Raises:
        TypeError: a value of another kind.
    """
    lines: list[str] = []
    _table(root, "", lines)
    return "\n".join(lines).lstrip("\n") + "\n"


def _table(table: Mapping[str, object], path: str, lines: list[str]) -> None:
    nested = {k: v for k, v in table.items() if isinstance(v, Mapping) or _is_tables(v)}
    lines += [f"{_key(key)} = {_value(value)}" for key, value in table.items() if key not in nested]
    for key, value in nested.items():
        where = f"{path}{_key(key)}"
        if isinstance(value, Mapping):
            lines += ["", f"[{where}]"]
            _table(value, f"{where}.", lines)
            continue
        assert isinstance(value, list)
        for each in value:
            lines += ["", f"[[{where}]]"]
            _table(each, f"{where}.", lines)


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(each, Mapping) for each in value)


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _string(key)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _string(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        # TOML spells nan and inf as Python does.
        return repr(value)
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(each) for each in value)}]"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + "}"
    raise TypeError(f"{type(value).__name__} has no place in TOML")


def _string(text: str) -> str:
    # A basic string of TOML escapes as JSON does, but for DEL, which JSON leaves as it is.
    return msgspec.json.encode(text).decode().replace("\x7f", "\\u007f")
