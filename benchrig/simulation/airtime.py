"""How long the radio transmits one uplink.

Source: Semtech AN1200.13 rev 1 section 4, with an integer ceiling so that exact multiples stay exact; EU868 settings
125 kHz, coding rate 4/5, 8 preamble symbols, explicit header, CRC, low data rate optimisation from SF11.
"""

from __future__ import annotations

BANDWIDTH_HZ = 125_000
PREAMBLE_QUARTER_SYMBOLS = 4 * 8 + 17
FRAME_OVERHEAD_BYTES = 13
"""MAC header, address, control, counter, port and integrity code without options (LoRaWAN 1.0.x)."""


def time_on_air_s(*, phy_payload_bytes: int, spreading_factor: int, has_crc: bool = True) -> float:
    """Seconds on air of a frame of `phy_payload_bytes` bytes; a downlink has no checksum over its payload."""
    is_slow = spreading_factor >= 11
    bits = 8 * phy_payload_bytes - 4 * spreading_factor + 28 + 16 * has_crc
    bits_per_block = 4 * (spreading_factor - 2 * is_slow)
    payload_symbols = 8 + max(-(-bits // bits_per_block) * 5, 0)
    quarter_symbols = PREAMBLE_QUARTER_SYMBOLS + 4 * payload_symbols
    return float(quarter_symbols * 2**spreading_factor / (4 * BANDWIDTH_HZ))
