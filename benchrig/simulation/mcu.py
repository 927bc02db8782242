"""A microcontroller that runs a real image: the process that emulates it, and the text spoken with that process.

Owns the pipe, and cycles against bench time.  Must not know the board.  The process is a program of its own
(fixtures/firmware/mcu-host), which says there what it cannot do as the part does.
"""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchrig.simulation.config import BenchFileError

if TYPE_CHECKING:
    from pathlib import Path

FREQUENCY_HZ: Final = 7_372_800
NEVER: Final = float("inf")
_FOREVER: Final = 2**64 - 1
_END_S: Final = 5.0


@dataclass(frozen=True, slots=True)
class Image:
    """A program for the microcontroller, and the program that runs it."""

    elf: Path
    host: Path


@dataclass(frozen=True, slots=True)
class McuEvent:
    """What the part did: `kind` is tx, state, pin or dead, `words` say what, and `at_s` is bench time."""

    kind: str
    at_s: float
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class McuAnswer:
    """Events in their order, where the part stands now, and until when nothing happens of itself (bench seconds)."""

    events: tuple[McuEvent, ...]
    at_s: float
    quiet_until_s: float


class Mcu:
    """One emulated part; bench time 0 is its cycle 0."""

    def __init__(self, image: Image, *, seed: int) -> None:
        """Start the process.  Raises `BenchFileError` when it or the image is not there, or cannot be used."""
        for path, what in ((image.host, "mcu_host"), (image.elf, "image")):
            if not path.is_file():
                raise BenchFileError(
                    f"[simulation] {what}: there is no file {path}; build it: see README, Real firmware"
                )
        self._image = image
        self._process = subprocess.Popen(
            [image.host, image.elf, str(seed)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.at_s = 0.0
        self.ask("run 0")

    def ask(self, *requests: str) -> McuAnswer:
        """Do what the requests say, in one go.  Raises `BenchFileError` when the process has ended: no bench then."""
        stdin, stdout = self._process.stdin, self._process.stdout
        assert stdin is not None
        assert stdout is not None
        try:
            stdin.write("\n".join(requests) + "\n")
            stdin.flush()
        except BrokenPipeError:
            raise self._gone(requests) from None
        events: list[McuEvent] = []
        quiet_until_s, answered = 0.0, 0
        while answered < len(requests):
            word, *rest = stdout.readline().split() or [""]
            if word == "at":
                self.at_s, quiet_until_s = _seconds(rest[0]), _seconds(rest[1])
                answered += 1
            elif word:
                events.append(_event(word, rest))
            else:
                raise self._gone(requests)
        return McuAnswer(tuple(events), self.at_s, quiet_until_s)

    @staticmethod
    def to_run_until(at_s: float) -> str:
        """The request to work until that bench time."""
        return f"run {round(at_s * FREQUENCY_HZ)}"

    def close(self) -> None:
        """End the process."""
        self._process.kill()
        self._process.communicate(timeout=_END_S)

    def _gone(self, requests: tuple[str, ...]) -> BenchFileError:
        self._process.kill()
        code = self._process.wait(timeout=_END_S)
        return BenchFileError(f"{self._image.host} ended with {code} on {requests!r} with the image {self._image.elf}")


def _event(kind: str, rest: list[str]) -> McuEvent:
    """tx has its line before the cycle; all others begin with the cycle."""
    if kind == "tx":
        line, cycle, letter = rest
        return McuEvent(kind, _seconds(cycle), (line, letter))
    return McuEvent(kind, _seconds(rest[0]), tuple(rest[1:]))


def _seconds(cycles: str) -> float:
    return NEVER if int(cycles) == _FOREVER else int(cycles) / FREQUENCY_HZ
