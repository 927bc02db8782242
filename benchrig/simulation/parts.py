"""The parts of a simulated board and bench as plain numbers: healthy values, tolerances, and what a fault may change.

Owns: nominal values and tolerances.  Must not know how the parts behave.  All numbers are invented for the demo board
(the hay-barn probe); the tolerances are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import random

RESISTOR_TOLERANCE: Final = 0.001
REFERENCE_TOLERANCE: Final = 0.003
OSCILLATOR_TOLERANCE: Final = 0.005
SENSOR_TOLERANCE_C: Final = 0.3


@dataclass(frozen=True, slots=True)
class Shunt:
    """A conductance across the node that conducts above its knee voltage."""

    siemens: float
    knee_v: float = 0.0


@dataclass(frozen=True, slots=True)
class Feed:
    """The way from the supply to the board."""

    lead_ohm: float
    contact_ohm: float
    is_contact_open: bool = False
    is_fuse_open: bool = False

    @property
    def series_ohm(self) -> float:
        """Lead and contact together."""
        return self.lead_ohm + self.contact_ohm

    @property
    def is_closed(self) -> bool:
        """Whether current can reach the board."""
        return not (self.is_contact_open or self.is_fuse_open)


@dataclass(frozen=True, slots=True)
class Divider:
    """The battery divider in front of the converter input."""

    top_ohm: float = 300e3
    bottom_ohm: float = 100e3
    node_f: float = 100e-9
    offset_v: float = 0.0
    """Volts that a leak adds, referred to the battery."""

    @property
    def ratio(self) -> float:
        """Converter input volts per battery volt, written so that open (infinite) resistors give 1 or 0."""
        return 1.0 / (1.0 + self.top_ohm / self.bottom_ohm)

    @property
    def source_ohm(self) -> float:
        """Resistance that the converter input sees."""
        return 1.0 / (1.0 / self.top_ohm + 1.0 / self.bottom_ohm)

    @property
    def tau_s(self) -> float:
        """Time constant of the converter input."""
        return self.source_ohm * self.node_f

    @property
    def siemens(self) -> float:
        """Load on the battery."""
        return 1.0 / (self.top_ohm + self.bottom_ohm)


@dataclass(frozen=True, slots=True)
class Adc:
    """The analogue-to-digital converter of the microcontroller."""

    reference_v: float = 1.100
    offset_counts: float = 0.0
    noise_counts: float = 0.8
    """Root mean square of one sample."""
    samples: int = 64
    sample_rate_hz: float = 2000.0
    hold_f: float = 4e-12
    acquire_s: float = 2e-6
    highest_code: int = 4095
    stuck_low_mask: int = 0


@dataclass(frozen=True, slots=True)
class Converter:
    """The step-down converter that makes the rail."""

    output_v: float = 3.300
    output_ohm: float = 0.05
    dropout_v: float = 0.10
    dropout_ohm: float = 0.30
    best_efficiency: float = 0.90
    half_efficiency_a: float = 1e-6
    quiescent_a: float = 4e-6
    lockout_falling_v: float = 2.70
    lockout_rising_v: float = 2.90
    reset_v: float = 2.50
    reset_release_v: float = 2.60


@dataclass(frozen=True, slots=True)
class Undervoltage:
    """What an empty battery does to a board with a weak reset (module undervoltage); nothing to a sound one."""

    window_low_v: float = 1.6
    window_high_v: float = 2.0
    window_s: float = math.inf
    """So long between the two voltages, and the microcontroller hangs."""
    hole_least_s: float = math.inf
    hole_most_s: float = math.inf
    """Off for a time between the two, and the microcontroller hangs."""
    warm_rising_v: float = 0.0
    """A converter that was locked out restarts only here."""
    empty_v: float = 0.3
    empty_s: float = 1.0
    """At or below this for so long, and all is forgotten."""

    @property
    def thresholds_v(self) -> tuple[float, ...]:
        """Voltages at which something begins or ends; none on a sound board."""
        volts = (self.empty_v, self.window_low_v, self.window_high_v, self.warm_rising_v)
        return () if self == Undervoltage() else tuple(one for one in volts if 0.0 < one < math.inf)


@dataclass(frozen=True, slots=True)
class Currents:
    """What the rail gives in the states of the firmware, in amperes."""

    awake_a: float = 4.5e-3
    load_a: float = 45e-3
    sleep_a: float = 3e-6
    leak_a: float = 0.0
    radio_prepare_a: float = 7.5e-3
    """On top of the awake microcontroller: 12 mA together."""
    radio_transmit_a: float = 44e-3
    radio_listen_a: float = 11e-3
    radio_standby_a: float = 0.0


@dataclass(frozen=True, slots=True)
class Timing:
    """Durations of the firmware in seconds."""

    boot_s: float = 0.250
    convert_s: float = 0.040
    measure_s: float = 0.010
    sleep_entry_s: float = 0.020
    wake_up_s: float = 0.004
    wake_period_s: float = 2.000
    wake_length_s: float = 0.012
    radio_delay_s: float = 0.020
    prepare_s: float = 0.005
    listen1_delay_s: float = 1.0
    listen1_s: float = 0.015
    listen2_delay_s: float = 2.0
    listen2_s: float = 0.033


@dataclass(frozen=True, slots=True)
class Behaviour:
    """What the firmware does differently when it is faulty."""

    version: str = "1.4.2"
    port: int = 2
    spreading_factor: int = 7
    temperature_offset_c: float = 0.0
    payload_temperature_offset_c: int = 0
    probes_fitted: int = 2
    goes_to_sleep: bool = True
    wakes_from_sleep: bool = True
    transmits: bool = True
    resets_at_transmit: bool = False
    resets_at_conversion: int = 0
    hangs_at_boot: bool = False
    swaps_battery_bytes: bool = False
    sends_previous_battery: bool = False
    spoils_payload_crc: bool = False
    payload_slip: str = ""
    """A name of `payload_slips.SLIPS`."""
    refuses_correction: bool = False
    forgets_correction: bool = False
    gain_constant_step: float = 1e-6
    claims_other_serial: bool = False
    battery_code: int | None = None
    """The code that the console tells of every conversion of the battery, whatever the converter said."""


@dataclass(frozen=True, slots=True)
class ModemTraits:
    """What the modem does differently when it is faulty, the microcontroller's side of it being right."""

    has_wrong_key: bool = False
    forgets_nonce: bool = False
    forgets_counter: bool = False
    port_offset: int = 0
    swaps_bytes: bool = False
    executes_repeated: bool = False
    antenna_loss_db: float = 0.0
    reverses_identity: bool = False
    confirms_always: bool = False
    listens_always: bool = False
    retries_ever_the_same: bool = False
    forgets_backoff: bool = False
    second_window_factor: int = 0
    """Spreading factor of the second window, whatever the network said; 0 keeps to what it said."""


