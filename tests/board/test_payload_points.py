"""The profile's plan as points of an encoder: values, margins and ranges, and what the planned sweep proves."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest

from benchrig.board.payload_points import (
    between_steps,
    planned_points,
    planned_proof,
    point_plan,
    point_text,
    shortest_bytes,
    values_at,
)
from benchrig.board.points_report import points_table, points_text
from benchrig.board.profile import read_board_profile
from benchrig.errors import ConfigError
from benchrig.payload import Field, FieldMap, Group, encode

from .profile_edits import PROFILE

SHIPPED = read_board_profile(PROFILE)
OPEN_MAP = FieldMap(
    name="open",
    port=2,
    length_bytes=None,
    fields=(
        Field(name="battery", offset=0, width_bits=16, kind="unsigned", byte_order="big", scale="0.001", unit="V"),
        Field(name="temperature", offset=2, width_bits=8, kind="signed", unit="degC"),
    ),
    groups=(
        Group(
            name="bale",
            offset=3,
            stride_bytes=1,
            count="to end",
            fields=(Field(name="temperature", offset=0, width_bits=8, kind="signed", unit="degC"),),
        ),
    ),
)
OPEN = replace(SHIPPED, field_map=OPEN_MAP, payload_flags=())


def test_values_at_a_point_are_what_the_board_says() -> None:
    """Battery and temperature as told, probes at the board's temperature, flags by their rules."""
    values = values_at(SHIPPED, battery_v=3.312, celsius=21.0)

    assert encode(SHIPPED.field_map, values)[:8].hex(" ") == "f0 0c 15 04 00 d2 00 d2"


def test_values_of_a_field_that_nothing_explains() -> None:
    """A flag without a rule is what the frame says, and 0 without a frame."""
    profile = replace(SHIPPED, payload_flags=SHIPPED.payload_flags[:1])

    with_frame = values_at(profile, battery_v=3.3, celsius=21.0, decoded={"flags.charging": 1.0, "flags.siren": 1.0})
    without = values_at(profile, battery_v=3.3, celsius=21.0)

    assert (with_frame["flags.charging"], with_frame["flags.siren"], without["flags.charging"]) == (1.0, 0.0, 0.0)


def test_values_of_an_open_group() -> None:
    """A payload without a fixed length has as many members as its roles need, or as its frame has."""
    assert shortest_bytes(OPEN) == 5
    assert "bale[1].temperature" in values_at(OPEN, battery_v=3.3, celsius=21.0)
    assert "bale[2].temperature" in values_at(OPEN, battery_v=3.3, celsius=21.0, length_bytes=6)


def test_margins_are_the_limits_of_the_profile() -> None:
    """What a check allows, it does not notice; what no check judges, nothing does."""
    margins = point_plan(SHIPPED).margins

    assert margins["battery"] == 0.0005
    assert (margins["temperature"], margins["bale[1].temperature"]) == (0.6, 1.5)
    assert not [name for name in margins if name.startswith("flags")]
    unruled = point_plan(replace(SHIPPED, payload_flags=(), limits={})).margins
    assert set(unruled.values()) == {math.inf}
    assert {"flags.siren", "battery", "temperature"} <= set(unruled)


def test_field_without_a_role_is_never_compared() -> None:
    """What is no battery, no temperature, no probe and no flag has no reference."""
    counter = Field(name="counter", offset=8, width_bits=8, kind="unsigned")
    shipped = SHIPPED.field_map
    field_map = FieldMap(name="more", port=2, length_bytes=9, fields=(*shipped.fields, counter), groups=shipped.groups)

    assert point_plan(replace(SHIPPED, field_map=field_map)).margins["counter"] == math.inf


