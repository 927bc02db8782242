"""What a run keeps of a trace: whole or not at all; and captures of the simulated recorder, back through a file."""

from __future__ import annotations

import os
import resource
import socket
import struct
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchrig.bench.recorder import CurrentTrace
from benchrig.errors import RecordError
from benchrig.judge.levels import Stretch
from benchrig.judge.uncertainty import AccuracyTerms
from benchrig.protocol.scpi import Samples
from benchrig.trace_file import read_trace, write_trace

if TYPE_CHECKING:
    from tests.conftest import Simulation, StartBench

POINTS = 400
ROOT = Path(__file__).parents[2]


def trace_of(size: int) -> CurrentTrace:
    samples = np.linspace(1e-6, 1e-3, size, dtype=np.float32)
    invalid = np.zeros(size, dtype=np.bool_)
    invalid[1] = True
    return CurrentTrace(Samples(samples, invalid), 1e-3, 2.5, 0.01, AccuracyTerms(), "recorder")


def test_what_was_written_comes_back(tmp_path: Path) -> None:
    """Samples to the bit, interval, start, range, and what was invalid as a gap."""
    path = tmp_path / "new" / "sleep.npz"
    write_trace(path, trace_of(100))

    back = read_trace(path)

    assert np.array_equal(np.delete(back.recording.samples_a, 1), np.delete(trace_of(100).samples.values, 1))
    assert back.recording.gaps == (Stretch(1, 2),)
    assert (back.recording.interval_s, back.start_s) == (1e-3, 2.5)
    assert back.recording.ranges[0].range_a == 0.01
    assert [one.name for one in path.parent.iterdir()] == ["sleep.npz"]


def test_a_trace_is_never_written_over_another(tmp_path: Path) -> None:
    """The first one stays as it is."""
    path = tmp_path / "sleep.npz"
    write_trace(path, trace_of(100))
    before = path.read_bytes()

    with pytest.raises(RecordError, match=r"sleep\.npz: cannot be written: File exists"):
        write_trace(path, trace_of(50))

    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["sleep.npz"]


WRITER = """
import sys
from pathlib import Path
from benchrig.errors import RecordError
from tests.trace_readers.test_write_trace import trace_of
from benchrig.trace_file import write_trace
try:
    write_trace(Path(sys.argv[1]), trace_of(200_000))
except RecordError as wrong:
    print(wrong.message)
"""


def test_full_disk_leaves_no_part_of_a_trace(tmp_path: Path) -> None:
    """A limit of file size stands for the full disk: nothing is left, and the reason and the next action are told."""

    def small_files() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))

    done = subprocess.run(
        [sys.executable, "-c", WRITER, str(tmp_path / "sleep.npz")],
        # bytecode that this child writes would be cut by the limit, too, and found so by others
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=small_files,  # a limit for the child alone; this test has no threads
    )

    assert "sleep.npz: cannot be written: File too large; raise the limit" in done.stdout, done.stderr
    assert list(tmp_path.iterdir()) == []


# ---- what the simulated recorder sends


@pytest.fixture(scope="module")
def simulation(shared_bench: StartBench) -> Simulation:
    """The shipped simulated bench."""
    return shared_bench()


def capture(simulation: Simulation, *, order: str) -> bytes:
    """A window of samples as they come over the wire, header and all, read by nothing but a socket."""
    for message in (
        "SENS:CURR:RANG 0.01",
        "SENS:SWE:TINT 0.0001",
        f"SENS:SWE:POIN {POINTS}",
        f"FORM:BORD {order}",
        "INIT",
    ):
        simulation.ask("recorder", message)
    with socket.create_connection(simulation.address("recorder"), timeout=10.0) as connection:
        connection.settimeout(10.0)
        with connection.makefile("rb") as answers:
            for _ in range(1000):
                connection.sendall(b"STAT:OPER:COND?\n")
                if int(answers.readline()) & 16 == 0:
                    break
            connection.sendall(b"FETC:ARR:CURR?\n")
            head = answers.read(2)
            length = answers.read(int(head[1:]))
            return bytes(head + length + answers.read(int(length) + 1))


@pytest.mark.parametrize(("order", "code"), [("NORM", ">"), ("SWAP", "<")])
def test_capture_of_the_simulated_recorder(simulation: Simulation, tmp_path: Path, order: str, code: str) -> None:
    """A block kept as it came over the wire gives the samples that struct unpacks from it, in either byte order."""
    data = capture(simulation, order=order)
    path = tmp_path / "capture.blk"
    path.write_bytes(data)

    trace = read_trace(path, interval_s=1e-4)

    payload = data[2 + int(data[1:2]) :].removesuffix(b"\n")
    assert len(payload) == 4 * POINTS
    assert trace.recording.samples_a.tolist() == list(struct.unpack(f"{code}{POINTS}f", payload))
    assert trace.form == "IEEE 488.2 block"
