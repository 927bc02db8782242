"""Boards that lack a part: what needs it is not run or left open, and the rest is judged as ever."""

from __future__ import annotations

import struct
from dataclasses import replace
from typing import TYPE_CHECKING

from benchrig.payload.field_map import FieldMap
from benchrig.production.hop_evidence import carried
from benchrig.production.payload import check_payload_bytes
from benchrig.production.temperature import check_temperature
from benchrig.production.voltages import check_rail
from benchrig.records import Verdict

from .fake_bench import PROFILE, Table

if TYPE_CHECKING:
    from benchrig.board.profile import BoardProfile


def without_questions(*names: str) -> BoardProfile:
    """The demo profile whose console cannot be asked that."""
    grammar = replace(
        PROFILE.grammar, questions=tuple(one for one in PROFILE.grammar.questions if one.name not in names)
    )
    limits = {name: values for name, values in PROFILE.limits.items() if name not in ("rail", "temperature")}
    return replace(PROFILE, grammar=grammar, limits=limits)


def test_board_without_a_load_has_no_rail_under_load() -> None:
    """The check is not run, says which part the profile does not describe, and touches nothing."""
    table = Table("rail", without_questions("load_on", "load_off")).powered()

    finished = table.do(check_rail)

    assert finished.verdict is Verdict.NOT_RUN
    assert "a load that it switches (console.questions.load_on and load_off" in finished.why
    assert table.readings() == []


def test_board_without_a_temperature_is_not_asked_for_it() -> None:
    """The check is not run, says which part the profile does not describe, and touches nothing."""
    table = Table("temperature", without_questions("temperature")).powered()

    finished = table.do(check_temperature)

    assert finished.verdict is Verdict.NOT_RUN
    assert "a temperature of its own (console.questions.temperature)" in finished.why
    assert table.readings() == []


def cold() -> BoardProfile:
    """A board whose frame is its battery alone, two bytes."""
    battery = next(one for one in PROFILE.field_map.fields if one.name == "battery")
    field_map = FieldMap(name="battery alone", port=PROFILE.field_map.port, length_bytes=2, fields=(battery,))
    limits = {
        **PROFILE.limits,
        "payload_bytes": {"battery_difference": PROFILE.limits["payload_bytes"]["battery_difference"]},
    }
    roles = replace(PROFILE.roles, temperature=None, probes=())
    return replace(PROFILE, field_map=field_map, limits=limits, roles=roles, payload_flags=())


def test_frame_without_a_temperature_is_judged_by_its_battery() -> None:
    """Where no field carries a temperature the bytes pass by the battery alone."""
    table = Table("payload_bytes", cold()).powered()
    table.board.announces = (PROFILE.field_map.port, 2)
    table.board.sends = lambda millivolts, celsius: struct.pack("<H", millivolts)

    finished = table.do(check_payload_bytes)

    assert finished.verdict is Verdict.PASS, finished.why
    assert not [one for one in table.measure.judged if "temperature" in str(one)]


def test_frame_without_a_temperature_can_still_be_wrong() -> None:
    """A battery with its bytes swapped fails on such a board, too."""
    table = Table("payload_bytes", cold()).powered()
    table.board.announces = (PROFILE.field_map.port, 2)
    table.board.sends = lambda millivolts, celsius: struct.pack(">H", millivolts)

    assert table.do(check_payload_bytes).verdict is Verdict.FAIL


def test_hops_of_a_frame_without_a_temperature() -> None:
    """What a frame carries by its field map has no temperature then, and that is no problem of it."""
    found = carried(cold(), struct.pack("<H", 3700), port=PROFILE.field_map.port)

    assert (found.said.battery_v, found.said.celsius, found.said.problems) == (3.7, None, ())
