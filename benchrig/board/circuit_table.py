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


def _divider(section: Section) -> DividerParts:
    return DividerParts(
        **{name: section.number(name, above=0.0) for name in ("top_ohm", "bottom_ohm", "node_f", "stray_f")}
    )


def _codes(section: Section) -> CodeParts:
    codes = CodeParts(
        reference_v=section.number("reference_v", above=0.0),
        bits=section.integer("bits", at_least=4, at_most=24),
        hold_f=section.number("hold_f", above=0.0),
        acquire_s=section.number("acquire_s", above=0.0),
        sample_rate_hz=section.number("sample_rate_hz", above=0.0),
        noise_counts=section.number("noise_counts", above=0.0),
        convert_s=section.number("convert_s", above=0.0),
    )
    if codes.acquire_s * codes.sample_rate_hz >= 1.0:
        section.problem("acquire_s", f"{codes.acquire_s:g} s is no part of a sample at {codes.sample_rate_hz:g} Hz")
    return codes


def _rail(section: Section) -> RailParts:
    return RailParts(
        feedback_v=section.number("feedback_v", above=0.0),
        feedback_top_ohm=section.number("feedback_top_ohm", above=0.0),
        feedback_bottom_ohm=section.number("feedback_bottom_ohm", above=0.0),
        output_ohm=section.number("output_ohm", above=0.0),
        dropout_v=section.number("dropout_v", above=0.0),
        dropout_ohm=section.number("dropout_ohm", above=0.0),
        efficiency=section.number("efficiency", above=0.0, at_most=1.0),
        quiescent_a=section.number("quiescent_a", above=0.0),
        lockout_v=section.number("lockout_v", above=0.0),
    )


def _sleep_parts(section: Section) -> dict[str, float]:
    asleep = _need(section, "sleep")
    parts = {name: asleep.number(name, above=0.0) for name in asleep.names()}
    if not parts:
        section.problem("sleep", "no part is named; name what draws current in sleep, such as processor = 2e-6")
    return parts


def _currents(section: Section, *, sleep_a: float) -> CurrentParts:
    return CurrentParts(
        awake_a=section.number("awake_a", above=0.0),
        load_a=section.number("load_a", above=0.0),
        sleep_a=sleep_a,
        transmit_a=section.number("transmit_a", above=0.0),
        standby_a=section.number("standby_a", above=0.0),
    )


def _timing(section: Section, wake_period_s: float, payload_bytes: int) -> TimingParts:
    return TimingParts(
        boot_s=section.number("boot_s", above=0.0),
        wake_period_s=wake_period_s,
        wake_length_s=section.number("wake_length_s", above=0.0),
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
    offset = tables["converter"].number("offset_tolerance_counts", at_least=_TIGHTEST)
    return (*found, Tolerance("codes.offset_counts", offset / _EVEN, is_ratio=False))
