"""The profile's table `correction`, and the option `readings` of a limit: what is read, and what is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.board.profile import read_board_profile
from benchrig.errors import ConfigError

from .profile_edits import GONE, changed, shipped, without_checks, write_toml

if TYPE_CHECKING:
    from pathlib import Path


def test_shipped_table_is_read(tmp_path: Path) -> None:
    """The demo's constants are whole ppm and microvolts, proven at voltages that the sweep does not have."""
    profile = read_board_profile(write_toml(tmp_path, shipped()))

    assert profile.correction is not None
    assert (profile.correction.form.gain_step, profile.correction.form.offset_step_v) == (1e-6, 1e-6)
    assert profile.correction.bounds.gain == pytest.approx(0.02)
    assert not set(profile.correction.verify_points_v) & set(profile.sweep.points_v)


def test_profile_without_a_correction(tmp_path: Path) -> None:
    """The table may be absent, and its questions then, too."""
    table = changed(changed(shipped(), "correction", GONE), "required", without_checks("correction"))
    for name in ("write_correction", "read_correction"):
        changed(table, f"console.questions.{name}", GONE)

    assert read_board_profile(write_toml(tmp_path, table)).correction is None


def test_readings_of_a_limit(tmp_path: Path) -> None:
    """A limit says how many readings and at which rates; what it does not say has a default."""
    table = changed(shipped(), "limits.first_touch.current.readings", {"at_most": 9})

    readings = read_board_profile(write_toml(tmp_path, table)).readings

    assert readings["first_touch"]["current"].at_most == 9
    assert (readings["first_touch"]["current"].wrong_pass, readings["first_touch"]["current"].wrong_fail) == (
        1e-3,
        1e-2,
    )
    assert readings["rail"]["voltage"].at_most == 16
    assert "battery_sweep" not in readings


ANSWER = "CAL gain_ppm=(?P<gain>-?\\d+)"

MISTAKES = [
    pytest.param("correction.gain", 1e-6, "correction.gain: unknown key (nearest known: gain_step)", id="key"),
    pytest.param("correction.gain_step", 0, "correction.gain_step: 0 is not a number at least 1e-09", id="no step"),
    pytest.param("correction.max_noise_v", GONE, "correction.max_noise_v: this key is missing", id="no bound"),
    pytest.param("correction.verify_points_v", [], "correction.verify_points_v: no voltage", id="no proof"),
    pytest.param(
        "correction.verify_points_v",
        [3.6, 5.0],
        "correction.verify_points_v: 5 V; accepted: above 0 V, up to the absolute maximum of 4.3 V (table maxima)",
        id="above the maximum",
    ),
    pytest.param("correction.verify_points_v", [0.0], "correction.verify_points_v: 0 V; accepted", id="no volts"),
    pytest.param("correction.least", 1, "correction.least: 1 is not a whole number", id="least above 0"),
    pytest.param(
        "console.questions.read_correction",
        GONE,
        "console.questions.read_correction: this entry is missing: table correction needs it",
        id="no question",
    ),
    pytest.param(
        "console.questions.write_correction.answer",
        ANSWER,
        "console.questions.write_correction.answer: the pattern has no group (?P<offset>...)",
        id="no group",
    ),
    pytest.param(
        "console.questions.write_correction.send",
        "cal {gain}",
        "console.questions.write_correction.send: sends 'cal {gain}'; accepted: a text with {gain} and {offset}",
        id="half a question",
    ),
    pytest.param(
        "console.questions.read_correction.send",
        "cal? {gain}",
        "console.questions.read_correction.send: sends 'cal? {gain}'; accepted: a text with no placeholder",
        id="placeholder in a question that reads",
    ),
    pytest.param(
        "limits.rail.voltage.readings.at_most", 2, "limits.rail.voltage.readings.at_most: 2 is not a whole", id="two"
    ),
    pytest.param(
        "limits.rail.voltage.readings.wrong_pass",
        0.2,
        "limits.rail.voltage.readings.wrong_pass: 0.2 is not a number",
        id="wrong in five",
    ),
    pytest.param(
        "limits.rail.voltage.readings.most",
        9,
        "limits.rail.voltage.readings.most: unknown key",
        id="unknown key of readings",
    ),
    pytest.param("limits.rail.voltage.readings", 16, "limits.rail.voltage.readings: 16 is not a table", id="number"),
    pytest.param(
        "limits.battery_sweep.gain_error.readings",
        {"at_most": 9},
        "limits.battery_sweep.gain_error.readings: this value is not repeated until it is certain; accepted in: "
        "limits.first_touch.current, limits.rail.voltage, limits.temperature.error",
        id="value that is not repeated",
    ),
]


@pytest.mark.parametrize(("place", "value", "says"), MISTAKES)
def test_mistake_is_told_at_its_place(tmp_path: Path, place: str, value: object, says: str) -> None:
    """One mistake, one sentence that begins with the place and says what is accepted."""
    path = write_toml(tmp_path, changed(shipped(), place, value))

    with pytest.raises(ConfigError, match="problem") as caught:
        read_board_profile(path)

    told = [problem.removeprefix(f"{path}: ") for problem in caught.value.problems]
    assert [problem.startswith(says) for problem in told] == [True], told
