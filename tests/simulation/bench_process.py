"""An independent client of the simulated bench: the real process, raw sockets, a plain file descriptor on the pty.

Knows nothing of the simulation's modules, so that both ends cannot share a mistake.
"""

from __future__ import annotations

import json
import os
import select
import socket
import struct
import subprocess
import sys
import time
from contextlib import suppress
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

TIMEOUT_S = 10.0
CRC_MARK = b"*"


class Instrument:
    """A line-based client on a raw socket."""

    def __init__(self, address: str) -> None:
        _, host, port, _ = address.split("::")
        self._socket = socket.create_connection((host, int(port)), timeout=TIMEOUT_S)
        self._file = self._socket.makefile("rb")

    def close(self) -> None:
        self._file.close()
        self._socket.close()

    def send(self, message: str) -> None:
        self._socket.sendall(message.encode("latin-1") + b"\n")

    def receive(self, *, timeout_s: float = TIMEOUT_S) -> str:
        """One reply line; '' when the connection was closed.  Raises TimeoutError."""
        self._socket.settimeout(timeout_s)
        return self._file.readline().decode("latin-1").removesuffix("\n")

    def ask(self, message: str, *, timeout_s: float = TIMEOUT_S) -> str:
        self.send(message)
        return self.receive(timeout_s=timeout_s)

    def ask_number(self, message: str) -> float:
        return float(self.ask(message))

    def ask_block(self, message: str, *, timeout_s: float = TIMEOUT_S) -> bytes:
        """The inside of a definite-length block.  Raises TimeoutError if it is shorter than announced."""
        self.send(message)
        self._socket.settimeout(timeout_s)
        head = self._file.read(2)
        assert head[:1] == b"#"
        length = int(self._file.read(int(head[1:])))
        data = self._file.read(length + 1)
        assert data[-1:] == b"\n"
        return data[:-1]


class Port:
    """A serial port opened as a file."""

    def __init__(self, path: str) -> None:
        self.descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self._received = b""

    def close(self) -> None:
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1

    def send(self, line: str) -> None:
        os.write(self.descriptor, line.encode("ascii") + b"\n")

    def line(self, *, timeout_s: float = TIMEOUT_S) -> str:
        """The next line without its end.  Raises TimeoutError with what had come until then."""
        deadline_s = time.monotonic() + timeout_s
        while b"\n" not in self._received:
            left_s = deadline_s - time.monotonic()
            if left_s <= 0 or not select.select([self.descriptor], [], [], left_s)[0]:
                raise TimeoutError(f"no complete line in {timeout_s} s, only {self._received!r}")
            self._received += os.read(self.descriptor, 4096)
        line, self._received = self._received.split(b"\n", 1)
        return line.decode("latin-1").removesuffix("\r")

    def text(self, *, timeout_s: float = TIMEOUT_S) -> str:
        """The next line without its checksum."""
        return self.line(timeout_s=timeout_s).rpartition("*")[0]

    def ask(self, line: str) -> str:
        """The answer to a command, without its checksum."""
        self.send(line)
        return self.text()

    def wait_for_answers(self) -> None:
        """Ask until the board answers, and forget what it has said."""
        while True:
            self.send("boots?")
            with suppress(TimeoutError):
                if "BOOTS" in self.line(timeout_s=0.2):
                    break
        self.waiting_lines()

    def waiting_lines(self) -> list[str]:
        """The complete lines that have arrived by now."""
        lines = []
        with suppress(TimeoutError):
            while True:
                lines.append(self.line(timeout_s=0.02))
        return lines


