"""The least time that a production check takes, from the board's own periods as the profile states them."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from benchrig.procedures.critical_path import critical_path_s, expected_s

from .conftest import PROFILE_FILE

if TYPE_CHECKING:
    from benchrig.board.profile import BoardProfile


def test_critical_path_is_the_sum_of_the_boards_periods(profile: BoardProfile) -> None:
    """By hand from the profile's text: settling, conversions, sleep window, uplink, boot and power-down."""
    text = tomllib.loads(PROFILE_FILE.read_text(encoding="utf-8"))
    takes, sweep, sleep = text["takes_s"], text["sweep"], text["sleep"]
    both_ways = 2 * len(sweep["points_v"])

    path_s = critical_path_s(profile, ("rail", "battery_sweep", "floor_current", "transmit", "identity_start"))

    assert path_s == pytest.approx(
        len(text["rail"]["points_v"]) * text["rail"]["settle_s"]
        + both_ways * (sweep["settle_s"] + takes["battery"] + takes["frame"])
        + sleep["fall_asleep_s"]
        + (sleep["wake_periods"] + 1) * text["limits"]["floor_current"]["wake_period"]["high"]
        + text["transmit"]["window_s"]
        + takes["boot"]
    )


def test_check_that_did_not_run_takes_no_time(profile: BoardProfile) -> None:
    """Only what ran counts; a run of other checks has no critical path."""
    assert critical_path_s(profile, ("transmit",)) == profile.transmit.window_s
    assert critical_path_s(profile, ("no such check",)) is None


def test_profile_without_the_boards_times_has_no_critical_path(profile: BoardProfile) -> None:
    """Half a bound would be a wrong one; what each check needs is known all the same."""
    silent = replace(profile, takes_s=None)

    assert critical_path_s(silent, ("transmit",)) is None
    assert expected_s(silent)["transmit"] == profile.transmit.window_s


def test_correction_takes_a_power_cycle_and_its_proofs(profile: BoardProfile) -> None:
    """By hand from the profile's text: power-down, boot, and for each new reading settling and conversion."""
    text = tomllib.loads(PROFILE_FILE.read_text(encoding="utf-8"))
    takes, proofs = text["takes_s"], len(text["correction"]["verify_points_v"])

    assert expected_s(profile)["correction"] == pytest.approx(
        takes["power_down"] + takes["boot"] + proofs * (text["sweep"]["settle_s"] + takes["battery"])
    )
    assert "correction" not in expected_s(replace(profile, correction=None))


def test_windows_of_the_air_are_counted(profile: BoardProfile) -> None:
    """By hand from the profile's text and RP002-1.0.1: 5 s and 6 s after a join-request, 1 s and 2 s after an uplink.

    Joins are answered in the first, second and first window. Seven reports carry downlinks: on, unknown, off in the
    second window, unknown, to another port, repeated, and on before the power cut.
    """
    text = tomllib.loads(PROFILE_FILE.read_text(encoding="utf-8"))
    takes, air = text["takes_s"], text["air"]
    cut_s = takes["power_down"] + takes["boot"]

    parts = expected_s(profile)

    assert parts["join"] == pytest.approx(5.0 + cut_s + 6.0 + cut_s + 5.0)
    assert parts["uplink_hops"] == pytest.approx((len(air["points_v"]) + 1) * (2.0 + text["sweep"]["settle_s"]) + cut_s)
    assert parts["downlink"] == pytest.approx(6 * 1.0 + 2.0 + 7 * 0.05 + cut_s)
    assert parts["report_period"] == air["reports"]["count"] * air["reports"]["period_s"]
    assert parts["join_backoff"] == pytest.approx(air["backoff"]["window_s"] + 3 * cut_s)
    assert "join" not in expected_s(replace(profile, air=None))


def test_ramps_and_dwells_of_a_sign_off_are_counted(profile: BoardProfile) -> None:
    """By hand from the profile's text: ramps down and up, stays, plateaus, holes; dwells of first trials."""
    text = tomllib.loads(PROFILE_FILE.read_text(encoding="utf-8"))
    ways, search = text["coming_back"], text["thresholds"]
    ramps_s = sum(
        2 * (ways["from_v"] - floor_v) / slope + dwell_s
        for floor_v in ways["floors_v"]
        for slope in ways["slopes_v_per_s"]
        for dwell_s in ways["dwells_s"]
    )

    assert expected_s(profile)["coming_back"] == pytest.approx(
        ramps_s + len(ways["plateaus_v"]) * ways["plateau_s"] + sum(ways["holes_s"])
    )
    assert expected_s(profile)["thresholds"] == pytest.approx(4 * search["spread_points"] * search["dwell_s"])
    assert "thresholds" not in expected_s(replace(profile, thresholds=None, coming_back=None))
