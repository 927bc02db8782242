"""Whether a board comes back after its battery sank: which points to try, where it does not, and how to show that.

A point is a battery that falls to a floor at a slope, stays there for a dwell and rises at the same slope. A plateau
is a step to a floor and back, a hole is an open battery lead. Owns the plan of points, the refinement along the border
between good and bad, the region in words, the map as text, and what was left untried. Must not know supplies or boards.

The letters of the map and the choice of what is the worst corner are this project's own; that boards die on slow
ramps, plateaus and holes rather than on clean switching is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

Kind = Literal["ramp", "plateau", "hole"]


class Fate(StrEnum):
    """What became of the board at a point; a closed set."""

    ALIVE = "alive throughout"
    CAME_BACK = "came back"
    SICK = "came back sick"
    HUNG = "did not come back"


LETTERS = {Fate.ALIVE: "o", Fate.CAME_BACK: "+", Fate.SICK: "!", Fate.HUNG: "X"}
NOT_TRIED = "."

BAD = frozenset((Fate.SICK, Fate.HUNG))


@dataclass(frozen=True, slots=True, order=True)
class Point:
    """One way of losing the battery; `slope_v_per_s` is infinite for a step and for a hole."""

    floor_v: float
    slope_v_per_s: float
    dwell_s: float
    kind: Kind = "ramp"

    @property
    def text(self) -> str:
        """The point in words."""
        if self.kind == "hole":
            return f"battery open for {self.dwell_s:g} s"
        way = "in one step" if self.kind == "plateau" else f"at {self.slope_v_per_s:g} V/s"
        return f"floor {self.floor_v:.2f} V {way}, {self.dwell_s:g} s there"


@dataclass(frozen=True, slots=True, order=True)
class Tried:
    """A point as it was tried. `as_planned` says whether bench and plan agreed on what was applied."""

    point: Point
    fate: Fate
    restarts: int = 0
    detail: str = ""
    as_planned: bool = True

    @property
    def is_bad(self) -> bool:
        """Whether somebody would have to drive there."""
        return self.fate in BAD

    @property
    def counts(self) -> bool:
        """Whether it says something: what was not applied as planned proves nothing, unless the board died of it."""
        return self.as_planned or self.is_bad


@dataclass(frozen=True, slots=True, kw_only=True)
class MapPlan:
    """The grid of ramps, the plateaus and holes beside it, and how finely a border is followed.

    A border is refined in floors down to `floor_resolution_v`, in slopes to a ratio of `slope_ratio`, as long as there
    are not more than `most_points` ramps.
    """

    floors_v: tuple[float, ...]
    slopes_v_per_s: tuple[float, ...]
    dwells_s: tuple[float, ...]
    plateaus_v: tuple[float, ...] = ()
    plateau_s: float = 0.0
    holes_s: tuple[float, ...] = ()
    floor_resolution_v: float = 0.1
    slope_ratio: float = 2.0
    most_points: int = 60

    def grid(self) -> tuple[Point, ...]:
        """Every planned point, the mild ones first: holes, plateaus, then ramps from the highest floor down."""
        holes = [Point(0.0, math.inf, hole_s, "hole") for hole_s in sorted(self.holes_s)]
        floors_v = sorted(self.plateaus_v, reverse=True)
        plateaus = [Point(volts, math.inf, self.plateau_s, "plateau") for volts in floors_v]
        return (*holes, *plateaus, *self._ramps())

    def _ramps(self) -> Iterator[Point]:
        for floor_v in sorted(self.floors_v, reverse=True):
            for slope in sorted(self.slopes_v_per_s, reverse=True):
                for dwell_s in sorted(self.dwells_s):
                    yield Point(floor_v, slope, dwell_s)

    def is_slept_after(self, point: Point) -> bool:
        """Whether the board's sleep is looked at after this point: of ramps the slowest with the longest stay alone."""
        slowest = point.slope_v_per_s == min(self.slopes_v_per_s) and point.dwell_s == max(self.dwells_s)
        return point.kind != "ramp" or slowest

    def next(self, tried: Sequence[Tried]) -> Point | None:
        """The next point to try: the grid first, then the middle of each border that is too wide; None at the end."""
        known = {one.point for one in tried}
        for point in self.grid():
            if point not in known:
                return point
        ramps = [one for one in tried if one.point.kind == "ramp"]
        if len(ramps) >= self.most_points:
            return None
        return next((point for point in self._borders(ramps) if point not in known), None)

    def _borders(self, ramps: Sequence[Tried]) -> Iterator[Point]:
        for low, high in _neighbours(ramps, "floor_v"):
            if low.is_bad != high.is_bad and high.point.floor_v - low.point.floor_v > self.floor_resolution_v:
                middle_v = round((low.point.floor_v + high.point.floor_v) / 2.0, 3)
                yield Point(middle_v, low.point.slope_v_per_s, low.point.dwell_s)
        for slow, fast in _neighbours(ramps, "slope_v_per_s"):
            ratio = fast.point.slope_v_per_s / slow.point.slope_v_per_s
            if slow.is_bad != fast.is_bad and ratio > self.slope_ratio:
                middle = float(f"{math.sqrt(slow.point.slope_v_per_s * fast.point.slope_v_per_s):.3g}")
                yield Point(slow.point.floor_v, middle, slow.point.dwell_s)

    def planned(self, tried: Sequence[Tried]) -> int:
        """How many points were wanted: the grid, and what was tried besides to follow a border."""
        return len({*self.grid(), *(one.point for one in tried)})

    def left_open(self, tried: Sequence[Tried]) -> tuple[str, ...]:
        """What these points do not prove, in sentences."""
        as_planned = {one.point for one in tried if one.counts}
        wanted = dict.fromkeys((*self.grid(), *(one.point for one in tried)))
        missing = [point for point in wanted if point not in as_planned]
        said = [f"not tried as planned: {'; '.join(point.text for point in missing)}"] if missing else []
        said.append(
            f"ramps slower than {min(self.slopes_v_per_s):g} V/s, and more than {max(self.dwells_s):g} s at a floor"
        )
        if len(self.slopes_v_per_s) * len(self.dwells_s) > 1:
            said.append("the current asleep after other ramps than the slowest with the longest stay")
        gaps = [high - low for low, high in pairwise(sorted({one.point.floor_v for one in _ramps_of(tried)}))]
        if gaps:
            said.append(f"floors between those tried, which are up to {max(gaps):.2g} V apart")
        if self.holes_s:
            said.append(f"holes shorter than {min(self.holes_s):g} s or longer than {max(self.holes_s):g} s")
        if self._next_border(tried) is not None:
            said.append(f"where exactly the border runs: {self.most_points} points were not enough to follow it")
        return tuple(said)

    def _next_border(self, tried: Sequence[Tried]) -> Point | None:
        known = {one.point for one in tried}
        return next((point for point in self._borders(_ramps_of(tried)) if point not in known), None)


