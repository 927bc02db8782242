"""Wrong bytes explained: planted mistakes, written with struct, are found among few hypotheses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.payload import FieldMap
from benchrig.payload.explain import Explanation, Seen, explain
from benchrig.payload.mutants import mutant_family
from benchrig.payload.points import PointTable, ValueRange
from tests.payload.reference_encoders import WRONG, Encoder, body_of, counts, crc8, point, right, sealed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from benchrig.payload.field_mutants import Rows

Values = dict[str, float | str]

RANGES = {
    "battery": ValueRange(low="2.5", high="4.3", step="0.001"),
    "temperature": ValueRange(low=-40, high=85, step=1),
}
# 4.015 V is one of the 24 millivolt values for which double precision falls short
PLAN = tuple(
    point(volts, degrees, flags, bales)
    for volts, degrees, flags, bales in (
        (3.30, 20, 0, (12.3, "no probe")),
        (4.015, 21, 1, (12.4, 20.5)),
        (2.505, -5, 2, (-12.3, 20.7)),
        (3.75, 19, 5, (30.0, "no probe")),
        (3.90, 22, 0, (1.7, -3.3)),
    )
)


@dataclass(frozen=True)
class Figure:
    """A mistake from the field and the hypothesis that must be among the answers."""

    id: str
    source: str
    mark: str
    inputs: Encoder
    expected: str
    tolerance: int = 0

    def __str__(self) -> str:
        return f"{self.id}: {self.expected!r} from {self.source}, {self.mark}"


def _planted(identity: str, text: str) -> Figure:
    return Figure(identity, "common practice, no source", "written with struct", WRONG[text], text)


FIGURES = [
    _planted("bytes swapped", "battery: bytes in the other order"),
    _planted("stale value", "battery: value of the point before"),
    _planted("off by 40", "temperature: +40 degC added"),
    _planted("sign lost", "temperature: sign lost"),
    _planted("sign clipped", "temperature: negative numbers sent as 0"),
    _planted("truncation", "battery: multiplied in double precision and cut off"),
    _planted("scale", "battery: 10 times too small"),
    _planted("whole degrees", "battery: whole V before it is scaled"),
    _planted("field swap", "the payload: battery and temperature in each other's place"),
    _planted("member swap", "the payload: values of bale[0].temperature and bale[1].temperature exchanged"),
    _planted("padding", "the payload: a byte too many before temperature, the last one lost"),
    _planted("group swapped", "bale[*].temperature: bytes in the other order"),
    _planted("flag order", "flags: siren and low_battery on each other's bits"),
    _planted("wrong field", "battery: value of temperature"),
    _planted("old frame", "the payload: the frame of the point before"),
    _planted("place", "battery: one byte later"),
]


def seen_from(encoder: Encoder, plan: Sequence[Mapping[str, float | str]] = PLAN) -> list[Seen]:
    """What a board with this encoder sends, its check value right over the bytes it sends."""
    return [Seen(values=plan[at], payload=sealed(encoder(plan, at))) for at in range(len(plan))]


def texts(explanation: Explanation) -> list[str]:
    """All hypotheses in words, simplest first."""
    return [hypothesis.text for hypothesis in explanation.hypotheses]


@pytest.mark.parametrize("figure", FIGURES, ids=[figure.id for figure in FIGURES])
def test_explain_finds_the_planted_mistake(probe_map: FieldMap, figure: Figure) -> None:
    """The true hypothesis is in the simplest class, and the part that is wrong is named."""
    explanation = explain(probe_map, seen_from(figure.inputs), ranges=RANGES)

    first = [hypothesis.text for hypothesis in explanation.classes[0].hypotheses]
    assert figure.expected in first, f"{figure} is not among {texts(explanation)[:5]}"
    assert not explanation.is_right
    assert explanation.omitted == 0


def test_explain_stale_value_from_before_the_first_point(probe_map: FieldMap) -> None:
    """What was sent at the first point came from before it, so it contradicts nothing."""
    seen = seen_from(WRONG["battery: value of the point before"])
    seen[0] = Seen(values=PLAN[0], payload=sealed(body_of(PLAN[0], battery=3111)))

    explanation = explain(probe_map, seen, ranges=RANGES)

    assert texts(explanation)[0] == "battery: value of the point before"


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        pytest.param(lambda body: bytes([crc8(body) ^ 0xFF]), "the check value: inverted", id="inverted"),
        pytest.param(lambda body: b"\0", "the check value: always 0", id="constant"),
        pytest.param(lambda body: bytes([sum(body) & 0xFF]), "the check value: the sum of the bytes instead", id="sum"),
        pytest.param(
            lambda body: bytes([crc8(body[1:])]), "the check value: it leaves out the first byte", id="covers less"
        ),
    ],
)
def test_explain_finds_the_wrong_check_value(probe_map: FieldMap, change: object, expected: str) -> None:
    """With right bytes and a wrong check value only the check value is called wrong, and how."""
    assert callable(change)
    seen = [Seen(values=one, payload=right(PLAN, at) + change(right(PLAN, at))) for at, one in enumerate(PLAN)]

    explanation = explain(probe_map, seen, ranges=RANGES)

    assert explanation.wrong_parts == ("the check value",)
    assert texts(explanation)[0] == expected


def test_explain_bytes_changed_after_the_check_value(probe_map: FieldMap) -> None:
    """A byte order changed on the way leaves the check value of the right bytes, and both are said."""
    swapped = WRONG["battery: bytes in the other order"]
    seen = [Seen(values=one, payload=swapped(PLAN, at) + sealed(right(PLAN, at))[-1:]) for at, one in enumerate(PLAN)]

    explanation = explain(probe_map, seen, ranges=RANGES)

    assert texts(explanation)[0] == (
        "battery: bytes in the other order; the check value: computed over the right bytes, before they were changed"
    )


PAIRS = [
    ("battery: bytes in the other order", "temperature: +40 degC added"),
    ("battery: value of the point before", "flags: charging inverted"),
    ("temperature: sign lost", "bale[*].temperature: bytes in the other order"),
    ("battery: 10 times too small", "temperature: sent in degrees Fahrenheit"),
]


@pytest.mark.parametrize(("first", "second"), PAIRS, ids=[f"{a} and {b}" for a, b in PAIRS])
def test_explain_finds_two_fields_each_wrong(probe_map: FieldMap, first: str, second: str) -> None:
    """Two mistakes in different fields are found together, in the simplest class."""

    def both(plan: Sequence[Mapping[str, float | str]], at: int) -> bytes:
        bodies = (WRONG[first](plan, at), WRONG[second](plan, at), right(plan, at))
        return bytes(a ^ b ^ c for a, b, c in zip(*bodies, strict=True))  # each changes bytes of its own

    explanation = explain(probe_map, seen_from(both), ranges=RANGES)

    assert f"{first}; {second}" in [hypothesis.text for hypothesis in explanation.classes[0].hypotheses]


def test_explain_misplaced_field_beside_a_wrong_one(probe_map: FieldMap) -> None:
    """A misplaced battery that the temperature is written over is found beside a temperature that is off."""
    wrong = seen_from(lambda plan, at: _misplaced(plan[at], counts(plan[at]["temperature"], 1) + 40))

    assert texts(explain(probe_map, wrong))[0] == "battery: one byte later; temperature: +40 degC added"


def _misplaced(values: Mapping[str, float | str], degrees: int) -> bytes:
    body = body_of(values, temperature=degrees)
    return bytes([0, body[0]]) + body[2:]


def test_explain_two_parts_that_write_the_same_bits_are_no_hypothesis(probe_map: FieldMap) -> None:
    """A temperature written over the battery's high byte cannot be, where the battery's bytes are seen swapped."""
    wrong = seen_from(lambda plan, at: body_of(plan[at], temperature=0, battery_format=">H"))

    explanation = explain(probe_map, wrong, ranges=RANGES)

    assert "battery: bytes in the other order; temperature: always 0" in texts(explanation)
    assert not [text for text in texts(explanation) if "temperature: one byte earlier" in text]


def test_explain_foretells_an_old_check_value_over_wrong_bytes(probe_map: FieldMap) -> None:
    """With swapped bytes and the check value of the frame before, the next payload has that of the last one seen."""
    plan: list[Mapping[str, float | str]] = [*PLAN]
    swapped = WRONG["battery: bytes in the other order"]

    def sent(at: int) -> bytes:
        return swapped(plan, at) + bytes([crc8(swapped(plan, at - 1)) if at else 0])

    explanation = explain(probe_map, [Seen(values=one, payload=sent(at)) for at, one in enumerate(plan)], ranges=RANGES)
    assert texts(explanation)[0] == "battery: bytes in the other order; the check value: that of the frame before"
    assert explanation.next_point is not None
    plan.append(explanation.next_point.values)

    (first, *_) = (answer for answer in explanation.next_point.answers if 0 in answer.classes)
    assert first.payload.hex(" ") == sent(len(plan) - 1).hex(" ")


def test_explain_any_constant(probe_map: FieldMap) -> None:
    """A constant that is not in the family is taken from the bytes themselves."""
    wrong = seen_from(lambda plan, at: body_of(plan[at], temperature=counts(plan[at]["temperature"], 1) + 6))

    assert texts(explain(probe_map, wrong, ranges=RANGES))[0] == "temperature: +6 counts added"


def test_explain_one_frame_leaves_many_hypotheses_and_says_what_to_measure(probe_map: FieldMap) -> None:
    """A single wrong frame is no proof: aliases stay, a stale value among them but not first, and a point splits."""
    explanation = explain(probe_map, seen_from(WRONG["battery: bytes in the other order"], PLAN[:1]), ranges=RANGES)

    assert texts(explanation)[0] == "battery: bytes in the other order"
    assert "battery: value of the point before" in texts(explanation)
    assert len(explanation.classes) > 10
    assert explanation.next_point is not None
    assert len(explanation.next_point.answers) > 5


def test_explain_what_rests_on_the_unknown_comes_later(probe_map: FieldMap) -> None:
    """One frame with 40 added could also be stale, a commoner mistake, but nothing that was seen speaks for it."""
    explanation = explain(probe_map, seen_from(WRONG["temperature: +40 degC added"], PLAN[:1]), ranges=RANGES)

    assert texts(explanation)[0] == "temperature: +40 degC added"
    assert "temperature: value of the point before" in texts(explanation)


def test_explain_one_frame_with_two_fields_wrong(probe_map: FieldMap) -> None:
    """An old frame would explain any single frame, so pairs of fields are looked at as well."""
    seen = [Seen(values=PLAN[0], payload=sealed(body_of(PLAN[0], battery_format=">H", temperature=60)))]

    explanation = explain(probe_map, seen, ranges=RANGES)

    assert "the payload: the frame of the point before" in texts(explanation)
    assert "battery: bytes in the other order; temperature: +40 degC added" in texts(explanation)
    assert f"and {explanation.omitted} less simple ones" in explanation.text


@pytest.mark.parametrize("figure", FIGURES, ids=[figure.id for figure in FIGURES])
def test_explain_next_points_lead_to_the_planted_mistake(probe_map: FieldMap, figure: Figure) -> None:
    """From one frame on, measuring what is proposed ends in one class, which has the true hypothesis in it."""
    plan: list[Values] = [*PLAN[1:3]]
    ranges = RANGES | {
        "flags": ValueRange(low=0, high=7, step=1),
        "bale.temperature": ValueRange(low=-40, high=85, step="0.1", words=("no probe",)),
    }
    explanation = explain(probe_map, seen_from(figure.inputs, plan), ranges=ranges)

    for _ in range(12):
        if explanation.next_point is None:
            break
        plan.append(dict(explanation.next_point.values))
        came = sealed(figure.inputs(plan, len(plan) - 1))
        assert came in {answer.payload for answer in explanation.next_point.answers}, figure
        before = len(explanation.classes)
        explanation = explain(probe_map, seen_from(figure.inputs, plan), ranges=ranges)
        assert len(explanation.classes) < before

    assert explanation.next_point is None
    assert figure.expected in texts(explanation), figure


def test_explain_answers_say_which_classes_each_payload_would_leave(probe_map: FieldMap) -> None:
    """Every class foretells one payload at the next point, and each payload names its classes."""
    explanation = explain(probe_map, seen_from(WRONG["battery: bytes in the other order"], PLAN[:1]), ranges=RANGES)

    assert explanation.next_point is not None
    indexes = [index for answer in explanation.next_point.answers for index in answer.classes]
    assert sorted(indexes) == list(range(len(explanation.classes)))
    assert all(crc8(answer.payload[:8]) == answer.payload[8] for answer in explanation.next_point.answers)


@given(data=st.data())
@settings(max_examples=25, deadline=None)
def test_explain_finds_every_encoder_of_the_family(probe_map: FieldMap, data: st.DataObject) -> None:
    """Whichever wrong encoder sent the payloads, it is among the hypotheses, or nothing was wrong to see."""
    table = PointTable.of(probe_map, PLAN)
    family = mutant_family(probe_map, length_bytes=9)
    part = data.draw(st.sampled_from(family.parts))
    row = data.draw(st.integers(0, part.size - 1))
    (bodies,) = part.bodies(_rows(row), table)
    payloads = family.payloads(bodies)

    explanation = explain(
        probe_map, [Seen(values=one, payload=bytes(came)) for one, came in zip(PLAN, payloads, strict=True)]
    )

    is_plain = bool((bodies == table.right).all())
    assert explanation.is_right == is_plain
    assert is_plain or part.mutant(row).text in texts(explanation)


def _rows(row: int) -> Rows:
    return np.array([row])


def test_explain_right_payloads_need_no_explanation(probe_map: FieldMap) -> None:
    """Right bytes are called right, without any hypothesis."""
    explanation = explain(probe_map, seen_from(right), ranges=RANGES)

    assert (explanation.is_right, explanation.wrong_parts, explanation.classes) == (True, (), ())
    assert explanation.text == "all payloads are as they should be\n"


def test_explain_noise_is_not_explained_away(probe_map: FieldMap) -> None:
    """Bytes that no hypothesis reproduces get none; the parts that are wrong are named, and what to do."""
    noise = [
        Seen(values=one, payload=bytes((37 * index + 101 * at + 5) & 0xFF for index in range(9)))
        for at, one in enumerate(PLAN)
    ]

    explanation = explain(probe_map, noise, ranges=RANGES)

    assert explanation.classes == ()
    assert set(explanation.wrong_parts) >= {"battery", "temperature", "the check value"}
    assert "compare one field after the other" in explanation.text


@pytest.mark.parametrize("payload", [b"", bytes(8), bytes(10)], ids=["empty", "short", "long"])
def test_explain_another_length_is_told(probe_map: FieldMap, payload: bytes) -> None:
    """A payload of another length is no reason to fail; the lengths are told, and to look for padding."""
    explanation = explain(probe_map, [Seen(values=PLAN[0], payload=payload)], ranges=RANGES)

    assert explanation.wrong_parts == ("the length",)
    assert f"{len(payload)} bytes seen where these values make 9" in explanation.note


def test_explain_without_ranges_asks_for_them(probe_map: FieldMap) -> None:
    """Without ranges no next point can be proposed, all hypotheses stay in one class, and that is said."""
    explanation = explain(probe_map, seen_from(WRONG["battery: bytes in the other order"], PLAN[:1]))

    assert explanation.next_point is None
    assert len(explanation.classes) == 1
    assert "give the ranges" in explanation.text


def test_explain_bit_that_no_field_owns(probe_map: FieldMap) -> None:
    """A bit set where no field stands is wrong and is said to be in no field."""
    gap_map = FieldMap(name="gap", port=2, length_bytes=10, fields=probe_map.fields, groups=probe_map.groups)
    seen = [Seen(values=PLAN[0], payload=right(PLAN, 0) + b"\0\x01")]

    assert explain(gap_map, seen).wrong_parts == ("bits that no field owns",)


def test_explain_text_leaves_out_slips_that_change_nothing(probe_map: FieldMap) -> None:
    """Beside a swap, a swap with a harmless rounding is no other explanation, and is not listed as one."""
    explanation = explain(probe_map, seen_from(WRONG["battery: bytes in the other order"]), ranges=RANGES)

    assert len(explanation.classes[0].hypotheses) > 1
    assert explanation.classes[0].text == "battery: bytes in the other order"
    assert "1. battery: bytes in the other order\n" in explanation.text


def test_explain_refuses_nothing_seen(probe_map: FieldMap) -> None:
    """No payload is no evidence."""
    with pytest.raises(ConfigError, match="no points for 'hay-barn probe'; give at least one"):
        explain(probe_map, [])
