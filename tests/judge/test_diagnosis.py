"""Ranking of causes on signatures written by hand: the arithmetic of each fault is done here, not by the model."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import stats

from benchrig.board.profile import read_board_profile
from benchrig.judge.circuit import BenchPlan, predict
from benchrig.judge.circuit_faults import circuit_faults
from benchrig.judge.diagnosis import ANOTHER, NOTHING, Diagnosis, _tail, diagnose
from benchrig.judge.diagnosis_fit import Weigher
from benchrig.judge.hypothesis import engineering
from benchrig.judge.other_faults import SOUND_WORDS, other_faults
from benchrig.judge.signature import Converted, Measured, Signature

if TYPE_CHECKING:
    from benchrig.judge.circuit_parts import CircuitPlan

PROFILE = read_board_profile(Path(__file__).parents[2] / "fixtures" / "boards" / "hay-barn-probe.toml")
VOLTS = (3.30, 3.45, 3.60, 3.75, 3.90, 4.05, 4.20)


def the_circuit() -> CircuitPlan:
    assert PROFILE.circuit is not None
    return PROFILE.circuit


def the_plan() -> BenchPlan:
    ways = [(volts, "up") for volts in VOLTS] + [(volts, "down") for volts in reversed(VOLTS)]
    sweep = tuple(Converted(volts, volts, 0, way, 0.25 if number else 1e6) for number, (volts, way) in enumerate(ways))
    return BenchPlan(sweep, (3.6, 3.7, 4.2), 3.7, 3.3, PROFILE.converter.volts_per_count, PROFILE.roles.probes)


def sound() -> dict[str, Measured]:
    """What a board right at its design shows, with the uncertainties of ordinary instruments. By hand."""
    awake_a = 4.5e-3 * 3.3 / (0.9 * 3.7)
    return {
        "gain": Measured(0.0, 3e-4),
        "middle error": Measured(0.0, 2e-4),
        "hysteresis": Measured(0.0, 1e-4),
        "noise": Measured(math.log(0.8), 0.0),
        "bend": Measured(math.log(0.8), 0.0),
        "rail 3.60 V": Measured(3.297, 1e-4),
        "rail 3.70 V": Measured(3.297, 1e-4),
        "rail 4.20 V": Measured(3.297, 1e-4),
        "supply against meter": Measured(0.0, 7e-4),
        "drop under load": Measured(0.1 * 45e-3 * 3.3 / (0.9 * 3.7), 5e-4),
        "conversion gain": Measured(0.0, 3e-4),
        "conversion offset": Measured(0.0, 1e-3),
        "boot time": Measured(math.log(0.25), 0.05),
        "answer time": Measured(math.log(0.05), 0.2),
        "touch current": Measured(math.log(awake_a), 0.07),
        "floor": Measured(math.log(17e-6), 2e-3),
        "wake charge": Measured(math.log(awake_a * 0.012), 1e-3),
        "wake period": Measured(math.log(2.0), 1e-3),
        "plateau": Measured(math.log(48.5e-3 * 3.3 / (0.9 * 3.7)), 1e-3),
        "airtime": Measured(math.log(0.0566), 1e-3),
        "temperature": Measured(0.1, 0.06),
        **{f"probe {name}": Measured(0.1, 0.06) for name in PROFILE.roles.probes},
    }


def diagnosed(numbers: dict[str, Measured] | None = None, **words: str) -> Diagnosis:
    """The ranking for a sound board with these numbers and words in place of its own."""
    shown = {**SOUND_WORDS, **{name.replace("_", " "): word for name, word in words.items()}}
    return diagnose(Signature(sound() | (numbers or {}), shown), the_circuit(), the_plan())


def first_keys(found: Diagnosis, count: int = 3) -> list[str]:
    return [cause.key for cause in found.causes[:count]]


def test_sound_signature_is_nothing_wrong() -> None:
    """A board at its design is called sound, and no fault has a tenth of the belief."""
    found = diagnosed()

    assert found.causes[0].key == NOTHING
    assert found.fits


@pytest.mark.parametrize(
    ("numbers", "expected"),
    [
        pytest.param({"floor": Measured(math.log(1.6e-3), 1e-3)}, "radio in standby", id="1.6 mA in sleep alone"),
        pytest.param({"wake period": Measured(math.log(2.3), 1e-3)}, "timer off", id="timer 15 % slow"),
        pytest.param({"temperature": Measured(6.0, 0.06)}, "sensor off", id="6 degrees high"),
        pytest.param({"temperature": Measured(-61.0, 0.06)}, "sensor open", id="at the end of its table"),
        pytest.param({"airtime": Measured(math.log(0.3707), 1e-3)}, "spreading factor", id="airtime of SF10"),
        pytest.param(
            {"noise": Measured(math.log(30.5), 0.0), "bend": Measured(math.log(30.5), 0.0)},
            "converter noisy",
            id="30 counts",
        ),
        pytest.param({"middle error": Measured(0.043, 2e-4)}, "converter offset", id="40 counts everywhere"),
        pytest.param({"middle error": Measured(-0.060, 2e-4)}, "divider leak", id="0.2 uA through 300 kohm"),
        pytest.param(
            {"plateau": Measured(math.log(26.5e-3 * 3.3 / (0.9 * 3.7)), 1e-3)}, "transmit current", id="22 mA"
        ),
    ],
)
def test_one_number_that_is_off_names_its_part(numbers: dict[str, Measured], expected: str) -> None:
    """Each number was worked out by hand for one broken part; that part is ranked first."""
    assert first_keys(diagnosed(numbers))[0] == expected


def test_gain_fault_is_a_group_with_the_measurement_that_splits_it() -> None:
    """-2.9 % of gain and of the middle: both resistors and the reference, and ohms or volts to tell which."""
    found = diagnosed({"gain": Measured(-0.0291, 3e-4), "middle error": Measured(-0.0291 * 3.75, 2e-4)})
    group = found.groups[0]

    assert {cause.key for cause in group.causes} == {"divider top off", "divider bottom off", "reference off"}
    assert group.split is not None
    assert "ohms of the divider" in group.split.measurement
    assert len(group.split.outcomes) == 2


def test_top_resistor_is_quoted_with_its_size() -> None:
    """312 kohm instead of 300 kohm is what -2.91 % takes: 400/412 - 1."""
    found = diagnosed({"gain": Measured(-0.0291, 3e-4), "middle error": Measured(-0.0291 * 3.75, 2e-4)})
    (text,) = [cause.text for cause in found.causes if cause.key == "divider top off"]

    assert "(312 kohm instead of 300 kohm)" in text


def test_meter_that_reads_two_percent_high_is_suspected_before_the_board() -> None:
    """All volts 2 % high against the supply, the board's gain 2 % low: one meter explains it, no part does."""
    rails = {f"rail {volts} V": Measured(3.297 * 1.02, 1e-4) for volts in ("3.60", "3.70", "4.20")}
    found = diagnosed(
        {
            **rails,
            "gain": Measured(1 / 1.02 - 1.0, 3e-4),
            "middle error": Measured(3.75 * (1 / 1.02 - 1.0), 2e-4),
            "supply against meter": Measured(0.02, 7e-4),
        }
    )

    assert (found.causes[0].key, found.causes[0].side) == ("meter gain", "bench")


