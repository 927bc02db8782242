"""The dialogue of a modem UART out of a capture file, with times, as text or JSON. Shows; decides nothing.

With a profile it also says what the payloads mean that were handed over, and what is wrong with them.
"""

from __future__ import annotations

import itertools
from dataclasses import fields
from typing import TYPE_CHECKING

from benchrig.plain_json import json_text
from benchrig.protocol.at_events import (
    Echo,
    Garbage,
    HalfLine,
    Information,
    Overflow,
    Result,
    Sent,
    Side,
    Stray,
    Unanswered,
    Unsolicited,
)

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from benchrig.board.profile import BoardProfile
    from benchrig.capture_file import Capture, CapturedBytes, CapturedLine
    from benchrig.payload.codec import Decoded, DecodedValue
    from benchrig.protocol.at_dialogue import AtDialogue
    from benchrig.protocol.at_events import Event, HandOver

_NOT_BELIEVED = 10
_SHOWN_BYTES = 60


def show_capture(arguments: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Say what the command `capture` was asked for; its exit code. Raises ConfigError."""
    from benchrig.capture_file import Capture  # noqa: PLC0415  # --help must not pay for numpy
    from benchrig.protocol.at_dialogue import AtDialogue  # noqa: PLC0415
    from benchrig.protocol.at_rules import AtRules  # noqa: PLC0415
    from benchrig.protocol.uart_edges import UartSettings  # noqa: PLC0415

    settings = UartSettings(
        baud=arguments.baud,
        data_bits=arguments.data_bits,
        parity=arguments.parity,
        stop_bits=arguments.stop_bits,
        inverted=arguments.inverted,
    )
    capture = Capture(arguments.file, signals=arguments.signal or (), settings=settings)
    capture.open()
    modem_is_heard = len(capture.lines) > 1 or arguments.first == "modem"
    profile = _profile(arguments.profile)
    dialogue = AtDialogue(profile.modem_rules if profile else AtRules(), modem_is_heard=modem_is_heard)
    for event in _events(capture, dialogue, modem_first=arguments.first == "modem"):
        say(_as_json(event) if arguments.json else _words(event))
    for line in capture.lines:
        say(_line_as_json(line) if arguments.json else _line_words(line))
    for handed in dialogue.hand_overs:
        decoded = _decoded(handed, profile)
        say(_handed_as_json(handed, decoded) if arguments.json else _handed_words(handed, decoded))
    return 0 if all(line.report.is_trustworthy for line in capture.lines) else _NOT_BELIEVED


def _profile(path: Path | None) -> BoardProfile | None:
    from benchrig.board.profile import read_board_profile  # noqa: PLC0415

    return read_board_profile(path) if path else None


def _decoded(handed: HandOver, profile: BoardProfile | None) -> Decoded | None:
    """What a payload says by the profile's field map; what is wrong with it is told in there."""
    from benchrig.payload.codec import decode  # noqa: PLC0415

    return decode(profile.field_map, handed.payload, port=handed.port) if profile else None


def _events(capture: Capture, dialogue: AtDialogue, *, modem_first: bool) -> Iterator[Event]:
    sides = (Side.MODEM, Side.HOST) if modem_first else (Side.HOST, Side.MODEM)
    for block in capture.blocks():
        yield from _fed(block, dialogue, sides)
    yield from dialogue.finish(capture.until_s)


def _fed(block: CapturedBytes, dialogue: AtDialogue, sides: tuple[Side, Side]) -> Iterator[Event]:
    """What a block brings, fed in stretches in which only one side spoke."""
    import numpy as np  # noqa: PLC0415

    turns = [0, *(np.flatnonzero(np.diff(block.lines)) + 1).tolist(), block.lines.size]
    for begin, end in itertools.pairwise(turns):
        if begin < end:
            yield from dialogue.feed(
                sides[block.lines[begin]],
                block.values[begin:end].tobytes(),
                block.times_s[begin:end].tolist(),
                faulty=frozenset(np.flatnonzero(block.faults[begin:end]).tolist()),
            )


def _words(event: Event) -> str:
    match event:
        case Sent():
            notes = [f"attempt {event.attempt}"] * (event.attempt > 1) + ["first character lost"] * event.lost_first
            return _row(event.at_s, "host", event.text, *notes)
        case Unanswered():
            return _row(event.at_s, "", event.command, f"{event.outcome}: {event.why}")
        case Garbage() | HalfLine() | Overflow():
            return _trouble_words(event)
    return _row(event.at_s, "modem", event.text, *_modem_notes(event))


def _modem_notes(event: Echo | Result | Information | Unsolicited | Stray) -> list[str]:
    match event:
        case Echo():
            return ["echo", *["first character lost"] * event.lost_first]
        case Result():
            return [f"{event.outcome}: {event.command}"]
        case Unsolicited():
            return [f"unsolicited: {event.name}"]
        case Stray():
            return ["no command was open"]
    return []


def _trouble_words(event: Garbage | HalfLine | Overflow) -> str:
    match event:
        case Overflow():
            return _row(event.at_s, event.side, f"{event.lost or 'some'} bytes lost")
        case HalfLine():
            return _row(event.at_s, event.side, _raw(event.raw), f"half a line: {event.why}")
    return _row(event.at_s, event.side, _raw(event.raw), event.why)


def _raw(raw: bytes) -> str:
    return repr(raw[:_SHOWN_BYTES])[1:]


def _row(at_s: float, side: str, text: str, *notes: str) -> str:
    return f"{at_s:12.6f} s  {side:5}  {text}{''.join(f'  ({note})' for note in notes)}"


def _line_words(line: CapturedLine) -> str:
    report = line.report
    if not report.frames:
        return f"line {line.name}: nothing was sent"
    clock = "" if report.clock_error is None else f", clock {100.0 * report.clock_error:+.2f} %"
    jitter = f"edges within {100.0 * report.jitter_most_bits:.0f} % of a bit"
    problems = "".join(f"; {problem}" for problem in report.problems)
    doubt = "" if report.is_trustworthy else "; NOT TO BE BELIEVED: check baud rate, parity and signal"
    return f"line {line.name}: {report.frames} bytes at {report.baud:.0f} baud{clock}, {jitter}{problems}{doubt}"


def _handed_words(handed: HandOver, decoded: Decoded | None) -> str:
    answer = f" by {handed.answer}" if handed.answer else ""
    again = f", attempt {handed.attempt}" if handed.attempt > 1 else ""
    lost = ", first character lost" if handed.lost_first else ""
    payload = handed.payload.hex(" ").upper()
    told = f"handed over at {handed.at_s:.6f} s: port {handed.port}, {payload}: {handed.outcome}{answer}{again}{lost}"
    return "\n".join([told, *_decoded_words(decoded)]) if decoded else told


def _decoded_words(decoded: Decoded) -> Iterator[str]:
    """The values in a line of their own, and one for each problem."""
    values = ", ".join(f"{name} {_value_words(value)}" for name, value in decoded.values.items())
    yield from [f"    {values}"] if values else []
    yield from (f"    problem: {problem}" for problem in decoded.problems)


def _value_words(value: DecodedValue) -> str:
    if value.value is None:
        return value.word or "no value"
    return f"{value.value:.12g} {'' if value.unit == '1' else value.unit}".rstrip()


def _as_json(what: Event) -> str:
    return json_text(_told(what))


def _handed_as_json(handed: HandOver, decoded: Decoded | None) -> str:
    told = _told(handed)
    if decoded:
        told["values"] = {
            name: {"value": one.value, "unit": one.unit, "word": one.word} for name, one in decoded.values.items()
        }
        told["problems"] = list(decoded.problems)
    return json_text(told)


def _told(what: Event | HandOver) -> dict[str, object]:
    values = {field.name: getattr(what, field.name) for field in fields(what)}
    told = {name: value.hex() if isinstance(value, bytes) else value for name, value in values.items()}
    return {"event": type(what).__name__, **told}


def _line_as_json(line: CapturedLine) -> str:
    """Null for a rate that nobody knows: that of a line on which nothing was sent."""
    report = {field.name: getattr(line.report, field.name) for field in fields(line.report)}
    return json_text({"line": line.name, **report, "problems": line.report.problems})
