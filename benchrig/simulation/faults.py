"""The faults that the simulation can show, each a small change to one part.

Owns: names, sentences, changes.  Must not know how a part behaves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

from benchrig.simulation.config import BenchFileError, nearest
from benchrig.simulation.parts import (
    AirTraits,
    BoardParts,
    ConsoleLine,
    Feed,
    GatewayTraits,
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
    air: AirTraits = field(default_factory=AirTraits)
    gateway: GatewayTraits = field(default_factory=GatewayTraits)
    has_radio: bool = False
    """Whether anybody hears this slot's board; without that a fault of the air would change nothing."""


@dataclass(frozen=True, slots=True)
class Fault:
    """A named fault: the part it changes (a path inside `SlotParts`) and the new values in it."""

    side: str
    """`board` or `bench`: who is to blame."""
    sentence: str
    part: str
    values: Mapping[str, object]

    @property
    def is_of_air(self) -> bool:
        """Whether only a gateway can see it."""
        return self.part in _OF_AIR

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
_UNDERVOLTAGE: Final = "board.undervoltage"
_CURRENTS: Final = "board.currents"
_TIMING: Final = "board.timing"
_BEHAVIOUR: Final = "board.behaviour"
_METER_LINE: Final = "meter.line"
_MODEM: Final = "board.modem"
_PIN: Final = "board.pin"
_AIR: Final = "air"
_GATEWAY: Final = "gateway"
_OF_AIR: Final = (_MODEM, _PIN, _AIR, _GATEWAY)

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
    "divider_top_open": _board("The top divider resistor is open: the converter reads 0.", _DIVIDER, top_ohm=math.inf),
    "divider_bottom_low": _board("The bottom divider resistor is 4 % low.", _DIVIDER, bottom_ohm=96e3),
    "divider_bottom_high": _board("The bottom divider resistor is 6 % high.", _DIVIDER, bottom_ohm=106e3),
    "divider_capacitor_open": _board(
        "The capacitor at the converter input is missing: 25 pF are left, and sampling drains them.",
        _DIVIDER,
        node_f=25e-12,
    ),
    "adc_reference_low": _board("The reference voltage is 4 % low.", _ADC, reference_v=1.056),
    "adc_reference_off": _board(
        "The reference voltage is 0.7 % low: off, not faulty, and constants put it right.", _ADC, reference_v=1.0923
    ),
    # Correction constants
    "correction_refused": _board(
        "The memory of the correction constants is locked.", _BEHAVIOUR, refuses_correction=True
    ),
    "correction_not_kept": _board(
        "The correction constants are lost with the power.", _BEHAVIOUR, forgets_correction=True
    ),
    "correction_wrong_scale": _board(
        "The firmware takes the gain constant for parts of 2^15, not of a million.",
        _BEHAVIOUR,
        gain_constant_step=2.0**-15,
    ),
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
    "load_stays_off": _board("The console says that the load is on, and nothing switches it.", _CURRENTS, load_a=0.0),
    "converter_dropout_high": _board(
        "The converter needs 0.6 V more than its output: the rail falls below 3.2 V at 3.8 V in.",
        _CONVERTER,
        dropout_v=0.60,
    ),
    "rail_feedback_high": _board("A feedback resistor is off: the rail is at 3.48 V.", _CONVERTER, output_v=3.48),
    "converter_lossy": _board("The converter's inductor eats a fifth of the power.", _CONVERTER, best_efficiency=0.70),
    "lockout_high": _board(
        "The undervoltage lockout acts at 3.50 V falling, 3.55 V rising.",
        _CONVERTER,
        lockout_falling_v=3.50,
        lockout_rising_v=3.55,
    ),
    # Empty battery: what only a sign-off looks for
    "hangs_after_dusk": _board(
        "No brown-out detector: 0.3 s between 1.6 V and 2.0 V hang the board until it was below 0.3 V for 1 s.",
        _UNDERVOLTAGE,
        window_s=0.3,
    ),
    "hangs_after_hole": _board(
        "The reset chip is slow: a power hole of 20 ms to 50 ms hangs the board until it was below 0.3 V for 1 s.",
        _UNDERVOLTAGE,
        hole_least_s=0.020,
        hole_most_s=0.050,
    ),
    "restart_too_high": _board(
        "Once locked out the converter restarts only at 4.0 V, until the battery was below 0.3 V.",
        _UNDERVOLTAGE,
        warm_rising_v=4.0,
        empty_s=0.0,
    ),
    "latches_in_lockout": _board(
        "Once locked out the converter stays so until the battery was below 0.3 V.",
        _UNDERVOLTAGE,
        warm_rising_v=math.inf,
        empty_s=0.0,
    ),
    "reset_too_high": _board(
        "The microcontroller is reset at 2.93 V of its rail, long before the converter locks out.",
        _CONVERTER,
        reset_v=2.93,
        reset_release_v=2.97,
    ),
    "lockout_without_hysteresis": _board(
        "The converter restarts 10 mV above its lockout voltage.", _CONVERTER, lockout_rising_v=2.71
    ),
    # Sleep
    "sleep_leak": _board("300 uA leak from the rail at all times.", _CURRENTS, leak_a=300e-6),
    "radio_standby": _board("The radio stays in standby in sleep: 1.6 mA more.", _CURRENTS, radio_standby_a=1.6e-3),
    "pull_up_leak": _board("A pull-up of 68 kohm works against a pin held low: 48 uA.", _CURRENTS, leak_a=48e-6),
    "lamp_stuck_on": _board("A lamp of 2 mA is always on.", _CURRENTS, leak_a=2e-3),
    "converter_quiescent_high": _board("The converter itself draws 64 uA.", _CONVERTER, quiescent_a=64e-6),
    "input_capacitor_leaks": _board(
        "The input capacitor leaks like 40 kohm.", "board", battery_shunt=Shunt(siemens=1 / 40e3)
    ),
    "processor_hungry": _board("The microcontroller draws 8.5 mA awake.", _CURRENTS, awake_a=8.5e-3),
    "timer_slow": _board("The sleep timer's crystal is slow: 2.3 s.", _TIMING, wake_period_s=2.3),
    "never_sleeps": _board("The microcontroller stays awake in sleep.", _BEHAVIOUR, goes_to_sleep=False),
    "never_wakes": _board("Neither timer nor console wake the board from sleep.", _BEHAVIOUR, wakes_from_sleep=False),
    "wakes_too_often": _board("The sleep timer wakes every 0.25 s.", _TIMING, wake_period_s=0.25),
    # Radio
    "transmit_weak": _board("The transmitter draws 22 mA instead of 44 mA.", _CURRENTS, radio_transmit_a=22e-3),
    "transmit_strong": _board("The antenna does not match: 66 mA instead of 44 mA.", _CURRENTS, radio_transmit_a=66e-3),
    "transmit_long": _board("The radio transmits with SF10 instead of SF7.", _BEHAVIOUR, spreading_factor=10),
    "transmit_silent": _board("The radio does nothing, the console says done.", _BEHAVIOUR, transmits=False),
    "resets_on_transmit": _board(
        "The watchdog resets the board when it begins to transmit.", _BEHAVIOUR, resets_at_transmit=True
    ),
    "late_window": _board(
        "Both receive windows open 60 ms late: a downlink in the first one is not heard.",
        _TIMING,
        listen1_delay_s=1.060,
        listen2_delay_s=2.060,
    ),
    # The air
    "air_wrong_key": _board("The modem holds another key than the one on the label.", _MODEM, has_wrong_key=True),
    "nonce_reset": _board("The modem's join nonce begins anew at each power-up.", _MODEM, forgets_nonce=True),
    "counter_reset": _board(
        "The modem's frame counter begins anew at each power-up, the session does not.", _MODEM, forgets_counter=True
    ),
    "air_wrong_port": _board("The modem sends on the port after the one it was told.", _MODEM, port_offset=1),
    "modem_swaps_bytes": _board("The modem turns each pair of payload bytes round.", _MODEM, swaps_bytes=True),
    "downlink_twice": _board(
        "The modem takes a downlink whose counter was used before.", _MODEM, executes_repeated=True
    ),
    "air_identity_reversed": _board(
        "The modem sends its own identity in the other byte order.", _MODEM, reverses_identity=True
    ),
    "join_hammers": _board(
        "A board without an answer asks to join again after 0.5 s, ever.", _MODEM, retries_ever_the_same=True
    ),
    "backoff_forgotten": _board(
        "The pauses between requests to join begin anew at each power-up.", _MODEM, forgets_backoff=True
    ),
    "air_confirmed": _board("The modem sends every uplink confirmed.", _MODEM, confirms_always=True),
    "second_window_wrong": _board(
        "The second receive window listens at SF9 instead of SF12.", _MODEM, second_window_factor=9
    ),
    "listens_always": _board("The radio listens all the time, as if of class C.", _MODEM, listens_always=True),
    "unknown_command_obeyed": _board(
        "The firmware takes every command but 'on' for 'off'.", _PIN, takes_unknown_as_off=True
    ),
    "any_port_obeyed": _board("The firmware takes a command on whatever port it comes.", _PIN, takes_any_port=True),
    "reports_too_often": _board("The board reports by itself after 80 % of its period.", _PIN, period_share=0.8),
    "pin_outlasts_power": _board("The siren is on again after a power cut.", _PIN, outlasts_power=True),
    "antenna_detached": _board("The antenna has come off: 40 dB less both ways.", _MODEM, antenna_loss_db=40.0),
    "code_beyond_converter": _board(
        "The console tells of code 5000, which a converter of 12 bits does not have.", _BEHAVIOUR, battery_code=5000
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
    "temperature_sensor_open": _board(
        "The board's temperature sensor is open: it reads the end of its table, 61 C low.",
        _BEHAVIOUR,
        temperature_offset_c=-61.0,
    ),
    "temperature_byte_unsigned_offset": _board(
        "The temperature byte is sent with 40 added; the console is right.",
        _BEHAVIOUR,
        payload_temperature_offset_c=40,
    ),
    "battery_truncated": _board(
        "The payload's millivolts are cut off, the console's are rounded.",
        _BEHAVIOUR,
        payload_slip="battery truncated",
    ),
    "battery_in_10_mv": _board(
        "The payload carries the battery in hundredths of a volt.", _BEHAVIOUR, payload_slip="battery in 10 mV"
    ),
    "battery_12_bits": _board(
        "The payload's millivolts are masked to 12 bits.", _BEHAVIOUR, payload_slip="battery in 12 bits"
    ),
    "temperature_sign_magnitude": _board(
        "A negative temperature is sent as sign and magnitude.",
        _BEHAVIOUR,
        payload_slip="temperature sign and magnitude",
    ),
    "temperature_clamped": _board(
        "A negative temperature is sent as 0.", _BEHAVIOUR, payload_slip="temperature clamped"
    ),
    "temperature_fahrenheit": _board(
        "The payload carries the temperature in degrees Fahrenheit.",
        _BEHAVIOUR,
        payload_slip="temperature in Fahrenheit",
    ),
    "bale_swapped": _board(
        "The payload has the two bale probes in each other's place.", _BEHAVIOUR, payload_slip="bale probes swapped"
    ),
    "bale_little_endian": _board(
        "The payload carries the bale probes little-endian.", _BEHAVIOUR, payload_slip="bale little-endian"
    ),
    "flags_reversed": _board(
        "Siren and low battery are on each other's bit of the flags.", _BEHAVIOUR, payload_slip="flags reversed"
    ),
    "payload_short": _board("The payload is one byte short.", _BEHAVIOUR, payload_slip="a byte short"),
    "payload_crc_range": _board(
        "The payload's checksum leaves out the first byte.", _BEHAVIOUR, payload_slip="checksum range"
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
    "meter_noisy": _bench("The lead to the rail picks up 5 mV rms of noise.", "meter", rail_noise_v=5e-3),
    "meter_noisy_slow": _bench(
        "The lead to the rail picks up 5 mV rms of noise, each reading much like the one before.",
        "meter",
        rail_noise_v=5e-3,
        rail_noise_correlation=0.6,
    ),
    "thermometer_broken": _bench(
        "The bench thermometer reads 9.91E37, not a number.", "meter", is_thermometer_broken=True
    ),
    # Recorder
    "recorder_short_block": _bench(
        "The recorder sends less than its block announces.", "recorder", is_block_short=True
    ),
    "recorder_overload": _bench("Every sample is 9.9E37, overload.", "recorder", is_overloaded=True),
    "recorder_never_done": _bench("A started sweep never ends.", "recorder", never_finishes=True),
    # Air and gateways
    "air_frames_lost": _bench("30 % of the frames on the air are lost, both ways.", _AIR, lost_share=0.30),
    "foreign_device": _bench("Another make of board is heard every 1.7 s.", _AIR, has_stranger=True),
    "gateway_mute": _bench("No gateway says a word.", _GATEWAY, is_mute=True),
    "gateway_vanishes": _bench("The gateways fall silent 30 s after the start.", _GATEWAY, mute_after_s=30.0),
    "crc_failed_frames": _bench(
        "Every second packet reaches the gateways damaged, and is marked so.", _GATEWAY, crc_failed_every=2
    ),
    # Serial adapter
    "console_vanishes": _bench("The console adapter disappears 3 s after power-up.", "line", vanishes_after_s=3.0),
    "adapter_leaks_always": _bench(
        "The serial adapter leaks 180 uA into the rail even when released.", "line", leaks_when_released=True
    ),
}


def apply_faults(names: Iterable[str], slots: Mapping[str, SlotParts]) -> dict[str, SlotParts]:
    """The slots with the named faults; ``2:name`` means slot 2, a bare name slot 1.  Raises `BenchFileError`."""
    changed = dict(slots)
    for text in names:
        slot, name = _slot_and_name(text)
        if name not in FAULTS:
            raise BenchFileError(f"unknown fault {name!r}; {nearest(name, FAULTS)} (--list-faults names all)")
        if slot not in changed:
            raise BenchFileError(f"fault {text!r} names an unknown slot; the bench has {', '.join(changed)}")
        if FAULTS[name].is_of_air and not changed[slot].has_radio:
            raise BenchFileError(
                f"fault {text!r} shows on the air alone, and nobody hears slot {slot}; give the bench file"
                f" [gateway] and [slots.{slot}.radio], as in fixtures/benches/simulated-air.toml"
            )
        changed[slot] = FAULTS[name].apply(changed[slot])
    return changed


def _slot_and_name(text: str) -> tuple[str, str]:
    slot, colon, name = text.partition(":")
    return (slot, name) if colon else (DEFAULT_SLOT, text)
