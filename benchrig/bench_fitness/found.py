"""What a bench can decide of a profile, as a value: rows, what is lost, what is vain, what is not seen.

Owns how that is told: as a table, as data, in one line, as warnings. Must not know how it was found.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchrig.judge.fitness import Fitness, Usefulness, fitness_table

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

_PERFECT = "figures of a perfect board on this bench; a real one adds its own noise"


@dataclass(frozen=True, slots=True)
class BenchFitness:
    """What a bench can decide of a profile, check by check.

    `lost` names the checks that a part is missing for, or that can decide none of their values, and why.
    `vain` names, by check, the values that cannot be decided, and why. `unknown` are limits of checks that are not
    of the shipped suites: nobody can say beforehand. `unseen` says, by check, what it leaves open for want of a part
    that costs it no verdict. `cautions` are of the instruments as a whole, such as a calibration that is over.
    """

    rows: Mapping[str, tuple[Fitness, ...]]
    lost: Mapping[str, str]
    vain: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    unknown: tuple[str, ...] = ()
    unseen: Mapping[str, str] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()

    @property
    def all_rows(self) -> tuple[Fitness, ...]:
        return tuple(row for rows in self.rows.values() for row in rows)

    def can_decide(self, checks: Collection[str]) -> bool:
        """Whether none of these checks is lost, and none has a value that cannot be decided."""
        return not (self.lost.keys() | self.vain.keys()) & set(checks)

    def table(self) -> str:
        """Every limit with uncertainty, ratio, guard bands and verdict; then what is lost, and what it is worth."""
        lines = [fitness_table(self.all_rows).rstrip("\n")] if self.all_rows else []
        lines += [f"{check}: CANNOT RUN: {why}" for check, why in self.lost.items()]
        lines += [f"{name}: INADEQUATE: {why}" for name, why in self._vain_without_row()]
        lines += [f"not known beforehand: {', '.join(self.unknown)}"] if self.unknown else []
        lines += [f"{check}: not seen: {what}" for check, what in self.unseen.items()]
        lines += list(self.cautions)
        return "\n".join([*lines, "", self.summary(), _PERFECT]) + "\n"

    def _vain_without_row(self) -> list[tuple[str, str]]:
        """Values that cannot even be measured: their rows are none."""
        rows = {row.name for row in self.all_rows}
        return [
            (f"{check}.{name}", why)
            for check, values in self.vain.items()
            for name, why in values.items()
            if f"{check}.{name}" not in rows
        ]

    def as_data(self) -> dict[str, object]:
        """The same for a program: plain values, in base units."""
        return {
            "limits": [
                {
                    "name": row.name,
                    "unit": row.limit.unit,
                    "low": row.limit.low,
                    "high": row.limit.high,
                    "rule": row.limit.rule,
                    "expanded_uncertainty": row.expanded_uncertainty,
                    "ratio": row.ratio if math.isfinite(row.ratio) else None,
                    "band_share": row.band_share if math.isfinite(row.band_share) else None,
                    "zone_share": row.zone_share,
                    "risk_at_limit": row.risk_at_limit,
                    "verdict": row.usefulness.value,
                    "why": row.why,
                    "wanted_standard_uncertainty": row.wanted_uncertainty,
                    "would_do": list(row.would_do),
                }
                for row in self.all_rows
            ],
            "cannot_run": dict(self.lost),
            "cannot_decide": {name: dict(values) for name, values in self.vain.items()},
            "unknown": list(self.unknown),
            "not_seen": dict(self.unseen),
            "cautions": list(self.cautions),
        }

    def summary(self) -> str:
        """One line: how many limits can be decided, and how many checks are lost."""
        count = {kind: sum(row.usefulness is kind for row in self.all_rows) for kind in Usefulness}
        unmeasured = len(self._vain_without_row())
        lost = f"; checks that cannot run: {', '.join(self.lost)}" if self.lost else ""
        return (
            f"{len(self.all_rows) + unmeasured} limits: {count[Usefulness.USEFUL]} adequate, "
            f"{count[Usefulness.DOUBTFUL]} marginal, {count[Usefulness.VAIN] + unmeasured} inadequate{lost}"
        )

    def warnings(self) -> tuple[str, ...]:
        """What a user must know before power: lost checks, vain and doubtful values."""
        lost = [f"{check}: this bench cannot do it: {why}" for check, why in self.lost.items()]
        short = [
            f"{row.name}: {row.usefulness}: {row.why}"
            for check, rows in self.rows.items()
            if check not in self.lost
            for row in rows
            if row.usefulness is not Usefulness.USEFUL
        ]
        short += [f"{name}: inadequate: {why}" for name, why in self._vain_without_row()]
        unseen = [f"{check}: not seen: {what}" for check, what in self.unseen.items()]
        return (*lost, *short, *unseen, *self.cautions)
