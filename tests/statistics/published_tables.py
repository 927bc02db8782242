"""The published tables beside the tests: each a CSV file whose first line names its source."""

from __future__ import annotations

import csv
from pathlib import Path

from benchrig.statistics.gauge_study import GaugeReading, GaugeTable, gauge_table

HERE = Path(__file__).parent


def rows_of(name: str) -> list[dict[str, str]]:
    """Rows of a table by column."""
    with (HERE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def source_of(name: str) -> str:
    """What its first line says of where it comes from."""
    with (HERE / name).open(encoding="utf-8") as file:
        return next(file).removeprefix("# source: ").strip()


def column_of(name: str, column: str) -> list[float]:
    """One column as numbers."""
    return [float(row[column]) for row in rows_of(name)]


def gauge_readings() -> list[GaugeReading]:
    """The published study of 10 parts, 3 appraisers and 3 trials."""
    return [
        GaugeReading(row["part"], row["appraiser"], int(row["trial"]), float(row["value"]))
        for row in rows_of("grr_10x3x3.csv")
    ]


def published_study() -> GaugeTable:
    """The same in its cells."""
    return gauge_table(gauge_readings())


def resistances() -> list[list[float]]:
    """The certified data of SiRstv: five readings (ohm) by each of five instruments."""
    rows = rows_of("nist_sirstv.csv")
    instruments = sorted({row["instrument"] for row in rows})
    return [[float(row["resistance"]) for row in rows if row["instrument"] == one] for one in instruments]
