"""Production runs over bad wires: a console that loses, flips and inserts characters, a meter whose replies stray.

Between the runner and a healthy simulated bench stands a proxy that spoils what passes, by a seed. The board and the
instruments are sound, so what is right is known: whatever is written down as a reading must be what was there.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import subprocess
import termios
import threading
import tty
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar

import pytest

from benchrig.journal import read_journal
from benchrig.records import FactJudged, Happening, LimitJudged, ReadingTaken, Verdict
from benchrig.report.board_report import BoardReport, board_report
from benchrig.simulation.ptys import Pty, PtyWatcher

from .runs import BENCH, BOARD, PRODUCTION, PROFILE, ROOT, environment, pytest_command

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Iterator
    from pathlib import Path

    from benchrig.records import Record
    from tests.conftest import Simulation, StartBench

T = TypeVar("T")

AT_ONCE = 2
SCALE = 16.0
PER_COUNT_V = 4 * 1.1 / 4096
"""The demo board's divider and converter as designed: 300 k over 100 k, 1.1 V, 12 bit."""
METER_TIMEOUT_S = 0.4

RATES = (0.001, 0.002, 0.001, 0.005)
CONSOLES = {f"{RATES[seed % 4]:.1%}-{seed}": (seed, RATES[seed % 4]) for seed in range(20)}
METERS = {f"{2.0 + 0.4 * seed:.1f}%-{seed}": (seed, 0.02 + 0.004 * seed) for seed in range(10)}


# ---- proxies


@dataclass
class Noise:
    """Loses, flips and inserts bytes at random places."""

    rng: random.Random
    rate: float
    spoilt: int = 0

    def __call__(self, data: bytes) -> bytes:
        """What is left of the data."""
        return b"".join(self._one(byte) for byte in data)

    def _one(self, byte: int) -> bytes:
        if self.rng.random() >= self.rate:
            return bytes([byte])
        self.spoilt += 1
        what = self.rng.randrange(3)
        if what == 0:
            return b""
        if what == 1:
            return bytes([byte ^ 1 << self.rng.randrange(8)])
        return bytes([byte, self.rng.randrange(256)])


