"""A window of samples is whole and in amperes, or it is an error of the right kind."""

from __future__ import annotations

import struct
from contextlib import ExitStack, closing
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from benchrig.bench.bench_file import read_bench_file
from benchrig.bench.command_table import Capture, Condition, NumberSetting
from benchrig.bench.open_bench import OpenBench
from benchrig.bench.recorder import CurrentRecorder
from benchrig.bench.supply import Maxima
from benchrig.bench.wiring import RecorderWiring
from benchrig.clock import FakeClock, ScaledClock
from benchrig.errors import InstrumentError, InstrumentReplyError, InstrumentTimeout, InstrumentUnfit

from .instruments import instrument, table
from .scripted_instrument import InstrumentServer, ScriptedInstrument

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.conftest import StartBench

SHIPPED_BENCH = Path(__file__).parents[2] / "fixtures" / "benches" / "simulated.toml"
MAXIMA = Maxima(voltage_v=5.0, current_a=0.5)

CAPTURE = Capture(
    prepare=("FUNC CURR",),
    route="FUNC CHANNEL{channel}",
    start="OUTP ON",
    abort="OUTP OFF",
    measuring=Condition("STAT:OPER:COND?", 4),
    fetch="FETC?",
    encoding="float32-be",
    unit="A",
)
SETTINGS = {
    "range": NumberSetting("VOLT {value:g}", "VOLT?", "A", tolerance=1e-9),
    "interval": NumberSetting("CURR {value:g}", "CURR?", "s", tolerance=1e-9),
    "points": NumberSetting("VOLT:PROT {value:.0f}", "VOLT:PROT?", "1", tolerance=0.1),
}


def _block(*samples: float) -> bytes:
    data = struct.pack(f">{len(samples)}f", *samples)
    return b"#2%02d" % len(data) + data


class Bench:
    """A recorder on a scripted instrument; its headers stand for range, interval and points."""

    def __init__(self, server: InstrumentServer, *, capture: Capture = CAPTURE, channel: int | None = 2) -> None:
        self.scripted = server.instrument
        self.scripted.answers["STAT:OPER:COND?"] = lambda: b"0"
        commands = replace(table("recorder", capture=capture), settings=SETTINGS)
        self.session = instrument(server.resource, commands, timeout_s=0.2)
        self.session.open()
        wiring = RecorderWiring("rec", channel, sleep_range_a=0.01, transmit_range_a=0.1)
        self.clock = FakeClock()
        self.recorder = CurrentRecorder(self.session, wiring, self.clock)


@pytest.fixture
def server() -> Iterator[InstrumentServer]:
    """A sound instrument."""
    with InstrumentServer(ScriptedInstrument()) as running:
        yield running


def test_window_is_armed_left_alone_and_fetched(server: InstrumentServer) -> None:
    """Route and range are set, the window is waited for as a whole, and the samples come in amperes."""
    bench = Bench(server)
    bench.scripted.answers["FETC?"] = lambda: _block(1e-3, 2e-3, 3e-3)

    bench.recorder.start(window_s=3.0, interval_s=1.0, range_a=0.01)
    trace = bench.recorder.finish()

    assert "FUNC CURR" in bench.scripted.log
    assert "FUNC CHANNEL2" in bench.scripted.log
    assert bench.scripted.numbers == {"VOLT": 0.01, "CURR": 1.0, "VOLT:PROT": 3.0}
    assert bench.clock.slept_s == [pytest.approx(3.0)]
    assert trace.samples.values.tolist() == pytest.approx([1e-3, 2e-3, 3e-3])
    assert (trace.interval_s, trace.range_a, trace.duration_s) == (1.0, 0.01, 3.0)


def test_recorder_without_channel_is_not_routed(server: InstrumentServer) -> None:
    """A bench file that names no channel sends no route."""
    bench = Bench(server, channel=None)

    bench.recorder.start(window_s=1.0, interval_s=1.0, range_a=0.01)

    assert not [unit for unit in bench.scripted.log if "CHANNEL" in unit]


