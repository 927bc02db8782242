"""Series that stop when certain, over 100 000 simulated boards: both error rates, and the readings that are saved.

Error rates: every board's mean is on the limit, where a wrong verdict is likeliest, with white and with first-order
autoregressive noise. A rate is broken when more boards go wrong than all but one in a thousand simulations of a
kept rate would show (binomial distribution).

Readings saved: against the series of fixed length that has the same error rates under the same knowledge of the
noise (scatter unknown; correlation unknown up to the plan's largest, or known to be none): the least n at which
that series, decided once by the same belief about the mean, passes all but `wrong_fail` of the boards one standard
deviation inside. What a series needs whose noise is known beforehand, scatter and all, is printed beside it.

Bounds: no error rate broken; boards one deviation inside take at most 0.95 of the fixed series, 0.7 when the noise
is known to be white; boards of a process with Cp 1 centred between limits six deviations of the noise apart take at
most 0.75 and 0.4; and every decision of 100 000 boards takes at most 1 ms of one core.
"""

from __future__ import annotations

import sys
import time
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy import stats

from benchrig.judge.correlated_mean import add_to_sums, believe, correlation_grid, start_sums
from benchrig.judge.decision import Limit
from benchrig.judge.sequential import Decisions, Plan, decide_many, fixed_readings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

BOARDS, BLOCK, MOST = 100_000, 10_000, 60
TRIALS = 4000
HALF_WIDTH = 3.0
LONGEST_DECISION_S = 1e-3


class Rates(NamedTuple):
    """One simulation of boards on the limit."""

    name: str
    rate: float
    up_to: float
    correlation: float


RATES = (
    Rates("white, known to be", 0.01, 0.0, 0.0),
    Rates("white, known to be", 0.001, 0.0, 0.0),
    Rates("white", 0.01, 0.8, 0.0),
    Rates("autoregressive 0.4", 0.01, 0.8, 0.4),
    Rates("autoregressive 0.8", 0.01, 0.8, 0.8),
    Rates("autoregressive 0.8", 0.001, 0.8, 0.8),
)


class Saving(NamedTuple):
    """Largest share of the fixed series that a plan may take, of boards at the margin and of a whole process."""

    up_to: float
    at_margin: float
    of_process: float


SAVINGS = (Saving(0.0, 0.7, 0.4), Saving(0.8, 0.95, 0.75))


def _noise(rng: np.random.Generator, boards: int, correlation: float, *, readings: int = MOST) -> Floats:
    noise = rng.standard_normal((boards, readings))
    noise[:, 1:] *= (1.0 - correlation**2) ** 0.5
    for number in range(1, readings):
        noise[:, number] += correlation * noise[:, number - 1]
    return noise


def _plan(rate: float, up_to: float, *, low: float | None = None, high: float = 0.0) -> Plan:
    limit = Limit("mean", unit="V", low=low, high=high, source="benchmark", rule="simple")
    return Plan(limit=limit, wrong_fail=rate, wrong_pass=rate, most_readings=MOST, correlation_up_to=up_to)


def _decide(rng: np.random.Generator, means: Floats, correlation: float, plan: Plan) -> tuple[Decisions, float]:
    parts, took_s = [], 0.0
    for start in range(0, len(means), BLOCK):
        block = means[start : start + BLOCK, np.newaxis]
        readings = block + _noise(rng, len(block), correlation)
        began_s = time.perf_counter()
        parts.append(decide_many(readings, plan=plan))
        took_s += time.perf_counter() - began_s
    return Decisions(*(np.concatenate(columns) for columns in zip(*parts, strict=True))), took_s


def _rates_hold(rng: np.random.Generator) -> bool:
    print(f"{BOARDS} boards on the limit, at most {MOST} readings")
    kept = True
    for one in RATES:
        found, took_s = _decide(rng, np.zeros(BOARDS), one.correlation, _plan(one.rate, one.up_to))
        passed, failed = int(found.passed.sum()), int(found.failed.sum())
        allowed = int(stats.binom.isf(1e-3, BOARDS, one.rate))
        each_s = took_s / BOARDS
        print(
            f"  {one.name:20} rate {one.rate:g}: wrong pass {passed / BOARDS:.5f}, wrong fail {failed / BOARDS:.5f} "
            f"(bound {allowed / BOARDS:.5f}), undecided {1 - (passed + failed) / BOARDS:.3f}, "
            f"{each_s * 1e6:.0f} us a board"
        )
        kept &= max(passed, failed) <= allowed and each_s <= LONGEST_DECISION_S
    return kept


def _fixed_length(rng: np.random.Generator, rate: float, up_to: float) -> int:
    """Least n at which one look passes all but `rate` of white boards one deviation inside a limit at 0."""
    readings = _noise(rng, TRIALS, 0.0, readings=200) - 1.0
    grid = correlation_grid(up_to)
    sums = start_sums(readings[:, 0])
    for column in readings.T[1:]:
        sums = add_to_sums(sums, column)
        above = believe(sums, correlations=grid).chances(0.0)[1]
        if (above <= rate).mean() >= 1.0 - rate:
            return sums.readings
    raise RuntimeError("200 readings are not enough for a fixed series; the benchmark's margin is too small")


def _savings_hold(rng: np.random.Generator, rate: float) -> bool:
    known = fixed_readings(1.0, wrong_fail=rate, wrong_pass=rate)
    print(f"readings at rate {rate:g}; a fixed series needs {known} when scatter and correlation are known beforehand")
    kept = True
    for one in SAVINGS:
        fixed = _fixed_length(rng, rate, one.up_to)
        margin, _ = _decide(rng, np.full(BOARDS, -1.0), 0.0, _plan(rate, one.up_to))
        process = rng.normal(0.0, HALF_WIDTH / 3.0, BOARDS)
        plan = _plan(rate, one.up_to, low=-HALF_WIDTH, high=HALF_WIDTH)
        of_process, _ = _decide(rng, process, 0.0, plan)
        shares = float(margin.counts.mean()) / fixed, float(of_process.counts.mean()) / fixed
        print(
            f"  correlation up to {one.up_to:g}: fixed {fixed}; one deviation inside {margin.counts.mean():.1f} = "
            f"{shares[0]:.2f} (bound {one.at_margin:g}), process {of_process.counts.mean():.1f} = {shares[1]:.2f} "
            f"(bound {one.of_process:g}), undecided {1 - (of_process.passed | of_process.failed).mean():.4f}"
        )
        kept &= shares[0] <= one.at_margin and shares[1] <= one.of_process
    return kept


def main() -> int:
    """Both parts, with one seed each."""
    rates_hold = _rates_hold(np.random.default_rng(61))
    savings_hold = _savings_hold(np.random.default_rng(67), 0.01)
    return 0 if rates_hold and savings_hold else 1


if __name__ == "__main__":
    sys.exit(main())
