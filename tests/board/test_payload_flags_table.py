"""The rules of flags: read from the profile, and what they say at a voltage."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.board.payload_flags_table import FlagRule
from benchrig.board.profile import read_board_profile
from benchrig.errors import ConfigError

from .profile_edits import GONE, PROFILE, changed, shipped, write_toml

if TYPE_CHECKING:
    from pathlib import Path


def test_shipped_rules() -> None:
    """The demo board's flags: its load, nothing, and a low battery."""
    assert read_board_profile(PROFILE).payload_flags == (
        FlagRule("flags.siren", follows_load=True),
        FlagRule("flags.charging", always=0),
        FlagRule("flags.low_battery", battery_below_v=3.4),
    )


def test_profile_without_rules(tmp_path: Path) -> None:
    """The table may be absent: then there are no rules."""
    profile = read_board_profile(write_toml(tmp_path, changed(shipped(), "payload_flags", GONE)))

    assert profile.payload_flags == ()


MISTAKES = [
    pytest.param(
        "payload_flags.flags.sirene",
        {"always": 0},
        "payload_flags.flags.sirene: the payload has no such flag; its flags: flags.siren, flags.charging, "
        "flags.low_battery",
        id="unknown flag",
    ),
    pytest.param(
        "payload_flags.flag", {"siren": {"always": 0}}, "payload_flags.flag.siren: the payload has no such", id="field"
    ),
    pytest.param(
        "payload_flags.flags.siren", {}, "payload_flags.flags.siren: no rule given; accepted: one of", id="none"
    ),
    pytest.param(
        "payload_flags.flags.siren.always", 1, "payload_flags.flags.siren: follows and always given; accepted", id="two"
    ),
    pytest.param("payload_flags.flags.siren.follows", "lode", "'lode' is not one of: load", id="follows what"),
    pytest.param("payload_flags.flags.charging.always", 2, "2 is not a whole number from 0 to 1", id="neither 0 nor 1"),
    pytest.param("payload_flags.flags.low_battery.battery_below_v", 0, "0 is not a number above 0", id="no voltage"),
    pytest.param("payload_flags.flags.siren.when", 1, "payload_flags.flags.siren.when: unknown key", id="unknown key"),
    pytest.param("payload_flags.flags.siren", 1, "payload_flags.flags.siren: 1 is not a table", id="no table"),
]


@pytest.mark.parametrize(("place", "value", "says"), MISTAKES)
def test_rule_that_is_none(tmp_path: Path, place: str, value: object, says: str) -> None:
    """Every mistake is told where it stands, with what is accepted."""
    with pytest.raises(ConfigError) as told:
        read_board_profile(write_toml(tmp_path, changed(shipped(), place, value)))

    assert [one for one in told.value.problems if says in one], told.value.problems


RULES = [
    pytest.param(FlagRule("f.a", follows_load=True), 3.7, True, 1, id="load on"),
    pytest.param(FlagRule("f.a", follows_load=True), 3.7, False, 0, id="load off"),
    pytest.param(FlagRule("f.a", battery_below_v=3.4), 3.399, False, 1, id="below"),
    pytest.param(FlagRule("f.a", battery_below_v=3.4), 3.4, False, 0, id="not below"),
    pytest.param(FlagRule("f.a", always=1), 3.4, False, 1, id="always"),
]


@pytest.mark.parametrize(("rule", "battery_v", "load_is_on", "expected"), RULES)
def test_rule_at_a_point(rule: FlagRule, battery_v: float, load_is_on: bool, expected: int) -> None:
    """A rule says 0 or 1 at a voltage, with the load off or on."""
    assert rule.expected(battery_v=battery_v, load_is_on=load_is_on) == expected
