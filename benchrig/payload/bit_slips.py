"""What firmware does wrong with bits: special codes, the order of bytes and bits, flags, the place in the payload.

Owns the plausible slips of bit patterns, as tables. Must not know values. The slips are common practice, no source.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Final

import numpy as np

from benchrig.payload.layout import Spot
from benchrig.payload.slips import Choice, Slip

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from benchrig.payload.fields import Field
    from benchrig.payload.layout import Layout
    from benchrig.payload.slips import Rule
    from benchrig.payload.whole_arrays import Whole

    Permutation = Sequence[int]

_MOST_FLAG_PAIRS: Final = 28


def special_choices(field: Field) -> tuple[Choice[Rule], ...]:
    """Constants instead of a value, and wrong codes for what has no value."""
    ones = (1 << field.width_bits) - 1
    rows: list[tuple[str, str, int, Rule, bool]] = [
        ("always 0", "that {} is sent at all", 2, _always(0), False),
        ("always all ones", "that {} is sent at all", 3, _always(ones), False),
    ]
    for code, word in field.invalid.items():
        rows.append((f"always {word!r}", "that {} is sent at all", 3, _always(code), False))
        if field.kind == "signed":
            rows.append((f"negative numbers sent as {word!r}", "the sign", 3, _instead_of_negative(code, field), True))
        wrong_codes = {0: "0", ones: "all ones"} | {other: repr(name) for other, name in field.invalid.items()}
        for other, name in wrong_codes.items():
            if other != code:
                rows.append((f"{name} sent for {word!r}", f"the code of {word!r}", 2, _code_for(code, other), True))
    return tuple(
        Choice(slip=Slip(words=words, aspect=aspect, cost=cost), act=rule, combines=combines)
        for words, aspect, cost, rule, combines in rows
    )


def order_choices(field: Field) -> tuple[Choice[Rule], ...]:
    """Bytes or bits in another order; of bytes only where the field is whole bytes."""
    bits = field.width_bits
    rows: list[tuple[str, str, int, list[int]]] = []
    if _is_whole_bytes(field) and bits > 8:
        rows.append(("bytes in the other order", "the byte order", 1, _moved_groups(bits, 8, reverse_all=True)))
    if _is_whole_bytes(field) and bits % 32 == 0:
        rows.append(("halves of 16 bits exchanged", "the byte order", 3, _moved_groups(bits, 16, reverse_all=True)))
        rows.append(("bytes exchanged in pairs", "the byte order", 3, _moved_groups(bits, 8, reverse_all=False)))
    if bits == 8:
        rows.append(("halves of the byte exchanged", "the bit order", 4, _moved_groups(bits, 4, reverse_all=True)))
    if bits > 1:
        rows.append(("bits in the other order", "the bit order", 4, [*reversed(range(bits))]))
    return tuple(
        Choice(slip=Slip(words=words, aspect=aspect, cost=cost), act=_permuted(order))
        for words, aspect, cost, order in rows
    )


def spot_choices(layout: Layout, places: Sequence[int]) -> tuple[Choice[tuple[Spot, ...]], ...]:
    """The field, or every member of it, at a wrong place that is still inside the payload."""
    field = layout.placed[places[0]].field
    shifts: list[tuple[str, str, int, Callable[[Spot], Spot]]] = [
        ("one byte later", "the place", 2, _shifted(bytes_=1)),
        ("one byte earlier", "the place", 2, _shifted(bytes_=-1)),
    ]
    if not _is_whole_bytes(field):
        shifts += [
            ("one bit higher", "the place", 2, _shifted(bits=1)),
            ("one bit lower", "the place", 2, _shifted(bits=-1)),
        ]
        if field.size_bytes > 1:
            shifts.append(("bytes in the other order", "the byte order", 1, _other_order))
    found = []
    for words, aspect, cost, move in shifts:
        spots = tuple(move(layout.spot(place)) for place in places)
        if all(0 <= spot.bit <= 7 and layout.is_inside(spot, field.width_bits) for spot in spots):
            found.append(Choice(slip=Slip(words=words, aspect=aspect, cost=cost), act=spots))
    return tuple(found)


def flag_choices(field: Field) -> tuple[Choice[Rule], ...]:
    """Flags on each other's bits, inverted, stuck or shifted."""
    named = sorted(field.flags)
    rows: list[tuple[str, str, int, Rule]] = []
    pairs = itertools.islice(itertools.combinations(named, 2), _MOST_FLAG_PAIRS)
    for low, high in pairs:
        rows.append(
            (
                f"{field.flags[low]} and {field.flags[high]} on each other's bits",
                "the order of the flags",
                2,
                _permuted(_exchanged(field.width_bits, {low: high, high: low})),
            )
        )
    if len(named) > 2:  # two of them are the pair above
        mirror = dict(zip(named, reversed(named), strict=True))
        order = _exchanged(field.width_bits, mirror)
        rows.append(("flags in the other order", "the order of the flags", 2, _permuted(order)))
    for bit, name in sorted(field.flags.items()):
        rows += _one_flag(bit, name)
    every = sum(1 << bit for bit in named)
    rows.append(("flags inverted", "the meaning of 1", 2, _inverted(every)))
    rows.append(("flags one bit higher", "the order of the flags", 2, lambda patterns, _: patterns << 1))
    rows.append(("flags one bit lower", "the order of the flags", 2, lambda patterns, _: patterns >> 1))
    return tuple(
        Choice(slip=Slip(words=words, aspect=aspect, cost=cost), act=rule) for words, aspect, cost, rule in rows
    )


