"""What a board profile's own tables say, as frozen values: power, first touch, sweep, rail, sleep, transmit, roles.

Owns their meaning and units. Must not know how a table is read (`profile_tables`, `profile_roles`), nor instruments.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PowerPlan:
    """How the board is powered: nominal and limits for every check after the first touch."""

    nominal_v: float
    current_limit_a: float
    protection_v: float
    off_below_v: float
    off_within_s: float


@dataclass(frozen=True)
class FirstTouchPlan:
    """The low-limit touch: what counts as short, reversed and open."""

    voltage_v: float
    current_limit_a: float
    inrush_s: float
    short_below_v: float
    reversed_below_v: float
    open_below_a: float


@dataclass(frozen=True)
class IdentityPlan:
    """What the board must say of itself; the serial number comes from the label."""

    firmware: str
    image: str
    boot_s: float


@dataclass(frozen=True)
class ConverterPlan:
    """The battery divider and converter as designed: volts at the terminals for one count, and the top code."""

    volts_per_count: float
    top_code: int


@dataclass(frozen=True)
class SweepPlan:
    """Battery voltages of the sweep (V), up then down, and the settling of the divider after each step."""

    points_v: tuple[float, ...]
    settle_s: float
    terminal_tolerance_v: float


@dataclass(frozen=True)
class RailPlan:
    """Battery voltages (V) at which the rail is measured under the board's own load (A, about)."""

    points_v: tuple[float, ...]
    load_a: float
    settle_s: float


@dataclass(frozen=True)
class SleepPlan:
    """The window for the floor current: so many whole wake periods."""

    wake_period_s: float
    wake_periods: int
    fall_asleep_s: float
    interval_s: float


@dataclass(frozen=True)
class TransmitPlan:
    """The window around one uplink, and how its frame is modulated.

    `spreading_factor` None: it is told, not judged. `phy_payload_bytes` None: what the board announces, and 13 bytes.
    """

    window_s: float
    interval_s: float
    spreading_factor: int | None = None
    bandwidth_hz: int = 125_000
    coding_rate: int = 5
    phy_payload_bytes: int | None = None


@dataclass(frozen=True)
class BoardTimes:
    """The board's own times as designed (s): the floor under any bench's speed. For reports, never for verdicts."""

    boot: float
    battery: float
    frame: float
    temperature: float
    power_down: float


@dataclass(frozen=True)
class PayloadRoles:
    """Which fields of the payload carry what the bench can measure: battery, temperature, further probes.

    `temperature` None: the board sends none of its own; then it has no probes either.
    """

    battery: str
    temperature: str | None
    probes: tuple[str, ...]

    @property
    def temperatures(self) -> tuple[str, ...]:
        """The board's own, if it sends one, and the probes."""
        return (*(() if self.temperature is None else (self.temperature,)), *self.probes)
