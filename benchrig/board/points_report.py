"""What a profile's planned points prove of the encoder, as text and as a table: known before there is any hardware.

Owns wording and keys. Must not know instruments. The proof itself is made by `benchrig.payload.proof`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.board.payload_points import HIGHEST_C, LOWEST_C, ROOM_C, planned_proof, point_text
from benchrig.payload.proof_words import open_parts

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.board.profile import BoardProfile
    from benchrig.payload.proof import Proof
    from benchrig.payload.proof_words import OpenPart


def points_text(profile: BoardProfile, *, at_c: Sequence[float] = (ROOM_C,)) -> str:
    """The answer for people. `at_c` are the temperatures (degC) of the sweep. Raises ConfigError."""
    return "\n".join(_lines(profile, planned_proof(profile, at_c=at_c), at_c))


def _lines(profile: BoardProfile, proof: Proof, at_c: Sequence[float]) -> Iterator[str]:
    shown = proof.encoders - len(proof.survivors)
    at = " and ".join(f"{celsius:g}" for celsius in at_c)
    yield (
        f"{proof.name}: {proof.points} points, {len(profile.sweep.points_v)} voltages up and down at {at} degC, show "
        f"{shown} of {proof.encoders} wrong encoders ({proof.score:.1%})"
    )
    yield from (part.sentence for part in open_parts(proof.doubts))
    for number, point in enumerate(proof.extra_points, 1):
        yield f"further point {number}: {point_text(profile, point)}"
    for part in open_parts(proof.never):
        yield f"no point from {LOWEST_C:g} to {HIGHEST_C:g} degC proves {part.claim}"


def points_table(profile: BoardProfile, *, at_c: Sequence[float] = (ROOM_C,)) -> dict[str, object]:
    """The same for a program: numbers, names and sentences, nothing but what JSON can hold. Raises ConfigError."""
    proof = planned_proof(profile, at_c=at_c)
    return {
        "payload": proof.name,
        "at_c": [*at_c],
        "points": proof.points,
        "wrong_encoders": proof.encoders,
        "shown": proof.encoders - len(proof.survivors),
        "not_proven": [_part(part, part.sentence) for part in open_parts(proof.doubts)],
        "further_points": [{"values": dict(point), "text": point_text(profile, point)} for point in proof.extra_points],
        "never_proven": [_part(part, part.claim) for part in open_parts(proof.never)],
    }


def _part(part: OpenPart, text: str) -> dict[str, object]:
    return {
        "part": part.part,
        "aspects": [aspect.format(part.part) for aspect in part.aspects],
        "wrong_encoders": part.encoders,
        "example": part.example,
        "text": text,
    }
