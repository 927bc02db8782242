"""What became of bytes on the way. The ways are held against numpy's and Python's own routines for them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.payload.moved_bytes import moved_bytes

if TYPE_CHECKING:
    from collections.abc import Callable

FRAME = bytes.fromhex("7A 0D 15 00 00 D2 01 04 9C")

by_numpy: dict[str, Callable[[bytes], bytes]] = {
    "each pair of bytes is turned round": lambda data: np.frombuffer(data, "<u2").byteswap().tobytes(),
    "each four bytes are turned round": lambda data: np.frombuffer(data, "<u4").byteswap().tobytes(),
    "all bytes are in the opposite order": lambda data: np.frombuffer(data, np.uint8)[::-1].tobytes(),
    "every bit is inverted": lambda data: np.bitwise_not(np.frombuffer(data, np.uint8)).tobytes(),
    "the bits of each byte are in the opposite order": lambda data: np.packbits(
        np.unpackbits(np.frombuffer(data, np.uint8)), bitorder="little"
    ).tobytes(),
    "the hexadecimal digits are sent as text": lambda data: data.hex().upper().encode(),
}


@pytest.mark.parametrize("way", by_numpy, ids=lambda way: way)
@given(data=st.binary(min_size=8, max_size=8))
def test_a_way_that_a_routine_takes_is_named(way: str, data: bytes) -> None:
    """What numpy makes of a frame is told in words, unless that leaves it as it was."""
    after = by_numpy[way](data)

    assert way in moved_bytes([(data, after)]) or after == data


@pytest.mark.parametrize(
    ("after", "says"),
    [
        pytest.param(FRAME, (), id="the same"),
        pytest.param(FRAME[:7], ("cut off after 7 bytes",), id="cut"),
        pytest.param(FRAME[1:], ("the first 1 byte missing",), id="begun late"),
        pytest.param(FRAME + b"\x00", ("1 byte more at the end",), id="padded"),
        pytest.param(b"\x02" + FRAME, ("1 byte more at the beginning",), id="something before it"),
        pytest.param(FRAME[2:] + FRAME[:2], ("moved by 2 bytes, the first ones at the end",), id="moved round"),
        pytest.param(b"\x7a\x0c" + FRAME[2:], ("byte 1 is 0C instead of 0D (bit 0 alone)",), id="one bit"),
        pytest.param(b"\x7a\xff" + FRAME[2:], ("byte 1 is FF instead of 0D",), id="one byte"),
        pytest.param(
            bytes.fromhex("0D 7A 00 15 D2 00 04 01 9C"),
            ("each pair of bytes is turned round",),
            id="an odd last one stays",
        ),
        pytest.param(b"\x01\x02", ("2 bytes instead of 9",), id="something else, shorter"),
        pytest.param(
            bytes(9),
            (
                "byte 0 is 00 instead of 7A, byte 1 is 00 instead of 0D, byte 2 is 00 instead of 15, "
                "byte 5 is 00 instead of D2 and 3 more",
            ),
            id="zeros",
        ),
    ],
)
def test_what_happened_to_one_frame_is_told(after: bytes, says: tuple[str, ...]) -> None:
    """Cut, shifted, padded, or byte by byte."""
    assert moved_bytes([(FRAME, after)]) == says


def test_what_is_left_over_behind_whole_groups_stays() -> None:
    """Six bytes in groups of four: the last two are no group."""
    assert moved_bytes([(b"\x01\x02\x03\x04\x05\x06", b"\x04\x03\x02\x01\x05\x06")]) == (
        "each four bytes are turned round",
    )


def test_a_way_must_explain_every_frame_that_differs() -> None:
    """One frame turned round and one cut: no single way did that, and each is told by itself."""
    frames = [(b"\x01\x02\x03\x04", b"\x02\x01\x04\x03"), (b"\x05\x06\x07\x08", b"\x05\x06\x07")]

    assert moved_bytes(frames) == (
        "byte 0 is 02 instead of 01, byte 1 is 01 instead of 02, "
        "byte 2 is 04 instead of 03, byte 3 is 03 instead of 04",
        "3 bytes instead of 4",
    )


def test_frames_that_are_the_same_leave_every_way_open() -> None:
    """A frame that reads the same both ways does not contradict the way that the others show."""
    frames = [(b"\x01\x02", b"\x02\x01"), (b"\x05\x05", b"\x05\x05")]

    assert "each pair of bytes is turned round" in moved_bytes(frames)
