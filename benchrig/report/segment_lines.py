"""The segments of a current recording as a table: how many of each kind, how long, and what they cost.

Owns columns and their order. Must not know how segments are found. Charges are all that flowed, the floor included.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.judge.segment_table import Label
from benchrig.quantity import format_quantity
from benchrig.report.columns import column_widths, row_lines

if TYPE_CHECKING:
    from benchrig.judge.segments import Segmentation

_HEADINGS = ("segment", "count", "time", "charge", "share", "mean each", "lasts", "current")


@dataclass(frozen=True, slots=True)
class SegmentSum:
    """All segments of one label: `mean_a` is the current over all their time, `each_s` and `each_c` are means."""

    label: Label
    count: int
    time_s: float
    charge_c: float
    share: float

    @property
    def each_s(self) -> float:
        """Mean duration."""
        return self.time_s / self.count

    @property
    def each_c(self) -> float:
        """Mean charge."""
        return self.charge_c / self.count

    @property
    def mean_a(self) -> float:
        """Mean current while such a segment lasts."""
        return self.charge_c / self.time_s


def segment_sums(found: Segmentation) -> tuple[SegmentSum, ...]:
    """A sum for each label that occurs, in the order of the labels; `share` is that of the whole charge."""
    segments = found.segments
    total_c = float(segments.charge_c.sum())
    sums = []
    for label in Label:
        marks = segments.marks(label)
        if marks.any():
            charge_c = float(segments.charge_c[marks].sum())
            time_s = float(segments.durations_s[marks].sum())
            share = charge_c / total_c if total_c else 0.0
            sums.append(SegmentSum(label, int(np.count_nonzero(marks)), time_s, charge_c, share))
    return tuple(sums)


def segment_lines(found: Segmentation) -> list[str]:
    """The table with its heading, as lines; nothing when the recording was not judged."""
    rows = [_cells(one) for one in segment_sums(found)]
    if not rows:
        return []
    table = [_HEADINGS, *rows]
    widths = column_widths(table, width=200, fixed=frozenset())
    right = frozenset(range(1, len(_HEADINGS)))
    return [line for row in table for line in row_lines(row, widths, right=right)]


def _cells(one: SegmentSum) -> tuple[str, ...]:
    return (
        one.label.value,
        str(one.count),
        format_quantity(one.time_s, "s"),
        format_quantity(one.charge_c, "C"),
        f"{100.0 * one.share:.1f} %",
        format_quantity(one.each_c, "C"),
        format_quantity(one.each_s, "s"),
        format_quantity(one.mean_a, "A"),
    )
