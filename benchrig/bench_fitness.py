"""Can this bench decide what this profile limits? Answered from two files, before anything is powered.

Owns which instrument, on which range, each value of the shipped checks is measured with, and what its uncertainty
will be; whether that is enough is for `judge.fitness`. What needs a part that the bench lacks is lost, what cannot
be decided with the parts that it has is vain. Both are said before the board is touched.

The figures are those of a perfect board on this bench: a real one adds its own noise and can only be worse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchrig.judge.converter import Direction, SweepPoint, fit_converter
from benchrig.judge.fitness import Fitness, Usefulness, fitness, fitness_table
from benchrig.judge.uncertainty import AccuracyTerms, standard_uncertainty

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping
    from datetime import date

    from benchrig.bench.bench_file import BenchSpec, SlotSpec
    from benchrig.board.profile import BoardProfile
    from benchrig.judge.decision import Limit
    from benchrig.judge.fitness import Uncertainty

_SQRT3 = math.sqrt(3.0)
_PERFECT = "figures of a perfect board on this bench; a real one adds its own noise"
_FEWEST_POINTS = 3
_FINER = (0.1, 0.01, 0.001)


@dataclass(frozen=True, slots=True)
class Eyes:
    """What one slot sees with, and the board that it looks at. `stamp_u_s` is for arrivals on the console."""

    bench: BenchSpec
    slot: SlotSpec
    profile: BoardProfile
    stamp_u_s: float
    today: date | None = None

    def u(self, instrument: str, quantity: str, *, range_: float) -> Callable[[float], float]:
        """Standard uncertainty of one reading by its value."""
        spec = self.bench.instruments[instrument]
        terms = spec.accuracy.get(quantity, AccuracyTerms())
        conditions = spec.conditions(ambient_c=self.bench.ambient_c, today=self.today)
        return lambda value: standard_uncertainty(value, range_=range_, terms=terms, conditions=conditions)

    def net(self, name: str, quantity: str) -> Callable[[float], float]:
        """The meter at a net that has one."""
        wiring = self.slot.meters[name]
        return self.u(wiring.instrument, quantity, range_=wiring.range)

    @property
    def terminals(self) -> Callable[[float], float]:
        """Volts at the battery terminals: by a meter there, else by the supply's read-back and the drop in its lead."""
        if "terminals" in self.slot.meters:
            return self.net("terminals", "voltage")
        battery = self.slot.battery
        read_back = self.u(battery.instrument, "voltage", range_=0.0)
        drop_v = self.profile.first_touch.current_limit_a * (battery.lead_ohm + battery.contact_ohm)
        return lambda value: math.hypot(read_back(value), drop_v / _SQRT3)

    def recorder(self, *, asleep: bool, range_a: float | None = None) -> Callable[[float], float]:
        """Current through the recorder, by default on the range of that window."""
        wiring = self.slot.recorder
        assert wiring is not None  # a check without it is lost before its values are asked for
        usual_a = wiring.sleep_range_a if asleep else wiring.transmit_range_a
        return self.u(wiring.instrument, "current", range_=range_a or usual_a)