def _ramps_of(tried: Iterable[Tried]) -> list[Tried]:
    return [one for one in tried if one.point.kind == "ramp"]


def _neighbours(ramps: Sequence[Tried], along: Literal["floor_v", "slope_v_per_s"]) -> Iterator[tuple[Tried, Tried]]:
    """Pairs that differ in one coordinate alone, next to each other in it."""
    lines: dict[Point, list[Tried]] = {}
    for one in ramps:
        fixed = replace(one.point, floor_v=0.0) if along == "floor_v" else replace(one.point, slope_v_per_s=1.0)
        lines.setdefault(fixed, []).append(one)
    for line in lines.values():
        yield from pairwise(sorted(line))


# ---- in words ---------------------------------------------------------------------------------------


def worst_corner(tried: Sequence[Tried]) -> Tried | None:
    """The bad point that a battery in use meets first: the highest floor, then the shortest stay, then the fastest."""
    bad = [one for one in tried if one.is_bad]
    return max(bad, key=lambda one: (one.point.floor_v, -one.point.dwell_s, one.point.slope_v_per_s), default=None)


def region_text(tried: Sequence[Tried]) -> str:
    """Where the board does not come back, in one sentence; '' where it always does."""
    parts = [
        _ramp_region(tried),
        _list_of_bad(tried, "plateau", "after a stay at"),
        _list_of_bad(tried, "hole", "after"),
    ]
    said = "; ".join(part for part in parts if part)
    worst = worst_corner(tried)
    if worst is None:
        return ""
    return f"it does not come back {said}; worst corner: {worst.point.text}"


