"""Starts the simulated bench as a process of its own, and learns the addresses that it announces.

It is ended by closing its standard input, so that it dies with this process however that ends.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from contextlib import suppress
from dataclasses import dataclass, field
from typing import IO, TYPE_CHECKING, cast

from benchrig.errors import BenchError, ConfigError
from benchrig.protocol.secret_key import Key

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

_READY_S = 20.0
_BAD_INPUT = 4  # exit code of the simulator for a bench file or a fault name it cannot use


@dataclass(frozen=True)
class SimulatedRadio:
    """Who the radio of a simulated board is. `key` is None when it is not one that was made at random."""

    device_eui: int
    join_eui: int
    key: Key | None


@dataclass(frozen=True)
class Addresses:
    """Where a simulated bench answers: VISA resources by instrument, port paths by 'slot.line'.

    `gateways_listen` is where its gateways look for a network, `radios` are those of its boards by slot.
    """

    instruments: Mapping[str, str]
    serial: Mapping[str, str]
    scale: float
    faults: tuple[str, ...]
    gateways_listen: str = ""
    radios: Mapping[str, SimulatedRadio] = field(default_factory=dict)


class SimulatedBench:
    """A simulator process that belongs to this one."""

    def __init__(self, bench: Path, arguments: Sequence[str]) -> None:
        """Start it; `addresses` waits for it, so that its start overlaps with other work."""
        self._process = subprocess.Popen(
            [sys.executable, "-m", "benchrig.simulation", str(bench), "--end-with-stdin", *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
        self._stdout = cast("IO[bytes]", self._process.stdout)
        self._stderr = cast("IO[bytes]", self._process.stderr)

    def addresses(self) -> Addresses:
        """What it announces once it is ready. Raises ConfigError for bad input, BenchError otherwise."""
        line = self._first_line()
        if not line:
            said = self._last_words()
            if self._process.returncode == _BAD_INPUT:
                raise ConfigError(said)
            raise BenchError(f"the simulated bench ended before it was ready (exit {self._process.returncode}): {said}")
        return parse_addresses(line, where="the simulated bench")

    def _last_words(self) -> str:
        """What it said before it ended; one that closed its output and lives on is ended here."""
        try:
            self._process.wait(timeout=_READY_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        return self._stderr.read().decode("utf-8", "replace").strip()

    def _first_line(self) -> bytes:
        deadline_s = time.monotonic() + _READY_S
        data = b""
        while b"\n" not in data:
            left_s = deadline_s - time.monotonic()
            readable, _, _ = select.select([self._stdout], [], [], max(0.0, left_s))
            if not readable:
                raise BenchError(f"the simulated bench was not ready after {_READY_S:g} s")
            chunk = os.read(self._stdout.fileno(), 65536)
            if not chunk:
                return b""
            data += chunk
        return data.split(b"\n", 1)[0]

    def stop(self) -> None:
        """End it and wait; a second call does nothing."""
        for stream in (self._process.stdin, self._process.stdout, self._process.stderr):
            if stream is not None:
                with suppress(OSError):
                    stream.close()
        try:
            self._process.wait(timeout=5.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def read_addresses(path: Path) -> Addresses:
    """Addresses of a simulation that was started by hand with --addresses FILE. Raises ConfigError."""
    try:
        return parse_addresses(path.read_bytes(), where=str(path))
    except OSError as wrong:
        raise ConfigError(f"--bench-simulation {path}: cannot be read: {wrong.strerror or wrong}") from wrong


def parse_addresses(text: bytes, *, where: str) -> Addresses:
    """The announcement of a simulated bench. Raises ConfigError when it is none."""
    try:
        told = json.loads(text)
        return Addresses(
            instruments={str(name): str(resource) for name, resource in told["instruments"].items()},
            serial={str(line): str(port) for line, port in told["serial"].items()},
            scale=float(told["scale"]),
            faults=tuple(str(fault) for fault in told["faults"]),
            gateways_listen=str(told.get("gateway", {}).get("listen", "")),
            radios={str(slot): _radio(radio) for slot, radio in told.get("radio", {}).items()},
        )
    except (ValueError, KeyError, TypeError, AttributeError) as wrong:
        raise ConfigError(f"{where}: {text[:80]!r} is no announcement of a simulated bench: {wrong!r}") from wrong


def _radio(told: Mapping[str, str]) -> SimulatedRadio:
    key = Key.from_hex(told["app_key"]) if "app_key" in told else None
    return SimulatedRadio(int(told["device_eui"], 16), int(told["join_eui"], 16), key)
