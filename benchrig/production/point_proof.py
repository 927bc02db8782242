"""What the points of a sweep, as they were really measured, leave open about the encoder.

Owns the few lines of it in a run's report. Must not judge: a board passes by its limits, and these lines say how much
that means.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from benchrig.board.payload_points import HIGHEST_C, LOWEST_C, between_steps, point_plan, point_text
from benchrig.errors import ConfigError
from benchrig.payload.proof import prove
from benchrig.payload.proof_words import open_parts, shortened
from benchrig.production.seen_frames import console_values, seen_frames

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.board.profile import BoardProfile
    from benchrig.check import Check
    from benchrig.payload.proof import Proof
    from benchrig.procedures.sweep import SweepPoint

_MOST_LINES: Final = 6


def tell_not_proven(profile: BoardProfile, measure: Check, points: Sequence[SweepPoint]) -> None:
    """Say in at most six lines what these points do not prove, and with the last which further points would."""
    if not seen_frames(profile, points):
        return
    try:
        proof = point_proof(profile, points)
    except ConfigError as wrong:
        measure.not_proven(f"what these points prove of the encoder is not known: {wrong.message}")
        return
    parts = open_parts(proof.doubts)
    *others, last = shortened([one.sentence for one in parts], [one.part for one in parts], most=_MOST_LINES) or ("",)
    for sentence in others:
        measure.not_proven(sentence)
    if last:
        measure.not_proven(last, next_action=_further(profile, proof))


def point_proof(profile: BoardProfile, points: Sequence[SweepPoint]) -> Proof:
    """What was compared at these points proves of the encoder. Raises ConfigError when that cannot be told."""
    frames = seen_frames(profile, points)
    length = None if profile.field_map.open_group is None else len(frames[0].payload)
    plan = point_plan(profile, length_bytes=length)
    volts = between_steps([one.point.frame.reported_v for one in frames])
    values = [
        console_values(profile, one.point, one.said, battery_v=battery_v)
        for one, battery_v in zip(frames, volts, strict=True)
    ]
    return prove(profile.field_map, values, ranges=plan.ranges, margins=plan.margins, follow=plan.follow)


def _further(profile: BoardProfile, proof: Proof) -> str:
    never = sum(len(doubt.mutants) for doubt in proof.never)
    left = f"{never} wrong encoders show at no point from {LOWEST_C:g} to {HIGHEST_C:g} degC" if never else ""
    points = "; ".join(f"({number}) {point_text(profile, one)}" for number, one in enumerate(proof.extra_points, 1))
    return "; ".join(part for part in (f"measure also {points}" if points else "", left) if part)