@dataclass(frozen=True, slots=True)
class BenchFitness:
    """What a bench can decide of a profile, check by check.

    `lost` names the checks that a part is missing for, or that can decide none of their values, and why.
    `vain` names, by check, the values that cannot be decided, and why. `unknown` are limits of checks that are not
    of the shipped suites: nobody can say beforehand.
    """

    rows: Mapping[str, tuple[Fitness, ...]]
    lost: Mapping[str, str]
    vain: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    unknown: tuple[str, ...] = ()

    @property
    def all_rows(self) -> tuple[Fitness, ...]:
        return tuple(row for rows in self.rows.values() for row in rows)

    def can_decide(self, checks: Collection[str]) -> bool:
        """Whether none of these checks is lost, and none has a value that cannot be decided."""
        return not (self.lost.keys() | self.vain.keys()) & set(checks)

    def table(self) -> str:
        """Every limit with uncertainty, ratio, guard bands and verdict; then what is lost, and what it is worth."""
        lines = [fitness_table(self.all_rows).rstrip("\n")] if self.all_rows else []
        lines += [f"{check}: LOST: {why}" for check, why in self.lost.items()]
        lines += [f"{name}: not known beforehand" for name in self.unknown]
        return "\n".join([*lines, "", self.summary(), _PERFECT]) + "\n"

    def as_data(self) -> dict[str, object]:
        """The same for a program: plain values, in base units."""
        return {
            "limits": [
                {
                    "name": row.name,
                    "unit": row.limit.unit,
                    "low": row.limit.low,
                    "high": row.limit.high,
                    "rule": row.limit.rule,
                    "expanded_uncertainty": row.expanded_uncertainty,
                    "ratio": row.ratio if math.isfinite(row.ratio) else None,
                    "band_share": row.band_share if math.isfinite(row.band_share) else None,
                    "zone_share": row.zone_share,
                    "risk_at_limit": row.risk_at_limit,
                    "verdict": row.usefulness.value,
                    "why": row.why,
                    "wanted_standard_uncertainty": row.wanted_uncertainty,
                    "would_do": list(row.would_do),
                }
                for row in self.all_rows
            ],
            "lost": dict(self.lost),
            "unknown": list(self.unknown),
        }

    def summary(self) -> str:
        """One line: how many limits can be decided, and how many checks are lost."""
        count = {kind: sum(row.usefulness is kind for row in self.all_rows) for kind in Usefulness}
        lost = f"; lost checks: {', '.join(self.lost)}" if self.lost else ""
        return (
            f"{len(self.all_rows)} limits: {count[Usefulness.USEFUL]} useful, {count[Usefulness.DOUBTFUL]} doubtful, "
            f"{count[Usefulness.VAIN]} vain{lost}"
        )

    def warnings(self) -> tuple[str, ...]:
        """What a user must know before power: lost checks, vain and doubtful values."""
        lost = [f"{check}: this bench cannot do it: {why}" for check, why in self.lost.items()]
        short = [
            f"{row.name}: {row.usefulness}: {row.why}"
            for check, rows in self.rows.items()
            if check not in self.lost
            for row in rows
            if row.usefulness is not Usefulness.USEFUL
        ]
        return (*lost, *short)


def bench_fitness(eyes: Eyes, *, checks: tuple[str, ...] | None = None) -> BenchFitness:
    """What the bench can decide of `checks` (default: every check that the profile limits). Raises ConfigError."""
    rows: dict[str, tuple[Fitness, ...]] = {}
    lost: dict[str, str] = {}
    vain: dict[str, dict[str, str]] = {}
    unknown: list[str] = []
    for check, limits in eyes.profile.limits.items():
        if checks is not None and check not in checks:
            continue
        why = _missing_part(check, eyes)
        if why:
            lost[check] = why
            continue
        found, not_known = _rows(check, limits, eyes)
        unknown += not_known
        rows[check] = tuple(found.values())
        cannot = {name: row.why for name, row in found.items() if row.usefulness is Usefulness.VAIN}
        if cannot and len(cannot) == len(limits):
            lost[check] = "none of its values can be decided: " + "; ".join(f"{n}: {w}" for n, w in cannot.items())
        elif cannot:
            vain[check] = cannot
    return BenchFitness(rows, lost, vain, tuple(unknown))


def _rows(check: str, limits: Mapping[str, Limit], eyes: Eyes) -> tuple[dict[str, Fitness], list[str]]:
    models = _MODELS[check](eyes) if check in _MODELS else {}
    rows: dict[str, Fitness] = {}
    unknown: list[str] = []
    for name, limit in limits.items():
        model = models.get(name)
        if model is None or (limit.low, limit.high) in ((0.0, None), (None, 0.0)):
            unknown.append(f"{check}.{name}")
            continue
        rows[name] = fitness(
            limit,
            unit=limit.unit,
            standard_uncertainty=model,
            alternatives=_alternatives(check, name, limit, eyes),
            name=f"{check}.{name}",
        )
    return rows, unknown


# ---- parts that a check cannot do without

_NO_RECORDER = "no current recorder stands in the battery lead of this slot; wire one and name it: slots.N.recorder"
AIR_CHECKS = ("join", "uplink_hops", "downlink")
_NO_RAIL = "no meter sees the rail; wire one and name it: slots.N.meters.rail"


def _missing_part(check: str, eyes: Eyes) -> str:
    slot = eyes.slot
    if check in ("floor_current", "transmit", "energy") and slot.recorder is None:
        return _NO_RECORDER
    if check == "floor_current" and slot.serial["console"].release == "none":
        return (
            "nothing is known to release the console link, so that its adapter feeds or loads the board; use one that "
            "a closed port leaves unpowered, and say slots.N.serial.console.release = 'close'"
        )
    if check in ("rail", "thresholds") and "rail" not in slot.meters:
        return _NO_RAIL
    return _missing_air(check, eyes) if check in AIR_CHECKS else _missing_eye(check, slot)


