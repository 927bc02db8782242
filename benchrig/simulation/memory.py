"""What a simulated board keeps without power: its serial, its boot counter, its calibration.

Owns: those values and the identities made from the serial.  Must not know the firmware that uses them.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchrig.simulation.checksums import crc16_ibm3740


@dataclass(slots=True)
class Memory:
    """What survives loss of power."""

    serial: str
    boots: int
    gain_ppm: int = 0
    offset_uv: int = 0
    siren_is_on: bool = False
    """For the fault that keeps the pin over a power cut; no healthy board reads it."""
    conversions: int = 0
    """Counted for the fault that resets at a certain conversion; no healthy board reads it."""

    @property
    def identity(self) -> str:
        """Chip and radio identity, made from the digits of the serial."""
        return f"serial={self.serial} chip=48420000A001{self._tail} eui={self.device_eui:016X}"

    @property
    def device_eui(self) -> int:
        """Identity of the radio."""
        return int(f"02004842A001{self._tail}", 16)

    @property
    def _tail(self) -> str:
        digits = "".join(character for character in self.serial if character.isdigit())
        return f"{int(digits) % 10000:04d}" if digits else f"{crc16_ibm3740(self.serial.encode()):04X}"
