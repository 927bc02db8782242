"""In which order the readings of a gauge study are taken: at random, from a seed, for a guided capture.

Owns the order alone. Must not know who measures. Within each trial every appraiser measures all parts, appraisers
and parts in random order, so that neither drift nor memory of the last value passes for a difference of parts. The
same seed gives the same plan for ever: `random.Random.random` is the one stream that Python promises to keep.
"""

from __future__ import annotations

import random
from typing import TYPE_CHECKING, NamedTuple

from benchrig.statistics.gauge_study import FEWEST_APPRAISERS, FEWEST_PARTS, FEWEST_TRIALS

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_TRIALS = 25


class Step(NamedTuple):
    """One reading to take; `number` counts from 1 through the study."""

    number: int
    part: str
    appraiser: str
    trial: int


def study_plan(parts: Sequence[str], *, appraisers: Sequence[str], trials: int, seed: int) -> tuple[Step, ...]:
    """Every reading of the study once, in random order. Raises ValueError for too small a study or a name twice."""
    for what, names, fewest in (
        ("parts", parts, FEWEST_PARTS),
        ("appraisers", appraisers, FEWEST_APPRAISERS),
    ):
        twice = sorted({name for name in names if list(names).count(name) > 1})
        if twice:
            raise ValueError(f"{what}: {twice[0]!r} is named twice; give each name once")
        if len(names) < fewest:
            raise ValueError(f"{len(names)} {what}; needed are {fewest} or more: name {fewest - len(names)} more")
    if not FEWEST_TRIALS <= trials <= MOST_TRIALS:
        raise ValueError(f"trials are {trials!r}; accepted: from {FEWEST_TRIALS} to {MOST_TRIALS}")
    stream = random.Random(seed)
    cells = [
        (part, appraiser, trial)
        for trial in range(1, trials + 1)
        for appraiser in _shuffled(appraisers, stream)
        for part in _shuffled(parts, stream)
    ]
    return tuple(Step(number, *cell) for number, cell in enumerate(cells, start=1))


def _shuffled(names: Sequence[str], stream: random.Random) -> list[str]:
    # sorted first: the same names and seed give the same plan in whatever order they were written down
    return sorted(sorted(names), key=lambda _: stream.random())
