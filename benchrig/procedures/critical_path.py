"""How long the production check must take at least, from the board's own periods.

The bound holds whatever bench does the work: a divider settles, a converter averages, a node wakes every so
often, an uplink has its receive windows. Everything that can overlap is taken as overlapped: the meter
integrates while the board converts, instruments answer at once, nothing waits for the runner.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Container

    from benchrig.board.profile import BoardProfile


_JOIN_WINDOW_S, _FIRST_WINDOW_S, _SECOND_WINDOW_S = 5.0, 1.0, 2.0
_DOWNLINKS = 3


def critical_path_s(profile: BoardProfile, checks: Container[str]) -> float | None:
    """Bench seconds that the checks which ran must take; None when nothing is known
    of them: no check of these ran, or the profile does not say the board's times."""
    if profile.takes_s is None:
        return None
    return sum(seconds for check, seconds in expected_s(profile).items() if check in checks) or None


def expected_s(profile: BoardProfile) -> dict[str, float]:
    """Bench seconds that each check must take at least; checks that take next to nothing are left out."""
    takes_s = profile.takes_s
    sleep, sweep = profile.sleep, profile.sweep
    parts = {
        "rail": len(profile.rail.points_v) * profile.rail.settle_s,
        "battery_sweep": 2 * len(sweep.points_v) * sweep.settle_s,
        "floor_current": sleep.fall_asleep_s + (sleep.wake_periods + 1) * sleep.wake_period_s,
        "transmit": profile.transmit.window_s,
    }
    parts |= _air_s(profile)
    parts |= _dark_s(profile)
    if takes_s is not None:
        parts["identity_start"] = takes_s.boot
        parts["battery_sweep"] += 2 * len(sweep.points_v) * (takes_s.battery + takes_s.frame)
        if profile.correction is not None:
            proofs = len(profile.correction.verify_points_v)
            parts["correction"] = takes_s.power_down + takes_s.boot + proofs * (sweep.settle_s + takes_s.battery)
        parts["temperature"] = takes_s.temperature + takes_s.frame
        parts["output_off"] = takes_s.power_down
    return parts


def _air_s(profile: BoardProfile) -> dict[str, float]:
    """Receive windows, and the divider's settling before each report; a power cut between two joins, and another one
    before the last report. The windows are those that class A must wait for (RP002-1.0.1: 5 s after a join-request,
    1 s and 2 s after an uplink, of which a downlink in the first window leaves out the second)."""
    air, takes_s = profile.air, profile.takes_s
    if air is None:
        return {}
    cut_s = takes_s.power_down + takes_s.boot if takes_s else 0.0
    reports = len(air.points_v) + 1
    parts = {
        "join": 2.0 * _JOIN_WINDOW_S + cut_s,
        "uplink_hops": reports * (_SECOND_WINDOW_S + profile.sweep.settle_s) + cut_s,
    }
    if air.pin is not None:
        parts["downlink"] = _DOWNLINKS * (_FIRST_WINDOW_S + air.pin.settle_s)
    return parts


def _dark_s(profile: BoardProfile) -> dict[str, float]:
    """The dwells of each search that is made at all, and the ramps and stays of every planned point."""
    parts = {}
    if profile.thresholds is not None:
        plan = profile.thresholds
        searches = (plan.dropout, plan.lockout, plan.reset, plan.restart)
        parts["thresholds"] = sum(search.spread_points * search.dwell_s for search in searches)
    if profile.coming_back is not None:
        ways = profile.coming_back
        parts["coming_back"] = sum(
            point.dwell_s + 2.0 * (ways.from_v - point.floor_v) / point.slope_v_per_s for point in ways.points.grid()
        )
    return parts
