"""The command line of the simulated bench: arguments in, one JSON line out when ready, and an orderly end.

Owns: options, the ready line, exit codes (0 end on request, 4 unusable bench file, fault or slot, 13 no
output), signals.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchrig.simulation.bench import Addresses, Bench
from benchrig.simulation.config import SCALES, BenchFile, BenchFileError, read_bench_file
from benchrig.simulation.faults import FAULTS

if TYPE_CHECKING:
    from collections.abc import Sequence

EXIT_UNUSABLE = 4
EXIT_OUTPUT_LOST = 13
_NEEDS_GATEWAYS = "Needs a bench with gateways, such as simulated-air.toml."


class OutputLostError(Exception):
    """Whoever started this cannot be told anything."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the simulation; the exit code."""
    options = _parser().parse_args(arguments)
    try:
        if options.list_faults:
            _list_faults()
            return 0
        if options.bench is None:
            raise BenchFileError("name a bench file, such as fixtures/benches/simulated.toml, or --list-faults")
        file = read_bench_file(options.bench)
        asyncio.run(_run(file, options))
    except BenchFileError as error:
        print(f"benchrig.simulation: {error}", file=sys.stderr)
        return EXIT_UNUSABLE
    except OutputLostError as error:
        print(f"benchrig.simulation: {error}", file=sys.stderr)
        return EXIT_OUTPUT_LOST
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m benchrig.simulation", description="A simulated bench.")
    parser.add_argument("bench", type=Path, nargs="?", metavar="BENCH.toml", help="the bench file")
    parser.add_argument(
        "--board", action="extend", nargs="+", default=[], metavar="SLOT=SERIAL", help="serial of the board in a slot"
    )
    parser.add_argument(
        "--fault", action="extend", nargs="+", default=[], metavar="NAME", help="a fault, in slot 1 or as SLOT:NAME"
    )
    parser.add_argument("--scale", type=_scale, metavar="X", help="bench seconds in one wall second, 0.01 to 100")
    parser.add_argument("--seed", type=int, metavar="N", help="seed of tolerances and noise")
    parser.add_argument("--addresses", type=Path, metavar="FILE", help="also write the ready line to FILE")
    parser.add_argument("--list-faults", action="store_true", help="print the faults and end")
    parser.add_argument("--end-with-stdin", action="store_true", help="end when standard input is closed")
    return parser


def _scale(text: str) -> float:
    try:
        scale = float(text)
    except ValueError:
        scale = math.nan
    if not SCALES[0] <= scale <= SCALES[1]:
        raise argparse.ArgumentTypeError(f"{text} is not a number from {SCALES[0]:g} to {SCALES[1]:g}")
    return scale


def _say(line: str) -> None:
    """A line on standard output. Past Python's buffer: what cannot be written is not tried again at the end."""
    data = (line + "\n").encode()
    try:
        if sys.stdout is None:
            raise OSError("standard output is closed")
        while data:
            data = data[os.write(sys.stdout.fileno(), data) :]
    except OSError as wrong:
        raise OutputLostError(f"the output could not be written: {wrong.strerror or wrong}") from wrong


def _list_faults() -> None:
    signal.signal(signal.SIGPIPE, signal.SIG_DFL)  # a pager that has seen enough ends the list quietly
    for name, fault in FAULTS.items():
        needs = f" {_NEEDS_GATEWAYS}" if fault.is_of_air else ""
        _say(f"{name:34}{fault.side:7}{fault.sentence}{needs}")


async def _run(file: BenchFile, options: argparse.Namespace) -> None:
    faults = [*file.faults, *options.fault]
    scale = file.scale if options.scale is None else options.scale
    bench = Bench(
        file,
        scale=scale,
        seed=file.seed if options.seed is None else options.seed,
        faults=faults,
        serials=_serials(options.board, file),
    )
    ended = asyncio.Event()
    failures: list[Exception] = []
    _end_on_failure(ended, failures)
    _end_on_signals(ended)
    if options.end_with_stdin:
        _end_on_closed_stdin(ended)
    line = _ready_line(await bench.open(), scale=scale, faults=faults)
    if options.addresses is not None:
        _write_atomically(options.addresses, line)
    _say(line)
    await ended.wait()
    if failures:
        raise failures[0]


def _serials(texts: Sequence[str], file: BenchFile) -> dict[str, str]:
    serials = {}
    for text in texts:
        slot, _, serial = text.partition("=")
        if slot not in file.slots or not serial:
            raise BenchFileError(f"--board {text!r} must be SLOT=SERIAL with one of the slots {', '.join(file.slots)}")
        serials[slot] = serial
    return serials


def _ready_line(addresses: Addresses, *, scale: float, faults: Sequence[str]) -> str:
    told: dict[str, object] = {"radio": addresses.radio} if addresses.radio else {}
    told |= {"gateway": addresses.gateway} if addresses.gateway else {}
    return json.dumps(
        {
            "ready": True,
            "pid": os.getpid(),
            "scale": scale,
            "instruments": addresses.instruments,
            "serial": addresses.serial,
            "faults": faults,
            **told,
        }
    )


def _write_atomically(path: Path, line: str) -> None:
    partial = path.with_name(f"{path.name}.{os.getpid()}.partial")
    partial.touch(mode=0o600)  # the line may hold a random key
    partial.write_text(line + "\n", encoding="utf-8")
    partial.replace(path)


def _end_on_failure(ended: asyncio.Event, failures: list[Exception]) -> None:
    """What breaks in the midst of a run ends the bench: a board that merely fell silent would be charged for it.

    A client that went away breaks nothing.
    """

    def take(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        wrong = context.get("exception")
        if not isinstance(wrong, Exception) or isinstance(wrong, OSError):
            loop.default_exception_handler(context)
            return
        failures.append(wrong)
        ended.set()

    asyncio.get_running_loop().set_exception_handler(take)


def _end_on_signals(ended: asyncio.Event) -> None:
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ended.set)


def _end_on_closed_stdin(ended: asyncio.Event) -> None:
    loop, stdin = asyncio.get_running_loop(), sys.stdin.fileno()

    def take() -> None:
        if not os.read(stdin, 4096):
            loop.remove_reader(stdin)
            ended.set()

    loop.add_reader(stdin, take)


if __name__ == "__main__":
    sys.exit(main())
