"""From the records of a run to an annex of causes, and what a failure in there may cost: nothing of the verdict."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchrig.judge.verdicts import BoardVerdict
from benchrig.production.diagnosis import cause_lines, diagnose_run
from benchrig.production.signature_of_run import signature_of
from benchrig.records import FactJudged, Happening, LimitJudged, ReadingTaken, RunState, Verdict
from benchrig.report.board_report import BoardReport, CheckReport

from .fake_bench import PROFILE

POINTS_V = (3.30, 3.60, 3.90, 4.20)


def limit(check: str, name: str, value: float, *, unit: str, verdict: Verdict = Verdict.PASS) -> LimitJudged:
    return LimitJudged(
        check=check, limit=name, value=value, unit=unit, expanded_uncertainty=0.002 * abs(value), coverage_factor=2.0,
        low=None, high=1.0, rule="simple", guard_band=0.0, verdict=verdict, why="", limit_source="test", at_s=1.0,
    )  # fmt: skip


def fact(check: str, name: str, seen: str, verdict: Verdict) -> FactJudged:
    return FactJudged(check=check, fact=name, expected="", seen=seen, verdict=verdict, why="", at_s=1.0)


def reading(name: str, value: float, unit: str, at_s: float) -> ReadingTaken:
    return ReadingTaken(
        check="battery_sweep", name=name, value=value, unit=unit, standard_uncertainty=1e-4, source="", raw="",
        at_s=at_s,
    )  # fmt: skip


def sweep(gain: float) -> tuple[ReadingTaken, ...]:
    """A sweep up and down whose codes are off by a gain; the reported millivolts follow the codes."""
    taken: list[ReadingTaken] = []
    ways = [(volts, "up") for volts in POINTS_V] + [(volts, "down") for volts in reversed(POINTS_V)]
    for number, (volts, way) in enumerate(ways):
        counts = round(volts * gain / PROFILE.converter.volts_per_count)
        at, at_s = f"at {volts:.2f} V {way}", 1.0 + 0.25 * number
        taken += [
            reading(f"terminals {at}", volts, "V", at_s),
            reading(f"reported {at}", counts * PROFILE.converter.volts_per_count, "V", at_s),
            reading(f"counts {at}", counts, "count", at_s),
        ]
    return tuple(taken)


def report(*checks: CheckReport, events: tuple[Happening, ...] = ()) -> BoardReport:
    verdict = BoardVerdict(verdict=Verdict.FAIL, complete=True, missing=(), waived=(), why="")
    return BoardReport(started=None, checks=checks, events=events, state=RunState.COMPLETE, verdict=verdict)


def check(name: str, verdict: Verdict, *, why: str = "", judged: tuple[LimitJudged | FactJudged, ...] = (),
          readings: tuple[ReadingTaken, ...] = ()) -> CheckReport:  # fmt: skip
    return CheckReport(name=name, required=True, verdict=verdict, why=why, judged=judged, readings=readings)


def failed_by(judged: LimitJudged | FactJudged) -> CheckReport:
    return check(judged.check, Verdict.FAIL, judged=(judged,))


def gain_fault() -> BoardReport:
    judged = (limit("battery_sweep", "gain_error", -0.03, unit="1", verdict=Verdict.FAIL),)
    return report(check("battery_sweep", Verdict.FAIL, judged=judged, readings=sweep(0.97)))


def test_sweep_readings_become_gain_and_middle_error() -> None:
    """Codes 3 % low at every point: a gain of -3 %, and -3 % of the 3.75 V in the middle."""
    seen, plan = signature_of(gain_fault(), PROFILE)

    assert seen.numbers["gain"].value == pytest.approx(-0.03, abs=5e-4)
    assert seen.numbers["middle error"].value == pytest.approx(-0.03 * 3.75, abs=2e-3)
    assert len(plan.sweep) == 8
    assert plan.sweep[1].since_s == pytest.approx(0.25)


def test_gain_fault_is_told_as_a_group_with_a_measurement() -> None:
    """Causes that cannot be told apart, whose, how large, what tells them apart. By hand: 400/0.97 = 312 + 100."""
    found = diagnose_run(gain_fault(), PROFILE)
    assert found is not None
    text = "\n".join(cause_lines(found))

    assert "causes that these measurements cannot tell apart" in text
    assert "board: the divider's top resistor is off (312 kohm instead of 300 kohm)" in text
    assert "tells them apart: ohms of the divider's" in text


@pytest.mark.parametrize(
    ("one", "key"),
    [
        pytest.param(
            failed_by(fact("first_touch", "polarity and shorts", "short circuit: ...", Verdict.FAIL)),
            "input bridge",
            id="short",
        ),
        pytest.param(
            check("rail", Verdict.BENCH_ERROR, why="0.15 V are lost in lead and contact (3 ohm); clean it"),
            "contact worn",
            id="worn contact",
        ),
        pytest.param(
            failed_by(fact("temperature", "probe_error bale[1].temperature", "no probe", Verdict.FAIL)),
            "probe bale[1].temperature open",
            id="probe open",
        ),
        pytest.param(check("transmit", Verdict.FAIL, why="report: the board reset"), "rail capacitor open", id="reset"),
        pytest.param(
            failed_by(
                limit(
                    "payload_bytes", "battery_difference worst, at 3.30 V up", 2.1, unit="V", verdict=Verdict.FAIL
                )
            ),
            "battery bytes swapped",
            id="bytes",
        ),
    ],
)  # fmt: skip
def test_words_of_the_records_lead_to_their_cause(one: CheckReport, key: str) -> None:
    """What a check says in words ranks the cause that would make it say so first."""
    found = diagnose_run(report(one), PROFILE)

    assert found is not None
    assert found.causes[0].key == key


def test_damaged_lines_are_a_console_fault_only_when_there_are_several() -> None:
    """One half line is a board that lost its power; three are a line."""
    event = Happening(kind="damaged line", text="", at_s=1.0)
    failed = check("identity_start", Verdict.FAIL, why="no usable answer")

    assert "console" not in signature_of(report(failed, events=(event,)), PROFILE)[0].words
    assert signature_of(report(failed, events=(event,) * 3), PROFILE)[0].words["console"] == "damaged"


def test_board_that_passed_or_has_no_circuit_is_not_asked_about() -> None:
    """No annex where nothing failed, and none without a schematic."""
    assert diagnose_run(report(check("rail", Verdict.PASS)), PROFILE) is None
    assert diagnose_run(gain_fault(), replace(PROFILE, circuit=None)) is None


def test_empty_run_with_a_bench_error_still_ranks() -> None:
    """With next to nothing recorded the ranking still answers, and names the bench."""
    found = diagnose_run(report(check("first_touch", Verdict.BENCH_ERROR, why="meter: overload")), PROFILE)

    assert found is not None
    assert found.causes[0].side == "bench"


# ---- the cause of a reset, checks of one's own, wrong bytes, shares


@pytest.mark.parametrize(
    ("said", "first"),
    [
        pytest.param("watchdog", "watchdog in transmit", id="watchdog"),
        pytest.param("brownout", "rail capacitor open", id="brown-out"),
        pytest.param("power", "rail capacitor open", id="power"),
        pytest.param("0x20", "rail capacitor open", id="a word that is not known"),
    ],
)
def test_cause_in_the_boot_notice_counts(said: str, first: str) -> None:
    """What the board itself gives as the cause of its reset decides between causes that else look alike."""
    why = f"the board reset while report: 'BOOT haybarn fw=1.4.2 reset={said} boots=19*B933' came; look at its supply"
    failed = report(check("transmit", Verdict.FAIL, why=why))
    found = diagnose_run(failed, PROFILE)

    assert found is not None
    assert found.causes[0].key == first
    is_known = "reset cause" in signature_of(failed, PROFILE)[0].words
    assert is_known is (said != "0x20")
    asked = any("the cause of reset in the boot notice" in line for line in cause_lines(found))
    assert asked is not is_known  # what was read already is no further measurement


def test_own_check_that_fails_alone_has_no_cause_of_the_list() -> None:
    """No feature stands for a check of one's own: what nothing speaks for is not ranked, and 'nothing' is no cause."""
    found = diagnose_run(report(failed_by(fact("siren", "loud", "quiet", Verdict.FAIL))), PROFILE)

    assert found is not None
    assert [cause.key for cause in found.causes] == ["another"]


