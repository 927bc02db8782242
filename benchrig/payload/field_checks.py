"""What can be wrong with one field, as sentences that name the field and what is accepted.

Owns the rules for a field by itself. Must not know its neighbours or the length of the payload.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, get_args

from benchrig.payload.bits import ByteOrder
from benchrig.payload.exact import ROUNDINGS, Exact, exact
from benchrig.payload.fields import FLOAT_WIDTHS, Field, Kind
from benchrig.quantity import base_unit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

KINDS: Final[tuple[str, ...]] = get_args(Kind)
ORDERS: Final[tuple[str, ...]] = get_args(ByteOrder)
NAME_RULE: Final = "letters, digits and _, beginning with a letter"
_NAME: Final = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_LARGEST: Final = 10**30  # with it every value of every kind stays a finite float
_BOOL_WIDTHS: Final = (1, 8)
_PERCENT: Final = "%"


def is_name(text: str) -> bool:
    """Whether the text can be part of a full name such as `bale[0].temperature`."""
    return _NAME.fullmatch(text) is not None


def shape_problems(one: Field) -> tuple[str, ...]:
    """Problems with the place and size of a field; without any, its bits can be counted."""
    return tuple(f"field {one.name!r}: {text}" for rule in _SHAPE_RULES for text in rule(one))


def meaning_problems(one: Field) -> tuple[str, ...]:
    """Problems with what the bits are said to mean."""
    return tuple(f"field {one.name!r}: {text}" for rule in _MEANING_RULES for text in rule(one))


def _place(one: Field) -> Iterator[str]:
    if one.offset < 0:
        yield f"offset {one.offset} is before the first byte; accepted 0 or more"
    if not 0 <= one.bit <= 7:
        yield f"bit {one.bit} is not a bit of a byte; accepted 0 (least significant) to 7"
    if not 1 <= one.width_bits <= 64:
        yield f"width_bits {one.width_bits} is not accepted; accepted 1 to 64"


def _order(one: Field) -> Iterator[str]:
    if one.byte_order is not None and one.byte_order not in ORDERS:
        yield f"byte_order {one.byte_order!r} is unknown; accepted {_listed(ORDERS)}"
    if one.byte_order is None and one.size_bytes > 1 and one.bit <= 7:
        yield f"it spans {one.size_bytes} bytes; state byte_order {_listed(ORDERS)}"


def _name(one: Field) -> Iterator[str]:
    if not is_name(one.name):
        yield f"the name is not accepted; accepted {NAME_RULE}"


def _kind(one: Field) -> Iterator[str]:
    if one.kind not in KINDS:
        yield f"kind {one.kind!r} is unknown; accepted {_listed(KINDS)}"
    wanted = FLOAT_WIDTHS.get(one.kind)
    if wanted is not None and one.width_bits != wanted:
        yield f"kind {one.kind!r} with width_bits {one.width_bits}; accepted {wanted}"
    if one.kind == "bool" and one.width_bits not in _BOOL_WIDTHS:
        yield f"kind 'bool' with width_bits {one.width_bits}; accepted 1 or 8"
    if one.rounding not in ROUNDINGS:
        yield f"rounding {one.rounding!r} is unknown; accepted {_listed(tuple(ROUNDINGS))}"


def _numbers(one: Field) -> Iterator[str]:
    yield from _number_problems("scale", one.scale, zero_is_accepted=False)
    yield from _number_problems("add", one.add, zero_is_accepted=True)
    plain = one.scale == 1 and one.add == 0
    if one.kind in {"flags", "bool"} and not plain:
        yield f"kind {one.kind!r} takes no scale and no add; remove them"


def _number_problems(what: str, number: Exact, *, zero_is_accepted: bool) -> Iterator[str]:
    try:
        size = abs(exact(number))
    except ValueError as error:
        yield f"{what}: {error}; write a decimal number such as 0.001"
        return
    if size == 0 and zero_is_accepted:
        return
    if not 1 / exact(_LARGEST) <= size <= _LARGEST:
        yield f"{what} {number} is not accepted; accepted sizes 1e-30 to 1e30"


def _unit(one: Field) -> Iterator[str]:
    if not one.unit or not one.unit.isprintable() or any(letter in one.unit for letter in " |"):
        yield f"unit {one.unit!r} is not a unit symbol; write '1' for a plain number"
        return
    if one.unit == _PERCENT:
        return  # of a battery's charge or of humidity: whole per cent is what the trade sends
    try:
        base, factor = base_unit(one.unit)
    except ValueError:
        return  # a board may report what no instrument here measures: lx, hPa
    if factor != 1.0:
        yield f"unit {one.unit!r} is not a base unit; write {base!r} and take scale and add times {factor:g}"


def _invalid(one: Field) -> Iterator[str]:
    if one.invalid and one.kind == "flags":
        yield "kind 'flags' takes no invalid codes; remove them"
    top = (1 << max(0, one.width_bits)) - 1
    for code, word in one.invalid.items():
        if not 0 <= code <= top:
            yield f"invalid code {code} ({word!r}) does not fit; accepted bit patterns 0 to {top:#x}"
        if not word.strip():
            yield f"invalid code {code:#x} has no word; name what the board means by it"
    for word in sorted(_repeated(tuple(one.invalid.values()))):
        yield f"the word {word!r} stands for more than one invalid code; give each its own"


def _flags(one: Field) -> Iterator[str]:
    if one.kind != "flags":
        if one.flags:
            yield f"flags are named but the kind is {one.kind!r}; accepted with kind 'flags' only"
        return
    if not one.flags:
        yield "kind 'flags' names no flag; name at least one bit"
    for bit, name in one.flags.items():
        if not 0 <= bit < one.width_bits:
            yield f"flag {name!r} is on bit {bit}; accepted 0 to {one.width_bits - 1}"
        if not is_name(name):
            yield f"flag name {name!r} is not accepted; accepted {NAME_RULE}"
    for name in sorted(_repeated(tuple(one.flags.values()))):
        yield f"the flag name {name!r} is used more than once"


def _repeated(names: tuple[str, ...]) -> set[str]:
    return {name for name in names if names.count(name) > 1}


def _listed(accepted: tuple[str, ...]) -> str:
    return " or ".join(repr(word) for word in accepted)


_SHAPE_RULES: Final[tuple[Callable[[Field], Iterator[str]], ...]] = (_place, _order)
_MEANING_RULES: Final[tuple[Callable[[Field], Iterator[str]], ...]] = (
    _name,
    _kind,
    _numbers,
    _unit,
    _invalid,
    _flags,
)
