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
    "air_identity_reversed": AirCase(
        "join", _FAIL, ("wrong identity", "the same in the other byte order"), cannot=_AFTER_JOIN
    ),
    "second_window_wrong": AirCase(
        "join", _FAIL, ("3 of 3 requests heard and answered", "the board did not join"), cannot=_AFTER_JOIN
    ),
    "air_confirmed": AirCase("uplink_hops", _FAIL, ("confirmed flag: ", "6 of 6 confirmed")),
    "listens_always": AirCase("downlink", _FAIL, ("deaf until it has spoken", "commands obeyed")),
    "unknown_command_obeyed": AirCase("downlink", _FAIL, ("an unknown command changes nothing while on",)),
    "any_port_obeyed": AirCase("downlink", _FAIL, ("'on' to another port", "commands obeyed")),
    "pin_outlasts_power": AirCase("downlink", _FAIL, ("pin after a power cut",)),
    "downlink_twice": AirCase("downlink", _FAIL, ("a repeated frame switches nothing", "commands obeyed")),
    "air_frames_lost": AirCase("join", _BENCH, ("the air loses frames",), cannot=_AFTER_JOIN),
    "gateway_mute": AirCase("join", _BENCH, ("no gateway says a word",), cannot=_AFTER_JOIN),
    "crc_failed_frames": AirCase("join", _BENCH, ("packets reached the gateways damaged",), cannot=_AFTER_JOIN),
}
"""By fault. Another make of board on the air (`foreign_device`) is no fault of anybody here: see `HARMLESS`."""

WHEN_LEFT_ALONE: Final = {
    "join_hammers": AirCase("join_backoff", _FAIL, ("on air in hours 1 to 11: expected less than 36 s",)),
    "backoff_forgotten": AirCase("join_backoff", _FAIL, ("not hurried by power cut 1: expected",)),
    "reports_too_often": AirCase("report_period", _FAIL, ("period: ", "below the low limit")),
}
"""Faults that only a board shows that is left alone, or left without an answer: the sign-off finds them."""

HARMLESS: Final = {"foreign_device": "foreign board"}
"""Faults that a run must bear, and what it says of them."""

PULLED_OUT: Final = ("gateway_vanishes",)
"""In the middle of a run: the check that is at work then is charged to the bench."""