def bool_choices(field: Field) -> tuple[Choice[Rule], ...]:
    """A yes or no that is inverted, stuck, or written with all ones."""
    rows: list[tuple[str, str, int, Rule]] = [
        ("yes and no exchanged", "the meaning of 1", 2, _inverted(1)),
        ("always 1", "that {} is sent at all", 3, _always(1)),
    ]
    if field.width_bits > 1:
        rows.append(
            ("yes sent as all ones", "the code of yes", 3, lambda patterns, _: np.where(patterns == 1, -1, patterns))
        )
    return tuple(
        Choice(slip=Slip(words=words, aspect=aspect, cost=cost), act=rule) for words, aspect, cost, rule in rows
    )


def _one_flag(bit: int, name: str) -> Iterator[tuple[str, str, int, Rule]]:
    yield f"{name} always 0", f"the flag {name}", 2, lambda patterns, _: patterns & ~(1 << bit)
    yield f"{name} always 1", f"the flag {name}", 3, lambda patterns, _: patterns | 1 << bit
    yield f"{name} inverted", f"the flag {name}", 2, _inverted(1 << bit)


def _is_whole_bytes(field: Field) -> bool:
    return field.bit == 0 and field.width_bits % 8 == 0


def _always(pattern: int) -> Rule:
    return lambda patterns, _: np.full_like(patterns, pattern)


def _inverted(mask: int) -> Rule:
    return lambda patterns, _: patterns ^ mask


def _code_for(code: int, other: int) -> Rule:
    return lambda patterns, is_word: np.where(is_word & (patterns == code), other, patterns)


def _instead_of_negative(code: int, field: Field) -> Rule:
    top = 1 << (field.width_bits - 1)
    return lambda patterns, is_word: np.where(~is_word & (patterns & top != 0), code, patterns)


def _permuted(order: Permutation) -> Rule:
    """Bit `order[i]` of the pattern goes to bit i."""

    def rule(patterns: Whole, _: object) -> Whole:
        moved = np.zeros_like(patterns)
        for distance, mask in _distances(order).items():
            part = patterns & mask
            moved = moved | (part >> distance if distance >= 0 else part << -distance)
        return moved

    return rule


def _distances(order: Permutation) -> dict[int, int]:
    """Which bits go the same way, so that whole groups are moved at once."""
    found: dict[int, int] = {}
    for target, source in enumerate(order):
        found[source - target] = found.get(source - target, 0) | 1 << source
    return found


def _moved_groups(bits: int, group: int, *, reverse_all: bool) -> list[int]:
    """Groups of bits in reverse, over the whole pattern or within each pair of groups."""
    groups = [[*range(start, start + group)] for start in range(0, bits, group)]
    if reverse_all:
        groups.reverse()
    else:
        groups = [one for pair in zip(groups[1::2], groups[::2], strict=True) for one in pair]
    return [bit for one in groups for bit in one]


def _exchanged(bits: int, moves: dict[int, int]) -> list[int]:
    return [moves.get(bit, bit) for bit in range(bits)]


def _shifted(*, bytes_: int = 0, bits: int = 0) -> Callable[[Spot], Spot]:
    return lambda spot: Spot(offset=spot.offset + bytes_, bit=spot.bit + bits, order=spot.order)


def _other_order(spot: Spot) -> Spot:
    return Spot(offset=spot.offset, bit=spot.bit, order="little" if spot.order == "big" else "big")
