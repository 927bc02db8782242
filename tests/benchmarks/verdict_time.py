"""What a verdict with a guard band costs. Bound: 10 µs for the dearest verdict, a budget of this project's own.

The value is held against a two-sided limit under the guarded rule. Pass, undecided and fail are timed apart: one that
is no pass also writes the sentence that says why. All values differ, so that nothing is remembered from one to the
next. The fastest round counts: what else runs on the machine is not what a verdict costs. Printed beside it and not
bounded: the whole way from an instrument's accuracy terms to the verdict, and with a budget kept with a reading.
Run it alone: `python tests/benchmarks/verdict_time.py`; it ends with 1 when the bound is broken.
"""

from __future__ import annotations

import math
import sys
import time
from typing import TYPE_CHECKING

from benchrig.judge.budget import Budget
from benchrig.judge.decision import Limit, judge
from benchrig.judge.uncertainty import AccuracyTerms, Conditions, components, expanded, standard_uncertainty
from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Callable

BOUND_S = 10e-6
ROUNDS, VALUES = 100, 100

LIMIT = Limit("rail", unit="V", low=3.2, high=3.4, source="profile", rule="guarded")
TERMS = AccuracyTerms(of_reading=2e-4, of_range=5e-5, resolution=1e-4, of_reading_per_k=2e-5, drift_per_year=1e-4)
CONDITIONS = Conditions(ambient_c=31.0, calibration_age_years=0.7)
U_V = 0.004
MARGIN_V = {Verdict.PASS: 0.05, Verdict.UNDECIDED: 0.001, Verdict.FAIL: -0.02}


def volts(verdict: Verdict) -> list[float]:
    """Readings about the upper limit that have this verdict, no two the same."""
    return [3.4 - MARGIN_V[verdict] + number * 1e-9 for number in range(VALUES)]


def judged(value_v: float) -> Verdict:
    """The bounded step: value and expanded uncertainty against the limit."""
    return judge(value_v, unit="V", expanded_uncertainty=U_V, limit=LIMIT).verdict


def from_terms(value_v: float) -> Verdict:
    """Accuracy terms, standard uncertainty, coverage factor, verdict."""
    u = standard_uncertainty(value_v, range_=10.0, terms=TERMS, conditions=CONDITIONS)
    return judge(value_v, unit="V", expanded_uncertainty=expanded(u, dof=math.inf)[0], limit=LIMIT).verdict


def from_budget(value_v: float) -> Verdict:
    """The same with a budget of named components."""
    budget = Budget(components(value_v, range_=10.0, terms=TERMS, conditions=CONDITIONS), unit="V", value=value_v)
    return judge(value_v, unit="V", expanded_uncertainty=budget.expanded().uncertainty, limit=LIMIT).verdict


def fastest_s(step: Callable[[float], Verdict], values_v: list[float]) -> float:
    """Seconds for one value, in the fastest of the rounds."""
    best_s = math.inf
    for _ in range(ROUNDS):
        start_s = time.perf_counter()
        for value_v in values_v:
            step(value_v)
        best_s = min(best_s, time.perf_counter() - start_s)
    return best_s / len(values_v)


def main() -> int:
    """Measure, print, and say whether the bound holds."""
    dearest_s = 0.0
    for verdict in MARGIN_V:
        values_v = volts(verdict)
        found = {judged(value_v) for value_v in values_v}
        if found != {verdict}:
            print(f"values meant to be {verdict} were judged {', '.join(sorted(found))}")
            return 1
        one_s = fastest_s(judged, values_v)
        dearest_s = max(dearest_s, one_s)
        print(f"{verdict}: {one_s * 1e6:.2f} µs, bound {BOUND_S * 1e6:.0f} µs")
    print(f"ratio of the dearest to the bound: {dearest_s / BOUND_S:.2f}")
    print(f"from accuracy terms to a pass: {fastest_s(from_terms, volts(Verdict.PASS)) * 1e6:.1f} µs")
    print(f"with a budget of components: {fastest_s(from_budget, volts(Verdict.PASS)) * 1e6:.1f} µs")
    return 0 if dearest_s <= BOUND_S else 1


if __name__ == "__main__":
    sys.exit(main())
