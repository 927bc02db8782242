"""Reads the board profile's table `circuit`: the schematic's values and tolerances, for ranking causes.

Owns the form of the table. An absent table means that causes are not ranked for this board. Tolerances are given in
percent as a part's label gives them; a sound part is taken as evenly spread inside (standard deviation: the tolerance
over the square root of 3; GUM, JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.judge.circuit_parts import (
    BenchParts,
    Circuit,
    CircuitPlan,
    CodeParts,
    CurrentParts,
    DividerParts,
    RailParts,
    TimingParts,
    Tolerance,
)
from benchrig.judge.radio_timing import FRAME_OVERHEAD_BYTES

if TYPE_CHECKING:
    from benchrig.toml_reader import Section

_EVEN = math.sqrt(3.0)
_TIGHTEST = 1e-6
_MOST_COUNTS = 2.0**24


def read_circuit(top: Section, *, wake_period_s: float, payload_bytes: int) -> CircuitPlan | None:
    """The circuit of the profile, None when the table is absent. What is wrong is told as problems of `top`."""
    section = top.section("circuit", required=False)
    if section is None:
        return None
    tables = {name: _need(section, name) for name in ("divider", "converter", "rail", "currents", "timing")}
    sleep = _sleep_parts(tables["currents"])
    tolerances = _tolerances(tables)
    circuit = Circuit(
        divider=_divider(tables["divider"]),
        codes=_codes(tables["converter"]),
        rail=_rail(tables["rail"]),
        currents=_currents(tables["currents"], sleep_a=math.fsum(sleep.values())),
        timing=_timing(tables["timing"], wake_period_s, payload_bytes),
        bench=BenchParts(),
    )
    for table in tables.values():
        table.finish()
    section.finish()
    return CircuitPlan(circuit, tolerances, sleep)


def _need(section: Section, key: str) -> Section:
    return section.section(key) or type(section)({}, file=section.file, path=key, problems=[])


# What a part on a small board can have: from a trace to a leak, from a pad to the largest cap, and so on. Generous;
# common practice, no source. Outside a slip of the unit would be reckoned with, to numbers beyond a float.


def _ohm(section: Section, key: str) -> float:
    return section.number(key, at_least=1e-4, at_most=1e9)


def _farad(section: Section, key: str) -> float:
    return section.number(key, at_least=1e-15, at_most=10.0)


def _volt(section: Section, key: str) -> float:
    return section.number(key, at_least=1e-3, at_most=60.0)


def _ampere(section: Section, key: str) -> float:
    return section.number(key, at_least=1e-12, at_most=10.0)


def _second(section: Section, key: str) -> float:
    return section.number(key, at_least=1e-9, at_most=3600.0)


def _divider(section: Section) -> DividerParts:
    return DividerParts(
        **{name: _ohm(section, name) for name in ("top_ohm", "bottom_ohm")},
        **{name: _farad(section, name) for name in ("node_f", "stray_f")},
    )


def _codes(section: Section) -> CodeParts:
    codes = CodeParts(
        reference_v=_volt(section, "reference_v"),
        bits=section.integer("bits", at_least=4, at_most=24),
        hold_f=_farad(section, "hold_f"),
        acquire_s=_second(section, "acquire_s"),
        sample_rate_hz=section.number("sample_rate_hz", at_least=1e-3, at_most=1e9),
        noise_counts=section.number("noise_counts", at_least=_TIGHTEST, at_most=_MOST_COUNTS),
        convert_s=_second(section, "convert_s"),
    )
    if codes.acquire_s * codes.sample_rate_hz >= 1.0:
        section.problem("acquire_s", f"{codes.acquire_s:g} s is no part of a sample at {codes.sample_rate_hz:g} Hz")
    return codes


def _rail(section: Section) -> RailParts:
    return RailParts(
        feedback_v=_volt(section, "feedback_v"),
        feedback_top_ohm=_ohm(section, "feedback_top_ohm"),
        feedback_bottom_ohm=_ohm(section, "feedback_bottom_ohm"),
        output_ohm=_ohm(section, "output_ohm"),
        dropout_v=_volt(section, "dropout_v"),
        dropout_ohm=_ohm(section, "dropout_ohm"),
        efficiency=section.number("efficiency", at_least=0.01, at_most=1.0),
        quiescent_a=_ampere(section, "quiescent_a"),
        lockout_v=_volt(section, "lockout_v"),
    )


def _sleep_parts(section: Section) -> dict[str, float]:
    asleep = _need(section, "sleep")
    parts = {name: _ampere(asleep, name) for name in asleep.names()}
    if not parts:
        section.problem("sleep", "no part is named; name what draws current in sleep, such as processor = 2e-6")
    return parts


def _currents(section: Section, *, sleep_a: float) -> CurrentParts:
    return CurrentParts(
        awake_a=_ampere(section, "awake_a"),
        load_a=_ampere(section, "load_a"),
        sleep_a=sleep_a,
        transmit_a=_ampere(section, "transmit_a"),
        standby_a=_ampere(section, "standby_a"),
    )


def _timing(section: Section, wake_period_s: float, payload_bytes: int) -> TimingParts:
    return TimingParts(
        boot_s=_second(section, "boot_s"),
        wake_period_s=wake_period_s,
        wake_length_s=_second(section, "wake_length_s"),
        spreading_factor=section.integer("spreading_factor", default=7, at_least=7, at_most=12),
        frame_bytes=FRAME_OVERHEAD_BYTES + payload_bytes,
    )


_PERCENT = {
    # table, key of the tolerance: the parts it is for
    ("divider", "tolerance_percent"): ("divider.top_ohm", "divider.bottom_ohm"),
    ("divider", "node_tolerance_percent"): ("divider.node_f",),
    ("converter", "reference_tolerance_percent"): ("codes.reference_v",),
    ("rail", "tolerance_percent"): ("rail.feedback_v",),
    ("rail", "efficiency_tolerance_percent"): ("rail.efficiency",),
    ("rail", "quiescent_tolerance_percent"): ("rail.quiescent_a",),
    ("rail", "resistance_tolerance_percent"): ("rail.output_ohm",),
    ("currents", "tolerance_percent"): ("currents.awake_a", "currents.load_a", "currents.transmit_a"),
    ("currents", "sleep_tolerance_percent"): ("currents.sleep_a",),
    ("timing", "timer_tolerance_percent"): ("timing.wake_period_s",),
    ("timing", "tolerance_percent"): ("timing.wake_length_s", "timing.boot_s"),
}


def _tolerances(tables: dict[str, Section]) -> tuple[Tolerance, ...]:
    found = []
    for (table, key), paths in _PERCENT.items():
        percent = tables[table].number(key, at_least=_TIGHTEST, at_most=90.0)
        found += [Tolerance(path, percent / 100.0 / _EVEN) for path in paths]
    offset = tables["converter"].number("offset_tolerance_counts", at_least=_TIGHTEST, at_most=_MOST_COUNTS)
    return (*found, Tolerance("codes.offset_counts", offset / _EVEN, is_ratio=False))
