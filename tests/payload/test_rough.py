"""Fields whose reference is rough: what they may have been, when their bytes are far from it."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from benchrig.payload import encode
from benchrig.payload.explain import Seen, explain
from benchrig.payload.rough import likely_values

from .reference_encoders import sealed

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.payload import FieldMap

TRUE = ((20.7, 21.4), (20.8, 21.4), (20.8, 21.5))
"""What the two bales really were at three points; the bench knows 21 degrees and a margin."""
MARGINS = dict.fromkeys(("bale[0].temperature", "bale[1].temperature"), 2.0)


def reference(battery: float) -> dict[str, float | str]:
    """What the bench knows at a point."""
    flags = dict.fromkeys(("flags.siren", "flags.charging", "flags.low_battery"), 0.0)
    return {"battery": battery, "temperature": 21.0, **flags, **dict.fromkeys(MARGINS, 21.0)}


POINTS = [reference(battery) for battery in (3.301, 3.642, 4.153)]


def little(celsius: float) -> bytes:
    return struct.pack("<h", round(celsius * 10))


def tenfold(celsius: float) -> bytes:
    return struct.pack(">h", round(celsius * 100))


def right(celsius: float) -> bytes:
    return struct.pack(">h", round(celsius * 10))


def payloads(field_map: FieldMap, first: Callable[[float], bytes], second: Callable[[float], bytes]) -> list[bytes]:
    """Frames with the bales packed by struct."""
    frames = (encode(field_map, one) for one in POINTS)
    return [sealed(frame[:4] + first(a) + second(b)) for frame, (a, b) in zip(frames, TRUE, strict=True)]


BUGS = [
    pytest.param(little, little, "bale[*].temperature: bytes in the other order", id="both little-endian"),
    pytest.param(tenfold, tenfold, "bale[*].temperature: 10 times too large", id="hundredths"),
]


@pytest.mark.parametrize(("first", "second", "cause"), BUGS)
def test_likely_values_are_the_true_ones(
    probe_map: FieldMap, first: Callable[[float], bytes], second: Callable[[float], bytes], cause: str
) -> None:
    """The first answer is what the bales really were, and with it the bytes are explained by the true cause."""
    came = payloads(probe_map, first, second)

    answers = likely_values(probe_map, POINTS, came, margins=MARGINS)

    assert [tuple(one.values()) for one in answers[0]] == list(TRUE)
    seen = [
        Seen(values={**one, **mine}, payload=frame) for one, mine, frame in zip(POINTS, answers[0], came, strict=True)
    ]
    assert explain(probe_map, seen).hypotheses[0].mutants[0].text == cause


def test_likely_values_of_one_field_alone(probe_map: FieldMap) -> None:
    """Where one member alone is far off, its values are found without the other one's."""
    came = payloads(probe_map, little, right)

    answers = likely_values(probe_map, POINTS, came, margins={"bale[0].temperature": 2.0})

    assert [one["bale[0].temperature"] for one in answers[0]] == [first for first, _ in TRUE]


def test_likely_values_of_two_fields_wrong_in_two_ways(probe_map: FieldMap) -> None:
    """Members that are wrong each in its own way are put together from one answer each."""
    came = payloads(probe_map, little, tenfold)

    answers = likely_values(probe_map, POINTS, came, margins=MARGINS)

    assert [tuple(one.values()) for one in answers[0]] == list(TRUE)


def test_likely_values_explain_every_point(probe_map: FieldMap) -> None:
    """A simpler slip that explains one point alone, as any does a zero, is no answer for all of them."""
    cold = [{**one, **dict.fromkeys(MARGINS, 0.0)} for one in POINTS]
    true = (0.0, 1.2, -0.7)
    frames = [
        sealed(encode(probe_map, one)[:4] + 2 * tenfold(celsius)) for one, celsius in zip(cold, true, strict=True)
    ]

    answers = likely_values(probe_map, cold, frames, margins=MARGINS)

    assert [tuple(one.values()) for one in answers[0]] == [(celsius, celsius) for celsius in true]


def test_likely_values_are_none_for_bytes_that_nothing_makes(probe_map: FieldMap) -> None:
    """Bytes that no wrong encoder makes of a temperature near the reference have no answer."""
    frames = [
        frame[:4] + bytes([0x3B + at, 0x71, 0x4D, 0x92 ^ at]) + frame[8:]
        for at, frame in enumerate(payloads(probe_map, right, right))
    ]

    assert likely_values(probe_map, POINTS, frames, margins=MARGINS) == ()