def _ramp_region(tried: Sequence[Tried]) -> str:
    ramps = _ramps_of(tried)
    bad = [one.point for one in ramps if one.is_bad]
    if not bad:
        return ""
    lowest_v, highest_v = min(point.floor_v for point in bad), max(point.floor_v for point in bad)
    good_v = [one.point.floor_v for one in ramps if not one.is_bad]
    below = max((volts for volts in good_v if volts < lowest_v), default=None)
    above = min((volts for volts in good_v if volts > highest_v), default=None)
    good = [f"{volts:.2f} V" for volts in (below, above) if volts is not None]
    return (
        f"from floors of {lowest_v:.2f} V to {highest_v:.2f} V"
        + (f" (it does from {' and '.join(good)})" if good else "")
        + f", at {_span((point.slope_v_per_s for point in bad), 'V/s')}"
        + f", after {_span((point.dwell_s for point in bad), 's')} there"
        + f" ({len(bad)} of {len(ramps)} ramps)"
    )


def _list_of_bad(tried: Sequence[Tried], kind: Kind, lead: str) -> str:
    of_kind = [one for one in tried if one.point.kind == kind]
    bad = [one.point for one in of_kind if one.is_bad]
    if not bad:
        return ""
    values = [point.dwell_s if kind == "hole" else point.floor_v for point in bad]
    what = f"a hole of {_span(values, 's')}" if kind == "hole" else f"{_span(values, 'V')} for {bad[0].dwell_s:g} s"
    return f"{lead} {what} ({len(bad)} of {len(of_kind)} {kind}s)"


def _span(values: Iterable[float], unit: str) -> str:
    found = sorted(set(values))
    return f"{found[0]:g} {unit}" if len(found) == 1 else f"{found[0]:g} to {found[-1]:g} {unit}"


# ---- as a map ---------------------------------------------------------------------------------------


def text_map(tried: Sequence[Tried]) -> tuple[str, ...]:
    """Rows are floors, columns are slopes in groups of one dwell; then plateaus, holes, and the letters explained."""
    lines = _table_of_ramps({one.point: one for one in _ramps_of(tried)})
    for one in tried:
        if one.point.kind != "ramp":
            lines.append(f"{_letter(one)} {one.point.text}" + (f" ({one.detail})" if one.detail else ""))
    return (*lines, ", ".join(f"{letter} {fate}" for fate, letter in LETTERS.items()) + f", {NOT_TRIED} not tried")


def _table_of_ramps(ramps: Mapping[Point, Tried]) -> list[str]:
    slopes = sorted({point.slope_v_per_s for point in ramps})
    dwells = sorted({point.dwell_s for point in ramps})
    if not ramps:
        return []
    width = max(len(f"{slope:g}") for slope in slopes)
    heads = [f"{dwell:g} s there" for dwell in dwells]
    group = max(*map(len, heads), (width + 1) * len(slopes) - 1)

    def row(title: str, groups: Iterable[Sequence[str]]) -> str:
        cells = (" ".join(cell.rjust(width) for cell in cells).ljust(group) for cells in groups)
        return f"{title:>8} | {' | '.join(cells)}".rstrip()

    lines = [row("floor", ([head] for head in heads)), row("V/s", ([f"{one:g}" for one in slopes] for _ in dwells))]
    for floor_v in sorted({point.floor_v for point in ramps}, reverse=True):
        letters = ([_letter(ramps.get(Point(floor_v, slope, dwell))) for slope in slopes] for dwell in dwells)
        lines.append(row(f"{floor_v:.2f} V", letters))
    return lines


def _letter(one: Tried | None) -> str:
    if one is None or not one.counts:
        return NOT_TRIED
    return LETTERS[one.fate]
