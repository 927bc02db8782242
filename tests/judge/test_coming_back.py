"""Points of losing a battery: all planned ones tried, borders followed, the region told and drawn as text.

That slow ramps, plateaus and holes find what clean switching does not is common practice, no source; the dead regions
here are drawn by hand.
"""

from __future__ import annotations

import math
from itertools import product
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from benchrig.judge.coming_back import Fate, MapPlan, Point, Tried, region_text, text_map, worst_corner

if TYPE_CHECKING:
    from collections.abc import Callable

PLAN = MapPlan(
    floors_v=(0.0, 1.0, 1.8, 2.5),
    slopes_v_per_s=(0.1, 2.0),
    dwells_s=(0.1, 2.0),
    plateaus_v=(2.75, 2.6),
    plateau_s=2.0,
    holes_s=(0.05, 0.5),
    floor_resolution_v=0.1,
    slope_ratio=2.0,
    most_points=200,
)


def tried_all(is_dead: Callable[[Point], bool], plan: MapPlan = PLAN) -> list[Tried]:
    """Every point that the plan asks for, of a board that is dead where it is."""
    tried: list[Tried] = []
    while (point := plan.next(tried)) is not None:
        assert point not in {one.point for one in tried}
        tried.append(Tried(point, Fate.HUNG if is_dead(point) else Fate.CAME_BACK, 1))
    return tried


def slow_between(point: Point) -> bool:
    """Dead on ramps slower than 0.5 V/s that turn between 0.7 V and 2.1 V."""
    return point.kind == "ramp" and point.slope_v_per_s < 0.5 and 0.7 < point.floor_v < 2.1


def test_sound_board_is_tried_at_every_planned_point_and_no_other() -> None:
    """Two holes, two plateaus, and every floor with every slope and dwell; nothing borders on anything."""
    points = [one.point for one in tried_all(lambda _: False)]

    ramps = {Point(*values) for values in product(PLAN.floors_v, PLAN.slopes_v_per_s, PLAN.dwells_s)}
    assert set(points) == {
        *ramps,
        Point(0.0, math.inf, 0.05, "hole"),
        Point(0.0, math.inf, 0.5, "hole"),
        Point(2.75, math.inf, 2.0, "plateau"),
        Point(2.6, math.inf, 2.0, "plateau"),
    }
    assert len(points) == len(ramps) + 4
    assert region_text(tried_all(lambda _: False)) == ""


def test_border_is_followed_to_the_resolution() -> None:
    """Between a dead floor and a sound one beside it there is no more than the resolution, and the ratio for slopes."""
    tried = tried_all(slow_between)

    for dwell_s in PLAN.dwells_s:
        column = sorted(one for one in tried if (one.point.slope_v_per_s, one.point.dwell_s) == (0.1, dwell_s))
        dead = [one.point.floor_v for one in column if one.is_bad]
        sound = [one.point.floor_v for one in column if not one.is_bad]
        assert min(volts for volts in sound if volts > max(dead)) - max(dead) <= 0.1
        assert min(dead) - max(volts for volts in sound if volts < min(dead)) <= 0.1
        row = sorted(one for one in tried if (one.point.floor_v, one.point.dwell_s) == (1.8, dwell_s))
        fastest_dead = max(one.point.slope_v_per_s for one in row if one.is_bad)
        slowest_sound = min(one.point.slope_v_per_s for one in row if not one.is_bad and one.point.kind == "ramp")
        assert slowest_sound / fastest_dead <= 2.0


@given(st.floats(0.0, 2.4), st.floats(0.05, 2.0), st.integers(1, 60))
def test_search_ends_and_keeps_to_its_number_of_points(low_v: float, width_v: float, most: int) -> None:
    """Whatever is dead, no more ramps are refined than the plan allows, and the grid itself is always whole."""
    plan = MapPlan(floors_v=PLAN.floors_v, slopes_v_per_s=(0.1, 2.0), dwells_s=(0.1,), most_points=most)
    tried = tried_all(lambda point: low_v <= point.floor_v <= low_v + width_v, plan)

    assert len(tried) <= max(most, len(plan.grid()))
    assert {*plan.grid()} <= {one.point for one in tried}


def test_region_is_told_with_its_borders_and_the_worst_corner() -> None:
    """Floors, slopes, dwells, what is sound beside it, and the point that an emptying battery meets first."""
    tried = tried_all(slow_between)
    worst = worst_corner(tried)

    assert worst is not None
    assert worst.point.slope_v_per_s < 0.5
    assert worst.point.dwell_s == 0.1
    assert 2.0 <= worst.point.floor_v < 2.1
    said = region_text(tried)
    highest_v = max(one.point.floor_v for one in tried if one.is_bad)
    assert f"from floors of 0.75 V to {highest_v:.2f} V (it does from 0.69 V and 2.15 V)" in said
    assert said.endswith(f"worst corner: {worst.point.text}")