@pytest.mark.parametrize(
    ("capture", "reply", "error", "sentence"),
    [
        pytest.param(
            CAPTURE,
            _block(1e-3, 2e-3),
            InstrumentReplyError,
            "asked for 3 samples, came back 2; the window is not whole",
            id="a sample too few",
        ),
        pytest.param(
            CAPTURE,
            b"#15abcde",
            InstrumentReplyError,
            "5 bytes are no whole number of float32-be samples",
            id="odd length",
        ),
        pytest.param(
            CAPTURE, b"#3100abc", InstrumentTimeout, "the block has .* bytes and nothing more", id="short block"
        ),
        pytest.param(CAPTURE, b"1.0,2.0", InstrumentReplyError, "came instead of a block", id="text for a block"),
        pytest.param(
            replace(CAPTURE, encoding="ascii"), b"1E-3,x,2E-3", InstrumentReplyError, "garbled", id="garbled text"
        ),
        pytest.param(
            replace(CAPTURE, encoding="ascii"), b"1E-3,2E-3", InstrumentReplyError, "came back 2", id="text too short"
        ),
        pytest.param(
            replace(CAPTURE, encoding="ascii"),
            b"1E-3V,2E-3V,3E-3V",
            InstrumentReplyError,
            "A was expected, not V",
            id="volts for amperes",
        ),
    ],
)
def test_window_that_is_not_whole_is_never_judged(
    capture: Capture, reply: bytes, error: type[InstrumentError], sentence: str, server: InstrumentServer
) -> None:
    """Whatever is not exactly the window that was asked for is an error that says what came."""
    bench = Bench(server, capture=capture)
    bench.scripted.answers["FETC?"] = lambda: reply
    bench.recorder.start(window_s=3.0, interval_s=1.0, range_a=0.01)

    with pytest.raises(error, match=sentence):
        bench.recorder.finish()


def test_overload_is_marked_sample_by_sample(server: InstrumentServer) -> None:
    """A sample over range is marked as not measured; 9.9E37 (SCPI-99 vol. 1, 7.2.1.4) is never a current."""
    bench = Bench(server)
    bench.scripted.answers["FETC?"] = lambda: _block(1e-3, 9.9e37, 9.91e37)
    bench.recorder.start(window_s=3.0, interval_s=1.0, range_a=0.01)

    trace = bench.recorder.finish()

    assert trace.samples.invalid.tolist() == [False, True, True]


def test_range_that_the_recorder_rounds_is_told(server: InstrumentServer) -> None:
    """A range other than the one asked for would carry another accuracy: found before the window starts."""
    bench = Bench(server)
    bench.scripted.ignored = frozenset(("VOLT",))

    with pytest.raises(InstrumentUnfit, match=r"asked 'VOLT 0\.05', read back 0 A"):
        bench.recorder.start(window_s=3.0, interval_s=1.0, range_a=0.05)

    assert "OUTP ON" not in bench.scripted.log


def test_recorder_that_never_finishes_is_charged_to_the_bench(server: InstrumentServer) -> None:
    """A window that should be full and is still measured is an InstrumentTimeout, after its margin and not before."""
    bench = Bench(server)
    bench.scripted.answers["STAT:OPER:COND?"] = lambda: b"16"
    bench.recorder.start(window_s=3.0, interval_s=1.0, range_a=0.01)

    with pytest.raises(InstrumentTimeout, match=r"its window was full 1 s ago and it still says it is measuring"):
        bench.recorder.finish()

    assert 4.0 < bench.clock.now_s() < 4.1


FAULTS = [
    pytest.param("recorder_short_block", InstrumentTimeout, "and nothing more came in time", id="short block"),
    pytest.param("recorder_never_done", InstrumentTimeout, "still says it is measuring", id="never done"),
]


@pytest.mark.parametrize(("fault", "error", "sentence"), FAULTS)
def test_simulated_recorder_fault_is_told(
    fault: str,
    error: type[InstrumentError],
    sentence: str,
    simulated_bench: StartBench,
    tmp_path: Path,
) -> None:
    """The faults of a simulated recorder end in the error that says what happened."""
    text = SHIPPED_BENCH.read_text(encoding="utf-8").replace(
        '[instruments.recorder]\nkind = "recorder"', '[instruments.recorder]\ntimeout_s = 0.2\nkind = "recorder"'
    )
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    simulation = simulated_bench(path, "--fault", fault, "--scale", "20")

    with ExitStack() as stack:
        bench = stack.enter_context(closing(OpenBench(read_bench_file(path), ("1",), simulation.instruments)))
        bench.open(lambda _kind, _text: None)
        clock = ScaledClock(simulation.scale)
        recorder = bench.slot("1", MAXIMA, clock, guarded=lambda: True).recorder
        assert recorder is not None
        recorder.start(window_s=0.2, interval_s=1e-3, range_a=0.01)

        with pytest.raises(error, match=sentence):
            recorder.finish()


def test_simulated_overload_marks_every_sample(simulated_bench: StartBench) -> None:
    """A recorder that is over its range all the time hands out nothing that counts as measured."""
    simulation = simulated_bench(SHIPPED_BENCH, "--fault", "recorder_overload", "--scale", "20")

    with closing(OpenBench(read_bench_file(SHIPPED_BENCH), ("1",), simulation.instruments)) as bench:
        bench.open(lambda _kind, _text: None)
        recorder = bench.slot("1", MAXIMA, ScaledClock(simulation.scale), guarded=lambda: True).recorder
        assert recorder is not None
        recorder.start(window_s=0.1, interval_s=1e-3, range_a=0.01)

        assert recorder.finish().samples.invalid.all()
