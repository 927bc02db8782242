"""What planned points prove: known blind spots, the score, and the fewest further points."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.payload import Field, FieldMap
from benchrig.payload.points import ValueRange
from benchrig.payload.proof import Proof, prove
from tests.payload.reference_encoders import WRONG, point, right

Values = dict[str, float | str]

BATTERY = ValueRange(low="2.5", high="4.3", step="0.001")
RANGES = {
    "battery": BATTERY,
    "temperature": ValueRange(low=-40, high=85, step=1),
    "flags": ValueRange(low=0, high=7, step=1),
    "bale.temperature": ValueRange(low=-40, high=85, step="0.1", words=("no probe",)),
}
ROUND_VOLTAGES = [point(volts, 20) for volts in (3.0, 3.3, 3.6, 3.9, 4.2)]


@dataclass(frozen=True)
class Figure:
    """A value from outside the project, and how far it is backed."""

    id: str
    source: str
    mark: str
    inputs: range
    expected: list[int]
    tolerance: int = 0

    def __str__(self) -> str:
        return f"{self.id}: {self.expected} +-{self.tolerance} from {self.source}, {self.mark}"


FIGURES = [
    Figure(
        "millivolts with two equal bytes from 3.0 to 4.2 V",
        "arithmetic: multiples of 257",
        "recomputed",
        range(3000, 4201),
        [3084, 3341, 3598, 3855, 4112],
    ),
]


def claims(proof: Proof) -> set[str]:
    """What the plan leaves in doubt."""
    return {doubt.claim for doubt in proof.doubts}


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_prove_equal_bytes_cannot_show_a_swap(probe_map: FieldMap, figure: Figure) -> None:
    """Exactly the voltages whose two bytes are equal leave the byte order of the battery in doubt."""
    near = [value + step for value in figure.expected for step in (-1, 0, 1)]

    unproven = [
        millivolts
        for millivolts in near
        if "the byte order of battery" in claims(prove(probe_map, [point(millivolts / 1000, 20)], max_slips=1))
    ]

    assert unproven == figure.expected == [value for value in figure.inputs if value % 257 == 0], figure


def test_prove_round_voltages_at_room_temperature_leave_the_sign_unproven(probe_map: FieldMap) -> None:
    """Five round voltages at 20 degC say nothing of the sign, and the sentence says so with an example."""
    proof = prove(probe_map, ROUND_VOLTAGES)

    assert "the sign of temperature" in claims(proof)
    assert (
        "these points do not prove the sign of temperature: 4 wrong encoders send the right bytes at all of them, "
        "such as 'negative numbers sent as 0'"
    ) in proof.sentences


def test_prove_one_negative_temperature_proves_the_sign(probe_map: FieldMap) -> None:
    """With -5 degC instead of 20 at one of the five voltages the sign of the temperature is proven."""
    proof = prove(probe_map, [*ROUND_VOLTAGES[:4], point(4.2, -5)])

    assert "the sign of temperature" not in claims(proof)
    assert "the sign of bale[*].temperature" in claims(proof)


@pytest.mark.parametrize("text", sorted(WRONG))
def test_prove_survivors_are_those_that_send_the_right_bytes(probe_map: FieldMap, text: str) -> None:
    """A mistake written with struct survives a plan exactly when it sends the same bytes at all of its points."""
    for volts, degrees in ((3.598, 20), (3.7, 20), (2.57, -5), (4.112, 119)):
        plan = [point(volts, degrees)]
        survives = text in {mutant.text for mutant in prove(probe_map, plan, max_slips=1).survivors}

        is_unknown = "point before" in text
        assert survives == (is_unknown or WRONG[text](plan, 0) == right(plan, 0)), plan


def test_prove_score_counts_survivors(probe_map: FieldMap) -> None:
    """The score is the share of all encoders that is shown, and the first line of the text says it."""
    proof = prove(probe_map, ROUND_VOLTAGES)

    assert proof.score == 1 - len(proof.survivors) / proof.encoders
    assert 0.8 < proof.score < 1
    assert proof.text.startswith(
        f"{probe_map.name}: 5 points show {proof.encoders - len(proof.survivors)} of {proof.encoders} wrong encoders"
    )
    assert "give the ranges of values" in proof.text


@given(volts=st.lists(st.integers(2500, 4300), min_size=2, max_size=5), degrees=st.integers(-40, 85))
@settings(max_examples=20, deadline=None)
def test_prove_another_point_never_lowers_the_score(probe_map: FieldMap, volts: list[int], degrees: int) -> None:
    """What fewer points show, more points show as well."""
    plan = [point(millivolts / 1000, degrees) for millivolts in volts]

    fewer, more = prove(probe_map, plan[:-1], max_slips=1), prove(probe_map, plan, max_slips=1)

    assert {mutant.text for mutant in more.survivors} <= {mutant.text for mutant in fewer.survivors}


def test_prove_extra_points_show_all_that_can_be_shown(probe_map: FieldMap) -> None:
    """With the proposed points in the plan, what is left is what was said that no point can show.

    Two points do for all fields together, and with fewer not even the flags are proven (see the next test).
    """
    proof = prove(probe_map, ROUND_VOLTAGES, ranges=RANGES)

    after = prove(probe_map, [*ROUND_VOLTAGES, *proof.extra_points], ranges=RANGES)

    assert len(proof.extra_points) == 2
    assert after.extra_points == ()
    assert after.doubts == proof.never == after.never
    assert claims(after) == {
        "the rounding of battery",
        "the rounding of temperature",
        "the rounding of bale[*].temperature",
        "the width of battery",
    }


def test_prove_extra_points_are_the_fewest(probe_map: FieldMap) -> None:
    """For the flags two points are proposed, and of all single points and all pairs none does with one."""
    flags = {"flags": RANGES["flags"]}
    proof = prove(probe_map, ROUND_VOLTAGES, ranges=flags)

    singles = [_survivors_with(probe_map, [one]) for one in range(8)]
    pairs = [_survivors_with(probe_map, [*two]) for two in itertools.product(range(8), repeat=2)]

    left = _survivors_with(probe_map, [int(extra["flags"]) for extra in proof.extra_points])
    assert len(proof.extra_points) == 2
    assert min(singles) > min(pairs) == left


def _survivors_with(probe_map: FieldMap, flags: list[int]) -> int:
    last = ROUND_VOLTAGES[-1]
    plan = [*ROUND_VOLTAGES, *({**last, "flags": one} for one in flags)]
    return len(prove(probe_map, plan).survivors)


def test_prove_a_finer_step_proves_the_rounding(probe_map: FieldMap) -> None:
    """In whole millivolts the rounding never shows; in tenths of them one point proves it."""
    coarse = prove(probe_map, ROUND_VOLTAGES, ranges={"battery": BATTERY})
    fine = prove(probe_map, ROUND_VOLTAGES, ranges={"battery": ValueRange(low="2.5", high="4.3", step="0.0001")})

    assert "the rounding of battery" in {doubt.claim for doubt in coarse.never}
    assert "the rounding of battery" not in {doubt.claim for doubt in fine.never}
    assert "no point within the ranges can prove the rounding of battery: 'cut off toward zero'" in coarse.text


def test_prove_finds_the_one_value_of_a_long_range_that_shows() -> None:
    """Of 9000 values only 5000.5 is a half, which is rounded away from zero or to even, and it is found."""
    counter = FieldMap(
        name="counter",
        port=7,
        length_bytes=2,
        fields=(Field(name="n", offset=0, width_bits=16, kind="unsigned", byte_order="big"),),
    )
    text = "n: a half rounded to the even count"

    proof = prove(counter, [{"n": 1}, {"n": 2}], ranges={"n": ValueRange(low=0, high=9000, step="1.0001")}, max_slips=1)

    assert text in {mutant.text for mutant in proof.survivors}
    assert 5000.5 in {extra["n"] for extra in proof.extra_points}
    assert text not in {mutant.text for doubt in proof.never for mutant in doubt.mutants}


def test_prove_extra_points_take_words_that_the_bench_can_bring_about(probe_map: FieldMap) -> None:
    """A missing probe is a candidate only where the range names it, and then proves the code for it."""
    plan = [point(3.3, 20, 2, (12.3, 20.0)), point(3.7, -5, 2, (-12.3, 1.0))]
    without = ValueRange(low=-40, high=85, step="0.1")

    proof = prove(probe_map, plan, ranges={"bale.temperature": without})
    better = prove(probe_map, plan, ranges={"bale.temperature": RANGES["bale.temperature"]})

    assert "the code of 'no probe' of bale[*].temperature" in {doubt.claim for doubt in proof.never}
    assert "the code of 'no probe' of bale[*].temperature" not in {doubt.claim for doubt in better.never}
    assert any("no probe" in extra.values() for extra in better.extra_points)


def test_prove_two_slips_are_listed_only_where_neither_survives_alone(probe_map: FieldMap) -> None:
    """Cutting off and stopping early is no news beside cutting off; a swap with a wrong constant is."""
    proof = prove(probe_map, [point(3.7, 20)])

    for doubt in proof.doubts:
        for mutant in doubt.mutants:
            singles = {other.slips for other in proof.survivors if other.part == mutant.part and len(other.slips) == 1}
            assert len(mutant.slips) == 1 or not any((slip,) in singles for slip in mutant.slips), mutant.text


def test_prove_bench_values_avoid_invalid_codes() -> None:
    """A value that would be sent as an invalid code is no candidate, so every proposed point can be encoded."""
    field_map = FieldMap(
        name="codes",
        port=8,
        length_bytes=1,
        fields=(Field(name="x", offset=0, width_bits=8, kind="unsigned", invalid={255: "none", 128: "late"}),),
    )

    proof = prove(field_map, [{"x": 1}], ranges={"x": ValueRange(low=128, high=129, step=1)})

    assert {extra["x"] for extra in proof.extra_points} == {129.0}  # twice: stale by half a turn needs the second


def test_prove_refuses_a_range_of_invalid_codes_alone(probe_map: FieldMap) -> None:
    """A range in which every value would be read as a missing probe has nothing to set."""
    only = {"bale.temperature": ValueRange(low="3276.7", high="3276.7", step=1)}

    with pytest.raises(ConfigError, match=r"range of 'bale\[0\]\.temperature' has no value that can be sent"):
        prove(probe_map, ROUND_VOLTAGES, ranges=only)


def test_prove_refuses_a_plan_without_points(probe_map: FieldMap) -> None:
    """No points prove nothing, and that is said instead of a score."""
    with pytest.raises(ConfigError, match="no points for 'hay-barn probe'; give at least one"):
        prove(probe_map, [])


@pytest.mark.parametrize(
    ("volts", "message"),
    [
        pytest.param(float("nan"), "point 2: .*battery: nan is not a finite number", id="not a number"),
        pytest.param(float("inf"), "point 2: .*battery: inf is not a finite number", id="infinite"),
        pytest.param(70.0, r"point 2: .*battery: 70\.0 V does not fit; accepted 0\.0 to 65\.535 V", id="out of range"),
        pytest.param("flat", "point 2: .*battery: unknown word 'flat'", id="unknown word"),
    ],
)
def test_prove_refuses_a_point_that_cannot_be_sent(probe_map: FieldMap, volts: float | str, message: str) -> None:
    """A planned value that no right encoder can send is refused, with the number of its point."""
    wrong: Values = {**point(3.3, 20), "battery": volts}

    with pytest.raises(ConfigError, match=message):
        prove(probe_map, [point(3.3, 20), wrong])


def test_prove_refuses_points_of_different_lengths(open_map: FieldMap) -> None:
    """Two bales and three bales are two layouts; each is to be looked at apart."""
    two: Values = {"state": 1, "bale[0].temperature": 1.0, "bale[1].temperature": 2.0}

    with pytest.raises(ConfigError, match="payloads of 7, 9 bytes; look at each length apart"):
        prove(open_map, [two, {**two, "bale[2].temperature": 3.0}])


@pytest.mark.parametrize(
    ("name", "wanted", "message"),
    [
        pytest.param("batery", BATTERY, "unknown field 'batery'; the nearest is 'battery'", id="misspelt"),
        pytest.param(
            "temperature",
            ValueRange(low=-40, high=200, step=1),
            r"range of 'temperature': 200 does not fit; accepted -128\.0 to 127\.0 degC",
            id="too wide",
        ),
        pytest.param(
            "bale.temperature",
            ValueRange(low=0, high=1, step=1, words=("wet",)),
            r"range of 'bale\[0\]\.temperature': unknown word 'wet'; accepted \['no probe'\]",
            id="unknown word",
        ),
    ],
)
def test_prove_refuses_a_range_that_does_not_fit(
    probe_map: FieldMap, name: str, wanted: ValueRange, message: str
) -> None:
    """A range must name a field, and its ends must be values that the field can carry."""
    with pytest.raises(ConfigError, match=message):
        prove(probe_map, ROUND_VOLTAGES, ranges={name: wanted})


@pytest.mark.parametrize(
    ("low", "high", "step", "message"),
    [
        pytest.param(4, 3, 1, "accepted low <= high, step > 0", id="upside down"),
        pytest.param(3, 4, 0, "accepted low <= high, step > 0", id="no step"),
        pytest.param(3, 4, "-0.1", "accepted low <= high, step > 0", id="negative step"),
        pytest.param(float("nan"), 4, 1, "not a finite number; write decimal numbers", id="not a number"),
        pytest.param(0, 1, "0.000001", "more than 100000 values; take a larger step", id="too many"),
    ],
)
def test_value_range_refuses(low: float, high: float, step: float | str, message: str) -> None:
    """A range is finite, goes upwards and has a number of values that can be looked at."""
    with pytest.raises(ConfigError, match=message):
        ValueRange(low=low, high=high, step=step)


def test_value_range_steps_in_decimal_digits() -> None:
    """Steps of a tenth are tenths, where floats would miss 0.3, and a last step that is too long is left out."""
    assert ValueRange(low=0, high="0.35", step=0.1, words=("none",)).cells == (
        Fraction(0),
        Fraction(1, 10),
        Fraction(2, 10),
        Fraction(3, 10),
        "none",
    )
