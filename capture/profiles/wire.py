"""The one checked reader under all profiles, and records whose flags say what follows.

Integers are little-endian. Nothing here raises anything but `DecodeError` on received
bytes, and `ValueError` on values that don't fit when bytes are made.
"""

import struct
from collections.abc import Mapping, Sequence
from operator import itemgetter
from typing import Any, ClassVar, Final, NamedTuple, Self

import msgspec

from capture.sample import DecodeError

U8: Final = struct.Struct("<B")
U16: Final = struct.Struct("<H")
S16: Final = struct.Struct("<h")
U32: Final = struct.Struct("<I")

INTEGERS: Final[Mapping[str, struct.Struct]] = {"u8": U8, "u16": U16, "s16": S16, "u32": U32}
"""Layouts of single integers by the word that a field table uses for them."""


def read(layout: struct.Struct, data: bytes, at: int, field: str) -> tuple[Any, ...]:
    """Unpack `layout` from `data` at octet `at`; DecodeError naming `field` if octets are missing."""
    try:
        return layout.unpack_from(data, at)
    except struct.error:
        message = f"needs {layout.size} octets, {max(len(data) - at, 0)} are left"
        raise DecodeError(message, field, at, data) from None


def read_int(layout: struct.Struct, data: bytes, at: int, field: str) -> int:
    """One integer of `data` at octet `at`; DecodeError naming `field` if octets are missing."""
    value: int = read(layout, data, at, field)[0]
    return value


def need(size: int, data: bytes, field: str) -> None:
    """Raise DecodeError naming `field` unless `data` has exactly `size` octets (an ANT page: 8)."""
    if len(data) != size:
        raise DecodeError(f"needs {size} octets, has {len(data)}", field, min(size, len(data)), data)


def put(layout: struct.Struct, field: str, *values: object) -> bytes:
    """Pack `values`; ValueError naming `field` if one is missing or outside the layout's range."""
    try:
        return layout.pack(*values)
    except struct.error as why:
        shown = ", ".join(map(repr, values))
        raise ValueError(f"{field}: {shown} can't be sent: {why}") from None


Values = Mapping[int, tuple[str, struct.Struct]]
"""Name and layout of the one integer that goes with an op code."""


class Coded(msgspec.Struct, frozen=True, gc=False):
    """A write to a control point: an op code and, where VALUES has it, one integer, raw.

    What else follows stays in `rest`.
    """

    VALUES: ClassVar[Values] = {}

    op: int
    value: int | None = None
    rest: bytes = b""

    @classmethod
    def from_bytes(cls, data: bytes) -> Self:
        """Decode; DecodeError if op or value are cut off."""
        op = read_int(U8, data, 0, "op")
        if (parameter := cls.VALUES.get(op)) is None:
            return cls(op, None, bytes(data[1:]))
        name, layout = parameter
        return cls(op, read_int(layout, data, 1, name), bytes(data[1 + layout.size :]))

    def __bytes__(self) -> bytes:
        head = put(U8, "op", self.op)
        if (parameter := self.VALUES.get(self.op)) is not None:
            head += put(parameter[1], parameter[0], self.value)
        elif self.value is not None:
            raise ValueError(f"value: op 0x{self.op:02X} takes none")
        return head + self.rest


def word(names: Mapping[int, str], number: int) -> str:
    """The name of `number`, or `reserved N`: a code that a later standard names is kept, not refused."""
    return names.get(number) or f"reserved {number}"


def bit_facts(names: Mapping[str, int], bits: int) -> dict[str, float | str]:
    """1.0 or 0.0 for each name, by the number of its bit in `bits`."""
    return {name: float(bits >> bit & 1) for name, bit in names.items()}


class Field(NamedTuple):
    """One field of a record with flags.

    `kind` is a key of INTEGERS, `u24`, or `2u12` (24 bits that hold two numbers: the
    first in the low, the second in the high 12 bits; it has two names). The field is
    there when bit `bit` of the flags is set (clear, if `inverted`); always if `bit` is None.
    """

    names: tuple[str, ...]
    kind: str
    bit: int | None = None
    inverted: bool = False

    def present(self, flags: int) -> bool:
        """Is the field in a record with these flags?"""
        return self.bit is None or (flags >> self.bit & 1 == 1) != self.inverted


MOST_PLANS = 64
"""Compiled combinations of flags that a layout keeps: more than a bench of instruments uses."""


