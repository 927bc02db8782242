"""The profile's table `circuit`: what it becomes, what is told when it is wrong, and that it may be absent."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest

from benchrig.board.profile import read_board_profile
from benchrig.errors import ConfigError

from .profile_edits import GONE, PROFILE, changed, shipped, write_toml

if TYPE_CHECKING:
    from pathlib import Path


def test_shipped_circuit_is_the_schematic_of_the_demo_board() -> None:
    """300 kohm over 100 kohm from a reference of 1.1 V is the profile's own volts per count: 4 * 1.1 V / 4096."""
    profile = read_board_profile(PROFILE)
    assert profile.circuit is not None
    circuit = profile.circuit.circuit

    assert circuit.codes.reference_v * (1 + circuit.divider.top_ohm / circuit.divider.bottom_ohm) / 4096 == (
        pytest.approx(profile.converter.volts_per_count)
    )
    assert circuit.rail.output_v == pytest.approx(3.3)
    assert circuit.timing.wake_period_s == profile.sleep.wake_period_s
    assert circuit.currents.sleep_a == pytest.approx(math.fsum(profile.circuit.sleep_parts_a.values()))


def test_tolerance_in_percent_becomes_a_standard_deviation() -> None:
    """A part evenly spread inside +-a has the standard deviation a / sqrt(3) (GUM, JCGM 100:2008, 4.3.7)."""
    profile = read_board_profile(PROFILE)
    assert profile.circuit is not None
    (top,) = [one for one in profile.circuit.tolerances if one.path == "divider.top_ohm"]

    assert top.sigma == pytest.approx(0.005 / math.sqrt(3.0))


def test_absent_circuit_is_no_mistake(tmp_path: Path) -> None:
    """Without the table the profile is good and has no circuit."""
    assert read_board_profile(write_toml(tmp_path, changed(shipped(), "circuit", GONE))).circuit is None


@pytest.mark.parametrize(
    ("place", "value", "sentence"),
    [
        pytest.param("circuit.divider.top_ohm", 0.0, r"circuit\.divider\.top_ohm.*at least 0.0001", id="no resistance"),
        pytest.param("circuit.divider.top_ohm", GONE, r"circuit\.divider\.top_ohm.*missing", id="a part missing"),
        pytest.param("circuit.rail.efficiency", 1.2, r"circuit\.rail\.efficiency.*at most 1", id="more out than in"),
        pytest.param("circuit.currents.sleep", {}, r"circuit\.currents\.sleep: no part is named", id="nothing asleep"),
        pytest.param("circuit.converter.acquire_s", 1e-3, "is no part of a sample at 2000 Hz", id="acquires too long"),
        pytest.param("circuit.timing.colour", 3, r"circuit\.timing\.colour.*unknown key", id="unknown key"),
        pytest.param("circuit.rail.tolerance_percent", 0.0, r"circuit\.rail\.tolerance_percent", id="no tolerance"),
    ],
)
def test_mistake_in_the_circuit_is_told_with_its_place(
    tmp_path: Path, place: str, value: object, sentence: str
) -> None:
    """Every mistake names the key and what is accepted."""
    with pytest.raises(ConfigError, match=sentence):
        read_board_profile(write_toml(tmp_path, changed(shipped(), place, value)))
