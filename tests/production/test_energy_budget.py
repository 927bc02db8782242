"""Load and cell put together: sums by hand, what is counted once, and what cannot be reckoned."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from benchrig.board.energy_table import CellPlan, EnergyPlan
from benchrig.production.energy_budget import battery_of, energy_budget, load_at, missing
from benchrig.run_plan import Found

if TYPE_CHECKING:
    from benchrig.judge.energy import Load

CELL = CellPlan(
    capacity_ah=2.4,
    capacity_u_ah=0.0,
    usable_u=0.0,
    self_discharge_per_month=0.02,
    self_discharge_u_per_month=0.0,
    cutoff_v=0.0,
    source_ohm=0.0,
    temperature_degc=20.0,
    at_temperature=(),
    at_rest=(),
)
PLAN = EnergyPlan(
    report_period_s=900.0,
    spreading_factor=7,
    phy_payload_bytes=16,
    cell=CELL,
    periods_s=(900.0,),
    spreading_factors=(7, 12),
)


def found(**changes: Found | None) -> dict[str, Found]:
    """A board whose report is 43 mA for 51.456 ms (SF7, 16 bytes), floor included, and 15.5 mC beside; 10 µA floor."""
    values = {
        "floor_a": Found(10e-6, 0.0, "A"),
        "wake_charge_c": Found(0.0, 0.0, "C"),
        "wake_period_s": Found(2.0, 0.0, "s"),
        "report_charge_c": Found((43e-3 - 10e-6) * 51.456e-3 + 15.5e-3, 0.0, "C"),
        "transmit_charge_c": Found(43e-3 * 51.456e-3, 0.0, "C"),
        "transmit_duration_s": Found(51.456e-3, 0.0, "s"),
    }
    return {name: one for name, one in {**values, **changes}.items() if one is not None}


def events_a(load: Load) -> dict[str, float]:
    """What each event draws on average."""
    return {event.name: event.charge_c.value / event.every_s for event in load.events}


def test_days_of_a_report_at_two_spreading_factors() -> None:
    """From measured charges the figures of `tests/judge/test_energy.py`: 2246 d at SF7, 739 d at SF12, 80 % of 2 Ah."""
    cell = replace(CELL, capacity_ah=1.6, self_discharge_per_month=0.0)

    budget = energy_budget(replace(PLAN, cell=cell), found())

    assert budget.life.days == pytest.approx(2246.0, abs=1.0)
    assert [(one.spreading_factor, round(one.life.days)) for one in budget.tried] == [(7, 2246), (12, 739)]


def test_mean_current_by_hand() -> None:
    """17 µA + 54 µC / 2 s + 3.6 mC / 900 s are 48 µA."""
    budget = energy_budget(
        PLAN,
        found(
            floor_a=Found(17e-6, 0.3e-6, "A"),
            wake_charge_c=Found(54e-6, 0.4e-6, "C"),
            report_charge_c=Found(3.6e-3, 0.0, "C"),
        ),
    )

    assert budget.load.mean_a == pytest.approx(48e-6, rel=1e-12)
    assert budget.mean_budget.standard_uncertainty == pytest.approx(math.hypot(0.3e-6, 0.2e-6), rel=1e-9)


def test_period_brings_its_uncertainty() -> None:
    """A period known to 1 % leaves the wakes' mean current known to 1 %."""
    budget = energy_budget(PLAN, found(wake_charge_c=Found(54e-6, 0.0, "C"), wake_period_s=Found(2.0, 0.02, "s")))

    assert budget.mean_budget.standard_uncertainty == pytest.approx(0.27e-6, rel=1e-9)


def test_life_budget_is_that_of_the_interval() -> None:
    """To first order and by draws the spread of the life is the same, within 3 % of it."""
    cell = replace(CELL, capacity_u_ah=0.1, self_discharge_u_per_month=0.002)

    budget = energy_budget(replace(PLAN, cell=cell), found(floor_a=Found(10e-6, 0.5e-6, "A")))

    half = 0.5 * (budget.life.high_days - budget.life.low_days)
    assert 1.96 * budget.life_budget.standard_uncertainty == pytest.approx(half, rel=0.03)
    assert max(zip(budget.life_budget.shares, ("f", "w", "r", "c", "u", "s"), strict=True))[0] == pytest.approx(
        budget.life.shares[0].share, rel=1e-6
    )


