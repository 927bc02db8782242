"""Faults of the simulated bench that only a gateway, or an open receive window, can show, and what a run says then."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from benchrig.records import Verdict


@dataclass(frozen=True)
class AirCase:
    """The check that must find it, its verdict, words of it; `also` names checks that say the same once more.

    `cannot` are checks that are not run because of it.
    """

    check: str
    verdict: Verdict
    says: tuple[str, ...]
    also: tuple[str, ...] = ()
    cannot: tuple[str, ...] = ()


_AFTER_JOIN: Final = ("uplink_hops", "downlink")
_FAIL, _BENCH = Verdict.FAIL, Verdict.BENCH_ERROR

AIR: Final = {
    "air_wrong_key": AirCase("join", _FAIL, ("signs with another key",), cannot=_AFTER_JOIN),
    "nonce_reset": AirCase("join", _FAIL, ("nonce reused", "must keep it over power cuts")),
    "late_window": AirCase(
        "join", _FAIL, ("3 of 3 requests heard and answered", "the board did not join"), cannot=_AFTER_JOIN
    ),
    "counter_reset": AirCase("uplink_hops", _FAIL, ("counters: ", "counter 0 after 4"), also=("downlink",)),
    "air_wrong_port": AirCase(
        "uplink_hops",
        _FAIL,
        ("hop: frame on the air: at 3.45 V: frame on the air differs first", "port 3 instead of 2"),
    ),
    "modem_swaps_bytes": AirCase(
        "uplink_hops", _FAIL, ("hop: frame on the air: at 3.45 V: frame on the air differs first", "8 bytes differ")
    ),
    "antenna_detached": AirCase("uplink_hops", _FAIL, ("rssi: ", "below the low limit")),
    "downlink_twice": AirCase("downlink", _FAIL, ("a repeated frame switches nothing", "commands obeyed")),
    "air_frames_lost": AirCase("uplink_hops", _BENCH, ("the air loses frames",), cannot=("downlink",)),
    "gateway_mute": AirCase("join", _BENCH, ("no gateway says a word",), cannot=_AFTER_JOIN),
    "crc_failed_frames": AirCase("join", _BENCH, ("packets reached the gateways damaged",), cannot=_AFTER_JOIN),
}
"""By fault. Another make of board on the air (`foreign_device`) is no fault of anybody here: see `HARMLESS`."""

HARMLESS: Final = {"foreign_device": "foreign board"}
"""Faults that a run must bear, and what it says of them."""

PULLED_OUT: Final = ("gateway_vanishes",)
"""In the middle of a run: the check that is at work then is charged to the bench."""
