"""A gauge study from runs: the same boards by every operator, equally often, evaluated in two ways.

Owns which reading goes into which cell. A part is a board, an appraiser the operator of its runs' records, a trial the
count of that operator's runs of that board by time. Runs that say nothing of a board are none. Must not know the bench.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.errors import ConfigError
from benchrig.lot_report.lot import limit_name
from benchrig.statistics.gauge_study import AverageRangeStudy, GaugeReading, average_range_study, gauge_table
from benchrig.statistics.gauge_variance import VarianceStudy, variance_study
from benchrig.statistics.study_order import study_plan
from benchrig.store.answer import Answer
from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.statistics.samples import Estimate
    from benchrig.store.judged_rows import JudgedRow
    from benchrig.store.lot_rows import LotRows, LotRun
    from benchrig.store.rows import Row

_MORE = "see `benchrig history gauge-plan` for the runs that a study needs"
MOST_PARTS = 1000


def plan_table(*, parts: int, operators: Sequence[str], repeats: int, seed: int) -> Answer:
    """The order in which the runs of a study are made. Raises ConfigError."""
    if not 1 <= parts <= MOST_PARTS:
        raise ConfigError(f"--parts {parts}: accepted: a whole number up to {MOST_PARTS}")
    if not all(operators):
        raise ConfigError(f"--operators {','.join(operators)!r}: a name is empty; accepted: names with commas between")
    names = [f"part {number:0{len(str(parts))}d}" for number in range(1, parts + 1)]
    try:
        steps = study_plan(names, appraisers=operators, trials=repeats, seed=seed)
    except ValueError as refused:
        raise ConfigError(f"gauge plan: {str(refused).replace('appraisers', 'operators')}") from refused
    return Answer(f"order of the study, seed {seed}", ("number", "part", "operator", "repeat"), tuple(steps))


@dataclass(frozen=True, slots=True, kw_only=True)
class Gauge:
    """A study of one limit, in both evaluations."""

    limit: str
    row: JudgedRow
    simulated: bool
    readings: tuple[GaugeReading, ...]
    ranges: AverageRangeStudy
    variances: VarianceStudy


def gauge_of(rows: LotRows, *, lot: str, use: str, limit: str) -> Gauge:
    """Evaluate the runs of a lot. Raises ConfigError for a limit that it has not, and for a study that is none."""
    runs = {run.run_id: run for run in rows.runs if run.lot == lot and run.use == use and run.attempt is not None}
    if any(not run.simulated for run in runs.values()):
        runs = {run_id: run for run_id, run in runs.items() if not run.simulated}
    nameless = sorted({run.run for run in runs.values() if not run.operator})
    if nameless:
        raise ConfigError(
            f"lot {lot!r}: {len(nameless)} runs name no operator, {nameless[0]} first; a study needs one in each: "
            f"--bench-operator NAME; {_MORE}"
        )
    found = _values(rows, runs)
    if limit not in found:
        raise ConfigError(
            f"--limit {limit!r}: nothing in lot {lot!r} was held against it{nearest(limit, list(found))}; "
            f"known: {', '.join(sorted(found)) or 'none'}"
        )
    values = found[limit]
    readings = _readings(runs, values)
    row = values[max(values, key=lambda run_id: (runs[run_id].utc, run_id))]
    low, high = (
        (row.low, row.high) if row.low is not None and row.high is not None and row.low < row.high else (None,) * 2
    )
    try:
        table = gauge_table(readings)
        ranges, variances = (
            average_range_study(table, low=low, high=high),
            variance_study(table, low=low, high=high),
        )
    except ValueError as refused:
        raise ConfigError(f"lot {lot!r}, {limit}: {refused}; {_MORE}") from refused
    return Gauge(
        limit=limit,
        row=row,
        simulated=any(run.simulated for run in runs.values()),
        readings=readings,
        ranges=ranges,
        variances=variances,
    )


def _values(rows: LotRows, runs: dict[int, LotRun]) -> dict[str, dict[int, JudgedRow]]:
    """By limit and run; of a limit that a run judged more than once, the first."""
    found: dict[str, dict[int, JudgedRow]] = {}
    for run_id, row in rows.values:
        if run_id in runs:
            found.setdefault(f"{row.check}.{limit_name(row.limit)}", {}).setdefault(run_id, row)
    return found


def _readings(runs: dict[int, LotRun], values: dict[int, JudgedRow]) -> tuple[GaugeReading, ...]:
    trials: dict[tuple[str, str], int] = {}
    found = []
    for run in sorted(runs.values(), key=lambda run: (run.utc, run.run_id)):
        row = values.get(run.run_id)
        if row is None or row.value is None:
            raise ConfigError(
                f"run {run.run} of board {run.board}: it has no number for this limit; a study needs one in each run: "
                "make that run again, under a lot of its own name"
            )
        cell = (run.board, run.operator)
        trials[cell] = trials.get(cell, 0) + 1
        found.append(GaugeReading(*cell, trials[cell], row.value))
    return tuple(found)


# ---- tables


def gauge_tables(gauge: Gauge) -> tuple[Answer, ...]:
    """Both evaluations, what each says, and the readings."""
    return (
        Answer("gauge study", ("what", "is"), tuple(_facts(gauge))),
        _average_range(gauge.ranges),
        _variance_rows(gauge.variances),
        _components(gauge.variances),
        Answer("readings", ("part", "operator", "repeat", "value"), gauge.readings, long=True),
    )


def _facts(gauge: Gauge) -> list[Row]:
    row = gauge.row
    return [
        ("limit", gauge.limit),
        ("bench kind", "simulated" if gauge.simulated else "real"),
        ("unit", row.unit),
        ("low", row.low),
        ("high", row.high),
        ("parts", len({one.part for one in gauge.readings})),
        ("operators", ", ".join(sorted({one.appraiser for one in gauge.readings}))),
        ("repeats", max(one.trial for one in gauge.readings)),
        ("readings", len(gauge.readings)),
        ("by averages and ranges", gauge.ranges.words),
        ("by analysis of variance", gauge.variances.words),
    ]


def _average_range(study: AverageRangeStudy) -> Answer:
    named = (
        ("repeatability (EV)", study.repeatability),
        ("reproducibility (AV)", study.reproducibility),
        ("gauge (GRR)", study.gauge),
        ("parts (PV)", study.parts),
    )
    rows: list[Row] = [(name, *_ends(one), one.value / study.total) for name, one in named]
    rows.append(("total (TV)", study.total, None, None, 1.0))
    if study.of_tolerance:
        rows.append(("6 GRR by the tolerance", *_ends(study.of_tolerance), None))
    rows.append(("distinct categories", study.categories, None, None, None))
    return Answer("averages and ranges", ("what", "value", "low", "high", "of total variation"), tuple(rows))


def _variance_rows(study: VarianceStudy) -> Answer:
    rows = tuple(
        (name, one.squares, one.dof, one.mean if name != "total" else None, *_test(study, name))
        for name, one in study.rows.items()
    )
    return Answer("analysis of variance", ("source", "sum of squares", "dof", "mean square", "F", "p"), rows)


def _test(study: VarianceStudy, name: str) -> tuple[float | None, float | None]:
    """F and p of the interaction, by which it is kept or pooled."""
    return (study.interaction_f, study.interaction_p) if name == "interaction" else (None, None)


def _components(study: VarianceStudy) -> Answer:
    named: list[tuple[str, Estimate | None]] = [
        ("repeatability", study.repeatability),
        ("operators", study.appraisers),
        ("interaction", study.interaction),
        ("gauge", study.gauge),
        ("parts", study.parts),
    ]
    rows: list[Row] = [
        (name, *_ends(one), one.value / study.total, "below 0, counts as 0" if name in study.negative else "")
        for name, one in named
        if one is not None
    ]
    rows.append(("total", study.total, None, None, 1.0, "interaction pooled with the error" if study.pooled else ""))
    if study.of_tolerance:
        rows.append(("6 gauge deviations by the tolerance", *_ends(study.of_tolerance), None, ""))
    rows.append(("distinct categories", study.categories, None, None, None, ""))
    columns = ("component", "variance", "low", "high", "of total variance", "remark")
    return Answer("components of variance", columns, tuple(rows))


def _ends(one: Estimate) -> tuple[float, float | None, float | None]:
    return one.value, one.low, one.high
