"""The simulated current recorders: sweep settings, state, and the two data formats.

Owns: commands and timing of a sweep.  Must not know the circuit: it asks for the trace of a lead current.  The samples
are made when they are fetched, from the trace, so a long sweep costs nothing while it runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from benchrig.simulation import scpi_parameters as parameters
from benchrig.simulation.instrument import Command, Instrument, command, nr3
from benchrig.simulation.parts import RecorderTraits, within
from benchrig.simulation.scpi_errors import ScpiError
from benchrig.simulation.scpi_parameters import Limits

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Mapping

    import numpy as np
    from numpy.typing import NDArray

    from benchrig.simulation.battery_node import Stretch
    from benchrig.simulation.bench_time import Agenda

RANGES_A: Final = (1e-3, 1e-2, 1e-1, 1.0)
RANGE: Final = Limits(0.0, 1.0, 1.0, "A")
INTERVAL: Final = Limits(20e-6, 1.0, 1e-3, "S")
POINTS: Final = Limits(1, 20_000_000, 1000)
NOISE_OF_RANGE: Final = 20e-6
OFFSET_OF_RANGE: Final = 5e-6
GAIN: Final = 0.0005
MEASURING: Final = 16


class TraceSource(Protocol):
    """Gives the trace of a lead current."""

    def __call__(self, *, start_s: float) -> list[Stretch]:
        """The stretches from the one in force at `start_s` until now."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """One started sweep with the settings it was started with."""

    start_s: float
    interval_s: float
    points: int
    range_a: float
    channel: int
    seed: int

    @property
    def end_s(self) -> float:
        """When the last sample is taken."""
        return self.start_s + self.interval_s * self.points


class Recorder(Instrument):
    """What both recorders share; a dialect says how samples are written."""

    def __init__(
        self,
        agenda: Agenda,
        *,
        identity: str,
        traces: Mapping[int, TraceSource],
        traits: RecorderTraits,
        rng: random.Random,
    ) -> None:
        super().__init__(agenda, identity=identity)
        self._traces = traces
        self._traits = traits
        self._rng = rng
        self._gain = within(rng, GAIN)
        self._offset_of_range = within(rng, OFFSET_OF_RANGE)
        self._sweep: Sweep | None = None
        self._set_defaults()

    def command_table(self) -> list[Command]:
        """What both recorders have: settings of the sweep, start and stop, state, samples."""
        return [
            *super().command_table(),
            *_setting("[SENSe:]CURRent:RANGe", self._set_range, lambda: nr3(self.range_a)),
            *_setting("[SENSe:]SWEep:TINTerval", self._set_interval, lambda: nr3(self.interval_s)),
            *_setting("[SENSe:]SWEep:POINts", self._set_points, lambda: str(self.points)),
            *_setting("ROUTe:CHANnel", self._set_channel, lambda: str(self.channel)),
            command("INITiate[:IMMediate]", lambda _: self._start()),
            command("ABORt", lambda _: self._abort()),
            command("STATus:OPERation:CONDition?", lambda _: str(MEASURING * self.is_measuring)),
            command("FETCh:ARRay:CURRent?", lambda _: self.written(self._samples())),
        ]

    @property
    def is_measuring(self) -> bool:
        """Whether a sweep is running."""
        return self.busy_until_s > self.agenda.now

    def reset(self) -> None:
        """Stop, forget the samples, defaults."""
        super().reset()
        self._sweep = None
        self._set_defaults()

    def written(self, samples: NDArray[np.float32]) -> bytes:
        """The response for the samples."""
        raise NotImplementedError

    def _set_defaults(self) -> None:
        self.range_a = RANGE.default
        self.interval_s = INTERVAL.default
        self.points = int(POINTS.default)
        self.channel = min(self._traces, default=1)

    def _set_range(self, text: str) -> None:
        asked_a = parameters.number(text, RANGE)
        self.range_a = next(range_a for range_a in RANGES_A if asked_a <= range_a)

    def _set_interval(self, text: str) -> None:
        self.interval_s = parameters.number(text, INTERVAL)

    def _set_points(self, text: str) -> None:
        self.points = parameters.integer(text, POINTS)

    def _set_channel(self, text: str) -> None:
        channel = parameters.integer(text, Limits(0, 999, 1))
        if channel not in self._traces:
            raise ScpiError(-222)
        self.channel = channel

    def _start(self) -> None:
        if self.is_measuring:
            raise ScpiError(-213)
        sweep = Sweep(
            start_s=self.agenda.now,
            interval_s=self.interval_s,
            points=self.points,
            range_a=self.range_a,
            channel=self.channel,
            seed=self._rng.getrandbits(32),
        )
        self._sweep = sweep
        self.busy_until_s = float("inf") if self._traits.never_finishes else sweep.end_s

    def _abort(self) -> None:
        if self.is_measuring:
            self._sweep = None
            self.busy_until_s = self.agenda.now

    def _samples(self) -> NDArray[np.float32]:
        if self._sweep is None or self.is_measuring:
            raise ScpiError(-230)
        return self._synthesise(self._sweep)

    def _synthesise(self, sweep: Sweep) -> NDArray[np.float32]:
        from benchrig.simulation import waveform  # noqa: PLC0415 - numpy would double the time to the ready line

        channel = waveform.Channel(
            range_a=0.0 if self._traits.is_overloaded else sweep.range_a,
            gain=self._gain,
            offset_a=self._offset_of_range * sweep.range_a,
            noise_a=NOISE_OF_RANGE * sweep.range_a,
            seed=sweep.seed,
        )
        return waveform.sampled(
            self._traces[sweep.channel](start_s=sweep.start_s),
            channel,
            start_s=sweep.start_s,
            interval_s=sweep.interval_s,
            points=sweep.points,
        )


class BlockRecorder(Recorder):
    """Samples come as a definite-length block of 32-bit floats, big-endian unless swapped."""

    def command_table(self) -> list[Command]:
        """Add format and byte order."""
        return [
            *super().command_table(),
            command("FORMat[:DATA]", self._set_format, fewest=1, most=2),
            command("FORMat[:DATA]?", lambda _: "REAL,32"),
            *_setting("FORMat:BORDer", self._set_byte_order, lambda: "SWAP" if self.is_swapped else "NORM"),
        ]

    def written(self, samples: NDArray[np.float32]) -> bytes:
        """The block."""
        data = samples.astype("<f4" if self.is_swapped else ">f4").tobytes()
        digits = str(len(data))
        if self._traits.is_block_short:
            data = data[: -max(4, len(data) // 10)]
        return f"#{len(digits)}{digits}".encode("ascii") + data

    def _set_defaults(self) -> None:
        super()._set_defaults()
        self.is_swapped = False

    def _set_format(self, given: list[str]) -> None:
        parameters.word(given[0], ["REAL"])
        if len(given) == 2 and parameters.integer(given[1], Limits(0, 64, 32)) != 32:
            raise ScpiError(-224)

    def _set_byte_order(self, text: str) -> None:
        self.is_swapped = parameters.word(text, ["NORMal", "SWAPped"]) == "SWAPped"


class AsciiRecorder(Recorder):
    """Samples come as NR3 numbers between commas."""

    def command_table(self) -> list[Command]:
        """Add the format."""
        return [
            *super().command_table(),
            command("FORMat[:DATA]", self._set_format, fewest=1, most=2),
            command("FORMat[:DATA]?", lambda _: "ASC"),
        ]

    def written(self, samples: NDArray[np.float32]) -> bytes:
        """The numbers; a short answer ends in the middle of one."""
        text = ",".join(f"{sample:+.6E}" for sample in samples.tolist())
        return (text[: -max(4, len(text) // 10)] if self._traits.is_block_short else text).encode("ascii")

    def _set_format(self, given: list[str]) -> None:
        parameters.word(given[0], ["ASCii"])


def _setting(spelling: str, program: Callable[[str], None], answer: Callable[[], str]) -> tuple[Command, Command]:
    """A setting with one parameter, and its query."""
    return (
        command(spelling, lambda given: program(given[0]), fewest=1),
        command(f"{spelling}?", lambda _: answer()),
    )


RECORDER_MODELS: Final[Mapping[str, type[Recorder]]] = {
    "recorder-block": BlockRecorder,
    "recorder-ascii": AsciiRecorder,
}