def test_recorder_off_is_told_from_a_board_that_draws_too_much() -> None:
    """Floor, wake and transmission all 40 % high, the supply's own reading as it should be: the recorder."""
    scaled = {name: Measured(sound()[name].value + math.log(1.4), 1e-3) for name in ("floor", "wake charge", "plateau")}

    assert diagnosed(scaled).causes[0].key == "recorder gain"


def test_what_no_cause_explains_is_called_another() -> None:
    """A check that no feature stands for failed, all else is sound: the list does not hold the cause, and says so."""
    found = diagnosed(other_checks="failed")

    assert found.causes[0].key == ANOTHER
    assert not found.fits


def test_missing_features_speak_for_nothing() -> None:
    """With the floor alone measured, a board at 300 uA still has its leaks ranked first."""
    seen = Signature({"floor": Measured(math.log(320e-6), 1e-3)}, {})
    found = diagnose(seen, the_circuit(), the_plan())

    assert {"rail leak", "asleep load"} & set(first_keys(found))


def test_shares_add_up() -> None:
    """Shares are probabilities: what is told adds up to all but the negligible rest."""
    found = diagnosed({"floor": Measured(math.log(320e-6), 1e-3)})

    assert 0.9 < math.fsum(cause.share for cause in found.causes) <= 1.0 + 1e-9


