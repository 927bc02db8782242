"""The output is off after any end of the runner, as a second client of the supply sees it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import IO, TYPE_CHECKING, cast

import msgspec
import pytest

from benchrig.bench import power_guard
from benchrig.bench.bench_file import read_bench_file
from benchrig.bench.open_bench import OpenBench
from benchrig.bench.power_guard import GuardOrders, OffOrder, PowerGuard, switch_off, switch_off_stubbornly
from benchrig.errors import BenchError, InstrumentError
from benchrig.records import Happening, decode_record

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tests.conftest import Simulation, StartBench

SHIPPED_BENCH = Path(__file__).parents[2] / "fixtures" / "benches" / "simulated.toml"
HOLDER = Path(__file__).with_name("guard_holder.py")
PATIENCE_S = 15.0
SOON_S = 1.0
FIRST_LINE = b'{"record":"check started","check":"rail","at_s":1.0,"utc":"2026-03-02T08:00:00+00:00"}\n'


@pytest.fixture(scope="module")
def simulation(shared_bench: StartBench) -> Simulation:
    """A sound bench."""
    return shared_bench(SHIPPED_BENCH)


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A journal whose runner died in the middle of a line."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(FIRST_LINE + b'{"record":"rea')
    return path


def _off_order(simulation: Simulation, slot: str = "1") -> OffOrder:
    """As a run makes it."""
    return OpenBench(read_bench_file(SHIPPED_BENCH), (slot,), simulation.instruments).off_order(slot)


def _orders(*outputs: OffOrder, journal: Path, afterwards: tuple[str, ...] = ()) -> GuardOrders:
    return GuardOrders(
        outputs=outputs,
        journal=str(journal),
        afterwards=afterwards,
        run_origin_monotonic_s=time.monotonic() - 2.0,
        clock_scale=8.0,
    )


def _switch_on(simulation: Simulation, channel: int = 1) -> None:
    simulation.ask("supply", f"VOLT 3.7,(@{channel});:OUTP ON,(@{channel})")
    assert _is_on(simulation, channel)


def _is_on(simulation: Simulation, channel: int = 1) -> bool:
    return simulation.ask("supply", f"OUTP? (@{channel})") == "1"


def _wait_until(condition: Callable[[], bool], *, within_s: float = PATIENCE_S) -> float:
    """Wall seconds until it holds."""
    began_s = time.monotonic()
    while not condition():
        assert time.monotonic() - began_s < within_s, "the condition was not met in time"
    return time.monotonic() - began_s


class Holder:
    """A process that holds an armed guard."""

    def __init__(self, orders: GuardOrders, *words: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, str(HOLDER), msgspec.json.encode(orders).decode(), *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        word, stands_by, child = self._line().split()
        assert (word, stands_by) == ("armed", "True")
        self.child = int(child)

    def _line(self) -> str:
        return cast("IO[bytes]", self.process.stdout).readline().decode()

    def tell(self, word: str) -> str:
        """What it says after it has obeyed."""
        stdin = cast("IO[bytes]", self.process.stdin)
        stdin.write(word.encode() + b"\n")
        stdin.flush()
        return self._line().strip()

    def kill(self) -> None:
        """Kill -9."""
        self.process.kill()
        self.process.wait(PATIENCE_S)

    def end(self) -> None:
        """End what is left of it."""
        if self.child:
            with suppress(ProcessLookupError):
                os.kill(self.child, signal.SIGKILL)
        with suppress(OSError):
            self.process.communicate(timeout=PATIENCE_S)


@contextmanager
def _holder(orders: GuardOrders, *words: str) -> Iterator[Holder]:
    holder = Holder(orders, *words)
    try:
        yield holder
    finally:
        holder.end()


def _events(journal: Path) -> list[Happening]:
    lines = journal.read_bytes().splitlines(keepends=True)
    records = [decode_record(line) for line in lines if b'"event"' in line and line.endswith(b"\n")]
    return [record for record in records if isinstance(record, Happening)]


def test_killed_runner_leaves_the_output_off(simulation: Simulation, journal: Path, tmp_path: Path) -> None:
    """Kill -9: within a second the output is off, the journal says so on a line of its own, and the report is made."""
    made = tmp_path / "report made"
    afterwards = (sys.executable, "-c", f"open({str(made)!r}, 'w').close()")
    _switch_on(simulation)

    with _holder(_orders(_off_order(simulation), journal=journal, afterwards=afterwards)) as holder:
        holder.kill()
        off_after_s = _wait_until(lambda: not _is_on(simulation))

    assert off_after_s < SOON_S
    _wait_until(made.exists)
    assert journal.read_bytes().startswith(FIRST_LINE + b'{"record":"rea\n{"record":"event"')
    (event,) = _events(journal)
    assert event.kind == "power guard"
    assert event.text.startswith("supply supply channel 1: output switched off and read back off 0.")
    assert 16.0 < event.at_s < 8.0 * PATIENCE_S  # bench seconds: 8 times the 2 s and more since the run began


def test_killed_runner_with_a_living_child_leaves_the_output_off(simulation: Simulation, journal: Path) -> None:
    """A child that holds the runner's files open does not keep the guard waiting."""
    _switch_on(simulation)

    with _holder(_orders(_off_order(simulation), journal=journal), "fork") as holder:
        holder.kill()
        off_after_s = _wait_until(lambda: not _is_on(simulation))
        os.kill(holder.child, 0)  # it lives

    assert off_after_s < SOON_S


