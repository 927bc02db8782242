"""Sign-off of one board: the production check, and what is too slow for a line. Generic, as the production check is."""

from __future__ import annotations

import pytest

from benchrig.board_run import BoardRun
from benchrig.check import Check
from benchrig.production.coming_back import check_coming_back
from benchrig.production.correction import check_correction
from benchrig.production.currents import check_floor_current, check_transmit
from benchrig.production.downlink import check_downlink
from benchrig.production.energy import check_energy
from benchrig.production.hops import check_uplink_hops
from benchrig.production.identity import check_identity_end, check_identity_start
from benchrig.production.join import check_join
from benchrig.production.join_backoff import check_join_backoff
from benchrig.production.payload import check_payload_bytes
from benchrig.production.power import check_first_touch, check_output_off
from benchrig.production.report_period import check_report_period
from benchrig.production.temperature import check_temperature
from benchrig.production.thresholds import check_thresholds
from benchrig.production.voltages import check_battery_sweep, check_rail

pytestmark = pytest.mark.board_use("signoff")


@pytest.mark.check("first_touch")
def test_first_touch(board_run: BoardRun, measure: Check) -> None:
    """At a low current limit the board is neither short, nor reversed, nor open."""
    check_first_touch(board_run, measure)


@pytest.mark.check("identity_start", needs=["power"])
def test_identity_start(board_run: BoardRun, measure: Check) -> None:
    """The board says that it is the one on the label, and runs the firmware of the profile."""
    check_identity_start(board_run, measure)


@pytest.mark.check("rail", needs=["power", "board"])
def test_rail(board_run: BoardRun, measure: Check) -> None:
    """The rail holds over the battery range, under load."""
    check_rail(board_run, measure)


@pytest.mark.check("battery_sweep", needs=["power", "board"])
def test_battery_sweep(board_run: BoardRun, measure: Check) -> None:
    """The reported battery voltage follows the volts measured at the terminals, up and down."""
    check_battery_sweep(board_run, measure)


@pytest.mark.check("correction", needs=["power", "board"])
def test_correction(board_run: BoardRun, measure: Check) -> None:
    """A board that is off is put right by constants of its own, which it keeps; a faulty one is refused."""
    check_correction(board_run, measure)


@pytest.mark.check("payload_bytes", needs=["power", "board"])
def test_payload_bytes(board_run: BoardRun, measure: Check) -> None:
    """The bytes handed to the modem say what the console says and what the terminals carry."""
    check_payload_bytes(board_run, measure)


@pytest.mark.check("temperature", needs=["power", "board"])
def test_temperature(board_run: BoardRun, measure: Check) -> None:
    """The board's temperature and its probes agree with the bench's own sensor."""
    check_temperature(board_run, measure)


@pytest.mark.check("floor_current", needs=["power", "board"])
def test_floor_current(board_run: BoardRun, measure: Check) -> None:
    """Asleep, with the console released, the board draws what the energy budget allows, and it wakes again."""
    check_floor_current(board_run, measure)


@pytest.mark.check("transmit", needs=["power", "board"])
def test_transmit(board_run: BoardRun, measure: Check) -> None:
    """One uplink draws the current that it should, for as long as it should."""
    check_transmit(board_run, measure)


@pytest.mark.check("join", needs=["power", "board", "air"])
def test_join(board_run: BoardRun, measure: Check) -> None:
    """The board joins the bench's own network, and again after a power cut, with a nonce that grew."""
    check_join(board_run, measure)


@pytest.mark.check("uplink_hops", needs=["power", "board", "air"])
def test_uplink_hops(board_run: BoardRun, measure: Check) -> None:
    """What the terminals carry arrives as the decoded value: the first hop that differs is named."""
    check_uplink_hops(board_run, measure)


@pytest.mark.check("downlink", needs=["power", "board", "air"])
def test_downlink(board_run: BoardRun, measure: Check) -> None:
    """A downlink switches the pin on, another one off, and a repeated frame nothing."""
    check_downlink(board_run, measure)


@pytest.mark.check("report_period", needs=["power", "board", "air"])
def test_report_period(board_run: BoardRun, measure: Check) -> None:
    """Left alone, the board reports as often as it should, and evenly."""
    check_report_period(board_run, measure)


@pytest.mark.check("join_backoff", needs=["power", "board", "air"])
def test_join_backoff(board_run: BoardRun, measure: Check) -> None:
    """Without an answer the board asks to join ever more rarely, and a brown-out makes it no quicker."""
    check_join_backoff(board_run, measure)


@pytest.mark.check("energy", needs=["power", "board"])
def test_energy(board_run: BoardRun, measure: Check) -> None:
    """What the board draws on average, and how long its cell lasts by what was measured."""
    check_energy(board_run, measure)


@pytest.mark.check("thresholds", needs=["power", "board"])
def test_thresholds(board_run: BoardRun, measure: Check) -> None:
    """The rail drops out, the converter locks out, the board resets and restarts at the voltages of its design."""
    check_thresholds(board_run, measure)


@pytest.mark.check("coming_back", needs=["power", "board"])
def test_coming_back(board_run: BoardRun, measure: Check) -> None:
    """However its battery sinks and rises again, nobody has to drive there and press reset."""
    check_coming_back(board_run, measure)


@pytest.mark.check("identity_end", needs=["power", "board"])
def test_identity_end(board_run: BoardRun, measure: Check) -> None:
    """It is still the same board, and it restarted only when it was told to."""
    check_identity_end(board_run, measure)


@pytest.mark.check("output_off", always=True)
def test_output_off(board_run: BoardRun, measure: Check) -> None:
    """The output is off, seen by read-back and at the terminals."""
    check_output_off(board_run, measure)