def _missing_eye(check: str, slot: SlotSpec) -> str:
    if check == "temperature" and "temperature" not in slot.meters:
        return "no thermometer stands beside the board; wire one and name it: slots.N.meters.temperature"
    if check == "payload_bytes" and "modem_uart" not in slot.serial:
        return "nothing listens on the modem UART; wire a receive-only adapter and name it: slots.N.serial.modem_uart"
    return ""


def _missing_air(check: str, eyes: Eyes) -> str:
    """What hears the board's radio, answers its joins, and sees its pin."""
    bench, slot = eyes.bench, eyes.slot
    if slot.radio is None or not (bench.gateway or bench.network):
        return "nothing hears the board's radio; give the bench file [gateway] or [network], and slots.N.radio"
    if check == "join" and bench.gateway is None:
        return "a network behind a broker answers joins by itself; give the bench file a [gateway] to see them"
    if check == "downlink" and bench.network is not None and bench.network.downlink is None:
        return "nothing tells how the network takes a downlink; give the bench file network.downlink"
    if check == "downlink" and "pin" not in slot.meters:
        return "no meter sees the pin that a downlink switches; wire one and name it: slots.N.meters.pin"
    return ""


# ---- what each value will be measured with


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
    return spec.accuracy.get("voltage", AccuracyTerms()).of_reading / _SQRT3


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
    sides = [side for side in (duration.low, duration.high) if side] if duration else []
    return sum(sides) / len(sides) if sides else 0.1 * profile.transmit.window_s


def _join(eyes: Eyes) -> Mapping[str, Uncertainty]:
    return {"time": eyes.stamp_u_s, "airtime": 0.0}


def _uplink_hops(eyes: Eyes) -> Mapping[str, Uncertainty]:
    """Airtime is by the formula; what a gateway's levels are worth nobody states."""
    return {"airtime": 0.0}


def _downlink(eyes: Eyes) -> Mapping[str, Uncertainty]:
    return {"pin_on": eyes.net("pin", "voltage"), "pin_off": eyes.net("pin", "voltage")}


def _output_off(eyes: Eyes) -> Mapping[str, Uncertainty]:
    return {"terminals": eyes.terminals}


_ROOM_C = 23.0
_AWAKE_SHARE = 0.01
"""Of a wake period, only to turn a charge into a current whose uncertainty is known. Own choice."""

_MODELS: Mapping[str, Callable[[Eyes], Mapping[str, Uncertainty]]] = {
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
    "output_off": _output_off,
}


# ---- what else could measure it


def _alternatives(check: str, name: str, limit: Limit, eyes: Eyes) -> Mapping[str, Uncertainty]:
    """Other ways that this bench has, or an instrument of it on a finer range, by words."""
    if check in ("floor_current", "transmit") and limit.unit == "A":
        return _finer_ranges(limit, eyes, asleep=check == "floor_current")
    if check == "first_touch" and eyes.slot.recorder is not None:
        return {"the current recorder in the battery lead": eyes.recorder(asleep=False)}
    if limit.unit == "V" and check in ("rail", "output_off", "battery_sweep"):
        return _other_meters(eyes, at_v=max(eyes.profile.sweep.points_v) if check == "battery_sweep" else None)
    return {}


def _finer_ranges(limit: Limit, eyes: Eyes, *, asleep: bool) -> Mapping[str, Uncertainty]:
    wiring = eyes.slot.recorder
    assert wiring is not None  # a check without it is lost
    now_a = wiring.sleep_range_a if asleep else wiring.transmit_range_a
    largest_a = max(abs(side) for side in (limit.low, limit.high) if side is not None)
    return {
        f"{wiring.instrument} on a {now_a * finer:g} A range, if it has one": eyes.recorder(
            asleep=asleep, range_a=now_a * finer
        )
        for finer in _FINER
        if now_a * finer > largest_a
    }


def _other_meters(eyes: Eyes, *, at_v: float | None) -> Mapping[str, Uncertainty]:
    """Meters of the bench file that are not wired to this net; `at_v` for a limit on a difference of volts."""
    used = {wiring.instrument for net, wiring in eyes.slot.meters.items() if net != "temperature"}
    found: dict[str, Uncertainty] = {}
    for name, spec in eyes.bench.instruments.items():
        if spec.kind == "meter" and name not in used:
            reading = eyes.u(name, "voltage", range_=10.0)
            found[f"meter {name} on a 10 V range"] = reading if at_v is None else reading(at_v)
    return found
