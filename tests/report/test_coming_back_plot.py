"""The map of how a board comes back: read by a foreign XML reader; shapes and greys by the numbers of its marks."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from lxml import etree

from benchrig.judge.coming_back import Fate, Point, Tried
from benchrig.report.coming_back_plot import _LOOKS, draw_map

if TYPE_CHECKING:
    from pathlib import Path

TRIED = [
    Tried(Point(2.5, 0.1, 2.0), Fate.ALIVE),
    Tried(Point(1.8, 0.1, 2.0), Fate.HUNG),
    Tried(Point(1.8, 2.0, 0.1), Fate.CAME_BACK),
    Tried(Point(1.0, 2.0, 0.1), Fate.SICK),
    Tried(Point(0.0, math.inf, 0.05, "hole"), Fate.CAME_BACK, as_planned=False),
]


def _texts(path: Path) -> str:
    return " | ".join(str(text).strip() for text in etree.fromstring(path.read_bytes()).itertext())


def test_picture_says_what_its_axes_and_marks_are(tmp_path: Path) -> None:
    """Board, axes with units, each dwell, each fate that occurs, and the region in words."""
    path = tmp_path / "folder" / "map.svg"

    draw_map(TRIED, path, title="board HB-0001: coming back")

    said = _texts(path)
    for words in (
        "board HB-0001: coming back",
        "slope of dusk and dawn (V/s)",
        "floor of the battery (V)",
        "0.1 s at the floor",
        "2 s at the floor",
        "hole 0.05 s",
        "alive throughout (o)",
        "did not come back (X)",
        "came back sick (!)",
        "not made as planned (.)",
        "worst corner",
    ):
        assert words in said, words


def test_same_points_give_the_same_picture(tmp_path: Path) -> None:
    """A report that is made again from its records is the same to the byte."""
    for name in ("one.svg", "other.svg"):
        draw_map(TRIED, tmp_path / name, title="board")

    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "other.svg").read_bytes()


def test_fates_differ_in_shape_and_in_grey() -> None:
    """Who sees no colours tells them apart: four shapes, and a dead board darker than a living one."""
    shapes = {look.marker for look in _LOOKS.values()}
    dead, alive = (_grey(_LOOKS[fate].face) for fate in (Fate.HUNG, Fate.CAME_BACK))

    assert len(shapes) == len(Fate)
    assert dead < 0.3
    assert alive > 0.5


def _grey(colour: str) -> float:
    """Luma of a colour by ITU-R BT.601 (coefficients from memory)."""
    if colour == "white":
        return 1.0
    red, green, blue = (int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5))
    return 0.299 * red + 0.587 * green + 0.114 * blue


def test_board_without_ramps_or_without_holes_is_drawn_too(tmp_path: Path) -> None:
    """Whatever part of the plan is missing, the rest is shown."""
    draw_map(TRIED[-1:], tmp_path / "holes.svg", title="board")
    draw_map(TRIED[:2], tmp_path / "ramps.svg", title="board")

    assert "hole 0.05 s" in _texts(tmp_path / "holes.svg")
    assert "hole" not in _texts(tmp_path / "ramps.svg")