def test_released_guard_touches_nothing(simulation: Simulation, journal: Path) -> None:
    """After a release the output stays as it is, and nothing is written."""
    before = journal.read_bytes()
    _switch_on(simulation)

    with _holder(_orders(_off_order(simulation), journal=journal)) as holder:
        assert holder.tell("release") == "done False"
        holder.kill()

    assert _is_on(simulation)
    assert journal.read_bytes() == before


def test_guard_that_is_let_loose_is_done_when_the_runner_goes_on(simulation: Simulation, journal: Path) -> None:
    """A runner that cannot switch off itself lets the guard do it and waits for it."""
    _switch_on(simulation)

    with _holder(_orders(_off_order(simulation), journal=journal)) as holder:
        assert holder.tell("act") == "done False"
        assert not _is_on(simulation)

    assert len(_events(journal)) == 1


def _guard_process() -> subprocess.Popen[bytes]:
    """The guard itself, told by hand."""
    return subprocess.Popen(
        [sys.executable, "-m", "benchrig.bench.power_guard"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def _tell(process: subprocess.Popen[bytes], line: bytes) -> None:
    stdin = cast("IO[bytes]", process.stdin)
    stdin.write(line + b"\n")
    stdin.flush()


@pytest.mark.parametrize("word", [pytest.param(b"release\n", id="released"), pytest.param(b"", id="let loose")])
def test_guard_outlives_the_terminal(word: bytes, simulation: Simulation, journal: Path) -> None:
    """SIGINT, SIGTERM and SIGHUP do not end the guard: it still does what the pipe says."""
    _switch_on(simulation)
    process = _guard_process()
    _tell(process, msgspec.json.encode(_orders(_off_order(simulation), journal=journal)))
    assert cast("IO[bytes]", process.stdout).readline() == b"standing by\n"

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        process.send_signal(number)
    process.communicate(word, timeout=PATIENCE_S)

    assert process.returncode == 0
    assert _is_on(simulation) is (word != b"")


def test_guard_without_orders_ends_quietly() -> None:
    """A runner that ends, or releases, before it gave orders leaves no trace."""
    for word in (b"", b"release\n"):
        process = _guard_process()
        assert process.communicate(word, timeout=PATIENCE_S) == (b"", b"")
        assert process.returncode == 0


def test_supply_that_is_gone_holds_up_no_other(simulation: Simulation, journal: Path) -> None:
    """An unreachable supply is told as NOT switched off, with what to do; the reachable one is off within a second."""
    gone = OffOrder(
        name="supply gone",
        resource="TCPIP::127.0.0.1::9::SOCKET",
        backend="@py",
        read_termination="\n",
        write_termination="\n",
        off="OUTP OFF",
        query="OUTP?",
    )
    _switch_on(simulation, 1)
    _switch_on(simulation, 2)
    outputs = (gone, _off_order(simulation, "1"), _off_order(simulation, "2"))

    with _holder(_orders(*outputs, journal=journal)) as holder:
        holder.kill()
        off_after_s = _wait_until(lambda: not _is_on(simulation, 1) and not _is_on(simulation, 2))
    _wait_until(lambda: len(_events(journal)) == 3)

    assert off_after_s < SOON_S
    texts = [event.text for event in _events(journal)]
    assert texts[0].startswith("supply gone: output could NOT be switched off: supply gone at TCPIP::127.0.0.1::9")
    assert texts[0].endswith("; switch it off by hand")
    assert [text.split(":")[0] for text in texts[1:]] == ["supply supply channel 1", "supply supply channel 2"]


def test_journal_that_is_gone_does_not_keep_the_output_on(simulation: Simulation, tmp_path: Path) -> None:
    """A disk that went away costs the line, not the safety; a report command that is not there costs the report."""
    _switch_on(simulation)
    orders = _orders(_off_order(simulation), journal=tmp_path / "none" / "run.jsonl", afterwards=("/no such command",))

    process = _guard_process()
    _, said = process.communicate(msgspec.json.encode(orders) + b"\n", timeout=PATIENCE_S)

    assert not _is_on(simulation)
    assert (process.returncode, said) == (0, b"")


def test_supply_that_stays_on_is_told(simulated_bench: StartBench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A supply that answers, obeys nothing and says so is told as NOT switched off."""
    monkeypatch.setattr(power_guard, "_KEEP_TRYING_S", 0.1)
    simulation = simulated_bench(SHIPPED_BENCH, "--fault", "supply_stuck_on")
    _switch_on(simulation)

    with pytest.raises(InstrumentError, match=r"supply supply channel 1 at TCPIP::.*: told off, still says '1'"):
        switch_off(_off_order(simulation))

    text = switch_off_stubbornly(_off_order(simulation))
    assert "output could NOT be switched off" in text
    assert _is_on(simulation)


def test_answer_that_is_no_switch_position_is_told(simulation: Simulation) -> None:
    """Only a plain off counts as off."""
    order = msgspec.structs.replace(_off_order(simulation), query="*IDN?")

    with pytest.raises(InstrumentError, match="is no boolean; accepted: 1, 0, ON, OFF"):
        switch_off(order)


def test_dead_guard_stands_by_for_nobody(simulation: Simulation, journal: Path) -> None:
    """A guard that was killed is seen at once, so that no output closes any more."""
    guard = PowerGuard()
    guard.arm(_orders(_off_order(simulation), journal=journal))
    assert guard.stands_by

    guard._process.kill()
    guard._process.wait(PATIENCE_S)

    assert not guard.stands_by
    guard.release()


def test_guard_that_died_before_its_orders_is_told(simulation: Simulation, journal: Path) -> None:
    """A guard that is not there cannot be armed."""
    guard = PowerGuard()
    guard._process.kill()
    guard._process.wait(PATIENCE_S)

    with pytest.raises(BenchError, match=r"the power guard process (ended before it stood by|did not stand by)"):
        guard.arm(_orders(_off_order(simulation), journal=journal))

    assert not guard.stands_by
    guard.let_it_act()


def test_guard_that_hangs_is_told(simulation: Simulation, journal: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A guard that says nothing keeps no run waiting for ever."""
    monkeypatch.setattr(power_guard, "_START_S", 0.1)
    with ExitStack() as stack:
        guard = PowerGuard()
        stack.callback(guard.let_it_act)
        stack.callback(guard._process.kill)
        os.kill(guard._process.pid, signal.SIGSTOP)

        with pytest.raises(BenchError, match=r"did not stand by; it said 'nothing within 0\.1 s'"):
            guard.arm(_orders(_off_order(simulation), journal=journal))

    assert not guard.stands_by
