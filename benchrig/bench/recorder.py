"""A current recorder in the battery lead: armed, left alone, emptied. Samples of a window, not single readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.errors import InstrumentReplyError, InstrumentTimeout, InstrumentUnfit
from benchrig.judge.uncertainty import NOT_KNOWN, AccuracyTerms, Conditions
from benchrig.protocol import scpi

if TYPE_CHECKING:
    from benchrig.bench.command_table import Capture
    from benchrig.bench.instrument import Instrument
    from benchrig.bench.wiring import RecorderWiring
    from benchrig.clock import Clock
    from benchrig.protocol.scpi import Samples

_POLL_S = 0.02
_MARGIN_S = 1.0


@dataclass(frozen=True)
class CurrentTrace:
    """Samples (A, float32) `interval_s` apart from `start_s` (bench time) on; `range_a` is the fixed range."""

    samples: Samples
    interval_s: float
    start_s: float
    range_a: float
    accuracy: AccuracyTerms
    source: str
    conditions: Conditions = NOT_KNOWN

    @property
    def duration_s(self) -> float:
        return self.interval_s * len(self.samples.values)


class CurrentRecorder:
    """One input of a current recorder."""

    def __init__(self, instrument: Instrument, wiring: RecorderWiring, clock: Clock) -> None:
        self.instrument = instrument
        self.wiring = wiring
        self._clock = clock
        self._armed = (0.0, 0.0, 0, 0.0)

    def start(self, *, window_s: float, interval_s: float, range_a: float) -> None:
        """Set range and window, each read back, and start recording now."""
        points = max(1, round(window_s / interval_s))
        capture = self._capture()
        settings = self.instrument.table.settings
        preparing = list(capture.prepare)
        if capture.route and self.wiring.channel is not None:
            preparing.append(capture.route.format(channel=self.wiring.channel))
        if preparing:
            self.instrument.command(*preparing)
        self.instrument.set_number(settings["range"], range_a)
        self.instrument.set_number(settings["interval"], interval_s)
        self.instrument.set_number(settings["points"], float(points))
        self.instrument.command(capture.start)
        self._armed = (self._clock.now_s(), interval_s, points, range_a)

    @property
    def ends_at_s(self) -> float:
        """Bench time at which the window that was started is full."""
        start_s, interval_s, points, _ = self._armed
        return start_s + interval_s * points

    def finish(self) -> CurrentTrace:
        """Wait until the window is full and fetch it. A recorder that never finishes is charged to the bench."""
        start_s, interval_s, points, range_a = self._armed
        capture = self._capture()
        self._clock.sleep(self.ends_at_s - self._clock.now_s())
        self._wait_until_done(capture)
        samples = self._fetch(capture)
        if len(samples.values) != points:
            raise InstrumentReplyError(
                f"recorder {self.instrument.name}: asked for {points} samples, came back {len(samples.values)}; "
                "the window is not whole and is not judged",
                self.instrument.name,
            )
        return CurrentTrace(
            samples,
            interval_s,
            start_s,
            range_a,
            self.instrument.accuracy("current"),
            self.instrument.name,
            self.instrument.conditions,
        )

    def abort(self) -> None:
        """Stop a window that is not wanted any more."""
        self.instrument.command(self._capture().abort)

    def _wait_until_done(self, capture: Capture) -> None:
        deadline_s = self.ends_at_s + _MARGIN_S * max(1.0, self._clock.scale)
        while self._is_measuring(capture):
            if self._clock.now_s() > deadline_s:
                raise InstrumentTimeout(
                    f"recorder {self.instrument.name}: its window was full {_MARGIN_S:g} s ago and it still says it is "
                    f"measuring ({capture.measuring.query}); start it again by hand, or replace it",
                    self.instrument.name,
                )
            self._clock.sleep(_POLL_S)

    def _is_measuring(self, capture: Capture) -> bool:
        register, _ = self.instrument.number(capture.measuring.query, unit="1")
        return bool(int(register) >> capture.measuring.bit & 1)

    def _fetch(self, capture: Capture) -> Samples:
        try:
            if capture.encoding == "ascii":
                text = self.instrument.ask(capture.fetch, timeout_s=10.0 * self.instrument.spec.timeout_s)
                numbers = scpi.parse_number_list(text, unit=capture.unit)
                return scpi.Samples(numbers.values.astype(np.float32), numbers.invalid)
            block = self.instrument.block(capture.fetch, timeout_s=self.instrument.spec.timeout_s)
            return scpi.decode_samples(block, encoding=capture.encoding)
        except ValueError as wrong:
            raise InstrumentReplyError(
                f"recorder {self.instrument.name}: asked {capture.fetch!r}, {wrong}", self.instrument.name
            ) from wrong

    def _capture(self) -> Capture:
        capture = self.instrument.table.capture
        if capture is None:  # refused when the command table is read
            raise InstrumentUnfit(f"recorder {self.instrument.name} has no capture table", self.instrument.name)
        return capture
