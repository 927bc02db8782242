"""The bytes handed to the modem: every frame of the sweep, decoded and held against the console."""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from benchrig.payload.field_map import FieldMap
from benchrig.payload.fields import Field
from benchrig.production.payload import check_payload_bytes
from benchrig.production.voltages import check_battery_sweep
from benchrig.records import Verdict

from .fake_bench import PROFILE, Table, as_run, crc8, payload

if TYPE_CHECKING:
    from collections.abc import Callable

FRAMES = 2 * len(PROFILE.sweep.points_v)
AT_V = PROFILE.sweep.points_v[2]


def changed_at_one_point(change: Callable[[bytes], bytes | None]) -> Callable[[int, int], bytes | None]:
    """Sound frames but for one voltage."""

    def sends(millivolts: int, celsius: int) -> bytes | None:
        sound = payload(millivolts, celsius)
        return change(sound) if millivolts == round(AT_V * 1000) else sound

    return sends


def test_sound_frames() -> None:
    """Frames that say what the console says pass; how many were looked at is told."""
    table = Table("payload_bytes").powered()

    finished = table.do(check_payload_bytes)

    assert finished.verdict is Verdict.PASS
    fact = table.judged("port, length and check value")
    assert f"so in all {FRAMES} frames" in getattr(fact, "seen", "")


def test_frames_of_the_sweep_are_used_again() -> None:
    """After a sweep in the same run its frames are judged, and the board is not asked again."""
    table = Table("payload_bytes").powered()
    run = table.run()
    sweep = Table("battery_sweep")
    check_battery_sweep(as_run(run), sweep.measure)
    before_s = table.clock.now_s()

    finished = table.do(check_payload_bytes, run)

    assert finished.verdict is Verdict.PASS
    assert table.clock.now_s() == before_s


def test_sweep_that_ended_before_its_first_frame() -> None:
    """Where the sweep of this run brought no frame there is nothing to judge: not run, never a pass."""
    table = Table("payload_bytes").powered()
    run = table.run()
    run.checks["battery_sweep"] = Table("battery_sweep").measure.finish({})

    finished = table.do(check_payload_bytes, run)

    assert finished.verdict is Verdict.NOT_RUN
    assert finished.why == "the battery sweep ended before its first frame"


def test_bench_without_a_tap() -> None:
    """Without a tap nothing is decided, and the next action says what to wire."""
    table = Table("payload_bytes").powered()
    table.board.tap = None

    finished = table.do(check_payload_bytes)

    assert finished.verdict is Verdict.UNDECIDED
    assert "slots.N.serial.modem_uart" in table.judged("battery_difference").next_action
    assert {one.verdict for one in table.measure.judged} == {Verdict.UNDECIDED}


ONE_BAD_FRAME = [
    pytest.param(lambda frame: None, "no frame on the modem UART after 'FRAME'", id="missing"),
    pytest.param(lambda frame: frame[:-1], "8 bytes received", id="short"),
    pytest.param(lambda frame: frame + b"\x00", "10 bytes received", id="long"),
    pytest.param(lambda frame: frame[:-1] + bytes([frame[-1] ^ 1]), "CRC-8/SMBUS", id="check value"),
    pytest.param(lambda frame: b"", "0 bytes received", id="empty"),
]


@pytest.mark.parametrize(("change", "words"), ONE_BAD_FRAME)
def test_one_bad_frame_among_many(change: Callable[[bytes], bytes | None], words: str) -> None:
    """One bad frame is enough, and it is told at which voltage."""
    table = Table("payload_bytes").powered()
    table.board.sends = changed_at_one_point(change)

    finished = table.do(check_payload_bytes)

    assert finished.verdict is Verdict.FAIL
    why = table.judged("port, length and check value").why
    assert why.startswith(f"at {AT_V:.2f} V up: ")
    assert words in why


def test_every_frame_on_another_port() -> None:
    """Frames on another port than map and console say are not decoded; three problems are told, the rest counted."""
    table = Table("payload_bytes").powered()
    table.board.sends_on = 3

    finished = table.do(check_payload_bytes)

    assert finished.verdict is Verdict.FAIL
    fact = table.judged("port, length and check value")
    assert getattr(fact, "seen", "").endswith(f"; and {2 * FRAMES - 3} more")
    assert "port 3 received" in fact.why
    assert "the port differs: 3 on the modem UART, 2 on the console" in fact.why


