"""What became of bytes between two places that should hold the same: turned round, cut, shifted, spoilt.

Owns the ways in which bytes change on the way, whatever they mean, and their wording. Must not know where the two
places are. The ways are common practice, no source; what holds for every frame is told first, and a single bit last.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    Way = Callable[[bytes], bytes]

_MOST_BYTES_TOLD: Final = 4


def _grouped(size: int) -> Way:
    """Every group of `size` bytes turned round; what is left over at the end stays."""

    def turn(data: bytes) -> bytes:
        end = len(data) // size * size
        return b"".join(data[place : place + size][::-1] for place in range(0, end, size)) + data[end:]

    return turn


def _bits_turned(data: bytes) -> bytes:
    return bytes(int(f"{byte:08b}"[::-1], 2) for byte in data)


WAYS: Final[dict[str, Way]] = {
    "each pair of bytes is turned round": _grouped(2),
    "each four bytes are turned round": _grouped(4),
    "all bytes are in the opposite order": lambda data: data[::-1],
    "the two halves of each byte are exchanged": lambda data: bytes(byte >> 4 | (byte & 0xF) << 4 for byte in data),
    "the bits of each byte are in the opposite order": _bits_turned,
    "every bit is inverted": lambda data: bytes(byte ^ 0xFF for byte in data),
    "the hexadecimal digits are sent as text": lambda data: data.hex().upper().encode("ascii"),
    "the hexadecimal digits are sent as text, in small letters": lambda data: data.hex().encode("ascii"),
}
"""Ways that a routine would take with every frame, by words; simplest first."""


def moved_bytes(frames: Sequence[tuple[bytes, bytes]]) -> tuple[str, ...]:
    """What was done to the bytes, so that each first of a pair became the second; () when all are the same.

    Every way named explains all the frames that differ. When none of them does, each frame is told by itself.
    """
    changed = [(before, after) for before, after in frames if before != after]
    if not changed:
        return ()
    whole = [text for text, way in WAYS.items() if all(way(before) == after for before, after in changed)]
    whole += _length_ways(changed)
    return tuple(dict.fromkeys(whole)) or tuple(dict.fromkeys(_places(before, after) for before, after in changed))


def _length_ways(frames: Sequence[tuple[bytes, bytes]]) -> Iterator[str]:
    """One rule for all of them about what was cut or added."""
    first_before, first_after = frames[0]
    lost = len(first_before) - len(first_after)
    if lost > 0:
        if all(after == before[: len(first_after)] for before, after in frames):
            yield f"cut off after {_counted(len(first_after))}"
        if all(after == before[lost:] for before, after in frames):
            yield f"the first {_counted(lost)} missing"
    elif lost < 0:
        if all(after[: len(before)] == before for before, after in frames):
            yield f"{_counted(-lost)} more at the end"
        if all(after[-lost:] == before for before, after in frames):
            yield f"{_counted(-lost)} more at the beginning"
    else:
        yield from _turns(frames)


def _turns(frames: Sequence[tuple[bytes, bytes]]) -> Iterator[str]:
    for by in range(1, len(frames[0][0])):
        if all(len(before) == len(after) and before[by:] + before[:by] == after for before, after in frames):
            yield f"moved by {_counted(by)}, the first ones at the end"


def _places(before: bytes, after: bytes) -> str:
    """One frame by itself: its length, or the bytes that differ."""
    if len(before) != len(after):
        return f"{_counted(len(after))} instead of {len(before)}"
    wrong = [(place, one, other) for place, (one, other) in enumerate(zip(before, after, strict=True)) if one != other]
    told = ", ".join(
        f"byte {place} is {other:02X} instead of {one:02X}{_bits(one ^ other)}"
        for place, one, other in wrong[:_MOST_BYTES_TOLD]
    )
    left = len(wrong) - _MOST_BYTES_TOLD
    return f"{told} and {left} more" if left > 0 else told


def _bits(difference: int) -> str:
    return f" (bit {difference.bit_length() - 1} alone)" if difference.bit_count() == 1 else ""


def _counted(count: int) -> str:
    return "1 byte" if count == 1 else f"{count} bytes"
