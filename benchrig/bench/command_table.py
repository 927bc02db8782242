"""Command tables: how one family of instruments is spoken to, as data.

A table names, for a kind of instrument, the messages that set, read back and measure. Placeholders in braces
(`{value}`, `{channel}`, `{range}`) are filled when a message is sent; every message is filled once when the
table is read, so that sending meets no bad one. `header` is the response header of instruments that put one
before their numbers, `suffix` what they write behind them when that is no unit symbol. A new supply is a new
table and no Python. The shipped tables are written from IEEE 488.2-1992 (message syntax, common commands) and SCPI-99
(volume 2, command reference); they stand beside this module in `tables/`.
"""

from __future__ import annotations

import string
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal, cast, get_args

from benchrig.toml_reader import REQUIRED, nearest, read_toml

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.toml_reader import Section

TABLES = Path(__file__).parent / "tables"
KINDS = ("supply", "meter", "recorder")
Encoding = Literal["float32-be", "float32-le", "ascii"]  # converter codes carry no amperes without a scale
ENCODINGS: tuple[Encoding, ...] = get_args(Encoding)

_SETTINGS: Mapping[str, Mapping[str, str]] = {
    "supply": {"voltage": "V", "current_limit": "A", "protection": "V"},
    "meter": {"integration": "1"},
    "recorder": {"range": "A", "interval": "s", "points": "1"},
}
_LARGEST_TOLERANCE: Mapping[str, float] = {
    "voltage": 0.1, "current_limit": 0.1, "protection": 0.5, "integration": 0.5, "range": 0.01, "interval": 0.001,
    "points": 0.5,
}  # fmt: skip
"""A read-back that may be further off than this proves nothing of what was set. Common practice, no source."""
_READINGS: Mapping[str, Mapping[str, str]] = {
    "supply": {"voltage": "V", "current": "A"},
    "meter": {"voltage": "V", "temperature": "degC"},
    "recorder": {},
}
_TRIAL: Mapping[str, float | int] = {"value": 1.5, "channel": 1, "range": 10.0}
"""What placeholders are filled with when a table is read: the types that they have when a message is sent."""


@dataclass(frozen=True)
class NumberSetting:
    """A number that is set and read back; `tolerance` is what the read-back may differ by (base unit)."""

    set: str
    query: str
    unit: str
    tolerance: float
    header: str = ""


@dataclass(frozen=True)
class SwitchSetting:
    """The output switch: how it is closed, opened and asked for."""

    on: str
    off: str
    query: str
    header: str = ""


@dataclass(frozen=True)
class NumberReading:
    """A measured number. `prepare` is sent before `query` when the instrument was not yet told the same."""

    query: str
    unit: str
    prepare: str = ""
    header: str = ""
    suffix: str = ""


@dataclass(frozen=True)
class Condition:
    """One bit of a SCPI condition register."""

    query: str
    bit: int


@dataclass(frozen=True)
class Capture:
    """How a recorder is started, watched and emptied."""

    prepare: tuple[str, ...]
    route: str
    start: str
    abort: str
    measuring: Condition
    fetch: str
    encoding: Encoding
    unit: str


@dataclass(frozen=True)
class CommandTable:
    """One family of instruments. `joins` and `token` say what its parser can do (IEEE 488.2 says: both).

    `joins`: several message units in one message; `token`: *ESE can be written and read back. A token in the same
    message proves whose answer it is; one that travels apart proves that none was lost or doubled before it;
    without one a late answer is told only by the time-out, a doubled one by what waits unread.
    """

    name: str
    kind: str
    summary: str
    source: str
    joins: bool
    token: bool
    read_termination: str
    write_termination: str
    clear: str
    error_query: str
    settings: Mapping[str, NumberSetting] = field(default_factory=dict)
    output: SwitchSetting | None = None
    readings: Mapping[str, NumberReading] = field(default_factory=dict)
    conditions: Mapping[str, Condition] = field(default_factory=dict)
    capture: Capture | None = None


def shipped_tables() -> tuple[str, ...]:
    """Names of the tables that come with benchrig."""
    return tuple(sorted(path.stem for path in TABLES.glob("*.toml")))


def find_table(name: str, *, beside: Path) -> Path | None:
    """Path of a table: a shipped name, or a path to a .toml of the user's, relative to the bench file."""
    path = beside / name if name.endswith(".toml") else TABLES / f"{name}.toml"
    try:
        return path if path.is_file() else None
    except OSError:  # a name too long for any file, a folder that may not be looked into
        return None


def unknown_table(name: str) -> str:
    """What to say of a table that cannot be found."""
    known = shipped_tables()
    return (
        f"there is no command table {name!r}{nearest(name, known)}; shipped: {', '.join(known)};"
        " a table of your own is named by its path, ending in .toml"
    )


def read_command_table(path: Path) -> CommandTable:
    """Read and check a table. Raises ConfigError with every problem at once."""
    return read_toml(path, what="command table", build=lambda top: _table(top, name=path.stem))


def _table(top: Section, *, name: str) -> CommandTable:
    top.integer("schema", at_least=1, at_most=1)
    kind = top.text("kind", accepted=KINDS)
    table = CommandTable(
        name=name,
        kind=kind,
        summary=top.text("summary"),
        source=top.text("source"),
        joins=top.boolean("joins", default=True),
        token=top.boolean("token", default=True),
        read_termination=top.text("read_termination", default="\n"),
        write_termination=top.text("write_termination", default="\n"),
        clear=_message(top, "clear", default="*CLS"),
        error_query=_message(top, "error_query", asks=True, default=":SYST:ERR?"),
        settings=_settings(top, kind),
        output=_switch(top) if kind == "supply" else None,
        readings=_readings(top, kind),
        conditions=_conditions(top),
        capture=_capture(top) if kind == "recorder" else None,
    )
    # of a kind that is not known it cannot be said which parts a table has
    top.finish(also_known=() if kind else ("settings", "output", "readings", "capture"))
    return table


