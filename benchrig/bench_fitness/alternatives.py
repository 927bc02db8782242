"""Other ways that a bench has to measure a value: a finer range, a meter that is wired to nothing here, the recorder.

Owns that search. Must not know whether they would do: that is for `judge.fitness`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.bench_fitness.eyes import Eyes
    from benchrig.judge.decision import Limit
    from benchrig.judge.fitness import Uncertainty

_FINER = (0.1, 0.01, 0.001)


def alternatives(check: str, name: str, limit: Limit, eyes: Eyes) -> Mapping[str, Uncertainty]:
    """Other ways that this bench has, or an instrument of it on a finer range, by words."""
    if check in ("floor_current", "transmit") and limit.unit == "A":
        return _finer_ranges(limit, eyes, asleep=check == "floor_current")
    if check == "first_touch" and eyes.slot.recorder is not None:
        return {"the current recorder in the battery lead": eyes.recorder(asleep=False)}
    if limit.unit == "V" and check in ("rail", "output_off", "battery_sweep"):
        return _other_meters(
            eyes, at_v=max(eyes.profile.sweep.points_v, default=None) if check == "battery_sweep" else None
        )
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
        if spec.kind == "meter" and name not in used and "voltage" in spec.accuracy:
            reading = eyes.u(name, "voltage", range_=10.0)
            found[f"meter {name} on a 10 V range"] = reading if at_v is None else reading(at_v)
    return found
