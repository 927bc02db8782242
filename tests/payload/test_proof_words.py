"""Doubts in few lines: one for each part, the worst aspect first, and no more lines than a report has room for."""

from __future__ import annotations

import pytest

from benchrig.payload.proof import Doubt
from benchrig.payload.proof_words import open_parts, shortened
from benchrig.payload.slips import Mutant, Slip


def doubt(part: str, aspect: str, *words: str) -> Doubt:
    """A doubt with one wrong encoder for each text."""
    slips = [Slip(words=one, aspect=aspect, cost=1) for one in words]
    return Doubt(part=part, aspect=aspect, mutants=tuple(Mutant(part=part, slips=(one,)) for one in slips))


def test_open_parts_join_the_doubts_of_a_part() -> None:
    """Each part has one sentence; its sign comes first, an aspect with its own word order keeps it."""
    doubts = [
        doubt("temperature", "that {} is fresh", "value of the point before"),
        doubt("temperature", "the sign", "sign lost", "negative numbers sent as 0"),
        doubt("battery", "the rounding", "cut off toward zero"),
        doubt("temperature", "the byte order and the place", "one byte later"),
    ]

    first, second = open_parts(doubts)

    assert first.sentence == (
        "these points do not prove the sign of temperature, nor that it is fresh, nor its byte order and its place: "
        "4 wrong encoders would pass, such as 'sign lost'"
    )
    assert second.sentence == (
        "these points do not prove the rounding of battery: 1 wrong encoder would pass, such as 'cut off toward zero'"
    )


def test_open_part_that_begins_with_its_own_word_order() -> None:
    """An aspect that holds the name of its part needs no "of"."""
    (one,) = open_parts([doubt("the payload", "that every value of {} has its own place", "values exchanged")])

    assert one.claim == (
        "that every value of the payload has its own place: 1 wrong encoder would pass, such as 'values exchanged'"
    )


SHORTENED = [
    pytest.param(3, ("s1", "s2", "s3"), id="as many as there is room for"),
    pytest.param(2, ("s1", "nor everything of 2 more parts: b, c"), id="the rest is counted and named"),
]


@pytest.mark.parametrize(("most", "expected"), SHORTENED)
def test_shortened_names_what_it_leaves_out(most: int, expected: tuple[str, ...]) -> None:
    """What does not fit is counted and named, never dropped."""
    assert shortened(["s1", "s2", "s3"], ["a", "b", "c"], most=most) == expected
