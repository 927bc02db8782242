"""How long the production check must take at least, from the board's own periods.

The bound holds whatever bench does the work: a divider settles, a converter averages, a node wakes every so
often, an uplink has its receive windows. Everything that can overlap is taken as overlapped: the meter
integrates while the board converts, instruments answer at once, nothing waits for the runner.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.board.air_price import demand_of

if TYPE_CHECKING:
    from collections.abc import Container

    from benchrig.board.air_table import AirPlan, PinPlan
    from benchrig.board.profile import BoardProfile


_JOIN_WINDOWS_S, _FIRST_WINDOW_S, _SECOND_WINDOW_S = (5.0, 6.0), 1.0, 2.0


def critical_path_s(profile: BoardProfile, checks: Container[str]) -> float | None:
    """Bench seconds that the checks which ran must take; None when nothing is known
    of them: no check of these ran, or the profile does not say the board's times."""
    if profile.takes_s is None:
        return None
    return sum(seconds for check, seconds in expected_s(profile).items() if check in checks) or None


def sleep_window_s(profile: BoardProfile) -> float:
    """One wake period more than asked, each as long as its own limit lets it be: then the window holds that many whole
    ones wherever it begins, on the slowest board that passes."""
    limit = profile.limits.get("floor_current", {}).get("wake_period")
    allowed_s = limit.high if limit is not None and limit.high is not None else 0.0
    return (profile.sleep.wake_periods + 1) * max(profile.sleep.wake_period_s, allowed_s)


def expected_s(profile: BoardProfile) -> dict[str, float]:
    """Bench seconds that each check must take at least; checks that take next to nothing are left out."""
    takes_s = profile.takes_s
    sweep = profile.sweep
    parts = {
        "rail": len(profile.rail.points_v) * profile.rail.settle_s,
        "battery_sweep": 2 * len(sweep.points_v) * sweep.settle_s,
        "floor_current": profile.sleep.fall_asleep_s + sleep_window_s(profile),
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
    """Receive windows, the divider's settling before each report, power cuts, and the time that a board is left alone.

    The windows are those that class A must wait for (RP002-1.0.1: 5 s and 6 s after a join-request, 1 s and 2 s after
    an uplink); a downlink in the first window leaves out the second.
    """
    air, takes_s = profile.air, profile.takes_s
    if air is None:
        return {}
    cut_s = takes_s.power_down + takes_s.boot if takes_s else 0.0
    reports = len(air.points_v) + 1
    parts = {
        "join": sum(_JOIN_WINDOWS_S[air.windows[number % 2] - 1] for number in range(air.power_cuts + 1))
        + air.power_cuts * cut_s,
        "uplink_hops": reports * (_SECOND_WINDOW_S + profile.sweep.settle_s) + cut_s,
    }
    if air.pin is not None:
        parts["downlink"] = _downlinks_s(air, air.pin) + cut_s
    if air.reports is not None:
        parts["report_period"] = air.reports.count * air.reports.period_s
    if air.backoff is not None:
        parts["join_backoff"] = air.backoff.window_s + (air.backoff.power_cuts + 1) * cut_s
    return parts


def _downlinks_s(air: AirPlan, pin: PinPlan) -> float:
    """A report for each downlink but the one that comes unasked, each until the window in which it is answered."""
    demand = demand_of(air, ("downlink",), spreading_factor=None, uplink_bytes=0)
    if demand is None:
        return 0.0
    second = demand.downlinks[1] - 1
    windows_s = (demand.uplinks - second) * _FIRST_WINDOW_S + second * _SECOND_WINDOW_S
    return windows_s + demand.uplinks * pin.settle_s


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