class _Plan(NamedTuple):
    layout: struct.Struct
    pick: "itemgetter[Any]"
    wide: tuple[tuple[int, bool], ...]
    """Where a 24-bit field begins among the unpacked values, and whether it holds two numbers."""


class FlaggedLayout:
    """A record that begins with flags (`u8` or `u16`) which say what fields follow.

    Each combination of flags is compiled once and MOST_PLANS of them are kept, so that a
    live packet costs one unpack.
    """

    def __init__(self, flags: str, fields: Sequence[Field]) -> None:
        self.flags, self.fields = INTEGERS[flags], tuple(fields)
        self._mask = sum({1 << field.bit for field in self.fields if field.bit is not None})
        self._plans: dict[int, _Plan] = {}

    def size(self, flags: int) -> int:
        """Octets of a record with these flags, flags included."""
        return self._plan(flags & self._mask).layout.size

    def unpack(self, data: bytes) -> tuple[int, tuple[Any, ...], bytes]:
        """Flags, one value per name in the order of the fields (None: not there), trailing octets.

        DecodeError naming the first field that is cut off.
        """
        flags = read_int(self.flags, data, 0, "flags")
        key = flags & self._mask
        plan = self._plans.get(key) or self._plan(key)
        layout = plan.layout
        try:
            values: Sequence[Any] = layout.unpack_from(data)
        except struct.error:
            raise self._cut_off(flags, data) from None
        if plan.wide:
            values = list(values)
            for at, two in plan.wide:
                whole = values[at] | values[at + 1] << 16
                values[at], values[at + 1] = (whole & 0xFFF, whole >> 12) if two else (whole, None)
        return flags, plan.pick((*values, None)), bytes(data[layout.size :])

    def pack(self, flags: int, values: Sequence[int | None], rest: bytes = b"") -> bytes:
        """The record's octets; ValueError naming a field that the flags ask for and that does not fit."""
        parts = [put(self.flags, "flags", flags)]
        at = 0
        for field in self.fields:
            mine = values[at : at + len(field.names)]
            at += len(field.names)
            if not field.present(flags):
                continue
            name = " and ".join(field.names)
            if field.kind == "2u12":
                low, high = mine
                if low is None or high is None or not (0 <= low < 4096 and 0 <= high < 4096):
                    raise ValueError(f"{name}: {low!r}, {high!r} can't be sent: not both in 0..4095")
                parts.append((low | high << 12).to_bytes(3, "little"))
            elif field.kind == "u24":
                (whole,) = mine
                if whole is None or not 0 <= whole < 1 << 24:
                    raise ValueError(f"{name}: {whole!r} can't be sent: not in 0..16777215")
                parts.append(whole.to_bytes(3, "little"))
            else:
                parts.append(put(INTEGERS[field.kind], name, *mine))
        return b"".join(parts) + rest

    def flags_of(self, values: Sequence[int | None]) -> int:
        """The presence bits that fit `values`: a field is sent when any of its values is not None."""
        flags = at = 0
        for field in self.fields:
            given = any(value is not None for value in values[at : at + len(field.names)])
            at += len(field.names)
            if field.bit is not None and given != field.inverted:
                flags |= 1 << field.bit
        return flags

    def _plan(self, key: int) -> _Plan:
        codes, order, wide, at = "", [], [], 1
        for field in self.fields:
            count = len(field.names)
            if not field.present(key):
                order += [-1] * count
            elif field.kind in ("u24", "2u12"):
                codes += "HB"
                wide.append((at, field.kind == "2u12"))
                order += [at, at + 1][:count]
                at += 2
            else:
                codes += INTEGERS[field.kind].format[1:]
                order.append(at)
                at += 1
        plan = _Plan(struct.Struct(self.flags.format + codes), itemgetter(*order), tuple(wide))
        if len(self._plans) >= MOST_PLANS:
            # An instrument keeps to a few; only noise has thousands, and must not fill the memory.
            self._plans.clear()
        self._plans[key] = plan
        return plan

    def _cut_off(self, flags: int, data: bytes) -> DecodeError:
        at = self.flags.size
        for field in self.fields:
            if not field.present(flags):
                continue
            size = 3 if field.kind in ("u24", "2u12") else INTEGERS[field.kind].size
            if at + size > len(data):
                message = f"needs {size} octets, {len(data) - at} are left (flags 0x{flags:04X})"
                return DecodeError(message, " and ".join(field.names), at, data)
            at += size
        raise AssertionError("called only for a record that is too short")
