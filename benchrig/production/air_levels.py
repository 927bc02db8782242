"""How loud and how long the board's frames are: levels at the gateways, and time on air by formula and by current.

Owns which of several frames is judged, and how far formula and current may differ. Must not know bytes.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from benchrig.quantity import format_quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.board.air import AirUplink
    from benchrig.board_run import BoardRun
    from benchrig.check import Check

_ANTENNA = "look at antenna, its connector and match, and at the attenuators of the bench"
_SYMBOLS = 2.0
"""So far may the current's edges be from those of the frame: the radio ramps up and down. Own choice."""
_RATE = re.compile(r"SF(\d+)BW(\d+)")
"""Data rate as gateways tell it: spreading factor, and bandwidth in kHz."""


def judge_levels(run: BoardRun, measure: Check, heard: Sequence[AirUplink]) -> None:
    """The weakest frame at its best gateway, and the longest one. A way that tells no levels leaves them open."""
    for name, unit, number in (("rssi", "dBm", "rssi_dbm"), ("snr", "dB", "snr_db")):
        levels = [level for one in heard for level in one.levels[:1] if getattr(level, number) is not None]
        if levels:
            weakest = min(levels, key=lambda level: float(getattr(level, number)))
            at = f"gateway {weakest.gateway}" if weakest.gateway else "no gateway named"
            measure(name, getattr(weakest, number), unit=unit, remark=f"the weakest, {at}", next_action=_ANTENNA)
        elif name in measure.limits:
            measure.undecided(name, "no level was told with any frame", next_action="let the network tell it, too")
    _judge_airtime(run, measure, heard)


def _judge_airtime(run: BoardRun, measure: Check, heard: Sequence[AirUplink]) -> None:
    timed = [one for one in heard if one.airtime_us is not None]
    if not timed:
        if "airtime" in measure.limits:
            measure.undecided("airtime", "no data rate was told with any frame", next_action="let the network tell it")
        return
    longest = max(timed, key=lambda one: one.airtime_us or 0)
    airtime_s = (longest.airtime_us or 0) / 1e6
    measure(
        "airtime",
        airtime_s,
        unit="s",
        remark="the longest frame, by the formula from data rate and length",
        next_action="look at data rate and payload length",
    )
    _against_current(run, measure, airtime_s, longest)


def _against_current(run: BoardRun, measure: Check, airtime_s: float, longest: AirUplink) -> None:
    """The transmission that was seen in the current, where one was: it must be one frame of this length."""
    seen = run.found.get("transmit_duration_s")
    rate = _RATE.fullmatch(longest.levels[0].rate) if longest.levels else None
    if seen is None or rate is None:
        measure.not_proven(
            "that the radio is on for as long as its frame: no transmission was seen in the current in this run",
            next_action="run the check transmit before this one, with a current recorder",
        )
        return
    symbol_s = 2.0 ** int(rate[1]) / (1e3 * int(rate[2]))
    allowed_s = _SYMBOLS * symbol_s + 2.0 * seen.standard_uncertainty
    measure.fact(
        "time on air in the current",
        expected=f"{format_quantity(airtime_s, 's')} by the formula, within {format_quantity(allowed_s, 's')}",
        seen=format_quantity(seen.value, "s"),
        holds=abs(seen.value - airtime_s) <= allowed_s,
        next_action="the radio is on for another time than its frame takes: look at its settings and its supply",
    )
