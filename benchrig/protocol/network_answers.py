"""What a network answers to the MAC commands of a board by itself: how it is heard, and what time it is.

Owns these two answers. Must not know sessions or windows. Source: LoRaWAN 1.0.x chapter 5, from memory; least SNR of
each spreading factor: SX1276 data sheet, from memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.protocol.lorawan_mac import DeviceTimeAns, DeviceTimeReq, LinkCheckAns, LinkCheckReq

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.protocol.lorawan_mac import DownlinkCommand, MacCommand
    from benchrig.protocol.network_events import Reception
    from benchrig.protocol.region import DataRate

LEAST_SNR_DB = {7: -7.5, 8: -10.0, 9: -12.5, 10: -15.0, 11: -17.5, 12: -20.0}
_LARGEST_MARGIN_DB = 254


def answers_to(
    commands: Sequence[MacCommand], *, receptions: Sequence[Reception], rate: DataRate, gps_s: float | None
) -> list[DownlinkCommand]:
    """One answer for each kind of question. `gps_s` is the time at the end of the uplink, None when nobody knows."""
    found: list[DownlinkCommand] = []
    kinds = {type(command) for command in commands}
    if LinkCheckReq in kinds:
        found.append(LinkCheckAns(_margin_db(receptions[0].snr_db, rate), min(len(receptions), 255)))
    if DeviceTimeReq in kinds and gps_s is not None:
        parts = int(gps_s * 256)
        found.append(DeviceTimeAns(parts >> 8, parts & 0xFF))
    return found


def _margin_db(snr_db: float | None, rate: DataRate) -> int:
    """Whole decibels above what can just be demodulated; 0 where that is not known."""
    least_db = LEAST_SNR_DB.get(rate.spreading_factor)
    if snr_db is None or least_db is None:
        return 0
    return min(max(int(snr_db - least_db), 0), _LARGEST_MARGIN_DB)