@dataclass(frozen=True, slots=True)
class PinTraits:
    """What the firmware does differently with commands that come down, with their pin, and when left alone."""

    takes_unknown_as_off: bool = False
    takes_any_port: bool = False
    outlasts_power: bool = False
    period_share: float = 1.0
    """Of the time between reports that it was told."""


@dataclass(frozen=True, slots=True)
class AirTraits:
    """What happens between the antennas of board and gateways."""

    lost_share: float = 0.0
    has_stranger: bool = False


@dataclass(frozen=True, slots=True)
class GatewayTraits:
    """What the bench's gateways do differently when they are faulty; 0 means never."""

    is_mute: bool = False
    mute_after_s: float = 0.0
    """Bench time."""
    crc_failed_every: int = 0


@dataclass(frozen=True, slots=True)
class ConsoleLine:
    """The board's serial line and the adapter on it."""

    flipped_share: float = 0.0
    cut_share: float = 0.0
    adapter_leak_a: float = 180e-6
    adapter_level_v: float = 3.45
    """Where the adapter's line holds a rail that draws less than it gives: 3.3 V, a little high."""
    leaks_when_released: bool = False
    vanishes_after_s: float | None = None


@dataclass(frozen=True, slots=True)
class BoardParts:
    """Everything a board is made of."""

    capacitance_f: float = 47e-6
    battery_shunt: Shunt | None = None
    is_reversed: bool = False
    divider: Divider = field(default_factory=Divider)
    adc: Adc = field(default_factory=Adc)
    converter: Converter = field(default_factory=Converter)
    undervoltage: Undervoltage = field(default_factory=Undervoltage)
    currents: Currents = field(default_factory=Currents)
    timing: Timing = field(default_factory=Timing)
    behaviour: Behaviour = field(default_factory=Behaviour)
    modem: ModemTraits = field(default_factory=ModemTraits)
    pin: PinTraits = field(default_factory=PinTraits)


@dataclass(frozen=True, slots=True)
class LineTraits:
    """What goes wrong between an instrument and its client, counted in replies; 0 means never."""

    silent_after: int = 0
    dropped_at: int = 0
    late_every: int = 0
    late_wall_s: float = 3.0
    garbage_every: int = 0


@dataclass(frozen=True, slots=True)
class SupplyTraits:
    """What a supply does differently when it is faulty."""

    ignores_limit: bool = False
    ignores_protection: bool = False
    is_stuck_on: bool = False
    refuses_voltage: bool = False
    readback_gain: float = 1.0
    missing_v: float = 0.0
    reports_other_serial: bool = False


@dataclass(frozen=True, slots=True)
class MeterTraits:
    """What a meter does differently when it is faulty; `special_number` replaces every voltage reading.

    The input that sees the rail picks up noise of `rail_noise_v` rms; neighbouring readings of it are correlated.
    """

    special_number: float | None = None
    rail_noise_v: float = 0.0
    rail_noise_correlation: float = 0.0
    is_thermometer_broken: bool = False
    line: LineTraits = field(default_factory=LineTraits)


@dataclass(frozen=True, slots=True)
class RecorderTraits:
    """What a recorder does differently when it is faulty."""

    is_block_short: bool = False
    is_overloaded: bool = False
    never_finishes: bool = False


def within(rng: random.Random, tolerance: float) -> float:
    """A deviation inside +-tolerance: normal, three sigma at the edge, cut off there."""
    return max(-tolerance, min(tolerance, rng.gauss(0.0, tolerance / 3)))


def toleranced(parts: BoardParts, rng: random.Random) -> BoardParts:
    """The parts of one particular board: every toleranced value moved inside its tolerance."""
    divider, adc, timing, behaviour = parts.divider, parts.adc, parts.timing, parts.behaviour
    return replace(
        parts,
        divider=replace(
            divider,
            top_ohm=divider.top_ohm * (1 + within(rng, RESISTOR_TOLERANCE)),
            bottom_ohm=divider.bottom_ohm * (1 + within(rng, RESISTOR_TOLERANCE)),
        ),
        adc=replace(adc, reference_v=adc.reference_v * (1 + within(rng, REFERENCE_TOLERANCE))),
        timing=replace(timing, wake_period_s=timing.wake_period_s * (1 + within(rng, OSCILLATOR_TOLERANCE))),
        behaviour=replace(
            behaviour,
            temperature_offset_c=behaviour.temperature_offset_c + within(rng, SENSOR_TOLERANCE_C),
        ),
    )
