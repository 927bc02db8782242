"""Readings that stop when certain, in whole runs on a noisy lead: few far from a limit, many near it, undecided on it.

A run as a user starts it; the profile is the demo's with the rail's limits moved.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

import pytest

from benchrig.records import FactJudged, LimitJudged, ReadingTaken, Verdict

from .runs import PRODUCTION, PROFILE, Place

if TYPE_CHECKING:
    from pathlib import Path

RAIL_V = 3.2976
"""What the simulated board's rail is under load, as seen by a quiet meter."""


class Rail(NamedTuple):
    """How often the rail was read at each point, and what was said of it."""

    counts: list[int]
    verdicts: list[Verdict]


def _profile(place: Place, *, low_v: float, most: int) -> Path:
    """The demo profile with another low limit of the rail and another bound of its readings."""
    text = PROFILE.read_text(encoding="utf-8")
    text, changed = re.subn(r"(?m)^voltage = .*low = 3\.201, .*at_most = 16, ", _limit(low_v, most), text)
    assert changed == 1
    return place.write("noisy-profile.toml", text)


def _limit(low_v: float, most: int) -> str:
    return (
        f'voltage = {{ unit = "V", low = {low_v}, high = 3.399, source = "moved by the test", rule = "guarded", '
        f"readings = {{ at_most = {most}, "
    )


def _rail(place: Place, fault: str, *, low_v: float, most: int = 60) -> Rail:
    """How often the rail was read at each point of a run, and what was said of it."""
    profile = _profile(place, low_v=low_v, most=most)
    options = ("--bench-profile", profile, "--bench-fault", fault, "-k", "first_touch or identity_start or rail")
    place.run(*place.on_bench(PRODUCTION, *options))
    records = [record for record in place.records() if getattr(record, "check", "") == "rail"]
    series = [one for one in records if isinstance(one, ReadingTaken) and "certain after" in one.name]
    judged = [
        one for one in records if isinstance(one, LimitJudged) or (isinstance(one, FactJudged) and one.fact != "load")
    ]
    singles = [one for one in records if isinstance(one, ReadingTaken) and one.name.startswith("rail at")]
    assert sum(one.count for one in series) == len(singles), "every reading of a series is in the journal"
    return Rail([one.count for one in series], [one.verdict for one in judged])


@pytest.mark.parametrize("fault", ["meter_noisy", "meter_noisy_slow"], ids=["white", "correlated"])
def test_more_readings_nearer_to_a_limit(place: Place, fault: str) -> None:
    """With 5 mV of noise 97 mV of margin take few readings, 15 mV take more, and both pass."""
    far = _rail(place, fault, low_v=3.201)
    near = _rail(place, fault, low_v=round(RAIL_V - 0.015, 4))

    assert far.verdicts == [Verdict.PASS] * 3
    assert set(near.verdicts) <= {Verdict.PASS, Verdict.UNDECIDED}
    assert max(far.counts) < 16
    assert sum(near.counts) > 1.5 * sum(far.counts)


def test_rail_at_its_limit_is_undecided_after_all_readings(place: Place) -> None:
    """A rail that lies at its limit is neither passed nor failed: the bound of 20 readings ends it, undecided."""
    found = _rail(place, "meter_noisy", low_v=RAIL_V, most=20)

    assert Verdict.PASS not in found.verdicts
    assert Verdict.UNDECIDED in found.verdicts
    assert max(found.counts) == 20
