"""What each value of the shipped checks will be measured with, and how well, on a bench with a perfect board.

Owns which instrument, on which range, goes into which value. Must not know what is missing (`missing_parts`).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.bench_fitness.eyes import Unstated
from benchrig.judge.converter import Direction, SweepPoint, fit_converter

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from benchrig.bench_fitness.eyes import Eyes
    from benchrig.board.profile import BoardProfile
    from benchrig.judge.fitness import Uncertainty

_SQRT3 = math.sqrt(3.0)
_FEWEST_POINTS = 3


def _first_touch(eyes: Eyes) -> Mapping[str, Uncertainty]:
    return {"current": eyes.u(eyes.slot.battery.instrument, "current", range_=0.0)}


def _identity_start(eyes: Eyes) -> Mapping[str, Uncertainty]:
    return {"boot_time": eyes.stamp_u_s}


def _rail(eyes: Eyes) -> Mapping[str, Uncertainty]:
    return {"voltage": eyes.net("rail", "voltage")}


def _sweep(eyes: Eyes) -> Mapping[str, Uncertainty]:
    """From the fit of a perfect board: what is left is the meter, the grid of the codes and the choice of points."""
    profile, terminals = eyes.profile, eyes.terminals
    step_v = profile.converter.volts_per_count
    inside_v = [volts for volts in profile.sweep.points_v if round(volts / step_v) < profile.converter.top_code]
    if len(set(inside_v)) < _FEWEST_POINTS:  # a clipped code says nothing of the volts
        return {"answer_time": eyes.stamp_u_s}
    top_v = max(inside_v)
    points = [
        SweepPoint(volts, counts=round(volts / step_v), direction=direction, setpoint_v=volts)
        for direction in (Direction.UP, Direction.DOWN)
        for volts in inside_v
    ]
    fit = fit_converter(points, volts_per_count=step_v, reference_offset_u_v=terminals(top_v))
    gain = math.hypot(fit.gain_error_u, _gain_u(eyes))
    grid_v = step_v / math.sqrt(12.0)
    return {
        "error": math.hypot(terminals(top_v), grid_v),
        "gain_error": gain,
        "counts_gain_error": gain,
        "offset": fit.offset_u_v,
        "counts_offset": fit.offset_u_v / step_v,
        "residual": max(fit.max_residual_u_v, grid_v),
        "counts_residual": max(fit.max_residual_u_v, grid_v) / step_v,
        "hysteresis": max(fit.hysteresis_u_v or 0.0, grid_v / math.sqrt(len(inside_v))),
        "noise": max(fit.noise_u_v, grid_v / math.sqrt(2.0 * len(inside_v))),
        "answer_time": eyes.stamp_u_s,
    }


def _gain_u(eyes: Eyes) -> float:
    """Share of the reading that the volts at the terminals may be wrong by, the same at every point of a sweep."""
    slot = eyes.slot
    wiring = slot.meters.get("terminals")
    spec = eyes.bench.instruments[wiring.instrument if wiring else slot.battery.instrument]
    terms = spec.accuracy.get("voltage")
    if terms is None:
        raise Unstated(spec.name, "voltage")
    return terms.of_reading / _SQRT3


def _payload_bytes(eyes: Eyes) -> Mapping[str, Uncertainty]:
    return {"battery_difference": 0.0, "temperature_difference": 0.0}


def _temperature(eyes: Eyes) -> Mapping[str, Uncertainty]:
    beside = eyes.net("temperature", "temperature")
    return {"error": lambda _: beside(_ROOM_C), "probe_error": lambda _: beside(_ROOM_C)}


def _floor_current(eyes: Eyes) -> Mapping[str, Uncertainty]:
    current = eyes.recorder(asleep=True)
    awake_s = _AWAKE_SHARE * eyes.profile.sleep.wake_period_s
    return {
        "floor": current,
        "mean": current,
        "wake_charge": lambda charge_c: current(charge_c / awake_s) * awake_s,
        "wake_period": eyes.profile.sleep.interval_s / math.sqrt(6.0),
    }


def _transmit(eyes: Eyes) -> Mapping[str, Uncertainty]:
    current = eyes.recorder(asleep=False)
    burst_s = _burst_s(eyes.profile)
    return {
        "peak": current,
        "plateau": current,
        "duration": eyes.profile.transmit.interval_s / math.sqrt(12.0),
        "charge": lambda charge_c: current(charge_c / burst_s) * burst_s,
    }


def _burst_s(profile: BoardProfile) -> float:
    """How long a transmission is expected to take, for the mean current of a charge."""
    duration = profile.limits.get("transmit", {}).get("duration")
    sides = [side for side in (duration.low, duration.high) if side is not None and side > 0.0] if duration else []
    return sum(sides) / len(sides) if sides else 0.1 * profile.transmit.window_s


def _join(eyes: Eyes) -> Mapping[str, Uncertainty]:
    return {"time": eyes.stamp_u_s, "airtime": 0.0, "tries": 0.0, "spreading_factor": 0.0}


def _uplink_hops(eyes: Eyes) -> Mapping[str, Uncertainty]:
    """Airtime is by the formula; what a gateway's levels are worth nobody states."""
    return {"airtime": 0.0}


def _downlink(eyes: Eyes) -> Mapping[str, Uncertainty]:
    return {"pin_on": eyes.net("pin", "voltage"), "pin_off": eyes.net("pin", "voltage")}


def _report_period(eyes: Eyes) -> Mapping[str, Uncertainty]:
    """By a gateway's own microseconds; through a broker by the arrival of messages."""
    u_s = math.sqrt(2.0) * eyes.stamp_u_s if eyes.bench.gateway is None else 1e-6
    return {"period": u_s, "jitter": u_s}


def _output_off(eyes: Eyes) -> Mapping[str, Uncertainty]:
    return {"terminals": eyes.terminals}


_ROOM_C = 23.0
_AWAKE_SHARE = 0.01
"""Of a wake period, only to turn a charge into a current whose uncertainty is known. Own choice."""

MODELS: Mapping[str, Callable[[Eyes], Mapping[str, Uncertainty]]] = {
    "first_touch": _first_touch,
    "identity_start": _identity_start,
    "rail": _rail,
    "battery_sweep": _sweep,
    "payload_bytes": _payload_bytes,
    "temperature": _temperature,
    "floor_current": _floor_current,
    "transmit": _transmit,
    "join": _join,
    "uplink_hops": _uplink_hops,
    "downlink": _downlink,
    "report_period": _report_period,
    "output_off": _output_off,
}