class NoisyConsole:
    """A pseudo-terminal in front of the board's; it is open to the board only while the runner has it open."""

    def __init__(self, path: str, watcher: PtyWatcher, seed: int, rate: float) -> None:
        self.to_board, self.to_runner = (Noise(random.Random(f"{seed} {way}"), rate) for way in ("to", "from"))
        self._path = path
        self._board = -1
        self._loop = asyncio.get_running_loop()
        self._runner = Pty(watcher, received=self._from_runner, opened=self._opened)

    @property
    def path(self) -> str:
        """What the runner opens."""
        return self._runner.path

    @property
    def spoilt(self) -> int:
        """How many bytes were not passed on as they came."""
        return self.to_board.spoilt + self.to_runner.spoilt

    def _opened(self, is_open: bool) -> None:
        if is_open and self._board < 0:
            self._board = os.open(self._path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            tty.setraw(self._board, termios.TCSANOW)
            self._loop.add_reader(self._board, self._from_board)
        elif not is_open:
            self._let_go()

    def _let_go(self) -> None:
        if self._board >= 0:
            self._loop.remove_reader(self._board)
            os.close(self._board)
        self._board = -1

    async def close(self) -> None:
        """Close both ends."""
        self._let_go()
        self._runner.vanish()

    def _from_runner(self, data: bytes) -> None:
        self._opened(True)
        os.write(self._board, self.to_board(data))

    def _from_board(self) -> None:
        with suppress(BlockingIOError):
            self._runner.send(self.to_runner(os.read(self._board, 4096)))


@dataclass
class StrayReplies:
    """Passes an instrument's replies on late, in pieces, twice, as garbage, or not at all, now and then.

    The worst is a reply that comes again in front of the next one: it arrives after the question it seems to answer.
    """

    rng: random.Random
    rate: float
    host: str
    port: int
    strayed: list[str] = field(default_factory=list)
    own_port: int = 0
    _server: asyncio.Server | None = None
    _again: bytes = b""

    async def listen(self) -> None:
        """Take connections, each passed on to the instrument by one of its own."""
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.own_port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        """Take no more connections."""
        if self._server is not None:
            self._server.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._again = b""  # what strays ends with its connection
        replies, instrument = await asyncio.open_connection(self.host, self.port)
        asking = asyncio.ensure_future(self._ask(reader, instrument))
        with suppress(ConnectionError):
            while line := await replies.readline():
                self._pass_on(line, writer)
        asking.cancel()
        writer.close()

    async def _ask(self, reader: asyncio.StreamReader, instrument: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError):
            while data := await reader.read(4096):
                instrument.write(data)
        instrument.close()

    def _pass_on(self, line: bytes, writer: asyncio.StreamWriter) -> None:
        line, self._again = self._again + line, b""
        if self.rng.random() >= self.rate:
            writer.write(line)
            return
        ways: dict[str, Callable[[bytes, asyncio.StreamWriter], None]] = {
            "late": self._late,
            "in pieces": self._in_pieces,
            "twice": lambda reply, to: to.write(reply + reply),
            "again with the next": self._now_and_again,
            "garbage": lambda reply, to: to.write(self.rng.randbytes(len(reply)).replace(b"\n", b"?") + b"\n"),
            "no end": lambda reply, to: to.write(reply.rstrip(b"\n")),
            "missing": lambda reply, to: None,
        }
        way = self.rng.choice(list(ways))
        self.strayed.append(way)
        ways[way](line, writer)

    def _late(self, line: bytes, writer: asyncio.StreamWriter) -> None:
        delay_s = METER_TIMEOUT_S * self.rng.uniform(0.3, 1.7)
        asyncio.get_running_loop().call_later(delay_s, _write, writer, line)

    def _now_and_again(self, line: bytes, writer: asyncio.StreamWriter) -> None:
        writer.write(line)
        self._again = line

    def _in_pieces(self, line: bytes, writer: asyncio.StreamWriter) -> None:
        cut = self.rng.randrange(len(line))
        writer.write(line[:cut])
        asyncio.get_running_loop().call_later(0.02, _write, writer, line[cut:])


def _write(writer: asyncio.StreamWriter, data: bytes) -> None:
    if not writer.is_closing():
        writer.write(data)


class Proxies:
    """An event loop in a thread of its own, in which the proxies live."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever)
        self._thread.start()
        self._watcher = PtyWatcher(before=lambda: None)
        self._loop.call_soon_threadsafe(self._watcher.attach, self._loop)

    @contextmanager
    def console(self, path: str, seed: int, rate: float) -> Iterator[NoisyConsole]:
        """A proxy in front of a terminal."""

        async def make() -> NoisyConsole:
            return NoisyConsole(path, self._watcher, seed, rate)

        made = self._do(make())
        yield made
        self._do(made.close())

    @contextmanager
    def meter(self, address: tuple[str, int], seed: int, rate: float) -> Iterator[StrayReplies]:
        """A proxy in front of an instrument."""
        made = StrayReplies(random.Random(seed), rate, *address)
        self._do(made.listen())
        yield made
        self._do(made.close())

    def close(self) -> None:
        """End the loop and everything in it."""

        async def cancel_all() -> None:
            others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
            for task in others:
                task.cancel()
            await asyncio.gather(*others, return_exceptions=True)

        self._do(cancel_all())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def _do(self, work: Coroutine[object, object, T]) -> T:
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(10.0)


# ---- runs


@dataclass(frozen=True)
class Run:
    """A finished run, and how often its wire did something."""

    exit_code: int
    text: str
    report: BoardReport
    records: tuple[Record, ...]
    spoilt: int

    def readings(self, words: str) -> dict[str, float | None]:
        """Readings whose names begin so, by the rest of the name."""
        found = [record for record in self.records if isinstance(record, ReadingTaken)]
        return {one.name.removeprefix(words): one.value for one in found if one.name.startswith(words)}

    def verdicts(self) -> dict[str, Verdict]:
        """Verdict of every check."""
        return {check.name: check.verdict for check in self.report.checks}


@pytest.fixture(scope="module")
def proxies() -> Iterator[Proxies]:
    """The loop of the proxies, ended with the module."""
    made = Proxies()
    yield made
    made.close()


@contextmanager
def simulated(start: StartBench, folder: Path, seed: int) -> Iterator[tuple[Simulation, Path]]:
    """A bench of its own for one run, and the file in which its addresses stand."""
    folder.mkdir()
    addresses = folder / "addresses.json"
    options = ("--scale", str(SCALE), "--seed", str(seed), "--board", f"1={BOARD}", "--addresses", str(addresses))
    simulation = start(BENCH, *options)
    try:
        yield simulation, addresses
    finally:
        simulation.end()


def readdressed(addresses: Path, kind: str, name: str, address: str) -> None:
    """Name the proxy in place of what stands behind it."""
    told = json.loads(addresses.read_text(encoding="utf-8"))
    assert name in told[kind]
    told[kind][name] = address
    addresses.write_text(json.dumps(told), encoding="utf-8")


def patient_profile(folder: Path) -> Path:
    """The demo's profile without haste: what a busy machine, or a question asked again, does to an answer's time is
    no matter here; at this scale half a second of the board is 31 ms of the machine."""
    text = PROFILE.read_text(encoding="utf-8")
    for limit, high in (("boot_time", "1.0"), ("answer_time", "0.5")):
        wanted = f'{limit} = {{ unit = "s", high = {high},'
        assert text.count(wanted) == 1
        text = text.replace(wanted, wanted.replace(f"high = {high}", "high = 60.0"))
    path = folder / "patient.toml"
    path.write_text(text, encoding="utf-8")
    return path


def production_run(bench: Path, addresses: Path, folder: Path, spoilt: Callable[[], int]) -> Run:
    """The production suite on a board, as a user starts it."""
    command = pytest_command(PRODUCTION, "-q", "-p", "no:cacheprovider", "--board", BOARD)
    command += ["--bench-profile", str(patient_profile(folder))]
    command += ["--bench", str(bench), "--bench-simulation", str(addresses), "--bench-reports", str(folder / "reports")]
    done = subprocess.run(command, cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=60, check=False)
    (journal,) = (folder / "reports").rglob("*.jsonl")
    read = read_journal(journal)
    return Run(done.returncode, done.stdout + done.stderr, board_report(read), read.records, spoilt())


@pytest.fixture(scope="module")
def consoles(shared_bench: StartBench, proxies: Proxies, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Run]:
    """One run for each noisy console."""
    place = tmp_path_factory.mktemp("consoles")

    def one(name: str) -> Run:
        seed, rate = CONSOLES[name]
        with (
            simulated(shared_bench, place / name, seed) as (simulation, addresses),
            proxies.console(simulation.serial["1.console"], seed, rate) as console,
        ):
            readdressed(addresses, "serial", "1.console", console.path)
            return production_run(BENCH, addresses, place / name, lambda: console.spoilt)

    with ThreadPoolExecutor(AT_ONCE) as pool:
        return dict(zip(CONSOLES, pool.map(one, CONSOLES), strict=True))


@pytest.fixture(scope="module")
def meters(shared_bench: StartBench, proxies: Proxies, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Run]:
    """One run for each meter whose replies stray; its time-out is short, so that a lost reply costs little."""
    place = tmp_path_factory.mktemp("meters")
    text = BENCH.read_text(encoding="utf-8").replace("../boards", str(PROFILE.parent))
    bench = place / "bench.toml"
    bench.write_text(
        text.replace("[instruments.meter]", f"[instruments.meter]\ntimeout_s = {METER_TIMEOUT_S}"), encoding="utf-8"
    )

    def one(name: str) -> Run:
        seed, rate = METERS[name]
        with (
            simulated(shared_bench, place / name, seed) as (simulation, addresses),
            proxies.meter(simulation.address("meter"), seed, rate) as meter,
        ):
            readdressed(addresses, "instruments", "meter", f"TCPIP::127.0.0.1::{meter.own_port}::SOCKET")
            return production_run(bench, addresses, place / name, lambda: len(meter.strayed))

    with ThreadPoolExecutor(AT_ONCE) as pool:
        return dict(zip(METERS, pool.map(one, METERS), strict=True))


# ---- a console that spoils characters


@pytest.mark.parametrize("name", CONSOLES)
def test_no_wrong_number_over_a_noisy_console(consoles: dict[str, Run], name: str) -> None:
    """Every reading of the board is what the terminals carried with it, in passed and in failed runs."""
    run = consoles[name]
    terminals, reported, counts = (run.readings(words) for words in ("terminals at ", "reported at ", "counts at "))

    assert reported.keys() == counts.keys() <= terminals.keys()
    for at, volts in reported.items():
        measured = terminals[at]
        code = counts[at]
        assert measured is not None
        assert volts == pytest.approx(measured, abs=0.040), run.text
        assert code is not None
        assert code * PER_COUNT_V == pytest.approx(measured, abs=0.040), run.text
    for celsius in run.readings("temperature by the board").values():
        assert celsius == pytest.approx(21.0, abs=1.5)
    for fact in run.records:
        if isinstance(fact, FactJudged) and fact.fact == "serial number":
            assert fact.seen == BOARD


@pytest.mark.parametrize("name", CONSOLES)
def test_noisy_console_is_charged_to_the_board(consoles: dict[str, Run], name: str) -> None:
    """A run over a noisy console passes with every check done, or the board does not pass; the bench is not blamed."""
    run = consoles[name]

    assert run.exit_code in (0, 10), run.text
    assert "Traceback" not in run.text
    assert Verdict.BENCH_ERROR not in run.verdicts().values(), run.text
    assert (run.report.verdict.verdict is Verdict.PASS) == (run.exit_code == 0)
    if run.exit_code == 0:
        assert len(run.readings("reported at ")) == 14
        assert set(run.verdicts().values()) == {Verdict.PASS}
    # the modem's line is sound: a frame that seems to differ would be the frame of another attempt at a question
    frames = [one for one in run.records if isinstance(one, LimitJudged) and one.check == "payload_bytes"]
    assert all(one.verdict is Verdict.PASS for one in frames), run.text


def test_noise_was_there_and_told(consoles: dict[str, Run]) -> None:
    """The consoles were noisy indeed, some runs came through by asking again, and the journal says so."""
    passed = [run for run in consoles.values() if run.exit_code == 0]
    told = [
        run
        for run in passed
        if any(isinstance(record, Happening) and record.kind == "question repeated" for record in run.records)
    ]

    failed = [run for run in consoles.values() if run.report.verdict.verdict is Verdict.FAIL]

    assert failed
    assert all(run.spoilt for name, run in consoles.items() if name.startswith("0.5%"))
    assert len(passed) >= 2
    assert told


# ---- a meter whose replies stray


def _expected(name: str) -> tuple[float, float]:
    """What a reading of a sound bench must be, and within what: its set-point stands in its name."""
    words, _, rest = name.partition(" at ")
    if words in ("terminals", "battery") and rest[:1].isdigit():
        return float(rest.split()[0]), 0.050
    return {
        "terminals at the low limit": (3.7, 0.1),
        "terminals after output off": (0.0, 0.2),
        "temperature beside the board": (21.0, 1.0),
    }.get(name, (3.3, 0.1))


@pytest.mark.parametrize("name", METERS)
def test_no_wrong_number_by_stray_replies(meters: dict[str, Run], name: str) -> None:
    """Every reading of the meter is what its net carried at that moment, however its replies came."""
    run = meters[name]
    readings = [record for record in run.records if isinstance(record, ReadingTaken) and "meter" in record.source]

    assert readings
    for reading in readings:
        right, within = _expected(reading.name)
        assert reading.value == pytest.approx(right, abs=within), (reading, run.text)


@pytest.mark.parametrize("name", METERS)
def test_stray_replies_are_never_held_against_the_board(meters: dict[str, Run], name: str) -> None:
    """The run passes on right numbers, or it is a bench error; no check says fail."""
    run = meters[name]

    assert run.exit_code in (0, 12), run.text
    assert "Traceback" not in run.text
    assert Verdict.FAIL not in run.verdicts().values(), run.text
    assert Verdict.UNDECIDED not in run.verdicts().values(), run.text
    if run.exit_code == 0:
        assert set(run.verdicts().values()) == {Verdict.PASS}


def test_replies_strayed_and_were_told(meters: dict[str, Run]) -> None:
    """Replies strayed in most runs, some runs came through, and the journal tells how the session was found again."""
    passed = [run for run in meters.values() if run.exit_code == 0]

    assert sum(run.spoilt > 0 for run in meters.values()) >= 8
    assert len(passed) >= 2
    assert any(isinstance(record, Happening) and record.kind == "resync" for run in passed for record in run.records)
