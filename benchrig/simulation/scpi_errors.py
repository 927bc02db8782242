"""Error numbers and texts of the simulated instruments.

Source: SCPI-99 volume 2 chapter 21, through the transcription in j123b567/scpi-parser (error.h).  The event status
bit of each class is from memory of the same chapter: -1xx command, -2xx execution, -3xx device, -4xx query.
"""

from __future__ import annotations

from typing import Final

TEXTS: Final = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -151: "Invalid string data",
    -171: "Invalid expression",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
}

_EVENT_BIT_OF_CLASS: Final = {1: 32, 2: 16, 3: 8, 4: 4}


class ScpiError(Exception):
    """A program message unit could not be carried out; `number` is the SCPI-99 error number."""

    def __init__(self, number: int) -> None:
        super().__init__(f'{number},"{TEXTS[number]}"')
        self.number = number


def event_bit(number: int) -> int:
    """The standard event status bit that error `number` sets."""
    return _EVENT_BIT_OF_CLASS.get(-number // 100, 0)


def queue_entry(number: int) -> str:
    """The error as SYSTem:ERRor? answers it."""
    return f'{number},"{TEXTS[number]}"'
