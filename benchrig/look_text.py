"""What was understood of a bench file and the profiles of its slots, in words: for whoever wrote them to read again.

Owns the wording alone. Must not know how either file is read, and opens nothing.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from benchrig.board.profile_roles import not_described

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from benchrig.bench.bench_file import BenchSpec, SlotSpec
    from benchrig.board.profile import BoardProfile


def tidy_path(path: Path) -> str:
    """The path without the detours that a bench file may take to a profile."""
    return os.path.normpath(path)


def slot_text(bench: BenchSpec, slot: SlotSpec, profile: BoardProfile) -> str:
    """The board of a slot, what it must pass, where it is measured, and which instrument sees which net."""
    rows = [*_board(profile), *_wiring(bench, slot)]
    width = max(len(name) for name, _ in rows)
    title = f"slot {slot.name}: {profile.name}, {tidy_path(slot.profile)}"
    return "\n".join([title, *(f"  {name.ljust(width)}  {text}" for name, text in rows)])


def _board(profile: BoardProfile) -> Iterator[tuple[str, str]]:
    for use, checks in profile.required.items():
        yield f"required, {use}", ", ".join(checks) or "none"
    yield "sweep points", f"{_volts(profile.sweep.points_v)}, up and down"
    if profile.rail.points_v:
        yield "rail points", f"{_volts(profile.rail.points_v)}, under {profile.rail.load_a * 1e3:g} mA"
    if left_out := not_described(profile):
        yield "not described", "; ".join(f"{part.what} ({part.place})" for part in left_out)


def _volts(points_v: tuple[float, ...]) -> str:
    return f"{', '.join(f'{volts:.4g}' for volts in points_v)} V"


def _wiring(bench: BenchSpec, slot: SlotSpec) -> Iterator[tuple[str, str]]:
    battery = slot.battery
    lead = f"lead {battery.lead_ohm:g} ohm, contact {battery.contact_ohm:g} ohm"
    yield "battery", f"{_instrument(bench, battery.instrument, battery.channel)}, {lead}"
    for net, meter in slot.meters.items():
        on_range = f", range {meter.range:g} V" if meter.range else ""
        yield f"net {net}", f"{_instrument(bench, meter.instrument, meter.channel)}{on_range}"
    if "terminals" not in slot.meters:
        yield "net terminals", "no meter; by the read-back of the supply"
    if slot.recorder is not None:
        recorder = slot.recorder
        ranges = f"{recorder.sleep_range_a:g} A asleep, {recorder.transmit_range_a:g} A transmitting"
        yield "recorder", f"{_instrument(bench, recorder.instrument, recorder.channel)}, {ranges}"
    if slot.solar is not None:
        yield "solar", _instrument(bench, slot.solar.instrument, slot.solar.channel)
    for line, serial in slot.serial.items():
        yield line, f"{serial.port}, release {serial.release}"


def _instrument(bench: BenchSpec, name: str, channel: int | None) -> str:
    spec = bench.instruments[name]
    at = "" if channel is None else f", channel {channel}"
    called = name if name == spec.kind else f"{spec.kind} {name}"
    return f"{called} ({spec.model} {spec.serial}){at}"