def test_own_check_that_fails_beside_a_sound_sweep() -> None:
    """The same with a sweep that is as it should be: its scatter is not taken for a cause."""
    found = diagnose_run(
        report(
            check("battery_sweep", Verdict.PASS, readings=sweep(1.0)),
            failed_by(fact("siren", "loud", "quiet", Verdict.FAIL)),
        ),
        PROFILE,
    )

    assert found is not None
    assert found.causes[0].key == "another"


def test_nothing_is_wrong_is_offered_for_doubt_alone() -> None:
    """An undecided value may be a sound board's; a failed check is no board with nothing wrong."""
    judged = (limit("battery_sweep", "gain_error", -0.001, unit="1"),)
    keys = {
        verdict: {
            cause.key
            for cause in diagnose_run(  # type: ignore[union-attr]
                report(check("battery_sweep", verdict, judged=judged, readings=sweep(0.999))), PROFILE
            ).causes
        }
        for verdict in (Verdict.UNDECIDED, Verdict.FAIL)
    }

    assert "nothing" in keys[Verdict.UNDECIDED]
    assert "nothing" not in keys[Verdict.FAIL]


def test_wrong_bytes_refer_to_their_explanation() -> None:
    """Causes of wrong bytes are told apart by the bytes, which the run has explained already."""
    one = limit("payload_bytes", "battery_difference worst, at 3.30 V up", 2.1, unit="V", verdict=Verdict.FAIL)
    found = diagnose_run(report(failed_by(one)), PROFILE)
    assert found is not None
    text = "\n".join(cause_lines(found))

    assert "tells them apart: 'wrong bytes explained' above: names the order of bytes if a" in text
    assert "no measurement that is known here" not in text


def test_certainty_is_never_printed() -> None:
    """A share rounds to no 100 %: it is one of the causes that are listed."""
    found = diagnose_run(
        report(failed_by(fact("first_touch", "polarity and shorts", "short circuit: ...", Verdict.FAIL))), PROFILE
    )
    assert found is not None
    text = "\n".join(cause_lines(found))

    assert found.groups[0].share > 0.99
    assert "1. > 99 % of the causes listed" in text
    assert "100 %" not in text