class BenchProcess:
    """A started simulation with open clients."""

    def __init__(self, arguments: Sequence[str | Path]) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchrig.simulation", *map(str, arguments), "--end-with-stdin"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if not line:
            raise AssertionError(f"no ready line: {self.process.communicate()[1]!r}")
        self.ready = json.loads(line)
        self.scale: float = self.ready["scale"]
        self._clients: list[Instrument | Port] = []

    def instrument(self, name: str) -> Instrument:
        """A new connection to an instrument."""
        instrument = Instrument(self.ready["instruments"][name])
        self._clients.append(instrument)
        return instrument

    def port(self, name: str) -> Port:
        """Open a serial port."""
        port = Port(self.ready["serial"][name])
        self._clients.append(port)
        return port

    def end(self) -> tuple[int, str]:
        """Close standard input and wait; exit code and what stood on standard error."""
        for client in self._clients:
            with suppress(OSError):
                client.close()
        assert self.process.stdin is not None
        _, stderr = self.process.communicate(timeout=TIMEOUT_S)
        return self.process.returncode, stderr.decode()


class Slot:
    """The clients that one slot needs, with the few steps that many tests share."""

    def __init__(self, bench: BenchProcess, *, number: int = 1) -> None:
        self.bench = bench
        self.number = number
        self.channel = f"(@{number})"
        self.supply = bench.instrument("supply")
        self.meter = bench.instrument("meter")
        self.recorder = bench.instrument("recorder")
        self.recorder.send(f"ROUT:CHAN {number}")
        self.console = bench.port(f"{number}.console")
        self.modem = bench.port(f"{number}.modem_uart")
        self._card = 100 * number

    def set_up(self, *, volts: float = 3.7, limit_a: float = 0.15, protection_v: float = 5.0) -> None:
        """Set and switch on."""
        self.supply.send(
            f"VOLT {volts},{self.channel};CURR {limit_a},{self.channel}"
            f";:VOLT:PROT {protection_v},{self.channel};:OUTP ON,{self.channel}"
        )

    def set_voltage(self, volts: float) -> None:
        self.supply.send(f"VOLT {volts},{self.channel}")

    def power_up(self, *, volts: float = 3.7, limit_a: float = 0.15) -> str:
        """Switch on and return the BOOT line."""
        self.set_up(volts=volts, limit_a=limit_a)
        return self.console.text()

    def power_down(self) -> None:
        """Switch off and wait until the pads are empty."""
        self.supply.send(f"OUTP OFF,{self.channel}")
        self.wait_for(lambda: self.terminals() < 0.01)

    def wait_for_voltage(self, volts: float) -> None:
        """Wait until the meter sees `volts` at the pads."""
        self.wait_for(lambda: abs(self.terminals() - volts) < 0.02)

    def terminals(self) -> float:
        return self.meter.ask_number(f"MEAS:VOLT? 10,(@{self._card + 1})")

    def rail(self) -> float:
        return self.meter.ask_number(f"MEAS:VOLT? 10,(@{self._card + 2})")

    def read_current(self) -> float:
        return self.supply.ask_number(f"MEAS:CURR? {self.channel}")

    def battery(self) -> Mapping[str, str]:
        return fields(self.console.ask("batt?"))

    def condition(self) -> int:
        """Questionable condition of this output."""
        return int(self.supply.ask(f"STAT:QUES:COND? {self.channel}"))

    def close(self) -> None:
        """Close all clients."""
        for client in (self.supply, self.meter, self.recorder, self.console, self.modem):
            client.close()

    def release_console(self) -> None:
        self.console.close()

    def record(self, *, range_a: float, interval_s: float, points: int) -> None:
        """Start a sweep."""
        self.recorder.send(f"CURR:RANG {range_a};:SWE:TINT {interval_s};POIN {points};:INIT")

    def samples(self) -> list[float]:
        """Wait for the end of the sweep and fetch it."""
        assert self.recorder.ask("*OPC?") == "1"
        block = self.recorder.ask_block("FETC:ARR:CURR?")
        return [value for (value,) in struct.iter_unpack(">f", block)]

    def wait_for(self, condition: Callable[[], bool], *, timeout_s: float = TIMEOUT_S) -> None:
        """Ask again and again (each question takes the instrument's own time) until the condition holds."""
        deadline_s = time.monotonic() + timeout_s
        while not condition():
            if time.monotonic() > deadline_s:
                raise TimeoutError(f"condition not met in {timeout_s} s")


def fields(text: str) -> dict[str, str]:
    """The key=value words of a line."""
    return dict(word.split("=", 1) for word in text.split() if "=" in word)
