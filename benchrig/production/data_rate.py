"""From how long a transmission lasted to its data rate, held against what the profile says.

Owns the words of it. Times on air and what they can tell stand in `judge.radio_timing`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.radio_timing import RadioSettings, match_duration, time_on_air_s
from benchrig.quantity import format_quantity
from benchrig.run_plan import Found

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.judge.radio_timing import AirtimeMatch

_RAMP_S = 0.5e-3
_SAMPLES = 2.0
"""A measured time on air may differ by so many samples and by the ramps of the transmitter. Own choice; a block of
symbols at the fastest data rate lasts ten times as long."""

_MOST_TOLD = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameExpected:
    """The frame that the board says it sent, and how the profile says that it is modulated.

    `spreading_factor` None: nothing is expected, only told.
    """

    spreading_factor: int | None
    bandwidth_hz: int
    coding_rate: int
    phy_payload_bytes: int

    @property
    def template(self) -> RadioSettings:
        """Everything but the spreading factor."""
        return RadioSettings(self.spreading_factor or 7, bandwidth_hz=self.bandwidth_hz, coding_rate=self.coding_rate)


def name_data_rate(
    run: BoardRun, measure: Check, duration_s: float, expected: FrameExpected, interval_s: float
) -> None:
    """Say which data rate a transmission of this duration had, and judge it if the profile names one."""
    tolerance_s = _SAMPLES * interval_s + _RAMP_S
    matches = match_duration(duration_s, tolerance_s=tolerance_s, template=expected.template)
    size = expected.phy_payload_bytes
    of_size = [one for one in matches if size in one.lengths]
    if len(of_size) == 1:
        run.found["spreading_factor"] = Found(float(of_size[0].settings.spreading_factor), 0.0, "1")
    if expected.spreading_factor is not None:
        _judge(measure, duration_s, expected, of_size or matches)
    if len(of_size) != 1:
        measure.not_proven(
            f"the data rate: {format_quantity(duration_s, 's')} on air {_told(of_size, size) or _by_time(matches)}",
            next_action="look at the modem's settings; the current alone does not tell",
        )


def _judge(measure: Check, duration_s: float, expected: FrameExpected, matches: Sequence[AirtimeMatch]) -> None:
    factor, size = expected.spreading_factor, expected.phy_payload_bytes
    nominal_s = time_on_air_s(expected.template, phy_payload_bytes=size)
    holds = any(one.settings.spreading_factor == factor and size in one.lengths for one in matches)
    measure.fact(
        "data rate",
        expected=f"SF{factor} for {size} bytes: {format_quantity(nominal_s, 's')}",
        seen=f"{format_quantity(duration_s, 's')}: {_told(matches, size) or _by_time(matches)}",
        holds=holds,
        next_action="look at the spreading factor, the bandwidth and the length of the frame in the modem's settings",
    )


def _told(matches: Iterable[AirtimeMatch], size: int) -> str:
    """The data rates that fit the length that the board says; bytes that fill one block of symbols last as long."""
    fitting = [one for one in matches if size in one.lengths]
    return " or ".join(f"SF{one.settings.spreading_factor} with {_bytes(one)}" for one in fitting)


def _by_time(matches: Sequence[AirtimeMatch]) -> str:
    if not matches:
        return "no frame of these settings"
    told = " or ".join(f"SF{one.settings.spreading_factor} with {_bytes(one)}" for one in matches[:_MOST_TOLD])
    return f"{told}{' or others' if len(matches) > _MOST_TOLD else ''}"


def _bytes(match: AirtimeMatch) -> str:
    if match.first_bytes == match.last_bytes:
        return f"{match.first_bytes} bytes"
    return f"{match.first_bytes} to {match.last_bytes} bytes"
