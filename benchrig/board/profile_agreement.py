"""Whether the tables of a board profile agree with each other: what one says, no other may contradict.

Owns what can only be told from two tables at once. Must not know instruments, nor how one table is read. A table in
which something is wrong already is held against nothing: what is said of it may be right.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from benchrig.board.checks import CHECKS
from benchrig.judge.radio_timing import FRAME_OVERHEAD_BYTES

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from benchrig.judge.circuit_parts import Circuit, CircuitPlan
    from benchrig.judge.decision import Limit
    from benchrig.payload.field_map import FieldMap
    from benchrig.toml_reader import Section

_EVEN = math.sqrt(3.0)
_ROUNDING = 1e-9


def _sound(top: Section, *tables: str) -> bool:
    """Whether nothing was told of these tables, nor of anything in them."""
    places = [problem.removeprefix(f"{top.file}: ").partition(": ")[0] for problem in top.problems]
    return not any(
        place == table or place.startswith((f"{table}.", f"{table}[")) for place in places for table in tables
    )


def check_full_scale(
    top: Section, planned: Mapping[str, Collection[float]], *, top_code: int, volts_per_count: float, maximum_v: float
) -> None:
    """Beyond its top code a converter answers with that code, whatever the volts are: such a point measures nothing.

    `planned` are the points (V) by the key they stand at. What is above `maximum_v` was told already.
    """
    full_scale_v = top_code * volts_per_count
    if not _sound(top, "converter"):
        return
    for key, points_v in planned.items():
        for volts in points_v:
            if full_scale_v < volts <= maximum_v:
                top.problem(
                    key,
                    f"{volts:g} V is above the full scale of {full_scale_v:.4g} V of the board's converter "
                    f"(converter.top_code {top_code} x volts_per_count {volts_per_count:g} V)",
                )


def check_probes(top: Section, limits: Mapping[str, Mapping[str, Limit]], *, probes: Collection[str]) -> None:
    """What probes are held against needs a probe."""
    if "probe_error" in limits.get("temperature", {}) and not probes and _sound(top, "payload", "payload_roles"):
        top.problem(
            "limits.temperature.probe_error",
            "no probe is named, so that nothing measures this value; name fields in payload_roles.probes, or take the "
            "limit out",
        )


def check_temperature_limit(
    top: Section, limits: Mapping[str, Mapping[str, Limit]], *, sends_temperature: bool
) -> None:
    """What a field of the payload is held against needs the field."""
    name = "temperature_difference"
    if name in limits.get("payload_bytes", {}) and not sends_temperature and _sound(top, "payload", "payload_roles"):
        top.problem(
            f"limits.payload_bytes.{name}",
            "no field carries a temperature, so that nothing measures this value; name one in "
            "payload_roles.temperature, or take the limit out",
        )


def check_current_limits(top: Section, limits: Mapping[str, Mapping[str, Limit]], *, maximum_a: float) -> None:
    """No board draws more than its absolute maximum lets the supply give: a limit above it judges nothing."""
    if not _sound(top, "maxima"):
        return
    for check, values in limits.items():
        for name, limit in values.items():
            if check in CHECKS and limit.unit == "A" and limit.high is not None and limit.high > maximum_a:
                top.problem(
                    f"limits.{check}.{name}.high",
                    f"{limit.high:g} A is above the absolute maximum of {maximum_a:g} A (table maxima), so that "
                    "nothing could fail by it; give what the design allows",
                )


def check_load(
    top: Section, following: Sequence[str], limits: Mapping[str, Mapping[str, Limit]], *, has_load: bool
) -> None:
    """A flag that follows the load, and a dropout under load, need a load that can be switched."""
    if has_load or not _sound(top, "console", "payload_flags"):
        return
    for name in following:
        top.problem(
            f"payload_flags.{name}.follows",
            "this profile describes no load that the board switches; give console.questions.load_on and load_off, or "
            "rule this flag by always or battery_below_v",
        )
    if "dropout" in limits.get("thresholds", {}):
        top.problem(
            "limits.thresholds.dropout",
            "this profile describes no load that the board switches, so that nothing measures this value; give "
            "console.questions.load_on and load_off, or take the limit out",
        )


def check_parts(top: Section, required: Mapping[str, Collection[str]], lacking: Callable[[str], str]) -> None:
    """What the board does not have cannot be required of it: the run could never pass. One part is one problem."""
    told: set[str] = set()
    for use, checks in required.items():
        for check in checks:
            why = lacking(check)
            if why and check not in told and _sound(top, *_TABLES_OF_PARTS):
                told.add(check)
                top.problem(f"required.{use}", f"{check!r} cannot be done: {why}; describe it, or take the check out")


_TABLES_OF_PARTS = ("console", "air", "correction", "energy", "thresholds", "coming_back", "payload_roles", "solar")


def check_frame_length(top: Section, stated: int | None, *, field_map: FieldMap) -> None:
    """A frame is its payload and 13 bytes around it (LoRaWAN 1.0.x, without options); None: it is not stated."""
    if stated is None or not _sound(top, "payload", "transmit"):
        return
    length, least = field_map.length_bytes, field_map.least_bytes
    accepted = least + FRAME_OVERHEAD_BYTES
    if stated < accepted or (length is not None and stated != accepted):
        more = "" if length is not None else " or more"
        top.problem(
            "transmit.phy_payload_bytes",
            f"{stated} bytes contradict a payload of {least} bytes{more}; accepted: {accepted}{more}, which is "
            f"{FRAME_OVERHEAD_BYTES} bytes around it, or no such key",
        )


def check_divider(top: Section, stated_v: float, *, plan: CircuitPlan | None) -> None:
    """The volts for a count are those of divider and reference, within what their tolerances make at the most."""
    if plan is None or not _sound(top, "circuit", "converter"):
        return
    middle_v = _volts_per_count(plan.circuit)
    low_v, high_v = (_volts_per_count(_all_off(plan, sign)) for sign in (-1.0, 1.0))
    if not low_v * (1.0 - _ROUNDING) <= stated_v <= high_v * (1.0 + _ROUNDING):
        top.problem(
            "converter.volts_per_count",
            f"{stated_v:g} V for a count contradict divider and reference of table circuit, which make {middle_v:.6g} "
            f"V ({low_v:.6g} V to {high_v:.6g} V by their tolerances); correct one of the two",
        )


def _volts_per_count(circuit: Circuit) -> float:
    divider, codes = circuit.divider, circuit.codes
    return codes.reference_v * (1.0 + divider.top_ohm / divider.bottom_ohm) / float(1 << codes.bits)


def _all_off(plan: CircuitPlan, sign: float) -> Circuit:
    """Every part at the end of its tolerance that makes a count worth more (1) or less (-1) volts."""
    ratio = {one.path: _EVEN * one.sigma for one in plan.tolerances if one.is_ratio}
    circuit = plan.circuit
    for path, way in (("divider.top_ohm", 1.0), ("divider.bottom_ohm", -1.0), ("codes.reference_v", 1.0)):
        circuit = circuit.put(path, circuit.value(path) * (1.0 + way * sign * ratio.get(path, 0.0)))
    return circuit