def test_further_points_stay_within_the_sweep() -> None:
    """Voltages that are proposed are those of the sweep or between them; flags those of the load."""
    ranges = point_plan(SHIPPED).ranges
    volts = [float(cell) for cell in ranges["battery"].cells if not isinstance(cell, str)]

    assert (min(volts), max(volts)) == (min(SHIPPED.sweep.points_v), max(SHIPPED.sweep.points_v))
    assert ranges["flags"].cells == (Fraction(4), Fraction(5))
    assert ranges["bale[0].temperature"].cells[-1] == "no probe"


@pytest.mark.parametrize(("battery", "flags", "expected"), [("3.3", 1, 5), ("3.9", 5, 1)], ids=["low", "full"])
def test_low_battery_follows_the_battery(battery: str, flags: int, expected: int) -> None:
    """A further point has the flag that its voltage gives, whatever was proposed for it."""
    followed = point_plan(SHIPPED).follow({"battery": Fraction(battery), "flags": Fraction(flags)})

    assert followed == {"flags": expected}


def test_volts_between_steps_stay_within_half_a_millivolt() -> None:
    """What a board measures rounds to what its console says, on either side of it and never twice alike."""
    volts = between_steps([3.3] * 14)
    off = [round((one - 3.3) * 1e6) for one in volts]

    assert all(abs(one) < 500 for one in off)
    assert all(one != other for one, other in pairwise(off))
    assert min(sum(one < 0 for one in off), sum(one > 0 for one in off)) >= 5


def test_planned_points_go_up_and_down_at_every_temperature() -> None:
    """As the sweep goes, and at each temperature in turn."""
    points = planned_points(SHIPPED, (-20.0, 45.0))
    millivolts = [round(float(one["battery"]) * 1000) for one in points]

    up = [round(volts * 1000) for volts in sorted(SHIPPED.sweep.points_v)]
    assert millivolts == [*up, *reversed(up)] * 2
    assert [one["temperature"] for one in points] == [-20.0] * 14 + [45.0] * 14


def test_cold_points_prove_the_sign() -> None:
    """In a room the sign of temperature is not proven; with a sweep in the cold it is."""
    room, cold = (planned_proof(SHIPPED, at_c=at_c) for at_c in ((20.0,), (20.0, -15.0)))
    wrong = {"temperature: sign and magnitude", "temperature: negative numbers sent as 0"}

    assert wrong <= {one.text for one in room.survivors}
    assert not wrong & {one.text for one in cold.survivors}


def test_further_points_of_a_plan_prove_the_rest() -> None:
    """Measured as well, the further points leave nothing but what no point shows."""
    proof = planned_proof(SHIPPED)
    never = {mutant for doubt in proof.never for mutant in doubt.mutants}

    assert 1 <= len(proof.extra_points) <= 6
    assert never < {mutant for doubt in proof.doubts for mutant in doubt.mutants}


def test_point_in_words() -> None:
    """What somebody would set, and nothing of what follows from it."""
    point: dict[str, float | str] = {
        "battery": 3.8731,
        "temperature": -16.0,
        "flags": 5.0,
        "bale[0].temperature": "no probe",
    }

    assert point_text(SHIPPED, point) == (
        "battery 3.873 V, temperature -16 degC, bale[0].temperature 'no probe', load on"
    )


def test_report_of_a_plan() -> None:
    """The text names what is open in plain words, the table has the same numbers, and JSON holds it."""
    text, table = points_text(SHIPPED), points_table(SHIPPED)

    assert text.startswith("hay-barn report: 14 points, 7 voltages up and down at 20 degC, show ")
    assert "\nthese points do not prove the sign of temperature" in text
    assert "\nfurther point 1: battery " in text
    assert f"{table['shown']} of {table['wrong_encoders']} wrong encoders" in text
    assert json.loads(json.dumps(table)) == table


def test_plan_that_no_payload_can_carry() -> None:
    """A temperature that does not fit is refused with what fits."""
    with pytest.raises(ConfigError, match=r"temperature: 900.0 degC does not fit; accepted -128.0 to 127.0 degC"):
        planned_proof(SHIPPED, at_c=(900.0,))
