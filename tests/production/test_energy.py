"""The check of average current and life: verdicts from what others measured, and what it says of what nobody did."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from benchrig.production.energy import check_energy
from benchrig.records import Annex, CheckFinished, NotProven, ReadingTaken, Verdict
from benchrig.run_plan import Found

from .fake_bench import PROFILE, Table

if TYPE_CHECKING:
    from .fake_bench import FakeRun

SOUND = {
    "floor_a": Found(17e-6, 0.05e-6, "A"),
    "wake_charge_c": Found(54e-6, 0.03e-6, "C"),
    "wake_period_s": Found(2.0, 0.001, "s"),
    "sleep_mean_a": Found(44e-6, 0.05e-6, "A"),
    "report_charge_c": Found(3.6e-3, 0.01e-3, "C"),
    "transmit_charge_c": Found(2.7e-3, 0.002e-3, "C"),
    "transmit_duration_s": Found(56.6e-3, 0.04e-3, "s"),
    "spreading_factor": Found(7.0, 0.0, "1"),
}


def measured(table: Table, **changes: Found | None) -> FakeRun:
    """A run whose checks before found a sound board, with changes; None was not found."""
    run = table.run()
    run.found = {name: one for name, one in {**SOUND, **changes}.items() if one is not None}
    return run


def annexes(table: Table) -> dict[str, str]:
    """What the check laid out, by title."""
    return {one.title: "\n".join(one.lines) for one in table.records if isinstance(one, Annex)}


def not_proven(table: Table) -> list[str]:
    """What the check says that it leaves open."""
    return [one.text for one in table.records if isinstance(one, NotProven)]


def test_sound_board_passes() -> None:
    """17 µA, 54 µC every 2 s and 3.6 mC every 900 s are 48 µA: inside, with a life, and both are all its limits."""
    table = Table("energy")

    finished = table.do(check_energy, measured(table))

    assert finished.verdict is Verdict.PASS, finished.why
    current, life = (table.judged(name) for name in ("average_current", "life"))
    assert getattr(current, "value", None) == pytest.approx(48e-6, rel=1e-9)
    # by hand: 0.35 Ah x 0.88 in the cold x (1 - 0.0475 left at 3.45 V and 48 mA x 0.4 ohm), over 48 µA and 9.58 µA
    left = (3.45 + 2.7e-3 / 56.6e-3 * 0.4 - 3.27) / (3.69 - 3.27) * 0.10
    drawn_a = 48e-6 + 0.35 * 0.02 / 730.5
    assert getattr(life, "value", None) == pytest.approx(0.35 * 0.88 * (1.0 - left) / drawn_a / 24.0, rel=1e-6)
    assert getattr(life, "unit", "") == "d"
    assert {part.name for part in getattr(life, "parts", ())} >= {"capacity", "usable share", "self-discharge"}


def test_inputs_are_written_down() -> None:
    """The journal alone is enough to reckon again: every input is a reading of this check, with its uncertainty."""
    table = Table("energy")

    table.do(check_energy, measured(table))

    kept = {one.name: (one.value, one.standard_uncertainty) for one in table.records if isinstance(one, ReadingTaken)}
    assert kept == {name: (one.value, one.standard_uncertainty) for name, one in SOUND.items()}


def test_annex_says_what_draws_and_what_it_rests_on() -> None:
    """The annex has every load with its share, the life with its interval, and the what-ifs of the profile."""
    table = Table("energy")

    table.do(check_energy, measured(table))

    text = annexes(table)["energy and life"]
    for name in ("floor", "wake", "report", "self-discharge"):
        assert re.search(rf"(?m)^{name} .* \d+\.\d%$", text), name
    shares = [float(share) for share in re.findall(r"(?m)^(?:floor|wake|report|self-discharge) .* ([\d.]+)%$", text)]
    assert sum(shares) == pytest.approx(100.0, abs=0.2)
    assert re.search(r"life \d+ d, 95% between \d+ d and \d+ d", text)
    assert len(re.findall(r"(?m)^ +\d+ s  SF\d+ ", text)) == 9
    assert "sun from 2025-01-01 to 2025-12-31, 365 days" in annexes(table)["solar autonomy"]
    assert any("no cell was measured" in one for one in not_proven(table))
    assert any("neither panel nor charger was measured" in one for one in not_proven(table))


@pytest.mark.parametrize(
    ("changes", "fails"),
    [
        pytest.param({"floor_a": Found(300e-6, 1e-6, "A")}, {"average_current", "life"}, id="leak"),
        pytest.param({"report_charge_c": Found(40e-3, 0.1e-3, "C")}, {"average_current"}, id="long reports"),
        pytest.param({"wake_period_s": Found(0.8, 0.001, "s")}, {"average_current"}, id="wakes too often"),
    ],
)
def test_board_that_draws_too_much(changes: dict[str, Found], fails: set[str]) -> None:
    """Too much current fails by the average, and by the life once that is too short; the next action says where."""
    table = Table("energy")

    finished = table.do(check_energy, measured(table, sleep_mean_a=None, **changes))

    assert finished.verdict is Verdict.FAIL
    assert {getattr(one, "limit", "") for one in table.measure.not_passed()} == fails
    assert all(one.next_action for one in table.measure.not_passed())


@pytest.mark.parametrize(
    ("name", "check"),
    [("floor_a", "floor_current"), ("wake_period_s", "floor_current"), ("report_charge_c", "transmit")],
)
def test_what_was_not_measured(name: str, check: str) -> None:
    """Without an input nothing is decided; the reason names it, and how the check ended that should have found it."""
    table = Table("energy")
    run = measured(table, **{name: None})
    run.checks[check] = CheckFinished(check=check, verdict=Verdict.UNDECIDED, duration_s=1.0, at_s=1.0)

    finished = table.do(check_energy, run)

    assert finished.verdict is Verdict.UNDECIDED
    for value in ("average_current", "life"):
        judged = table.judged(value)
        assert judged.why == f"not measured: {name} ({check}: undecided)"
        assert judged.next_action == f"see {check}"
    assert annexes(table) == {}


def test_check_that_was_left_out() -> None:
    """A run without the checks before says that they were not run."""
    table = Table("energy")

    table.do(check_energy, table.run())

    assert "(floor_current: not run; transmit: not run)" in table.judged("life").why


def test_profile_without_a_cell() -> None:
    """A board whose profile does not plan energy is undecided, and told what to add."""
    table = Table("energy", profile=replace(PROFILE, energy=None))

    finished = table.do(check_energy, measured(table))

    assert finished.verdict is Verdict.UNDECIDED
    assert table.judged("life").next_action == "give it one, with the cell"


def test_figures_that_are_no_budget() -> None:
    """A cell that cannot give anything at its cut-off is undecided with the reason, never an exception."""
    assert PROFILE.energy is not None
    cell = replace(PROFILE.energy.cell, cutoff_v=4.3)
    table = Table("energy", profile=replace(PROFILE, energy=replace(PROFILE.energy, cell=cell)))

    finished = table.do(check_energy, measured(table))

    assert finished.verdict is Verdict.UNDECIDED
    assert "nothing of the cell can be used" in table.judged("life").why


def test_board_without_a_panel() -> None:
    """Without a table solar there is no solar year, and nothing is said of the sun."""
    table = Table("energy", profile=replace(PROFILE, solar=None))

    assert table.do(check_energy, measured(table)).verdict is Verdict.PASS
    assert set(annexes(table)) == {"energy and life"}
    assert not any("sun" in one for one in not_proven(table))


def test_sun_that_cannot_be_read_undoes_nothing() -> None:
    """A series that is not there leaves the verdict alone, and stands among what was not proven."""
    assert PROFILE.solar is not None
    solar = replace(PROFILE.solar, series=Path("no-such-folder") / "sun.csv")
    table = Table("energy", profile=replace(PROFILE, solar=solar))

    finished = table.do(check_energy, measured(table))

    assert finished.verdict is Verdict.PASS
    assert any(one.startswith("the solar year: irradiance") and "no such file" in one for one in not_proven(table))
    assert "solar autonomy" not in annexes(table)
