"""What the console says of a frame, held against the frame that was handed over: port and length.

Owns the comparison at this one hop; the hops behind it are `judge.hops`. A frame that was not seen says nothing here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.board.board import FrameAnswer
    from benchrig.check import Check


def not_as_announced(frame: FrameAnswer) -> Iterator[str]:
    """In what the frame on the modem UART is not the one that the console told of."""
    if frame.handed is None:
        return
    if frame.handed_port != frame.port:
        yield f"the port differs: {frame.handed_port} on the modem UART, {frame.port} on the console"
    if len(frame.handed) != frame.length:
        yield f"the length differs: {len(frame.handed)} bytes on the modem UART, {frame.length} on the console"


def judge_announced(measure: Check, frame: FrameAnswer) -> None:
    """The frame of one uplink, where the modem UART is seen."""
    if frame.handed is None:
        return
    wrong = "; ".join(not_as_announced(frame))
    measure.fact(
        "handed over",
        expected=f"as the console says: port {frame.port}, {frame.length} bytes",
        seen=f"port {frame.handed_port}, {len(frame.handed)} bytes",
        holds=not wrong,
        why=wrong,
        next_action="look at what the firmware tells of its report, and at what it hands to its modem",
    )
