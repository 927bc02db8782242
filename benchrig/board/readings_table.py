"""Reads the option `readings` of a limit: how many readings at most, and how often the verdict may be wrong.

Owns what the option may say. Must not know how a series is decided (`judge.sequential`). A limit without it is judged
by one reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.sequential import FEWEST_READINGS, LARGEST_CORRELATION, LARGEST_RATE, LEAST_RATE, MOST_READINGS

if TYPE_CHECKING:
    from benchrig.toml_reader import Section

READINGS = "readings"
REPEATED = {"first_touch": ("current",), "rail": ("voltage",), "temperature": ("error",)}
"""Values whose checks take readings until they are certain. Others are one measurement of many samples as they are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingsPlan:
    """`at_most` readings; largest rates of passing a bad board and of failing a good one; `correlation_up_to` as in
    `judge.sequential.Plan`."""

    at_most: int
    wrong_pass: float
    wrong_fail: float
    correlation_up_to: float


def read_readings(top: Section) -> dict[str, dict[str, ReadingsPlan]]:
    """Every option, by check and value. Whatever is wrong with the limits themselves is told elsewhere."""
    limits = top.raw("limits")
    found: dict[str, dict[str, ReadingsPlan]] = {}
    for check, values in limits.items() if isinstance(limits, dict) else ():
        for value, limit in values.items() if isinstance(values, dict) else ():
            if isinstance(limit, dict) and READINGS in limit:
                plan = _plan(top, check, value, limit[READINGS])
                if plan is not None:
                    found.setdefault(check, {})[value] = plan
    return found


def _plan(top: Section, check: str, value: str, table: object) -> ReadingsPlan | None:
    place = f"limits.{check}.{value}.{READINGS}"
    if value not in REPEATED.get(check, ()):
        known = ", ".join(f"limits.{name}.{one}" for name, values in REPEATED.items() for one in values)
        top.problem(place, f"this value is not repeated until it is certain; accepted in: {known}")
        return None
    if not isinstance(table, dict):
        top.problem(place, f"{table!r} is not a table")
        return None
    before = len(top.problems)
    section = type(top)(table, file=top.file, path=place, problems=top.problems)
    rates = [
        section.number(name, default=default, at_least=LEAST_RATE, at_most=LARGEST_RATE)
        for name, default in (("wrong_pass", 0.001), ("wrong_fail", 0.01))
    ]
    plan = ReadingsPlan(
        at_most=section.integer("at_most", at_least=FEWEST_READINGS, at_most=MOST_READINGS),
        wrong_pass=rates[0],
        wrong_fail=rates[1],
        correlation_up_to=section.number(
            "correlation_up_to", default=LARGEST_CORRELATION, at_least=0.0, at_most=LARGEST_CORRELATION
        ),
    )
    section.finish()
    return plan if len(top.problems) == before else None
