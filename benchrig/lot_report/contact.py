"""Whether a contact fixture wears: the resistance of lead and contact of each run, and its trend over the seatings.

Owns how that resistance comes out of two readings: what the terminals lack of the set voltage, over the current that
flows then. Must not know the bench. The supply's own error is part of it, so that the trend says something and the
level little. Readings are known by the names that the check of the rail gives them: 'battery at 3.70 V' and 'current
at 3.70 V, load on'.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from benchrig.statistics.trend import Trend, trend

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from benchrig.store.lot_rows import LotReading, LotRun

_AT = re.compile(r"(battery|current) at ([0-9]{1,3}\.[0-9]{1,6}) V(?:, load on)?")
LEAST_CURRENT_A = 0.001
"""With less the resistance would be the supply's error divided by next to nothing. Own choice."""


class Seating(NamedTuple):
    """A board in a contact fixture: the `number` of that seating, from 1, and the resistance found in it."""

    number: int
    board: str
    run: str
    ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactTrend:
    """The seatings of one fixture that say a resistance, and their trend in ohm for each seating.

    `trend` is None where too few say too little; `lacking` says so.
    """

    fixture: str
    runs: int
    seatings: tuple[Seating, ...]
    trend: Trend | None
    lacking: str

    @property
    def words(self) -> str:
        """What the trend says, in a word."""
        if self.trend is None:
            return "not known"
        return {True: "rises", False: "falls", None: "no trend is proven"}[self.trend.rises]


def contact_trends(runs: Iterable[LotRun], readings: Iterable[LotReading]) -> tuple[ContactTrend, ...]:
    """One for each contact fixture that a run names, by name. Runs come in the order of time."""
    by_run: dict[int, list[LotReading]] = {}
    for one in readings:
        by_run.setdefault(one.run_id, []).append(one)
    fixtures: dict[str, list[LotRun]] = {}
    for run in runs:
        if run.contact_fixture:
            fixtures.setdefault(run.contact_fixture, []).append(run)
    return tuple(_trend_of(name, its_runs, by_run) for name, its_runs in sorted(fixtures.items()))


def _trend_of(name: str, runs: Sequence[LotRun], by_run: dict[int, list[LotReading]]) -> ContactTrend:
    seatings = []
    for number, run in enumerate(runs, 1):
        ohm = resistance(by_run.get(run.run_id, ()))
        if ohm is not None:
            seatings.append(Seating(number, run.board, run.run, ohm))
    found, lacking = None, ""
    try:
        found = trend([float(one.number) for one in seatings], y=[one.ohm for one in seatings])
    except ValueError as refused:
        lacking = str(refused)
    return ContactTrend(fixture=name, runs=len(runs), seatings=tuple(seatings), trend=found, lacking=lacking)


def resistance(readings: Iterable[LotReading]) -> float | None:
    """Ohm in lead and contact, at the largest current that was read with its voltage; None where nothing says it."""
    volts: dict[str, float] = {}
    amperes: dict[str, float] = {}
    for one in readings:
        found = _AT.fullmatch(one.name)
        if found and (found[1], one.unit) == ("battery", "V"):
            volts[found[2]] = one.value
        elif found and (found[1], one.unit) == ("current", "A"):
            amperes[found[2]] = one.value
    both = [(amperes[at], (float(at) - volts[at]) / amperes[at]) for at in amperes if at in volts and amperes[at]]
    current_a, ohm = max(both, default=(0.0, 0.0))
    return ohm if current_a >= LEAST_CURRENT_A else None
