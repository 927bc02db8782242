"""The command `capture`: its options. What it shows is `capture_text`'s."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    AddCommand = Callable[[str, Callable[[argparse.Namespace], int], str], argparse.ArgumentParser]


def add_capture_command(add: AddCommand, *, say: Callable[[str], None]) -> None:
    """Add the command; `say` shows a line."""
    capture = add(
        "capture",
        lambda arguments: _show(arguments, say),
        "read the dialogue of host and modem from a capture of one or two lines (.vcd)",
    )
    capture.add_argument("file", type=Path, help="value change dump of a logic analyser (.vcd)")
    capture.add_argument(
        "--signal", action="append", metavar="NAME", help="a line of it: first the host's, then the modem's"
    )
    capture.add_argument(
        "--first", choices=("host", "modem"), default="host", help="who drives the first line (default: host)"
    )
    capture.add_argument("--baud", type=float, metavar="N", help="bits a second (default: estimated)")
    capture.add_argument("--data-bits", type=int, choices=(7, 8), default=8, help="default: 8")
    capture.add_argument("--parity", choices=("none", "even", "odd"), default="none", help="default: none")
    capture.add_argument("--stop-bits", type=int, choices=(1, 2), default=1, help="default: 1")
    capture.add_argument("--inverted", action="store_true", help="the lines rest low")
    capture.add_argument(
        "--profile",
        type=Path,
        metavar="FILE",
        help="board profile: its modem.frame hands over payloads, its field map decodes them",
    )
    capture.add_argument("--json", action="store_true", help="as JSON, one object a line, in base units")


def _show(arguments: argparse.Namespace, say: Callable[[str], None]) -> int:
    from benchrig.capture_text import show_capture  # noqa: PLC0415  # --help must not pay for it

    return show_capture(arguments, say)