def test_sleep_that_draws_more_than_it_should_is_counted() -> None:
    """5 µA that neither floor nor wakes explain go into the mean; half a standard uncertainty does not."""
    sleepy = energy_budget(PLAN, found(sleep_mean_a=Found(15e-6, 1e-6, "A")))
    noisy = energy_budget(PLAN, found(sleep_mean_a=Found(10.5e-6, 1e-6, "A")))

    assert events_a(sleepy.load)["what else sleep draws"] == pytest.approx(5e-6)
    assert any("5.00 uA more than floor and wakes explain" in note for note in sleepy.notes)
    assert "what else sleep draws" not in events_a(noisy.load)


def test_field_at_another_spreading_factor_than_the_bench() -> None:
    """Measured at SF7 and used at SF12, a report costs what its time on air there costs (1.318912 s at 16 bytes)."""
    seen = found(spreading_factor=Found(7.0, 0.0, "1"))

    same = energy_budget(PLAN, seen)
    other = energy_budget(replace(PLAN, spreading_factor=12), seen)

    assert events_a(same.load)["report"] * 900.0 == pytest.approx(seen["report_charge_c"].value, rel=1e-12)
    assert events_a(other.load)["report"] * 900.0 == pytest.approx(15.5e-3 + 43e-3 * 1.318912, rel=1e-6)
    assert "measured at spreading factor 7, reckoned at 12 by the time on air" in other.notes


def test_what_if_at_the_measured_factor_is_what_was_measured() -> None:
    """The floor runs on under a measured report, and a modelled one holds it: both give one mean current."""
    floor = Found(1e-3, 0.0, "A")  # large, so that a floor counted twice or not at all shows
    report_c = (43e-3 - 1e-3) * 51.456e-3 + 15.5e-3

    budget = energy_budget(PLAN, found(floor_a=floor, report_charge_c=Found(report_c, 0.0, "C")))

    assert budget.tried[0].spreading_factor == PLAN.spreading_factor
    assert budget.tried[0].life.mean_a == pytest.approx(budget.load.mean_a, rel=1e-9)
    assert budget.load.mean_a == pytest.approx(1e-3 + report_c / 900.0, rel=1e-12)


def test_first_receive_window_listens_longer_at_slower_rates() -> None:
    """11 mA for 8 symbols of 1.024 ms at SF7 are 8 of 32.768 ms at SF12 (symbol 2^SF / 125 kHz, AN1200.13)."""
    listening = {
        "receive_charge_c": Found(11e-3 * 8 * 1.024e-3, 0.0, "C"),
        "receive_duration_s": Found(8 * 1.024e-3, 0.0, "s"),
    }
    without, heard = energy_budget(PLAN, found()), energy_budget(PLAN, found(**listening))

    more_c = 900.0 * (heard.tried[1].life.mean_a - without.tried[1].life.mean_a)
    assert heard.tried[1].spreading_factor == 12
    assert more_c == pytest.approx(11e-3 * 8 * (32.768e-3 - 1.024e-3), rel=1e-6)
    assert heard.tried[0].life.mean_a == pytest.approx(without.tried[0].life.mean_a, rel=1e-9)
    assert any("as were measured, 8.0;" in note for note in heard.notes)
    assert any("both receive windows are kept as they were" in note for note in without.notes)


def test_symbols_of_a_window_are_those_of_the_measured_factor() -> None:
    """Measured at SF9 a window of 8 x 4.096 ms is 8 symbols, and 8 x 1.024 ms in the field at SF7."""
    seen = {
        "spreading_factor": Found(9.0, 0.0, "1"),
        "receive_charge_c": Found(11e-3 * 8 * 4.096e-3, 0.0, "C"),
        "receive_duration_s": Found(8 * 4.096e-3, 0.0, "s"),
    }

    report = energy_budget(PLAN, found(**seen)).report

    assert report is not None
    assert report.listen_symbols == pytest.approx(8.0)
    assert report.event().charge_c.value == pytest.approx(
        43e-3 * 51.456e-3 + 11e-3 * 8 * 1.024e-3 + 15.5e-3 - 11e-3 * 8 * 4.096e-3, rel=1e-6
    )


def test_transmission_counts_once_in_the_uncertainty() -> None:
    """A report known to 50 µC, of which 30 µC are its transmission, leaves 40 µC for the rest."""
    budget = energy_budget(
        PLAN,
        found(
            report_charge_c=Found(18e-3, 50e-6, "C"),
            transmit_charge_c=Found(2.2e-3, 30e-6, "C"),
        ),
    )

    assert budget.report is not None
    assert budget.report.rest_c.u == pytest.approx(40e-6, rel=1e-9)


def test_without_the_transmission_nothing_is_tried() -> None:
    """The whole charge of a report is enough for a life, not for another spreading factor; both are said."""
    budget = energy_budget(PLAN, found(transmit_charge_c=None))

    assert budget.life.days > 0.0
    assert budget.tried == ()
    assert any("the charge of the transmission alone is not known" in note for note in budget.notes)
    with pytest.raises(ValueError, match=r"spreading factor 9 cannot be reckoned: no transmission was measured"):
        load_at(budget, every_s=None, spreading_factor=9)


