"""Can this bench decide what this profile limits? Answered from two files, before anything is powered.

Owns the answer as a whole: what needs a part that the bench lacks is lost, what cannot be decided with the parts that
it has is vain; whether an uncertainty is enough is for `judge.fitness`. Both are said before the board is touched.

The figures are those of a perfect board on this bench: a real one adds its own noise and can only be worse.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.bench_fitness.alternatives import alternatives
from benchrig.bench_fitness.eyes import Eyes, Unstated
from benchrig.bench_fitness.found import BenchFitness
from benchrig.bench_fitness.missing_parts import AIR_CHECKS, missing_of, missing_part, unseen_by
from benchrig.bench_fitness.models import MODELS
from benchrig.board.checks import CHECKS
from benchrig.board.profile_roles import lacking
from benchrig.calibration import calibration_problems
from benchrig.judge.fitness import Fitness, Usefulness, fitness

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from benchrig.judge.decision import Limit

__all__ = ["AIR_CHECKS", "BenchFitness", "Eyes", "bench_fitness"]


def bench_fitness(eyes: Eyes, *, checks: Collection[str] | None = None) -> BenchFitness:
    """What the bench can decide of `checks` (default: every check that the profile limits). Raises ConfigError.

    What the board itself does not have is lost whether the profile limits it or not: it must not be tried.
    """
    rows: dict[str, tuple[Fitness, ...]] = {}
    lost: dict[str, str] = {}
    vain: dict[str, dict[str, str]] = {}
    unknown: list[str] = []
    unseen: dict[str, str] = {}
    for check in _asked(eyes, checks):
        limits = eyes.profile.limits.get(check, {})
        why = missing_part(check, eyes)
        if why:
            lost[check] = why
            continue
        try:
            found, not_known, cannot = _rows(check, limits, eyes)
        except Unstated as wrong:
            lost[check] = wrong.why
            continue
        unknown += not_known
        rows[check] = tuple(found.values())
        if what := unseen_by(check, eyes):
            unseen[check] = what
        cannot |= {name: row.why for name, row in found.items() if row.usefulness is Usefulness.VAIN}
        if cannot and len(cannot) == len(limits):
            lost[check] = "none of its values can be decided: " + "; ".join(f"{n}: {w}" for n, w in cannot.items())
        elif cannot:
            vain[check] = cannot
    return BenchFitness(rows, lost, vain, tuple(unknown), unseen, _cautions(eyes))


def _asked(eyes: Eyes, checks: Collection[str] | None) -> tuple[str, ...]:
    """Checks that the profile limits, those of facts alone, and those that the board cannot be put through at all."""
    limits = eyes.profile.limits
    beyond = [
        name
        for name, kind in CHECKS.items()
        if name not in limits and (lacking(eyes.profile, name) or (not kind.values and missing_part(name, eyes)))
    ]
    return tuple(name for name in (*limits, *beyond) if checks is None or name in checks)


def _cautions(eyes: Eyes) -> tuple[str, ...]:
    if eyes.today is None:
        return ()
    specs = [eyes.bench.instruments[name] for name in eyes.slot.instruments]
    dues = {f"{spec.kind} {spec.name}": spec.calibration_due for spec in specs}
    return calibration_problems(dues, on=eyes.today)


def _rows(check: str, limits: Mapping[str, Limit], eyes: Eyes) -> tuple[dict[str, Fitness], list[str], dict[str, str]]:
    """Figures of each value; the names of those that nobody can foretell; why others cannot even be measured."""
    models = MODELS[check](eyes) if check in MODELS else {}
    rows: dict[str, Fitness] = {}
    unknown: list[str] = []
    cannot: dict[str, str] = {}
    for name, limit in limits.items():
        if why := missing_of(check, name, limit, eyes):
            cannot[name] = why
            continue
        model = models.get(name)
        if model is None or (limit.low, limit.high) in ((0.0, None), (None, 0.0)):
            unknown.append(f"{check}.{name}")
            continue
        rows[name] = fitness(
            limit,
            unit=limit.unit,
            standard_uncertainty=model,
            alternatives=alternatives(check, name, limit, eyes),
            name=f"{check}.{name}",
        )
    return rows, unknown, cannot
