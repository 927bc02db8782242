"""Where a secret comes from: a file of its owner alone, an environment variable, or a question at the terminal.

Owns these three ways and their refusals. Must not know what a secret is for. A secret stands in no bench file, board
profile, journal, report, log or exception: a refusal names the place and the length, never what stands there, and is
raised outside of the handler of any error that could show it.
"""

from __future__ import annotations

import getpass
import os
import re
import stat
import tomllib
from typing import TYPE_CHECKING, NamedTuple, cast

from benchrig.errors import ConfigError
from benchrig.protocol.lorawan_frame import eui_text
from benchrig.protocol.secret_key import Key

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

PROMPT, ENVIRONMENT, SIMULATED = "prompt", "env:", "simulated"
ACCEPTED = f"the path of a file, '{ENVIRONMENT}NAME' or '{PROMPT}'"
_LARGEST_FILE_BYTES = 1 << 20
_OTHERS = stat.S_IRWXG | stat.S_IRWXO
_LOOKS_LIKE_KEY = re.compile(r"(?:0x)?(?:[0-9A-Fa-f]{2}[\s:,-]?){15}[0-9A-Fa-f]{2}")
_VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_EUI = re.compile(r"(?:[0-9A-Fa-f]{2}[:-]?){7}[0-9A-Fa-f]{2}")


class BoardKey(NamedTuple):
    """A board's identity on the air with its key; the key does not show itself."""

    device_eui: int
    key: Key


def source_problem(source: str) -> str:
    """What is wrong with the name of a source, '' when nothing is. A key that stands there itself is not shown."""
    if _LOOKS_LIKE_KEY.fullmatch(source.strip()):
        return f"a key must not stand in this file; accepted: {ACCEPTED}; give the board a new key if others saw it"
    if source.startswith(ENVIRONMENT) and not _VARIABLE.fullmatch(source.removeprefix(ENVIRONMENT)):
        return f"{source!r} names no environment variable; accepted: {ACCEPTED}"
    return ""


def eui_of(text: str) -> int | None:
    """An EUI of 16 hexadecimal digits, with or without separators; None for any other text."""
    return int(re.sub("[:-]", "", text), 16) if _EUI.fullmatch(text.strip()) else None


def board_key(
    source: str,
    *,
    folder: Path,
    device_eui: int | None,
    board: str,
    ask: Callable[[str], str] | None = None,
    environment: Mapping[str, str] = os.environ,
) -> BoardKey:
    """The key of a board. A path starts in `folder`; `ask` is the question at a terminal.

    Without `device_eui` the keys file says which identity belongs to `board`. Raises ConfigError.
    """
    if source == PROMPT or source.startswith(ENVIRONMENT):
        if device_eui is None:
            raise ConfigError(f"keys = {source!r} gives a key and no identity: give device_eui in the bench file, too")
        text, where = _said(source, f"application key of board {board}, {eui_text(device_eui)}", ask, environment)
        return BoardKey(device_eui, _key(text, where))
    path = folder / source
    devices = _devices(path)
    eui = _only_of(devices, board, path) if device_eui is None else device_eui
    entry = devices.get(eui)
    if entry is None or not isinstance(entry.get("app_key"), str):
        known = ", ".join(map(eui_text, devices)) or "none"
        raise ConfigError(
            f'keys file {path}: no app_key of {eui_text(eui)} (boards there: {known}); add [devices."{eui_text(eui)}"]'
        )
    return BoardKey(eui, _key(cast("str", entry["app_key"]), f"keys file {path}, {eui_text(eui)}"))


def secret_text(
    source: str,
    *,
    folder: Path,
    what: str,
    ask: Callable[[str], str] | None = None,
    environment: Mapping[str, str] = os.environ,
) -> str:
    """A secret of one line, such as a broker's password. Raises ConfigError."""
    if source == PROMPT or source.startswith(ENVIRONMENT):
        return _said(source, what, ask, environment)[0]
    text = read_private(folder / source, what=what).rstrip("\r\n")
    if not text or "\n" in text:
        lines = len(text.splitlines())
        raise ConfigError(f"{what}: {folder / source} holds {lines} lines; accepted: one, with the secret alone")
    return text


