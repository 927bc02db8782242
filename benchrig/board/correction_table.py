"""Reads the profile's table `correction`: how the board holds its constants, and up to where it counts as off.

Owns what the table may say, and that the console's questions write and read both constants. Must not know how constants
are found (`judge.correction`). The table may be absent: then the check of that name says that none is planned.
"""

from __future__ import annotations

import string
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.correction import CorrectionBounds, CorrectionForm
from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from benchrig.toml_reader import Section

WRITE, READ = "write_correction", "read_correction"
"""Questions of the console: the first sends {gain} and {offset}, both answer with groups of these names."""

CONSTANTS = ("gain", "offset")
_FINEST_STEP = 1e-9
"""Of a gain, or in V: finer than any converter of a board can show."""
_LARGEST_ERROR_V = 1.0
"""A board that is a volt off is faulty, whatever constants it got; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectionPlan:
    """The form of the constants, the bounds, and the voltages (V) at which new readings prove them."""

    form: CorrectionForm
    bounds: CorrectionBounds
    verify_points_v: tuple[float, ...]


def read_correction(top: Section, *, maximum_v: float) -> CorrectionPlan | None:
    """The plan, None when the table is absent. No voltage may be above `maximum_v`."""
    section = top.section("correction", required=False)
    if section is None:
        return None
    plan = CorrectionPlan(form=_form(section), bounds=_bounds(section), verify_points_v=_points(section, maximum_v))
    _check_questions(top)
    section.finish()
    return plan


def _form(section: Section) -> CorrectionForm:
    return CorrectionForm(
        gain_step=section.number("gain_step", default=1e-6, at_least=_FINEST_STEP, at_most=0.01),
        offset_step_v=section.number("offset_step_v", default=1e-6, at_least=_FINEST_STEP, at_most=0.1),
        least=section.integer("least", default=-32768, at_least=-(2**31), at_most=0),
        most=section.integer("most", default=32767, at_least=1, at_most=2**31 - 1),
        reported_step_v=section.number("reported_step_v", default=0.001, at_least=_FINEST_STEP, at_most=1.0),
    )


def _bounds(section: Section) -> CorrectionBounds:
    return CorrectionBounds(
        gain=section.number("max_gain_percent", above=0.0, at_most=50.0) / 100.0,
        offset_v=section.number("max_offset_v", above=0.0, at_most=_LARGEST_ERROR_V),
        residual_v=section.number("max_residual_v", above=0.0, at_most=_LARGEST_ERROR_V),
        hysteresis_v=section.number("max_hysteresis_v", above=0.0, at_most=_LARGEST_ERROR_V),
        noise_v=section.number("max_noise_v", above=0.0, at_most=_LARGEST_ERROR_V),
    )


def _points(section: Section, maximum_v: float) -> tuple[float, ...]:
    points_v = section.numbers("verify_points_v")
    for point_v in points_v:
        if point_v <= 0.0 or point_v > maximum_v:
            section.problem(
                "verify_points_v",
                f"{point_v:g} V; accepted: above 0 V, up to the absolute maximum of {maximum_v:g} V (table maxima)",
            )
    if not points_v:
        section.problem("verify_points_v", "no voltage; new readings at one or more prove the constants")
    return points_v


def _check_questions(top: Section) -> None:
    """The console must know how to write and read the constants. What is wrong in a question is told elsewhere."""
    console = top.raw("console")
    questions = console.get("questions") if isinstance(console, dict) else None
    if not isinstance(questions, dict):
        return
    for name in (WRITE, READ):
        question = questions.get(name)
        if not isinstance(question, dict):
            top.problem(
                f"console.questions.{name}",
                f"this entry is missing: table correction needs it{nearest(name, list(questions))}",
            )
            continue
        _check_question(top, name, question)


def _check_question(top: Section, name: str, question: dict[str, object]) -> None:
    place = f"console.questions.{name}"
    answer, send = str(question.get("answer", "")), str(question.get("send", ""))
    for constant in CONSTANTS:
        if f"(?P<{constant}>" not in answer:
            top.problem(f"{place}.answer", f"the pattern has no group (?P<{constant}>...)")
    try:
        sent = {key for _, key, _, _ in string.Formatter().parse(send) if key is not None}
    except ValueError:
        return
    wanted = set(CONSTANTS) if name == WRITE else set()
    if sent != wanted:
        placeholders = " and ".join(f"{{{one}}}" for one in CONSTANTS) if wanted else "no placeholder"
        top.problem(f"{place}.send", f"sends {send!r}; accepted: a text with {placeholders}")
