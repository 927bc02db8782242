"""The checks that the shipped suites know: their names, titles, and the values a profile may limit in each.

One table, so that a profile's limits, a suite's calls and a report's titles cannot drift apart. A check of a
user's own (`own_checks` in the profile) may limit values of any name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True)
class CheckKind:
    """A check: its title for reports, and the unit (base) of each value that can be limited."""

    title: str
    values: Mapping[str, str]


_JOIN: Mapping[str, str] = {"time": "s", "airtime": "s", "tries": "1", "spreading_factor": "1"}

CHECKS: Mapping[str, CheckKind] = {
    "first_touch": CheckKind("first touch at a low current limit", {"current": "A"}),
    "identity_start": CheckKind("identity and firmware at the start", {"boot_time": "s"}),
    "rail": CheckKind("3.3 V rail over the battery range, under load", {"voltage": "V"}),
    "battery_sweep": CheckKind(
        "reported battery voltage against the terminals, up and down",
        {
            "error": "V",
            "gain_error": "1",
            "offset": "V",
            "residual": "V",
            "nonlinearity": "V",
            "hysteresis": "V",
            "drift": "V",
            "noise": "V",
            "answer_time": "s",
            "counts_gain_error": "1",
            "counts_offset": "count",
            "counts_residual": "count",
        },
    ),
    "correction": CheckKind("correction constants written, kept and proven by new readings", {"error_after": "V"}),
    "payload_bytes": CheckKind(
        "bytes handed to the modem against the console",
        {"battery_difference": "V", "temperature_difference": "degC"},
    ),
    "temperature": CheckKind("temperature against the bench's own sensor", {"error": "degC", "probe_error": "degC"}),
    "floor_current": CheckKind(
        "floor current in sleep, link released",
        {
            "floor": "A",
            "mean": "A",
            "wake_charge": "C",
            "wake_period": "s",
            "unexplained_charge": "1",
            "hidden_charge": "1",
        },
    ),
    "transmit": CheckKind(
        "current through an uplink",
        {"peak": "A", "plateau": "A", "duration": "s", "charge": "C", "rx1_delay": "s", "rx2_delay": "s"},
    ),
    "join": CheckKind("join by the bench's own gateways, nonce kept over a power cut", _JOIN),
    "uplink_hops": CheckKind(
        "uplinks hop by hop, from the terminals to the decoded value", {"rssi": "dBm", "snr": "dB", "airtime": "s"}
    ),
    "downlink": CheckKind("a pin switched by downlinks, once for each frame", {"pin_on": "V", "pin_off": "V"}),
    "report_period": CheckKind(
        "reports that the board sends by itself, by their times on the air", {"period": "s", "jitter": "s"}
    ),
    "join_backoff": CheckKind("requests to join while nobody answers, by the published caps and over power cuts", {}),
    "energy": CheckKind("average current and battery life", {"average_current": "A", "life": "d"}),
    "thresholds": CheckKind(
        "dropout, lockout, reset and restart voltage, by halving",
        {"dropout": "V", "lockout_falling": "V", "reset": "V", "restart_rising": "V", "hysteresis": "V"},
    ),
    "coming_back": CheckKind(
        "coming back after dusk, dark plateaus and power holes",
        {"not_back": "1", "restarts": "1", "sleep_current": "A"},
    ),
    "identity_end": CheckKind("the same board at the end, no unexpected restart", {}),
    "output_off": CheckKind("output off, seen by read-back and at the terminals", {"terminals": "V"}),
}

USES = ("production", "nightly", "signoff")

PROVE_LITTLE = frozenset(("first_touch", "identity_start", "identity_end", "output_off"))
"""Checks that no use can do with alone: a board may pass all of them and do nothing that it is for."""
