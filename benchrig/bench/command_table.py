"""Command tables: how one family of instruments is spoken to, as data.

A table names, for a kind of instrument, the messages that set, read back and measure. Placeholders in braces
(`{value}`, `{channel}`, `{range}`) are filled when a message is sent; `header` is the response header of
instruments that put one before their numbers. A new supply is a new table and no
Python. The shipped tables are written from IEEE 488.2-1992 (message syntax, common commands) and SCPI-99
(volume 2, command reference); they stand beside this module in `tables/`.
"""

from __future__ import annotations

import string
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal, cast, get_args

from benchrig.toml_reader import nearest, read_toml

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.toml_reader import Section

TABLES = Path(__file__).parent / "tables"
KINDS = ("supply", "meter", "recorder")
Encoding = Literal["float32-be", "float32-le", "int16-be", "int16-le", "ascii"]
ENCODINGS: tuple[Encoding, ...] = get_args(Encoding)

_SETTINGS: Mapping[str, Mapping[str, str]] = {
    "supply": {"voltage": "V", "current_limit": "A", "protection": "V"},
    "meter": {"integration": "1"},
    "recorder": {"range": "A", "interval": "s", "points": "1"},
}
_READINGS: Mapping[str, Mapping[str, str]] = {
    "supply": {"voltage": "V", "current": "A"},
    "meter": {"voltage": "V", "temperature": "degC"},
    "recorder": {},
}
_PLACEHOLDERS = ("value", "channel", "range")


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
    """A measured number. `prepare` is sent when function or range change, before `query` is asked."""

    query: str
    unit: str
    prepare: str = ""
    header: str = ""


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
    """One family of instruments. `joins` and `token` say what its parser can do (IEEE 488.2 says: both)."""

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
    return path if path.is_file() else None


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
        clear=top.text("clear", default="*CLS"),
        error_query=top.text("error_query", default=":SYST:ERR?", empty=True),
        settings=_settings(top, kind),
        output=_switch(top) if kind == "supply" else None,
        readings=_readings(top, kind),
        conditions=_conditions(top),
        capture=_capture(top) if kind == "recorder" else None,
    )
    top.finish()
    return table


def _message(section: Section, key: str, *, required: bool = True) -> str:
    """A message template; its placeholders are checked here so that sending never meets an unknown one."""
    text = section.text(key) if required else section.text(key, default="", empty=True)
    try:
        names = [name for _, name, _, _ in string.Formatter().parse(text) if name is not None]
    except ValueError as wrong:
        section.problem(key, f"{text!r} is not a message template: {wrong}")
        return ""
    for name in names:
        if name not in _PLACEHOLDERS:
            section.problem(key, f"unknown placeholder {{{name}}}; known: {', '.join(_PLACEHOLDERS)}")
    return text


def _settings(top: Section, kind: str) -> Mapping[str, NumberSetting]:
    known = _SETTINGS.get(kind, {})
    settings = {}
    optional = kind == "meter"
    parent = top.section("settings", required=bool(known) and not optional)
    for name, unit in known.items():
        section = parent.section(name, required=not optional) if parent else None
        if section is None:
            continue
        settings[name] = NumberSetting(
            set=_message(section, "set"),
            query=_message(section, "query"),
            unit=unit,
            tolerance=section.number("tolerance", above=0.0),
            header=section.text("header", default="", empty=True),
        )
        section.finish()
    if parent:
        parent.finish(also_known=tuple(known))
    return settings


def _switch(top: Section) -> SwitchSetting | None:
    section = top.section("output")
    if section is None:
        return None
    switch = SwitchSetting(
        on=_message(section, "on"),
        off=_message(section, "off"),
        query=_message(section, "query"),
        header=section.text("header", default="", empty=True),
    )
    section.finish()
    return switch


def _readings(top: Section, kind: str) -> Mapping[str, NumberReading]:
    known = _READINGS.get(kind, {})
    readings = {}
    parent = top.section("readings", required=bool(known))
    for name, unit in known.items():
        section = parent.section(name, required=kind == "supply") if parent else None
        if section is None:
            continue
        readings[name] = NumberReading(
            query=_message(section, "query"),
            unit=unit,
            prepare=_message(section, "prepare", required=False),
            header=section.text("header", default="", empty=True),
        )
        section.finish()
    if parent:
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
            conditions[name] = _condition(section)
    parent.finish()
    return conditions


def _condition(section: Section) -> Condition:
    condition = Condition(query=_message(section, "query"), bit=section.integer("bit", at_least=0, at_most=15))
    section.finish()
    return condition


def _capture(top: Section) -> Capture | None:
    section = top.section("capture")
    if section is None:
        return None
    measuring = section.section("measuring")
    capture = Capture(
        prepare=section.texts("prepare", default=()),
        route=_message(section, "route", required=False),
        start=_message(section, "start"),
        abort=_message(section, "abort"),
        measuring=_condition(measuring) if measuring else Condition("", 0),
        fetch=_message(section, "fetch"),
        encoding=cast("Encoding", section.text("encoding", accepted=ENCODINGS)),
        unit=section.text("unit", default="A"),
    )
    section.finish()
    return capture
