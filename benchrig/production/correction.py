"""Correction constants of the board's converter: from the sweep, written, kept without power, and proven."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.judge.budget import Budget
from benchrig.judge.correction import Correction, Refusal, find_correction
from benchrig.judge.parts import components_of
from benchrig.judge.uncertainty import Component
from benchrig.procedures.correction import new_readings, read_constants, write_constants
from benchrig.procedures.power import power_cycle, ready
from benchrig.production.converter_findings import fit_codes
from benchrig.quantity import format_quantity
from benchrig.records import Verdict

if TYPE_CHECKING:
    from benchrig.board.correction_table import CorrectionPlan
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.procedures.correction import Constants, Proof
    from benchrig.procedures.on_bench import OnBench

_KEPT = "look at how the firmware writes its non-volatile memory, and at the time that it needs before power goes"
_APPLIED = "look at how the firmware applies the constants: their scale, their sign, and to what they are applied"


def check_correction(run: BoardRun, measure: Check) -> None:
    """Find constants and prove them; a board that is faulty rather than off gets none."""
    on, plan = run.on_bench, run.on_bench.profile.correction
    if plan is None:
        measure.end_by(Verdict.NOT_RUN, "the profile plans no correction", next_action="give it a table correction")
        return
    if len(run.sweep) < 2 * len(on.profile.sweep.points_v):
        measure.end_by(
            Verdict.NOT_RUN,
            f"constants come from a whole battery sweep, of which this run has {len(run.sweep)} points",
            next_action="run the check battery_sweep before this one",
        )
        return
    found = find_correction(
        fit_codes(run.sweep, on.profile.converter),
        form=plan.form,
        bounds=plan.bounds,
        low_v=min(on.profile.sweep.points_v),
        high_v=max(on.profile.sweep.points_v),
    )
    if isinstance(found, Refusal):
        _refuse(run, measure, found)
        return
    if _too_uncertain(measure, found):
        return
    ready(on)
    _correct(on, measure, plan, found)


def _too_uncertain(measure: Check, found: Correction) -> bool:
    """Constants from a voltmeter that is less certain than what is allowed would put a board wrong, not right."""
    limit = measure.limits.get("error_after")
    uncertain_v = found.uncertain_by()
    if limit is None or 2.0 * uncertain_v < limit.width:
        return False
    measure.undecided(
        "error_after",
        f"constants from this bench would be uncertain by {_shown(uncertain_v)}, as much as the limit allows or more; "
        "none were written",
        next_action="measure the terminals by a meter with a smaller uncertainty",
    )
    return True


def _refuse(run: BoardRun, measure: Check, refusal: Refusal) -> None:
    """Nothing is written. Where the sweep has failed the board already, this check adds no second failure."""
    why = f"no constants were written, the board is faulty rather than off: {'; '.join(refusal.reasons)}"
    swept = run.checks.get("battery_sweep")
    if swept is not None and swept.verdict is Verdict.FAIL:
        measure.end_by(Verdict.NOT_RUN, why, next_action="see the check battery_sweep")
        return
    measure.end_by(Verdict.FAIL, why, next_action="find the fault: constants would only hide it")


def _correct(on: OnBench, measure: Check, plan: CorrectionPlan, found: Correction) -> None:
    before = read_constants(on)
    wanted = f"gain {found.gain_number}, offset {found.offset_number}"
    written = write_constants(on, gain=found.gain_number, offset=found.offset_number)
    taken = measure.fact(
        "constants taken",
        expected=wanted,
        seen=written.text,
        holds=written.text == wanted,
        next_action="look at what the firmware accepts: a locked memory, or the range of its numbers",
    )
    if taken is not Verdict.PASS:
        measure.end_by(Verdict.FAIL, f"the board does not take its constants ({written.raw!r}); it holds {before.text}")
        return
    power_cycle(on)
    kept = read_constants(on)
    measure.fact(
        "constants kept without power", expected=wanted, seen=kept.text, holds=kept.text == wanted, next_action=_KEPT
    )
    proofs = tuple(new_readings(on, plan)) if kept.text == wanted else ()
    _judge(measure, proofs, found)
    measure.annex("correction of the battery reading", _lines(found, before, proofs))
    if measure.not_passed():
        _put_back(on, measure, before)


def _judge(measure: Check, proofs: tuple[Proof, ...], found: Correction) -> None:
    """Against the limit for what a user needs, and against what the constants' own uncertainty allows."""
    for proof in proofs:
        causes = components_of(proof.terminals.parts) or (
            Component("meter", standard_uncertainty=proof.terminals.standard_uncertainty),
        )
        measure(
            "error_after",
            proof.error_v,
            unit="V",
            budget=Budget(causes, unit="V"),
            at=f"at {proof.setpoint_v:.3f} V",
            next_action=_APPLIED,
        )
    if not proofs:
        return
    worst = max(proofs, key=lambda proof: abs(proof.error_v) / _within_v(found, proof))
    measure.fact(
        "errors as predicted",
        expected=f"within {_shown(_within_v(found, worst))}, by the uncertainty of the constants",
        seen=f"{_shown(worst.error_v)} at {worst.setpoint_v:.3f} V",
        holds=abs(worst.error_v) <= _within_v(found, worst),
        next_action=_APPLIED,
    )


def _within_v(found: Correction, proof: Proof) -> float:
    return found.error_within(proof.terminals.value, meter_u_v=proof.terminals.standard_uncertainty)


def _shown(volts: float) -> str:
    return format_quantity(volts, "V", resolution=1e-5)


def _put_back(on: OnBench, measure: Check, before: Constants) -> None:
    """Constants that are not proven must not stay in a board that somebody may ship all the same."""
    restored = write_constants(on, gain=before.gain, offset=before.offset)
    measure.fact(
        "earlier constants put back",
        expected=before.text,
        seen=restored.text,
        holds=restored.text == before.text,
        next_action="the board holds constants that are not proven: do not ship it",
    )


def _lines(found: Correction, before: Constants, proofs: tuple[Proof, ...]) -> list[str]:
    gain = f"gain   {100 * found.gain:+.4f} % ± {100 * found.gain_u:.4f} % standard, number {found.gain_number}"
    offset = format_quantity(found.offset_v, "V", resolution=1e-6)
    offset_u = format_quantity(found.offset_u_v, "V", resolution=1e-6)
    left = format_quantity(found.rounding_v, "V", resolution=1e-8)
    lines = [
        gain,
        f"offset {offset} ± {offset_u} standard, number {found.offset_number}",
        f"rounding to whole numbers leaves up to {left}; the board held {before.text} before",
    ]
    lines += [
        f"at {proof.terminals.value:.4f} V off by {_shown(proof.error_v)}, predicted within "
        f"{_shown(_within_v(found, proof))}"
        for proof in proofs
    ]
    return lines
