"""What ranking the causes of a failed board costs. Bound: 3 s of this machine's time for the dearest signature.

The signatures are those of a whole production run with one fault each, made by the circuit model: one that leaves the
measurement straight, one that bends it (the search for dead bits is the dearest part), one that shows in a current, one
in words. Every round works on a signature of its own, so that nothing is remembered from one to the next.
Run it alone: `python tests/benchmarks/diagnosis_time.py`; it ends with 1 when the bound is broken.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

from benchrig.board.profile import read_board_profile
from benchrig.judge.circuit import BenchPlan, predict
from benchrig.judge.diagnosis import diagnose
from benchrig.judge.other_faults import SOUND_WORDS
from benchrig.judge.signature import Converted, Signature

BOUND_S = 3.0
ROUNDS = 3
PROFILE = read_board_profile(Path(__file__).parents[2] / "fixtures" / "boards" / "hay-barn-probe.toml")
FAULTS = {
    "divider 4 % off": ("divider.top_ohm", 312e3, {}),
    "divider settles slowly": ("divider.node_f", 8e-6, {}),
    "leak of 300 uA": ("currents.always_a", 300e-6, {}),
    "silent at the start": ("timing.boot_s", 0.25, {"start": "silent"}),
}


def the_plan(shift_v: float) -> BenchPlan:
    """The sweep of the profile, up and down, metered a little off so that no two rounds are the same."""
    points = sorted(PROFILE.sweep.points_v)
    ways = [(volts, "up") for volts in points] + [(volts, "down") for volts in reversed(points)]
    sweep = tuple(Converted(volts, volts + shift_v, 0, way, 0.25 if n else 1e6) for n, (volts, way) in enumerate(ways))
    return BenchPlan(
        sweep, PROFILE.rail.points_v, PROFILE.power.nominal_v, points[0], PROFILE.converter.volts_per_count,
        PROFILE.roles.probes,
    )  # fmt: skip


def seconds(path: str, value: float, words: dict[str, str]) -> float:
    """The slowest of the rounds: a person waits for that one, too."""
    circuit = PROFILE.circuit
    if circuit is None:
        raise SystemExit("the demo profile has no circuit")
    slowest_s = 0.0
    for number in range(ROUNDS):
        plan = the_plan(1e-5 * number)
        shown = predict(circuit.circuit.put(path, value), plan)
        seen = Signature(shown.numbers, {**SOUND_WORDS, **shown.words, **words})
        began_s = time.perf_counter()
        diagnose(seen, replace(circuit), plan)
        slowest_s = max(slowest_s, time.perf_counter() - began_s)
    return slowest_s


def main() -> int:
    """Print the times; 1 when one is over the bound."""
    times_s = {name: seconds(*fault) for name, fault in FAULTS.items()}
    for name, taken_s in times_s.items():
        print(f"{name:28} {taken_s:6.3f} s")
    print(f"bound {BOUND_S:g} s: {'kept' if max(times_s.values()) <= BOUND_S else 'BROKEN'}")
    return int(max(times_s.values()) > BOUND_S)


if __name__ == "__main__":
    sys.exit(main())