def test_load_with_a_change() -> None:
    """Half as many reports cost half; another factor costs its time on air; nothing changed changes nothing."""
    budget = energy_budget(PLAN, found())

    assert load_at(budget, every_s=None, spreading_factor=None) is budget.load
    half = load_at(budget, every_s=1800.0, spreading_factor=None)
    assert events_a(half)["report"] == pytest.approx(0.5 * events_a(budget.load)["report"])
    slow = load_at(budget, every_s=None, spreading_factor=12)
    assert events_a(slow)["report"] * 900.0 == pytest.approx(15.5e-3 + 43e-3 * 1.318912, rel=1e-6)


def test_floor_below_0_is_none() -> None:
    """Noise about nothing is a floor of nothing, not a battery that charges."""
    assert energy_budget(PLAN, found(floor_a=Found(-1e-9, 1e-8, "A"))).load.floor_a.value == 0.0


def test_cell_in_the_cold_down_to_its_cut_off() -> None:
    """By hand: 0.8 in the cold, and 10 % left when 43 mA across 1 ohm reach 3.647 V."""
    cell = replace(
        CELL,
        temperature_degc=-10.0,
        at_temperature=((-20.0, 0.6), (0.0, 1.0)),
        at_rest=((3.27, 0.0), (3.69, 0.1), (4.2, 1.0)),
        cutoff_v=3.647,
        source_ohm=1.0,
    )

    assert battery_of(cell, peak_a=43e-3).usable.value == pytest.approx(0.8 * 0.9, rel=1e-9)


@pytest.mark.parametrize(
    ("plan", "changes", "words"),
    [
        pytest.param(PLAN, {"wake_period_s": Found(0.0, 0.0, "s")}, "a wake period of 0.0 s", id="no period"),
        pytest.param(
            PLAN,
            {"report_charge_c": Found(1e-3, 0.0, "C")},
            r"report_charge_c is 0\.001 C, less than its own transmission draws above the floor, 0\.00221209 C of",
            id="less than its transmission",
        ),
        pytest.param(
            PLAN,
            {"report_charge_c": Found(1e-3, 0.5e-3, "C")},
            "less than its own transmission",
            id="less by more than its uncertainty explains",
        ),
        pytest.param(
            replace(PLAN, cell=replace(CELL, cutoff_v=5.0, at_rest=((3.0, 0.0), (4.2, 1.0)))),
            {},
            "at 20 degC and a cut-off of 5 V nothing of the cell can be used; look at energy.cell",
            id="cut-off above all",
        ),
        pytest.param(
            replace(PLAN, report_period_s=0.01, spreading_factor=12),
            {"spreading_factor": Found(7.0, 0.0, "1")},
            "event 'report' lasts",
            id="reports without a pause",
        ),
    ],
)
def test_what_is_no_budget(plan: EnergyPlan, changes: dict[str, Found], words: str) -> None:
    """What cannot be reckoned is refused by what is wrong."""
    with pytest.raises(ValueError, match=words):
        energy_budget(plan, found(**changes))


def test_report_that_is_its_transmission_within_what_is_known() -> None:
    """A report that scatter puts a little below its own transmission is that transmission, and nothing beside."""
    budget = energy_budget(PLAN, found(report_charge_c=Found(2.1e-3, 0.1e-3, "C")))

    assert budget.report is not None
    assert budget.report.rest_c.value == 0.0


@pytest.mark.parametrize("name", ["floor_a", "wake_charge_c", "report_charge_c"])
def test_what_noise_puts_below_0_is_told(name: str) -> None:
    """A reading of nothing loses its uncertainty in the budget, and the notes say so; a plain 0 needs no note."""
    changes = {name: Found(-1e-9, 1e-8, "A"), "transmit_charge_c": None}
    notes = energy_budget(PLAN, found(**changes)).notes

    assert f"{name} is -1e-09 A with a standard uncertainty of 1e-08 A: counted as exactly 0" in notes
    plain = energy_budget(PLAN, found(**{**changes, name: Found(0.0, 0.0, "A")})).notes
    assert not any("counted as exactly 0" in note for note in plain)


@pytest.mark.parametrize("name", ["floor_a", "wake_charge_c", "wake_period_s", "report_charge_c"])
def test_what_is_missing_is_named(name: str) -> None:
    """Each needed input is missed; the others are not."""
    assert missing(found(**{name: None})) == (name,)
    assert missing(found(transmit_charge_c=None)) == ()
