"""The uncertainty budgets of a run as text: equal ones are printed once, and say how many readings share them."""

from __future__ import annotations

import msgspec

from benchrig.journal import Journal
from benchrig.records import CheckStarted, Part, ReadingTaken, Record
from benchrig.report.board_report import board_report
from benchrig.report.budget_tables import budget_tables

PARTS = (
    Part(name="of reading", standard_uncertainty=2e-5, sensitivity=3.3, shape="rectangular"),
    Part(name="of range", standard_uncertainty=4e-6, sensitivity=10.0, shape="rectangular"),
)
ONE = ReadingTaken(
    check="rail",
    name="rail at 3.60 V",
    value=3.29760,
    unit="V",
    standard_uncertainty=7.7e-5,
    source="meter at rail",
    raw="+3.29760E+00",
    at_s=2.0,
    parts=PARTS,
)


def tables(*readings: ReadingTaken) -> list[str]:
    """The tables of a check that took these readings."""
    started = CheckStarted(check="rail", at_s=1.0, utc="2031-03-04T08:15:00+00:00")
    records: tuple[Record, ...] = (started, *readings)
    return budget_tables(board_report(Journal(records)), check="rail").split("\n\n")


def test_reading_by_itself() -> None:
    """A single reading has its own table, under its own name, with its value."""
    (told,) = tables(ONE)

    assert told.splitlines()[0] == "rail, reading rail at 3.60 V, from meter at rail"
    assert "  value 3.297600 V; combined standard uncertainty 77.18 µV" in told.splitlines()


def test_equal_budgets_are_one_table() -> None:
    """Readings of one instrument with the same causes share a table; it names each, how often, and their range."""
    again = msgspec.structs.replace(ONE, value=3.29763)
    other = msgspec.structs.replace(ONE, name="rail at 4.20 V", value=3.29755)

    (told,) = tables(ONE, other, again)

    assert told.splitlines()[0] == (
        "rail, 3 readings of equal budget, from meter at rail: rail at 3.60 V (2 times), rail at 4.20 V"
    )
    assert "values from 3.297550 V to 3.297630 V; combined standard uncertainty 77.18 µV" in told
    assert told.count("of range") == 2  # its row, and the sentence about what dominates


def test_other_causes_are_another_table() -> None:
    """Another instrument, or one cause of another size, is a table of its own."""
    other_meter = msgspec.structs.replace(ONE, source="supply read-back")
    larger = msgspec.structs.replace(ONE, parts=(PARTS[0], msgspec.structs.replace(PARTS[1], sensitivity=100.0)))

    assert len(tables(ONE, other_meter, larger)) == 3


def test_readings_without_a_number() -> None:
    """Readings that are no number share their table without a value."""
    lost = msgspec.structs.replace(ONE, value=None)

    (told,) = tables(lost, lost)

    assert "2 readings of equal budget" in told
    assert "value" not in told.partition("\n")[2]