def test_most_faults_are_found_on_boards_with_scattered_parts() -> None:
    """For 24 boards whose sound parts are scattered inside their tolerances, the fault is among the first three for 21.

    The faults are those of the list, planted at a severity drawn from its range; 30 uA to 1 mA of leaks look alike.
    """
    rng = np.random.default_rng(7)
    plan, bench = the_circuit(), the_plan()
    names = ("divider leak", "rail resistance", "dropout high", "timer off", "transmit current", "converter offset")
    faults = [one for one in circuit_faults(plan.circuit) if one.key in names]
    hits = 0
    for trial in range(24):
        board = plan.circuit
        for one in plan.tolerances:
            step = rng.normal(0.0, one.sigma)
            board = board.put(
                one.path, board.value(one.path) * (1 + step) if one.is_ratio else board.value(one.path) + step
            )
        fault = faults[trial % len(faults)]
        severity = fault.grid[(0, -1)[trial % 2]]
        shown = fault.show(predict(fault.circuit(board, severity), bench), severity)
        found = diagnose(Signature(shown.numbers, {**SOUND_WORDS, **shown.words}), plan, bench)
        hits += fault.key in first_keys(found)

    assert hits >= 21


def test_covariance_counts_a_tolerance_once() -> None:
    """Three rail points that a 1.5 % reference moves together are one surprise, as scipy's Gaussian says."""
    seen = Signature({f"rail {volts} V": Measured(3.33, 1e-4) for volts in ("3.60", "3.70", "4.20")}, {})
    plan = the_circuit()
    weigher = Weigher(seen, plan.circuit, plan.tolerances, the_plan())
    middle = weigher.scale.vector(weigher.predict(plan.circuit), weigher.scale.measured)
    gaussian = stats.multivariate_normal(middle, np.linalg.inv(weigher.scale.inverse))

    log_density = weigher.scale.log_norm - 0.5 * weigher.scale.chi_squared(weigher.scale.measured - middle)

    assert log_density == pytest.approx(gaussian.logpdf(weigher.scale.measured), rel=1e-6)
    assert weigher.scale.chi_squared(weigher.scale.measured - middle) < 4.0


@pytest.mark.parametrize(("chi_squared", "dof"), [(3.0, 3), (30.0, 12), (60.0, 20)])
def test_tail_is_that_of_chi_squared(chi_squared: float, dof: int) -> None:
    """The cube-root approximation agrees with scipy.stats.chi2 to a fifth of the tail."""
    assert _tail(chi_squared, dof) == pytest.approx(stats.chi2.sf(chi_squared, dof), rel=0.2)


def test_keys_are_unique_and_words_are_known() -> None:
    """Two causes of one key would be one in every table; a word that no sound board has a counterpart of never fits."""
    causes = (*circuit_faults(the_circuit().circuit), *other_faults(PROFILE.roles.probes))
    keys = [cause.key for cause in causes]

    assert len(set(keys)) == len(keys) > 60
    assert {name for cause in causes for name in cause.words if not name.startswith("probe ")} <= {
        *SOUND_WORDS,
        "reset cause",
    }


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(312e3, "ohm", "312 kohm"), (1.1, "V", "1.1 V"), (8e-6, "F", "8 uF"), (999.9, "V", "1 kV"), (0.0, "A", "0 A")],
)
def test_engineering_numbers_have_three_digits_and_a_prefix(value: float, unit: str, text: str) -> None:
    """Sizes are written as the trade writes them."""
    assert engineering(value, unit) == text
