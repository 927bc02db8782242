"""The faults that the simulation can show, each a small change to one part.

Owns: names, sentences, changes.  Must not know how a part behaves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from benchrig.simulation.config import BenchFileError, nearest
from benchrig.simulation.parts import (
    BoardParts,
    ConsoleLine,
    Feed,
    MeterTraits,
    RecorderTraits,
    Shunt,
    SupplyTraits,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

DEFAULT_SLOT: Final = "1"


@dataclass(frozen=True, slots=True)
class SlotParts:
    """All of one slot that a fault can change: the board, the way to it, and the instruments that serve it."""

    feed: Feed
    board: BoardParts = field(default_factory=BoardParts)
    line: ConsoleLine = field(default_factory=ConsoleLine)
    supply: SupplyTraits = field(default_factory=SupplyTraits)
    meter: MeterTraits = field(default_factory=MeterTraits)
    recorder: RecorderTraits = field(default_factory=RecorderTraits)


@dataclass(frozen=True, slots=True)
class Fault:
    """A named fault: the part it changes (a path inside `SlotParts`) and the new values in it."""

    side: str
    """`board` or `bench`: who is to blame."""
    sentence: str
    part: str
    values: Mapping[str, object]

    def apply(self, slot: SlotParts) -> SlotParts:
        """The slot with this fault."""
        changed: SlotParts = _changed(slot, self.part.split("."), self.values)
        return changed


def _changed(part: Any, path: list[str], values: Mapping[str, object]) -> Any:
    if not path:
        return replace(part, **values)
    inner = _changed(getattr(part, path[0]), path[1:], values)
    return replace(part, **{path[0]: inner})


def _board(sentence: str, part: str, **values: object) -> Fault:
    return Fault("board", sentence, part, values)


def _bench(sentence: str, part: str, **values: object) -> Fault:
    return Fault("bench", sentence, part, values)


_DIVIDER: Final = "board.divider"
_ADC: Final = "board.adc"
_CONVERTER: Final = "board.converter"
_CURRENTS: Final = "board.currents"
_TIMING: Final = "board.timing"
_BEHAVIOUR: Final = "board.behaviour"
_METER_LINE: Final = "meter.line"

FAULTS: Final[Mapping[str, Fault]] = {
    # Battery measurement
    "divider_top_high": _board("The top divider resistor is 4 % high.", _DIVIDER, top_ohm=312e3),
    "divider_bottom_open": _board(
        "The bottom divider resistor is open: the converter reads full scale.", _DIVIDER, bottom_ohm=math.inf
    ),
    "divider_leak": _board(
        "The converter input leaks 0.2 uA: 60 mV less, seen at the battery.", _DIVIDER, offset_v=-0.060
    ),
    "adc_reference_high": _board("The reference voltage is 3 % high.", _ADC, reference_v=1.133),
    "adc_offset": _board("The converter adds 40 counts.", _ADC, offset_counts=40.0),
    "adc_slow_settling": _board(
        "The capacitor at the converter input is 8 uF: it settles with 0.6 s.", _DIVIDER, node_f=8e-6
    ),
    "adc_clipped": _board("The converter's codes stop at 3600.", _ADC, highest_code=3600),
    "adc_dead_bit": _board("Bit 5 of the converter is stuck low.", _ADC, stuck_low_mask=1 << 5),
    "adc_noisy": _board("An averaged result is noisy by 30 counts rms.", _ADC, noise_counts=240.0),
    # Power
    "battery_short": _board("0.3 ohm across the battery pads.", "board", battery_shunt=Shunt(siemens=1 / 0.3)),
    "battery_reversed": _board(
        "Battery pads wired backwards: the body diode holds the supply at 0.7 V.", "board", is_reversed=True
    ),
    "battery_open": _board(
        "The series fuse is open: the pads have voltage, no current flows.", "feed", is_fuse_open=True
    ),
    "rail_low": _board("The 3.3 V rail is at 3.10 V.", _CONVERTER, output_v=3.10),
    "rail_sags_under_load": _board(
        "The rail has 2 ohm more output resistance.", _CONVERTER, output_ohm=2.05, dropout_ohm=2.30
    ),
    "converter_dropout_high": _board(
        "The converter needs 0.6 V more than its output: the rail falls below 3.2 V at 3.8 V in.",
        _CONVERTER,
        dropout_v=0.60,
    ),
    "lockout_high": _board(
        "The undervoltage lockout acts at 3.50 V falling, 3.55 V rising.",
        _CONVERTER,
        lockout_falling_v=3.50,
        lockout_rising_v=3.55,
    ),
    # Sleep
    "sleep_leak": _board("300 uA leak from the rail at all times.", _CURRENTS, leak_a=300e-6),
    "radio_standby": _board("The radio stays in standby in sleep: 1.6 mA more.", _CURRENTS, radio_standby_a=1.6e-3),
    "never_sleeps": _board("The microcontroller stays awake in sleep.", _BEHAVIOUR, goes_to_sleep=False),
    "never_wakes": _board("Neither timer nor console wake the board from sleep.", _BEHAVIOUR, wakes_from_sleep=False),
    "wakes_too_often": _board("The sleep timer wakes every 0.25 s.", _TIMING, wake_period_s=0.25),
    # Radio
    "transmit_weak": _board("The transmitter draws 22 mA instead of 44 mA.", _CURRENTS, radio_transmit_a=22e-3),
    "transmit_long": _board("The radio transmits with SF10 instead of SF7.", _BEHAVIOUR, spreading_factor=10),
    "transmit_silent": _board("The radio does nothing, the console says done.", _BEHAVIOUR, transmits=False),
    "resets_on_transmit": _board(
        "The watchdog resets the board when it begins to transmit.", _BEHAVIOUR, resets_at_transmit=True
    ),
    # Payload
    "bytes_swapped": _board("The payload carries the battery big-endian.", _BEHAVIOUR, swaps_battery_bytes=True),
    "payload_stale": _board(
        "The payload carries the millivolts of the sample before.", _BEHAVIOUR, sends_previous_battery=True
    ),
    "payload_crc_wrong": _board("The payload's checksum never fits.", _BEHAVIOUR, spoils_payload_crc=True),
    "wrong_port": _board("Frames go to port 3 instead of 2.", _BEHAVIOUR, port=3),
    "temperature_off": _board(
        "The temperature is 6 C high, on the console and in the payload.", _BEHAVIOUR, temperature_offset_c=6.0
    ),
    "temperature_byte_unsigned_offset": _board(
        "The temperature byte is sent with 40 added; the console is right.",
        _BEHAVIOUR,
        payload_temperature_offset_c=40,
    ),
    "bale_probe_open": _board("The second bale probe is open.", _BEHAVIOUR, probes_fitted=1),
    # Firmware and console
    "wrong_firmware": _board("The firmware is version 1.3.9.", _BEHAVIOUR, version="1.3.9"),
    "wrong_identity": _board("The board says another board's serial.", _BEHAVIOUR, claims_other_serial=True),
    "hang_at_boot": _board(
        "The firmware hangs before its first line, awake at 4.5 mA.", _BEHAVIOUR, hangs_at_boot=True
    ),
    "console_noise": _board("2 % of the console's characters are flipped.", "line", flipped_share=0.02),
    "console_half_lines": _board("30 % of the console's lines stop in the middle.", "line", cut_share=0.30),
    "boot_in_middle": _board("The board resets once, at its fifth conversion.", _BEHAVIOUR, resets_at_conversion=5),
    "slow_conversion": _board("A battery conversion takes 1.5 s.", _TIMING, convert_s=1.5),
    # Contact fixture
    "contact_open": _bench("A battery contact is open: nothing reaches the pads.", "feed", is_contact_open=True),
    "contact_worn": _bench("A battery contact has 3 ohm.", "feed", contact_ohm=3.0),
    # Supply
    "supply_ignores_limit": _bench(
        "The supply accepts a current limit and keeps the old one.", "supply", ignores_limit=True
    ),
    "supply_ignores_protection": _bench(
        "The supply accepts an over-voltage level and keeps the old one.", "supply", ignores_protection=True
    ),
    "supply_stuck_on": _bench("The output stays on when told off.", "supply", is_stuck_on=True),
    "supply_refuses_voltage": _bench(
        "The supply refuses every set-point with error -222.", "supply", refuses_voltage=True
    ),
    "supply_reads_wrong": _bench("Read-back voltage is 8 % high.", "supply", readback_gain=1.08),
    "supply_stuck_slew": _bench("The output stays 0.4 V below its set-point.", "supply", missing_v=0.4),
    "wrong_serial": _bench("The supply reports another serial number.", "supply", reports_other_serial=True),
    # Meter
    "meter_overload": _bench("Every voltage reading is 9.9E37, overload.", "meter", special_number=9.9e37),
    "meter_not_a_number": _bench("Every voltage reading is 9.91E37, not a number.", "meter", special_number=9.91e37),
    "meter_silent": _bench("The meter replies three times, then never again.", _METER_LINE, silent_after=3),
    "meter_late": _bench("Every seventh reply comes 3 s late in wall time.", _METER_LINE, late_every=7),
    "meter_drops_connection": _bench("The meter closes the connection at the fifth query.", _METER_LINE, dropped_at=5),
    "meter_garbage": _bench("Every sixth reply is noise.", _METER_LINE, garbage_every=6),
    "thermometer_broken": _bench(
        "The bench thermometer reads 9.91E37, not a number.", "meter", is_thermometer_broken=True
    ),
    # Recorder
    "recorder_short_block": _bench(
        "The recorder sends less than its block announces.", "recorder", is_block_short=True
    ),
    "recorder_overload": _bench("Every sample is 9.9E37, overload.", "recorder", is_overloaded=True),
    "recorder_never_done": _bench("A started sweep never ends.", "recorder", never_finishes=True),
    # Serial adapter
    "console_vanishes": _bench("The console adapter disappears 3 s after power-up.", "line", vanishes_after_s=3.0),
    "adapter_leaks_always": _bench(
        "The serial adapter leaks 180 uA into the board even when released.", "line", leaks_when_released=True
    ),
}


def apply_faults(names: Iterable[str], slots: Mapping[str, SlotParts]) -> dict[str, SlotParts]:
    """The slots with the named faults; ``2:name`` means slot 2, a bare name slot 1.  Raises `BenchFileError`."""
    changed = dict(slots)
    for text in names:
        slot, name = _slot_and_name(text)
        if name not in FAULTS:
            raise BenchFileError(f"unknown fault {name!r}; {nearest(name, FAULTS)}")
        if slot not in changed:
            raise BenchFileError(f"fault {text!r} names an unknown slot; the bench has {', '.join(changed)}")
        changed[slot] = FAULTS[name].apply(changed[slot])
    return changed


def _slot_and_name(text: str) -> tuple[str, str]:
    slot, colon, name = text.partition(":")
    return (slot, name) if colon else (DEFAULT_SLOT, text)
