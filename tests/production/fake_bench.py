"""A bench and a board without wires: what a test wants them to do stands in their fields.

The checks, the procedures, the profile and the judging are the real ones; only what would touch a wire is replaced, at
the seams that procedures use. Time passes by FakeClock alone.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Final, cast

import numpy as np

from benchrig.bench.recorder import CurrentTrace
from benchrig.board.board import BatteryAnswer, BoardIdentity, FrameAnswer, TemperatureAnswer
from benchrig.board.profile import BoardProfile, read_board_profile
from benchrig.check import Check
from benchrig.clock import FakeClock
from benchrig.errors import BoardTimeout
from benchrig.judge.uncertainty import AccuracyTerms
from benchrig.procedures.on_bench import OnBench, Phases
from benchrig.protocol.console import Line, Notice
from benchrig.protocol.scpi import Samples
from benchrig.reading import Reading
from benchrig.records import CheckFinished, FactJudged, LimitJudged, ReadingTaken, Verdict
from benchrig.stall_gauge import StallGauge

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt

    from benchrig.bench.open_bench import SlotBench
    from benchrig.board.board import Board
    from benchrig.board_run import BoardRun
    from benchrig.procedures.sweep import SweepPoint
    from benchrig.protocol.at_events import HandOver
    from benchrig.records import Record
    from benchrig.run_plan import Found

PROFILE: Final = read_board_profile(Path(__file__).parents[2] / "fixtures" / "boards" / "hay-barn-probe.toml")
BOARD: Final = "HB-0001"
AWAKE_A: Final = 0.0045
SOUND_IDENTITY: Final = BoardIdentity(BOARD, "1.4.2", "9c41e0b7", "", "", 17)


def crc8(data: bytes) -> int:
    """CRC-8 with the polynomial 0x07, bit by bit (from memory): check value F4 over 123456789."""
    register = 0
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register << 1 ^ (0x07 if register & 0x80 else 0)) & 0xFF
    return register


def payload(millivolts: int, celsius: int, *bales: int) -> bytes:
    """A frame of the demo board, packed by struct; bales in tenths of a degree, bit 2 of the flags below 3.4 V."""
    first, second = bales or (211, 212)
    flags = bytes([(millivolts < 3400) << 2])
    body = struct.pack("<Hb", millivolts, celsius) + flags + struct.pack(">hh", first, second)
    return body + bytes([crc8(body)])


def _millivolts(volts: float) -> int:
    return round(volts * 1000)


def _counts(volts: float) -> int:
    return round(volts / PROFILE.converter.volts_per_count)


@dataclass
class FakeSupply:
    """An ideal supply. `held_v` is what a strange board holds the terminals at, whatever was set."""

    clock: FakeClock
    setpoint_v: float = math.nan
    current_limit_a: float | None = None
    is_on: bool = False
    draws_a: float = AWAKE_A
    load_a: float = 0.0
    current_u_a: float = 1e-5
    held_v: float | None = None
    limiting: bool = False
    residue_v: float = 0.01
    instrument: SimpleNamespace = field(default_factory=lambda: SimpleNamespace(name="supply"))

    @property
    def terminals_v(self) -> float:
        """What the terminals carry."""
        on_v = self.setpoint_v if self.held_v is None else self.held_v
        return on_v if self.is_on else self.residue_v

    def set_limits(self, *, current_limit_a: float, protection_v: float) -> None:
        """Keep the limit."""
        assert protection_v > 0.0
        self.current_limit_a = current_limit_a

    def set_voltage(self, voltage_v: float) -> None:
        """Keep the set-point."""
        self.setpoint_v = voltage_v

    def output_on(self) -> None:
        """On."""
        self.is_on = True

    def output_off(self) -> None:
        """Off."""
        self.is_on = False

    def read_voltage(self) -> Reading:
        """The set-point, as the supply sees its own posts."""
        return Reading(self.setpoint_v if self.is_on else 0.0, "V", 1e-3, "supply read-back", "", self.clock.now_s())

    def read_current(self) -> Reading:
        """What the board draws."""
        drawn_a = self.draws_a + self.load_a if self.is_on else 0.0
        return Reading(drawn_a, "A", self.current_u_a, "supply read-back", "", self.clock.now_s())

    def is_limiting(self) -> bool:
        """Whether a strange board holds it in its limit."""
        return self.limiting and self.is_on


@dataclass
class FakeMeter:
    """A meter input whose reading is a function of nothing but the moment."""

    clock: FakeClock
    reads: Callable[[], float]
    unit: str = "V"
    u: float = 1e-4
    instrument: SimpleNamespace = field(default_factory=lambda: SimpleNamespace(name="meter"))

    def read_voltage(self) -> Reading:
        """Volts; a reading takes 20 ms."""
        self.clock.sleep(0.02)
        return Reading(self.reads(), self.unit, self.u, "meter", "", self.clock.now_s())

    read_temperature = read_voltage


@dataclass
class FakeRecorder:
    """A recorder that gives back the samples which it was given."""

    clock: FakeClock
    samples: npt.NDArray[np.float32]
    invalid: npt.NDArray[np.bool_] | None = None
    aborted: int = 0
    ends_at_s: float = 0.0
    wiring: SimpleNamespace = field(default_factory=lambda: SimpleNamespace(sleep_range_a=0.01, transmit_range_a=0.1))
    _armed: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def start(self, *, window_s: float, interval_s: float, range_a: float) -> None:
        """Begin a window."""
        self._armed = (self.clock.now_s(), interval_s, range_a)
        self.ends_at_s = self.clock.now_s() + window_s

    def finish(self) -> CurrentTrace:
        """The samples, once the window is full."""
        assert self.clock.now_s() >= self.ends_at_s - 1e-9, "the window is not full yet"
        start_s, interval_s, range_a = self._armed
        invalid = np.zeros(self.samples.size, dtype=np.bool_) if self.invalid is None else self.invalid
        terms = AccuracyTerms(of_reading=0.0005, of_range=5e-6)
        return CurrentTrace(Samples(self.samples, invalid), interval_s, start_s, range_a, terms, "recorder")

    def abort(self) -> None:
        """Take note."""
        self.aborted += 1


@dataclass
class FakeConsole:
    """The parts of a console link that procedures use beside typed questions."""

    clock: FakeClock
    wakes: bool = True
    asked: list[str] = field(default_factory=list)
    nudges: int = 0

    def ask(self, question: str) -> None:
        """Take note."""
        self.asked.append(question)

    def nudge(self) -> None:
        """Take note."""
        self.nudges += 1

    def wait_for_notice(self, name: str, *, began_after_s: float, timeout_s: float) -> Notice:
        """The notice, unless the board never wakes."""
        assert self.nudges, "nobody woke the board"
        if not self.wakes:
            self.clock.sleep(timeout_s)
            raise BoardTimeout(f"no notice {name} from the board within {timeout_s:g} s; check its oscillator")
        return Notice(name, {}, Line(b"WAKE", began_after_s + 0.01, began_after_s + 0.01))


@dataclass
class FakeBoard:
    """A sound board, until a test changes what it says. Frames are handed over as `sends` makes them."""

    supply: FakeSupply
    clock: FakeClock
    console: FakeConsole
    tap: object | None = field(default_factory=object)
    boots_up: bool = True
    identity_now: BoardIdentity = field(default_factory=lambda: SOUND_IDENTITY)
    dies_below_v: float = 0.0
    converts_in_s: float = 0.044
    millivolts: Callable[[float], int] = field(default=_millivolts)
    counts: Callable[[float], int] = field(default=_counts)
    celsius: float = 21.1
    sends: Callable[[int, int], bytes | None] = field(default=payload)
    sends_on: int = 2
    announces: tuple[int, int] = (2, 9)
    reports_done: bool = True
    links_open: bool = True
    load_is_on: bool = False
    load_draws_a: float = 0.0446
    handed_over: tuple[HandOver, ...] | None = None
    lost: str = ""
    reply: None = None

    def lost_on_modem_lines(self) -> str:
        """What the bench itself did not hear."""
        return self.lost

    def hand_overs(self) -> tuple[HandOver, ...] | None:
        """What the modem answered, where somebody listens to it."""
        return self.handed_over

    def wait_for_boot(self, *, after_s: float) -> Notice:
        """The boot notice, 0.25 s after power."""
        if not self.boots_up:
            raise BoardTimeout("no notice boot from the board within 1.5 s; check that it is powered")
        return Notice("boot", {}, Line(b"BOOT", after_s + 0.25, after_s + 0.251))

    def identity(self) -> BoardIdentity:
        """Who it is now."""
        return self.identity_now

    def battery(self) -> BatteryAnswer:
        """One conversion of what the terminals carry."""
        volts = self._volts()
        self.clock.sleep(self.converts_in_s)
        return BatteryAnswer(
            self.counts(volts), self.millivolts(volts) / 1000.0, self.converts_in_s, "BATT", self.clock.now_s()
        )

    def temperature(self) -> TemperatureAnswer:
        """Its own sensor."""
        return TemperatureAnswer(self.celsius, "TEMP", self.clock.now_s())

    def load(self, *, on: bool) -> None:
        """Switch the load; 45 mA of a rail of 3.3 V are 44.6 mA of a battery of 3.7 V at 90 %."""
        self.load_is_on = on
        self.supply.load_a = self.load_draws_a if on else 0.0

    def frame(self) -> FrameAnswer:
        """A frame, and its bytes when there is a tap to see them."""
        volts = self._volts()
        millivolts, celsius = self.millivolts(volts), round(self.celsius)
        handed = self.sends(millivolts, celsius) if self.tap else None
        port = None if handed is None else self.sends_on
        return FrameAnswer(millivolts / 1000.0, celsius, *self.announces, "FRAME", port, handed, "", self.clock.now_s())

    def report(self) -> FrameAnswer:
        """An uplink."""
        return self.frame()

    def wait_for_report_done(self, *, after_s: float, timeout_s: float) -> Notice:
        """The end of the uplink."""
        if not self.reports_done:
            raise BoardTimeout(f"no notice report_done from the board within {timeout_s:g} s; look at its modem")
        return Notice("report_done", {}, Line(b"REPORT done", after_s + 1.0, after_s + 1.0))

    def release_links(self) -> None:
        """Let go."""
        self.links_open = False

    def reopen_links(self) -> None:
        """Take again."""
        self.links_open = True

    def _volts(self) -> float:
        if self.supply.terminals_v < self.dies_below_v:
            raise BoardTimeout("board asked 'batt?': no complete answer that began after the question; check power")
        return self.supply.terminals_v


@dataclass
class FakeRun:
    """What a check asks of a run."""

    on_bench: OnBench
    plan: SimpleNamespace
    clock: FakeClock
    checks: dict[str, CheckFinished] = field(default_factory=dict)
    blocked: dict[str, str] = field(default_factory=dict)
    identity: BoardIdentity | None = None
    sweep: list[SweepPoint] = field(default_factory=list)
    traces: list[str] = field(default_factory=list)
    found: dict[str, Found] = field(default_factory=dict)

    @property
    def stalls(self) -> StallGauge:
        """A computer that never stalls."""
        return StallGauge(self.clock)

    def later(self, work: Callable[[], None]) -> None:
        """At once: nobody waits for this board."""
        work()

    def block(self, need: str, why: str) -> None:
        """The first reason stays, as in a real run."""
        self.blocked.setdefault(need, why)

    def keep_trace(self, name: str, trace: CurrentTrace) -> None:
        """Take note."""
        assert len(trace.samples.values)
        self.traces.append(name)


@dataclass
class Table:
    """A bench with a sound board on it, one check in progress, and everything that it wrote."""

    check: str
    profile: BoardProfile = PROFILE
    clock: FakeClock = field(default_factory=lambda: FakeClock(10.0))
    link_release: str = "close"
    records: list[Record] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.supply = FakeSupply(self.clock)
        self.board = FakeBoard(self.supply, self.clock, FakeConsole(self.clock))
        self.terminals = FakeMeter(self.clock, lambda: self.supply.terminals_v)
        self.rail: FakeMeter | None = FakeMeter(self.clock, lambda: 3.3)
        self.thermometer: FakeMeter | None = FakeMeter(self.clock, lambda: 21.0, unit="degC", u=0.06)
        self.recorder: FakeRecorder | None = None
        self.measure = Check(
            self.check, self.profile.limits.get(self.check, {}), write=self.records.append, now_s=self.clock.now_s
        )

    def powered(self) -> Table:
        """The board powered and at its normal voltage, as after the first checks."""
        self.supply.set_limits(current_limit_a=self.profile.power.current_limit_a, protection_v=4.3)
        self.supply.set_voltage(self.profile.power.nominal_v)
        self.supply.output_on()
        return self

    def run(self) -> FakeRun:
        """The run; ask for it once everything is as the test wants it."""
        bench = SimpleNamespace(
            supply=self.supply,
            terminals=self.terminals,
            rail=self.rail,
            thermometer=self.thermometer,
            recorder=self.recorder,
        )
        on = OnBench(
            bench=cast("SlotBench", bench),
            board=cast("Board", self.board),
            profile=self.profile,
            clock=self.clock,
            phases=Phases(self.clock),
            record=self.measure.reading,
            link_release=self.link_release,
        )
        on.power.on_since_s, on.power.power_ups = (self.clock.now_s(), 1) if self.supply.is_on else (None, 0)
        return FakeRun(on, SimpleNamespace(profile=self.profile, board=BOARD, said_by_others=None), self.clock)

    def do(self, check: Callable[[BoardRun, Check], None], run: FakeRun | None = None) -> CheckFinished:
        """Carry the check out and end it."""
        check(as_run(run or self.run()), self.measure)
        return self.measure.finish({})

    def verdict(self, name: str) -> Verdict:
        """The verdict of the one limit or fact whose name begins so."""
        (found,) = [one for one in self.measure.judged if _name(one).startswith(name)]
        return found.verdict

    def judged(self, name: str) -> LimitJudged | FactJudged:
        """The one limit or fact of exactly this name."""
        (found,) = [one for one in self.measure.judged if _name(one) == name]
        return found

    def readings(self) -> list[str]:
        """Names of the readings that were written down."""
        return [record.name for record in self.records if isinstance(record, ReadingTaken)]


def as_run(run: FakeRun) -> BoardRun:
    """The fake where a check takes the real one."""
    return cast("BoardRun", run)


def _name(one: LimitJudged | FactJudged) -> str:
    return one.limit if isinstance(one, LimitJudged) else one.fact


def square(
    *, duration_s: float, interval_s: float, low_a: float, pulses: Sequence[tuple[float, float, float]] = ()
) -> npt.NDArray[np.float32]:
    """Samples at a low level with pulses (start, length, height), and a little noise that is the same every time."""
    count = round(duration_s / interval_s)
    at_s = np.arange(count) * interval_s
    samples = np.full(count, low_a) + np.random.default_rng(1).normal(0.0, 1e-3 * max(abs(low_a), 1e-6), count)
    for start_s, length_s, height_a in pulses:
        samples[(at_s >= start_s) & (at_s < start_s + length_s)] = height_a
    return samples.astype(np.float32)
