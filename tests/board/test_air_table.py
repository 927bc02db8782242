"""The profile's table `air`: what is read, and what is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.board.profile import read_board_profile
from benchrig.errors import ConfigError

from .profile_edits import GONE, changed, shipped, without_checks, write_toml

if TYPE_CHECKING:
    from pathlib import Path


def test_shipped_table_is_read(tmp_path: Path) -> None:
    """The demo's uplinks show a swap of bytes at every point, and its pin is switched by one byte."""
    air = read_board_profile(write_toml(tmp_path, shipped())).air

    assert air is not None
    assert air.pin is not None
    assert (air.pin.port, air.pin.on, air.pin.off) == (10, b"\x01", b"\x00")
    assert all(len(set(round(1e3 * volts).to_bytes(2, "little"))) == 2 for volts in air.points_v)


def test_profile_without_an_air(tmp_path: Path) -> None:
    """The table may be absent, and its question and notice then, too."""
    table = changed(shipped(), "air", GONE)
    changed(table, "required", without_checks("join", "uplink_hops", "downlink", "report_period", "join_backoff"))
    changed(table, "console.questions.join", GONE)
    changed(table, "console.notices.joined", GONE)

    assert read_board_profile(write_toml(tmp_path, table)).air is None


def test_profile_without_a_pin(tmp_path: Path) -> None:
    """A board that no downlink switches still joins and reports."""
    table = changed(changed(shipped(), "air.pin", GONE), "required", without_checks("downlink"))
    air = read_board_profile(write_toml(tmp_path, table)).air

    assert air is not None
    assert air.pin is None


def test_board_that_joins_by_itself_needs_no_question(tmp_path: Path) -> None:
    """Its requests are counted from the start on, and nobody has to tell it."""
    table = changed(shipped(), "air.backoff.by_itself", True)
    changed(table, "console.questions.join_keep", GONE)

    air = read_board_profile(write_toml(tmp_path, table)).air

    assert air is not None
    assert air.backoff is not None
    assert air.backoff.by_itself


@pytest.mark.parametrize(
    ("low_active", "volts", "is_on"),
    [
        pytest.param(False, 3.3, True, id="high"),
        pytest.param(False, 0.0, False, id="low"),
        pytest.param(True, 3.3, False, id="high, low active"),
        pytest.param(True, 0.0, True, id="low, low active"),
    ],
)
def test_pin_is_on_as_its_polarity_says(tmp_path: Path, *, low_active: bool, volts: float, is_on: bool) -> None:
    """A pin that is low when it is on is no failure."""
    air = read_board_profile(write_toml(tmp_path, changed(shipped(), "air.pin.low_active", low_active))).air

    assert air is not None
    assert air.pin is not None
    assert air.pin.is_on(volts) is is_on


MISTAKES = [
    pytest.param("air.join", 5.0, "air.join: unknown key (nearest known: join_s)", id="unknown key"),
    pytest.param("air.tries", 0, "air.tries: 0 is not a whole number from 1 to 20", id="no try"),
    pytest.param("air.uplink_s", 0, "air.uplink_s: 0 is not a number", id="no time"),
    pytest.param("air.windows", [1, 3], "air.windows: [1.0, 3.0]; accepted: two receive windows", id="third window"),
    pytest.param("air.windows", [1], "air.windows: [1.0]; accepted: two receive windows", id="one window"),
    pytest.param("air.power_cuts", 0, "air.power_cuts: 0 is not a whole number from 1 to 10", id="no power cut"),
    pytest.param("air.confirmed", "no", "air.confirmed: 'no' is not true or false", id="confirmed"),
    pytest.param("air.pin.unknown", "01", "air.pin.unknown: this is what switches", id="known command"),
    pytest.param("air.pin.other_port", 10, "air.pin.other_port: 10 is the port that switches", id="same port"),
    pytest.param("air.pin.after_reset", "of", "air.pin.after_reset: 'of' is not one of: off, on, kept", id="reset"),
    pytest.param("air.reports.count", 1, "air.reports.count: 1 is not a whole number from 2 to 1000", id="one report"),
    pytest.param("air.reports.period_s", 0, "air.reports.period_s: 0 is not a number above 0", id="no period"),
    pytest.param(
        "console.questions.report_every",
        GONE,
        "console.questions.report_every: this entry is missing: table air needs it",
        id="no way to have it report",
    ),
    pytest.param("air.backoff.window_s", 0, "air.backoff.window_s: 0 is not a number above 0", id="no window"),
    pytest.param("air.backoff.power_cut", 1, "air.backoff.power_cut: unknown key", id="unknown key of the back-off"),
    pytest.param(
        "console.questions.join_keep",
        GONE,
        "console.questions.join_keep: this entry is missing: table air needs it",
        id="no way to keep it joining",
    ),
    pytest.param("air.points_v", [], "air.points_v: no voltage", id="no point"),
    pytest.param("air.points_v", [4.4], "air.points_v: 4.4 V; accepted: above 0 V, up to", id="above the maximum"),
    pytest.param("air.pin.port", 0, "air.pin.port: 0 is not a whole number from 1 to 223", id="port of MAC commands"),
    pytest.param("air.pin.on", "1", "air.pin.on: '1' is no row of hexadecimal digits in pairs", id="half a byte"),
    pytest.param("air.pin.off", "01", "air.pin.off: '01' is what switches on, too", id="one command for both"),
    pytest.param("air.pin.threshold_v", GONE, "air.pin.threshold_v: this key is missing", id="no threshold"),
    pytest.param(
        "console.questions.join", GONE, "console.questions.join: this entry is missing: table air", id="question"
    ),
    pytest.param(
        "console.notices.joined", GONE, "console.notices.joined: this entry is missing: table air", id="notice"
    ),
    pytest.param(
        "console.notices.joined",
        "JOIN .+",
        "console.notices.joined: the pattern has no group (?P<outcome>...)",
        id="outcome",
    ),
    pytest.param(
        "console.questions.pin.answer",
        "PIN (?P<state>on|off)",
        "console.questions.pin.answer: the pattern has no group (?P<switched>...)",
        id="a pin that does not count",
    ),
]


@pytest.mark.parametrize(("place", "value", "says"), MISTAKES)
def test_mistake_is_one_sentence_at_its_place(tmp_path: Path, place: str, value: object, says: str) -> None:
    """One mistake is one problem, told at the key, with what is accepted."""
    with pytest.raises(ConfigError, match="1 problem") as caught:
        read_board_profile(write_toml(tmp_path, changed(shipped(), place, value)))

    (problem,) = caught.value.problems
    assert says in problem
