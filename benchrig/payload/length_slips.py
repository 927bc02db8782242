"""Payloads of another length explained: bytes that are missing, and bytes that are too many.

Owns the slips of the length. Must not know why an encoder makes them; common practice, no source: a structure sent
with its padding or packed too tightly, a length that is off by one, a check value forgotten or added twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from benchrig.payload.crc import compute_crc, find_crc
from benchrig.payload.slips import WHOLE_PAYLOAD, Mutant, Slip

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.payload.layout import Layout

_ASPECT: Final = "the length"
_FILLERS: Final = (0x00, 0xFF)
_CHECK_VALUE: Final = "the check value"


def length_slips(layout: Layout, right: Sequence[bytes], seen: Sequence[bytes]) -> tuple[Mutant, ...]:
    """Every slip that makes the payloads seen out of the right ones, at all points; simplest first.

    `right` and `seen` belong together one by one. Nothing is found for payloads of several lengths.
    """
    lengths = {len(payload) for payload in seen}
    if len(lengths) != 1:
        return ()
    change = lengths.pop() - layout.length
    slips = _missing(layout, right, seen, -change) if change < 0 else _too_many(layout, right, seen, change)
    return tuple(sorted((Mutant(part=WHOLE_PAYLOAD, slips=(slip,)) for slip in slips), key=lambda one: one.rank))


def _missing(layout: Layout, right: Sequence[bytes], seen: Sequence[bytes], count: int) -> Iterator[Slip]:
    for start in range(layout.length - count + 1):
        end = start + count
        cut = [payload[:start] + payload[end:] for payload in right]
        what = f"{_bytes(count)} missing: {_owners(layout, start, end)}"
        is_end = end == layout.length
        if cut == list(seen):
            yield Slip(words=f"{what}, cut off at the end" if is_end else what, aspect=_ASPECT, cost=1 + (not is_end))
        elif _sealed_again(layout, cut, -count) == list(seen):
            yield Slip(words=f"{what}, and the check value is of what is left", aspect=_ASPECT, cost=2)


def _too_many(layout: Layout, right: Sequence[bytes], seen: Sequence[bytes], count: int) -> Iterator[Slip]:
    for start in range(layout.length + 1):
        for filler in _FILLERS:
            grown = [payload[:start] + bytes([filler]) * count + payload[start:] for payload in right]
            before = f"before {_owners(layout, start, start + 1)}" if start < layout.length else "at the end"
            what = f"{_bytes(count)} of {filler:#04x} too many {before}"
            if grown == list(seen):
                yield Slip(words=what, aspect=_ASPECT, cost=2)
            elif _sealed_again(layout, grown, count) == list(seen):
                yield Slip(words=f"{what}, and the check value is over all of it", aspect=_ASPECT, cost=2)


def _sealed_again(layout: Layout, payloads: Sequence[bytes], change: int) -> list[bytes] | None:
    """The payloads with a check value over their changed bytes; None where it does not stand at the end."""
    crc = layout.field_map.crc
    if crc is None:
        return None
    algorithm = find_crc(crc.name)
    size, (first, end) = algorithm.width_bytes, crc.covered(layout.length)
    if crc.start(layout.length) + size != layout.length or end + change <= first:
        return None
    order = crc.byte_order or "big"
    return [
        body + compute_crc(algorithm, body[first : end + change]).to_bytes(size, order)
        for body in (payload[:-size] for payload in payloads)
    ]


def _owners(layout: Layout, start: int, end: int) -> str:
    names = [one.name for one in layout.placed if one.offset < end and start < one.end]
    names += [_CHECK_VALUE] if layout.check[start:end].any() else []
    return f"byte {start}{f' to {end - 1}' if end - start > 1 else ''} ({', '.join(names) or 'no field'})"


def _bytes(count: int) -> str:
    return "a byte" if count == 1 else f"{count} bytes"