def _message(
    section: Section, key: str, *, fills: tuple[str, ...] = (), asks: bool = False, default: object = REQUIRED
) -> str:
    """A message; `fills` are the placeholders it may hold, `asks` says whether it is a question."""
    text = section.text(key, default=default, empty=default is not REQUIRED)
    if text and (problem := _message_problem(text, fills=fills, asks=asks)):
        section.problem(key, problem)
    return text


def _message_problem(text: str, *, fills: tuple[str, ...], asks: bool) -> str:
    """What is wrong with a message, or ''; checked here so that sending never meets it."""
    if not text.strip() or not text.isascii() or "\n" in text or "\r" in text:
        return f"{text!r} is not a message: ASCII text without a line end"
    try:
        names = [name for _, name, _, _ in string.Formatter().parse(text) if name is not None]
        for name in names:
            if name not in fills:
                known = ", ".join(f"{{{known}}}" for known in fills) or "none"
                return f"{text!r} has an unknown placeholder {{{name}}}{nearest(name, fills)}; known here: {known}"
        text.format(**{name: _TRIAL[name] for name in fills})
    except (ValueError, KeyError, IndexError) as wrong:
        return f"{text!r} is not a message template: {wrong}"
    if text.count("?") != (1 if asks else 0):
        return f"{text!r} {'has not exactly one question mark, as a question has' if asks else 'must not ask'}"
    return ""


def _messages(section: Section, key: str) -> tuple[str, ...]:
    """An array of messages without placeholders that ask nothing."""
    texts = section.texts(key, default=())
    for text in texts:
        if problem := _message_problem(text, fills=(), asks=False):
            section.problem(key, problem)
    return texts


def _settings(top: Section, kind: str) -> Mapping[str, NumberSetting]:
    known = _SETTINGS.get(kind, {})
    settings = {}
    optional = kind == "meter"
    channel = ("channel",) if kind == "supply" else ()
    parent = top.section("settings", required=bool(known) and not optional)
    for name, unit in known.items():
        section = parent.section(name, required=not optional) if parent else None
        if section is None:
            continue
        settings[name] = NumberSetting(
            set=_set_message(section, fills=channel),
            query=_message(section, "query", fills=channel, asks=True),
            unit=unit,
            tolerance=section.number("tolerance", above=0.0, at_most=_LARGEST_TOLERANCE[name]),
            header=section.text("header", default="", empty=True),
        )
        section.finish()
    if parent and kind:
        parent.finish(also_known=tuple(known))
    return settings


def _set_message(section: Section, *, fills: tuple[str, ...]) -> str:
    text = _message(section, "set", fills=("value", *fills))
    if text and "{value" not in text:
        section.problem("set", f"{text!r} sets no value; put {{value}} where the number goes")
    return text


def _switch(top: Section) -> SwitchSetting | None:
    section = top.section("output")
    if section is None:
        return None
    switch = SwitchSetting(
        on=_message(section, "on", fills=("channel",)),
        off=_message(section, "off", fills=("channel",)),
        query=_message(section, "query", fills=("channel",), asks=True),
        header=section.text("header", default="", empty=True),
    )
    section.finish()
    return switch


def _readings(top: Section, kind: str) -> Mapping[str, NumberReading]:
    known = _READINGS.get(kind, {})
    fills = ("channel", "range") if kind == "meter" else ("channel",)
    readings = {}
    parent = top.section("readings", required=bool(known))
    for name, unit in known.items():
        section = parent.section(name, required=kind == "supply") if parent else None
        if section is None:
            continue
        readings[name] = NumberReading(
            query=_message(section, "query", fills=fills, asks=True),
            unit=unit,
            prepare=_message(section, "prepare", fills=fills, default=""),
            header=section.text("header", default="", empty=True),
            suffix=section.text("suffix", default="", empty=True),
        )
        section.finish()
    if parent and kind:
        parent.finish(also_known=tuple(known))
    return readings


def _conditions(top: Section) -> Mapping[str, Condition]:
    conditions = {}
    parent = top.section("conditions", required=False)
    if parent is None:
        return {}
    for name in ("current_limited", "protection_tripped"):
        section = parent.section(name, required=False)
        if section is not None:
            conditions[name] = _condition(section, fills=("channel",))
    parent.finish()
    return conditions


def _condition(section: Section, *, fills: tuple[str, ...] = ()) -> Condition:
    condition = Condition(
        query=_message(section, "query", fills=fills, asks=True),
        bit=section.integer("bit", at_least=0, at_most=15),
    )
    section.finish()
    return condition


def _capture(top: Section) -> Capture | None:
    section = top.section("capture")
    if section is None:
        return None
    measuring = section.section("measuring")
    capture = Capture(
        prepare=_messages(section, "prepare"),
        route=_message(section, "route", fills=("channel",), default=""),
        start=_message(section, "start"),
        abort=_message(section, "abort"),
        measuring=_condition(measuring) if measuring else Condition("", 0),
        fetch=_message(section, "fetch", asks=True),
        encoding=cast("Encoding", section.text("encoding", accepted=ENCODINGS)),
        unit=section.text("unit", default="A", accepted=("A",)),
    )
    section.finish()
    return capture
