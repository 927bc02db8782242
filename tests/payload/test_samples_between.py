"""Samples without a frame, and values that go together: what `explain` and `prove` are told beside the frames."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import pytest

from benchrig.payload import encode
from benchrig.payload.explain import Seen, explain
from benchrig.payload.points import PointTable, ValueRange
from benchrig.payload.proof import prove

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.payload import FieldMap
    from benchrig.payload.points import Cell


def at(battery: float, *, low: float = 0.0) -> dict[str, float | str]:
    """A point in a room."""
    flags = {"flags.siren": 0.0, "flags.charging": 0.0, "flags.low_battery": low}
    bales = {"bale[0].temperature": 20.7, "bale[1].temperature": 21.4}
    return {"battery": battery, "temperature": 21.0, **flags, **bales}


FRAMES = (3.301, 3.642, 4.153, 3.899)
BETWEEN = (3.302, 3.640, 4.155, 3.899)
"""What the board converted for its console after each frame: nearly the same."""


def stale(field_map: FieldMap, *, with_samples: bool) -> list[Seen]:
    """Frames of an encoder that sends the sample before its own: the one for the console."""
    before = (3.7, *BETWEEN)
    seen = []
    for index, battery in enumerate(FRAMES):
        seen.append(Seen(values=at(battery), payload=encode(field_map, at(before[index]))))
        if with_samples:
            seen.append(Seen(values=at(BETWEEN[index]), payload=None))
    return seen


def test_explain_counts_samples_between_frames(probe_map: FieldMap) -> None:
    """A value of the sample before is explained once that sample is told, and not by the frames alone."""
    told, untold = (explain(probe_map, stale(probe_map, with_samples=known)) for known in (True, False))

    assert [one.text for one in told.hypotheses][:1] == ["battery: value of the point before"]
    assert told.wrong_parts == ("battery",)
    assert untold.classes == ()


def test_explain_sample_without_a_frame_is_never_wrong(probe_map: FieldMap) -> None:
    """Where every frame is right a sample in between, whose bytes nobody saw, changes nothing."""
    seen = [Seen(values=at(3.3), payload=encode(probe_map, at(3.3))), Seen(values=at(3.6), payload=None)]

    assert explain(probe_map, seen).is_right


def test_explain_wrong_check_value_beside_samples(probe_map: FieldMap) -> None:
    """A wrong check value is found though the samples between have none."""
    seen = [
        one
        for battery in FRAMES
        for frame in (encode(probe_map, at(battery)),)
        for one in (
            Seen(values=at(battery), payload=frame[:-1] + bytes([frame[-1] ^ 0xFF])),
            Seen(values=at(battery), payload=None),
        )
    ]

    assert explain(probe_map, seen).hypotheses[0].text == "the check value: inverted"


def low_below_3_4(cells: Mapping[str, Cell]) -> Mapping[str, Cell]:
    """Bit 2 of the flags goes with the battery."""
    battery, flags = cells["battery"], cells["flags"]
    assert isinstance(battery, Fraction)
    assert isinstance(flags, Fraction)
    return {"flags": Fraction(int(flags) & 0b011 | (battery < Fraction("3.4")) << 2)}


RANGES = {
    "battery": ValueRange(low="3.3", high="3.5", step="0.1"),
    "temperature": ValueRange(low=-10, high=30, step=40),
}


def test_further_points_are_whole(probe_map: FieldMap) -> None:
    """In every further point a flag that follows the battery has followed it, and the other flags stay."""
    proof = prove(probe_map, [at(3.312, low=1.0), at(3.65)], ranges=RANGES, follow=low_below_3_4)

    assert proof.extra_points
    for one in proof.extra_points:
        battery, flags = one["battery"], one["flags"]
        assert not isinstance(battery, str)
        assert flags == (4.0 if battery < 3.4 else 0.0)


@pytest.mark.parametrize(("battery", "flags"), [("3.35", 4), ("3.45", 0)], ids=["low", "full"])
def test_candidates_follow(probe_map: FieldMap, battery: str, flags: int) -> None:
    """One cell that is set takes those with it that follow."""
    table = PointTable.of(probe_map, [at(3.65)])
    followed = PointTable(table.layout, table.columns, table.previous, follow=low_below_3_4)

    longer = followed.with_point({0: Fraction(battery)})

    assert longer.values(1)["flags"] == flags
    assert longer.with_point({1: Fraction(5)}).values(2)["flags"] == flags