def _said(source: str, what: str, ask: Callable[[str], str] | None, environment: Mapping[str, str]) -> tuple[str, str]:
    """What a variable holds, or a person types, and where it came from."""
    if source == PROMPT:
        return (ask or ask_at_terminal)(f"{what}: "), "what was typed"
    name = source.removeprefix(ENVIRONMENT)
    if not environment.get(name):
        raise ConfigError(f"{what}: the environment variable {name} is not set; set it, or name another source")
    return environment[name], f"environment variable {name}"


def ask_at_terminal(question: str) -> str:
    """Ask without an echo. Raises ConfigError where nobody sits at a terminal."""
    if not _in_foreground():
        raise ConfigError(
            f"{question.rstrip(': ')}: it is to be asked for, and nobody sits at a terminal; "
            f"name a file or an environment variable instead of {PROMPT!r}"
        )
    try:
        return getpass.getpass(question)
    except (EOFError, OSError):
        text = ""
    if not text:
        raise ConfigError(f"{question.rstrip(': ')}: nothing was typed; start again and type it")
    return text


def _in_foreground() -> bool:
    """Whether this process owns a terminal now; its standard input may be something else."""
    try:
        terminal = os.open("/dev/tty", os.O_RDWR | os.O_NOCTTY)
    except OSError:
        return False
    try:
        return os.tcgetpgrp(terminal) == os.getpgrp()
    except OSError:
        return False
    finally:
        os.close(terminal)


def read_private(path: Path, *, what: str) -> str:
    """The text of a file that its owner alone can read. Raises ConfigError with what to do otherwise."""
    problem, data = "", b""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except (OSError, ValueError) as wrong:
        raise ConfigError(f"{what}: {path} cannot be read: {getattr(wrong, 'strerror', None) or wrong}") from None
    try:
        problem = _not_private(os.fstat(descriptor), path)
        if not problem:
            data = os.read(descriptor, _LARGEST_FILE_BYTES)
    finally:
        os.close(descriptor)
    if problem:
        raise ConfigError(f"{what}: {problem}")
    text = _decoded(data)
    if text is None:
        raise ConfigError(f"{what}: {path} is not UTF-8 text")
    return text


def _not_private(status: os.stat_result, path: Path) -> str:
    if not stat.S_ISREG(status.st_mode):
        return f"{path} is no regular file"
    if status.st_uid not in (os.geteuid(), 0):
        return f"{path} belongs to user {status.st_uid}, not to you ({os.geteuid()}); make a copy of your own, mode 600"
    if status.st_mode & _OTHERS:
        mode = stat.S_IMODE(status.st_mode)
        return f"{path} can be read by others (mode {mode:o}); do: chmod 600 {path}; give new keys if others saw it"
    return ""


def _decoded(data: bytes) -> str | None:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None


def _devices(path: Path) -> dict[int, dict[str, object]]:
    """The tables of a keys file by identity."""
    table = _parsed(read_private(path, what="keys"))
    devices = table.get("devices") if table is not None else None
    if not isinstance(devices, dict):
        raise ConfigError(f'keys file {path}: no TOML with tables [devices."<16 digits>"], each with app_key = "..."')
    found: dict[int, dict[str, object]] = {}
    for name, entry in cast("dict[str, object]", devices).items():
        eui = eui_of(name)
        if eui is None or not isinstance(entry, dict):
            raise ConfigError(f"keys file {path}: a table of devices is named by no EUI of 16 hexadecimal digits")
        found[eui] = cast("dict[str, object]", entry)
    return found


def _parsed(text: str) -> dict[str, object] | None:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):  # what it says could show a part of a key
        return None


def _only_of(devices: Mapping[int, Mapping[str, object]], board: str, path: Path) -> int:
    found = [eui for eui, entry in devices.items() if entry.get("board") == board]
    if len(found) != 1:
        raise ConfigError(
            f"keys file {path}: {len(found)} entries have board = {board!r}; accepted: one, or device_eui in the bench "
            "file"
        )
    return found[0]


def _key(text: str, where: str) -> Key:
    problem = ""
    try:
        key = Key.from_hex(text.strip())
        if not key.is_placeholder:
            return key
        problem = "a placeholder: a pattern, or an example out of a standard, that anybody can guess; give the board a "
        problem += "random key of its own (python -c 'import secrets; print(secrets.token_hex(16))')"
    except ValueError as wrong:
        problem = str(wrong)  # tells the length and never the key
    del text
    raise ConfigError(f"{where}: {problem}")