def test_dead_plateaus_and_holes_are_told_beside_ramps() -> None:
    """What has no slope has its own words."""
    said = region_text(tried_all(lambda point: point.kind != "ramp" and point.dwell_s > 0.1))

    assert "after a stay at 2.6 to 2.75 V for 2 s (2 of 2 plateaus)" in said
    assert "after a hole of 0.5 s (1 of 2 holes)" in said
    assert "ramps" not in said


def test_sick_board_counts_as_one_that_did_not_come_back() -> None:
    """A board that answers and never sleeps again is lost within days."""
    point = Point(1.0, 0.1, 2.0)

    assert region_text([Tried(point, Fate.SICK)]) != ""
    assert region_text([Tried(point, Fate.CAME_BACK), Tried(point, Fate.ALIVE)]) == ""


# ---- the map


def test_map_shows_every_ramp_in_its_place() -> None:
    """Drawn by hand: two floors, two slopes, two dwells, one corner never tried."""
    fates = {
        (2.5, 0.1, 0.1): Fate.ALIVE,
        (2.5, 2.0, 0.1): Fate.ALIVE,
        (2.5, 0.1, 2.0): Fate.CAME_BACK,
        (2.5, 2.0, 2.0): Fate.CAME_BACK,
        (1.8, 0.1, 0.1): Fate.HUNG,
        (1.8, 2.0, 0.1): Fate.SICK,
        (1.8, 0.1, 2.0): Fate.HUNG,
    }
    hole = Tried(Point(0.0, math.inf, 0.05, "hole"), Fate.HUNG, detail="made 52 ms, known within 4 ms")

    lines = text_map([*(Tried(Point(*place), fate) for place, fate in fates.items()), hole])

    assert lines == (
        "   floor | 0.1 s there | 2 s there",
        "     V/s | 0.1   2     | 0.1   2",
        "  2.50 V |   o   o     |   +   +",
        "  1.80 V |   X   !     |   X   .",
        "X battery open for 0.05 s (made 52 ms, known within 4 ms)",
        "o alive throughout, + came back, ! came back sick, X did not come back, . not tried",
    )


def test_point_that_the_bench_could_not_make_is_not_tried_unless_it_killed() -> None:
    """A coarse ramp that the board survived proves nothing; one that it did not survive proves enough."""
    point = Point(1.8, 2.0, 0.1)

    survived = text_map([Tried(point, Fate.CAME_BACK, as_planned=False)])
    killed = text_map([Tried(point, Fate.HUNG, as_planned=False)])

    assert survived[2].split()[-1] == "."
    assert killed[2].split()[-1] == "X"


# ---- what is left open


def test_what_was_not_tried_is_said() -> None:
    """Missing points by name, and what lies beyond every grid: slower ramps, longer stays, other holes."""
    tried = [
        Tried(one.point, one.fate, as_planned=one.point != Point(1.8, 2.0, 0.1)) for one in tried_all(lambda _: False)
    ]

    said = PLAN.left_open(tried)

    assert said[0] == "not tried as planned: floor 1.80 V at 2 V/s, 0.1 s there"
    assert "ramps slower than 0.1 V/s, and more than 2 s at a floor" in said
    assert "holes shorter than 0.05 s or longer than 0.5 s" in said
    assert any("up to 1 V apart" in text for text in said)
    assert not any("not enough" in text for text in said)


def test_border_that_was_not_followed_to_its_end_is_said() -> None:
    """Too few points for the border: the map is coarser than planned, and says so."""
    plan = MapPlan(floors_v=PLAN.floors_v, slopes_v_per_s=(0.1, 2.0), dwells_s=(0.1,), most_points=9)

    assert any("9 points were not enough" in text for text in plan.left_open(tried_all(slow_between, plan)))


def test_sleep_is_looked_at_where_it_was_hardest() -> None:
    """After every hole and plateau, and after the slowest ramps with the longest stay."""
    looked = [point for point in PLAN.grid() if PLAN.is_slept_after(point)]

    ramps = [point for point in looked if point.kind == "ramp"]
    assert {(point.slope_v_per_s, point.dwell_s) for point in ramps} == {(0.1, 2.0)}
    assert len(looked) == len(PLAN.floors_v) + 4
