"""Reads the limits and the required checks out of the board profile's tables `limits` and `required`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.board.checks import CHECKS, PROVE_LITTLE, USES
from benchrig.board.readings_table import READINGS
from benchrig.errors import ConfigError
from benchrig.judge.decision import RULES, Limit, rule_problem
from benchrig.quantity import base_unit
from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from benchrig.toml_reader import Section


_LARGEST = {
    "V": 1000.0, "A": 100.0, "s": 31_622_400.0, "ohm": 1e12, "Hz": 1e11, "W": 1e5, "C": 1e6, "F": 1e3, "degC": 1000.0,
    "count": 2.0**32, "byte": 2.0**32, "ppm": 1e6, "1": 1e6, "d": 36_525.0, "dBm": 200.0, "dB": 200.0,
}  # fmt: skip
"""Beyond these nothing of a battery node is: a limit there would let everything pass. A year in seconds, a century in
days; the others are of the trade, and generous. Common practice, no source."""


def read_limits(top: Section, own_checks: tuple[str, ...]) -> dict[str, dict[str, Limit]]:
    """Every sound limit, by check and value."""
    known = (*CHECKS, *own_checks)
    limits: dict[str, dict[str, Limit]] = {}
    for check, values in top.sections("limits"):
        if check not in known:
            values.problem("", f"unknown check{nearest(check, known)}; known: {', '.join(known)}")
            continue
        limits[check] = {}
        for value in values.names():
            section = values.section(value)
            limit = _limit(section, check, value) if section else None
            if limit:
                limits[check][value] = limit
    return limits


def _limit(section: Section, check: str, value: str) -> Limit | None:
    before = len(section.problems)
    unit = section.text("unit")
    _check_value(section, check, value, unit)
    low, high = section.optional_number("low"), section.optional_number("high")
    if low is None and high is None and len(section.problems) == before:
        section.problem("", "a limit has low, high or both")
    if low is not None and high is not None and low > high:
        section.problem("low", f"{low:g} is above high = {high:g}")
    _check_sides(section, check, unit, low, high)
    if check in CHECKS and value in _SHARES:
        _check_share(section, unit, low, high)
    source = section.text("source")
    rule = section.text("rule", default="guarded")
    if rule and (problem := rule_problem(rule)):
        section.problem("rule", f"{problem}{nearest(rule, RULES)}")
    section.finish(also_known=(READINGS,))
    if len(section.problems) > before:
        return None
    try:
        return Limit(value, unit=unit, low=low, high=high, source=source, rule=rule)
    except ConfigError as wrong:
        for problem in wrong.problems:
            section.problem("", problem)
        return None


def _check_sides(section: Section, check: str, unit: str, low: float | None, high: float | None) -> None:
    """A side that is beyond all that can be measured judges nothing, and no time is below 0."""
    try:
        base, factor = base_unit(unit)
    except ValueError:
        return  # told with the unit
    most = _LARGEST.get(base, math.inf)
    for key, side in (("low", low), ("high", high)):
        if side is not None and abs(side) * factor > most:
            section.problem(key, f"{side:g} {unit} is beyond all that is measured; accepted: up to {most:g} {base}")
    if base in _NEVER_BELOW_0 and check in CHECKS:
        for key, side in (("low", low), ("high", high)):
            if side is not None and side < 0.0:
                section.problem(key, f"{side:g} {unit}: no time is below 0; accepted: from 0 up")


_SHARES = frozenset(("gain_error", "counts_gain_error", "unexplained_charge", "hidden_charge"))
_LARGEST_SHARE = 0.5
"""Of these a half is no limit any more: who writes 1 for one per cent would let everything pass. Own choice."""


def _check_share(section: Section, unit: str, low: float | None, high: float | None) -> None:
    """A share of the whole; 1 is all of it, and not one per cent."""
    try:
        factor = base_unit(unit)[1]
    except ValueError:
        return  # told with the unit
    for key, side in (("low", low), ("high", high)):
        if side is not None and abs(side) * factor > _LARGEST_SHARE:
            section.problem(
                key,
                f"{side:g} in unit {unit!r} is {side * factor * 100:g} % and lets everything pass; accepted: up to "
                f"{_LARGEST_SHARE * 100:g} %; write one per cent as 1 with unit = '%', or as 0.01 with unit = '1'",
            )


_NEVER_BELOW_0 = frozenset(("s", "d"))


def _check_value(section: Section, check: str, value: str, unit: str) -> None:
    """The value must be one that the check measures, and the unit one of its quantity."""
    if check in CHECKS:
        values = CHECKS[check].values
        if value not in values:
            known = ", ".join(values) or "none"
            section.problem("", f"this check measures no such value{nearest(value, tuple(values))}; known: {known}")
            return
        expected = values[value]
    else:
        expected = ""
    if not unit:
        return
    try:
        base = base_unit(unit)[0]
    except ValueError as wrong:
        section.problem("unit", str(wrong))
        return
    if expected and base != expected:
        section.problem("unit", f"{unit!r} is a unit of another quantity; accepted: {expected}, with an SI prefix")


def read_required(top: Section, own_checks: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    """The required checks of each use; a shipped check that has nothing to judge by is a problem."""
    section = top.section("required")
    if section is None:
        return dict.fromkeys(USES, ())
    known = (*CHECKS, *own_checks)
    required = {use: section.texts(use, default=(), accepted=known) for use in USES}
    for use, checks in required.items():
        if checks and not set(checks) - PROVE_LITTLE:
            section.problem(
                use,
                f"{', '.join(map(repr, checks))} alone say who the board is and that it can be switched, not that it "
                "works; require at least one check besides, such as 'rail' or one of your own",
            )
    if not any(required.values()):
        section.problem("", f"no use requires any check; name them for: {', '.join(USES)}")
    told: set[str] = set()  # one missing limit is one problem, however many uses require its check
    for use, checks in required.items():
        for check in checks:
            if check not in told and not _has_limits(top, check):
                told.add(check)
                values = ", ".join(CHECKS[check].values)
                section.problem(use, f"{check!r} has no limit to judge by; give one in limits.{check}, of: {values}")
    section.finish()
    return required


def _has_limits(top: Section, check: str) -> bool:
    """Whether a check has a limit, or needs none: an own check may judge facts alone. Bad ones are told elsewhere."""
    table = top.raw("limits")
    needs_some = check in CHECKS and CHECKS[check].values
    return not needs_some or not isinstance(table, dict) or bool(table.get(check))