ANNOUNCED = [
    pytest.param((3, 9), "the port differs: 2 on the modem UART, 3 on the console", id="port"),
    pytest.param((2, 8), "the length differs: 9 bytes on the modem UART, 8 on the console", id="length"),
    pytest.param((2, 0), "the length differs: 9 bytes on the modem UART, 0 on the console", id="no length"),
]


@pytest.mark.parametrize(("announced", "words"), ANNOUNCED)
def test_console_that_tells_of_another_frame(announced: tuple[int, int], words: str) -> None:
    """A frame that is sound by the map, but not the one that the console tells of, fails, and both values are told."""
    table = Table("payload_bytes").powered()
    table.board.announces = announced

    finished = table.do(check_payload_bytes)

    assert finished.verdict is Verdict.FAIL
    fact = table.judged("port, length and check value")
    assert fact.why.startswith(f"at {PROFILE.sweep.points_v[0]:.2f} V up: {words}")
    assert table.measure.not_passed() == (fact,)


def sealed(body: bytes) -> bytes:
    """The bytes with the right check value."""
    return body + bytes([crc8(body)])


CHANGED = [
    pytest.param(lambda f: sealed(f[1::-1] + f[2:-1]), "battery_difference", id="bytes swapped"),
    pytest.param(lambda f: sealed(bytes([f[0] ^ 1]) + f[1:-1]), "battery_difference", id="one millivolt"),
    pytest.param(lambda f: sealed(f[:2] + bytes([f[2] + 2]) + f[3:-1]), "temperature_difference", id="two degrees"),
]


@pytest.mark.parametrize(("change", "limit"), CHANGED)
def test_field_that_differs_from_the_console(change: Callable[[bytes], bytes | None], limit: str) -> None:
    """A field that says something else than the console fails by its own limit, with bytes and expectation."""
    table = Table("payload_bytes").powered()
    table.board.sends = changed_at_one_point(change)

    finished = table.do(check_payload_bytes)

    assert finished.verdict is Verdict.FAIL
    (wrong,) = table.measure.not_passed()
    assert getattr(wrong, "limit", "") == f"{limit} worst, at {AT_V:.2f} V up"
    assert wrong.next_action.startswith("bytes ")


def with_battery(battery: Field) -> FieldMap:
    """The demo's map with another battery field, and nothing behind it."""
    temperature = Field(name="temperature", offset=4, width_bits=8, kind="signed", unit="degC")
    return FieldMap(name="other", port=2, length_bytes=5, fields=(battery, temperature))


WORDLESS = [
    pytest.param(
        Field(name="battery", offset=0, width_bits=32, kind="float32", byte_order="big", unit="V"),
        lambda v: struct.pack(">f", math.nan if v == round(AT_V * 1000) else v / 1000),
        "nan",
        id="not a number",
    ),
    pytest.param(
        Field(name="battery", offset=0, width_bits=32, kind="float32", byte_order="big", unit="V"),
        lambda v: struct.pack(">f", math.inf if v == round(AT_V * 1000) else v / 1000),
        "inf",
        id="infinity",
    ),
    pytest.param(
        Field(
            name="battery",
            offset=0,
            width_bits=32,
            kind="unsigned",
            byte_order="big",
            unit="V",
            scale="0.001",
            invalid={0xFFFFFFFF: "not measured"},
        ),
        lambda v: struct.pack(">I", 0xFFFFFFFF if v == round(AT_V * 1000) else v),
        "not measured",
        id="invalid code",
    ),
]


@pytest.mark.parametrize(("battery", "pack", "seen"), WORDLESS)
def test_number_on_the_console_and_none_in_the_frame(battery: Field, pack: Callable[[int], bytes], seen: str) -> None:
    """A frame without a number where the console gave one contradicts it: one such frame among many fails the board."""
    profile = replace(PROFILE, field_map=with_battery(battery), roles=replace(PROFILE.roles, probes=()))
    table = Table("payload_bytes", profile=profile).powered()
    table.board.sends = lambda millivolts, celsius: pack(millivolts) + struct.pack("b", celsius)

    finished = table.do(check_payload_bytes)

    assert finished.verdict is Verdict.FAIL
    fact = table.judged(f"battery_difference worst, at {AT_V:.2f} V up")
    assert (fact.verdict, getattr(fact, "seen", "")) == (Verdict.FAIL, seen)
