"""How the figures of a lot are written for people.

Owns digits and words. A mean, and what else is on the scale of the values, is shown to two digits of their deviation;
limits in full. Shares are in per cent with one decimal.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.dossier.content import Cell, Column, Table
from benchrig.quantity import format_quantity

_ROUNDING = 1e-12

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.lot_report.lot import LimitKey
    from benchrig.statistics.samples import Estimate


def quantity(value: float | None, unit: str, *, deviation: float | None) -> str:
    """A value of the boards; '-' where there is none."""
    if value is None:
        return "-"
    resolution = 10.0 ** (math.floor(math.log10(deviation)) - 1) if deviation is not None and deviation > 0.0 else None
    return format_quantity(value, unit, resolution=resolution)


def interval(low: float | None, high: float | None, unit: str, *, deviation: float | None) -> str:
    """From low to high; an open side is said in words."""
    sides = [None if side is None else quantity(side, unit, deviation=deviation) for side in (low, high)]
    return between(sides[0], sides[1])


def between(low: str | None, high: str | None) -> str:
    """Two sides of which one may be open."""
    if low is not None and high is not None:
        return f"{low} to {high}"
    return f"at least {low}" if high is None and low is not None else f"at most {high}" if high is not None else "-"


def scatter(deviation: float | None, *, mean: float | None) -> float:
    """The deviation of values about their mean; 0 where it is rounding of the last digits alone."""
    return deviation if deviation is not None and deviation > _ROUNDING * abs(mean or 0.0) else 0.0


def limits(key: LimitKey) -> str:
    """The limits, in full."""
    sides = [None if side is None else _in_full(side, key.unit) for side in (key.low, key.high)]
    return between(sides[0], sides[1])


def _in_full(side: float, unit: str) -> str:
    shown, _, symbol = format_quantity(side, unit, resolution=1e-9 * abs(side)).partition(" ")
    if "." in shown and "e" not in shown:
        shown = shown.rstrip("0").rstrip(".")
    return f"{shown} {symbol}".rstrip()


def counted(count: int, thing: str) -> str:
    """A number of things: '1 board', '2 boards'."""
    return f"{count} {thing}{'' if count == 1 else 's'}"


def ranges(numbers: Sequence[int]) -> str:
    """Numbers in rising order, neighbours joined: '3, 11 to 21'."""
    rows: list[list[int]] = []
    for number in numbers:
        if rows and number == rows[-1][-1] + 1:
            rows[-1].append(number)
        else:
            rows.append([number])
    return ", ".join(f"{row[0]}" if len(row) == 1 else f"{row[0]} to {row[-1]}" for row in rows)


def percent(share: float | None) -> str:
    """A share."""
    return "-" if share is None else f"{100.0 * share:.1f} %"


def share(found: Estimate) -> str:
    """A share with its interval."""
    return f"{percent(found.value)} ({percent(found.low)} to {percent(found.high)})"


def index(found: Estimate) -> str:
    """An index of capability with its interval."""
    return f"{found.value:.2f} ({_side(found.low)} to {_side(found.high)})"


def _side(side: float | None) -> str:
    return "open" if side is None else f"{side:.2f}"


def table(caption: str, heads: Sequence[tuple[str, float]], rows: Sequence[Sequence[str | Cell]]) -> Table:
    """A table of texts; each heading has its share of the width."""
    return Table(
        caption=caption,
        columns=tuple(Column(title=title, share=width) for title, width in heads),
        rows=tuple(tuple(one if isinstance(one, Cell) else Cell(text=one) for one in row) for row in rows),
    )
