"""Faults of the board's temperature sensor, of its probes and of the bench's thermometer: shifts of what they say.

Owns the list. Must not know the circuit nor what was measured. Weights as in `circuit_faults`: common practice, no
source. A sensor that is open or bridged reads an end of its table, far from any bench's temperature.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from benchrig.judge.circuit_faults import OFTEN, SELDOM, SOMETIMES
from benchrig.judge.hypothesis import Hypothesis, Severity, even

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.judge.hypothesis import Side

PROBE_OHM: Final = "ohms of the probe, unplugged"


def _shift(
    key: str, cause: str, side: Side, prior: float, *, grid: tuple[float, ...], features: Sequence[str]
) -> Hypothesis:
    return Hypothesis(
        key=key,
        cause=cause,
        side=side,
        prior=prior,
        severity=Severity("", "plus", grid),
        shifts=dict.fromkeys(features, 1.0),
    )


def sensor_faults(probes: Sequence[str]) -> tuple[Hypothesis, ...]:
    everywhere = ("temperature", *(f"probe {name}" for name in probes))
    ends = (*even(-75.0, -50.0, steps=6), *even(60.0, 130.0, steps=15))
    small = even(-20.0, 20.0, steps=41)
    return (
        _shift(
            "sensor off",
            "the board's temperature sensor is off, or its constants are",
            "board",
            SOMETIMES,
            grid=small,
            features=("temperature",),
        ),
        _shift(
            "sensor open",
            "the board's temperature sensor is open or bridged, or its pull-up is",
            "board",
            OFTEN,
            grid=ends,
            features=("temperature",),
        ),
        _shift(
            "board warm",
            "a part of the board warms its sensor",
            "board",
            SELDOM,
            grid=even(0.5, 20.0, steps=21),
            features=("temperature",),
        ),
        _shift(
            "thermometer off",
            "the bench's thermometer is off, or stands elsewhere",
            "bench",
            SOMETIMES,
            grid=small,
            features=everywhere,
        ),
    )


def probe_faults(probe: str) -> tuple[Hypothesis, ...]:
    name = f"probe {probe}"
    open_tells, pull_tells = {PROBE_OHM: "open"}, {PROBE_OHM: "as its table says"}
    shows = {name: "no probe"}
    return (
        Hypothesis(
            key=f"{name} open",
            cause=f"{probe}: wire, plug or sensor is open",
            side="board",
            prior=OFTEN,
            words=shows,
            tells=open_tells,
            hides=(name,),
        ),
        Hypothesis(
            key=f"{name} input",
            cause=f"{probe}: its pull-up or input on the board is open",
            side="board",
            prior=SOMETIMES,
            words=shows,
            tells=pull_tells,
            hides=(name,),
        ),
        Hypothesis(
            key=f"{name} unplugged",
            cause=f"{probe}: not plugged in at the bench",
            side="bench",
            prior=SOMETIMES,
            words=shows,
            tells={PROBE_OHM: "as its table says"},
            hides=(name,),
        ),
        _shift(
            f"{name} off",
            f"{probe} is off, or its constants are",
            "board",
            SOMETIMES,
            grid=even(-20.0, 20.0, steps=41),
            features=(name,),
        ),
    )
