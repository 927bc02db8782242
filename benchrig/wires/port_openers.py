"""Who else on this machine has a serial port open, read from /proc where there is one (Linux).

Knows processes and device numbers, not what the port is for. Sees as much as its user may: root sees all.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

_MAYBE_TERMINAL = re.compile(r"/dev/.+|/\d+")  # the second form: a terminal of another mount namespace


@dataclass(frozen=True, slots=True)
class Opener:
    """Another process that has a port open."""

    pid: int
    command: str

    def __str__(self) -> str:
        return f"pid {self.pid} ({self.command})"


def openers_of_descriptor(descriptor: int) -> tuple[Opener, ...]:
    """Other processes that have the device behind an open descriptor open too."""
    return _openers(os.fstat(descriptor).st_rdev)


def openers_of_path(path: str) -> tuple[Opener, ...]:
    """Other processes that have this device open; none when it does not exist."""
    with contextlib.suppress(OSError):
        return _openers(Path(path).stat().st_rdev)
    return ()


def _openers(device: int) -> tuple[Opener, ...]:
    return tuple(opener for process in _other_processes() for opener in _opener(process, device))


def _other_processes() -> Iterator[Path]:
    own = str(os.getpid())
    with contextlib.suppress(OSError):
        yield from (entry for entry in Path("/proc").iterdir() if entry.name.isdigit() and entry.name != own)


def _opener(process: Path, device: int) -> Iterator[Opener]:
    with contextlib.suppress(OSError):  # it ended meanwhile, or is another user's
        if any(_is_device(descriptor, device) for descriptor in (process / "fd").iterdir()):
            yield Opener(int(process.name), _command(process))


def _is_device(descriptor: Path, device: int) -> bool:
    # The link is read first: asking for the state of every open file could hang on a dead network share.
    if not _MAYBE_TERMINAL.fullmatch(str(descriptor.readlink())):
        return False
    state = descriptor.stat()
    return stat.S_ISCHR(state.st_mode) and state.st_rdev == device


def _command(process: Path) -> str:
    words = (process / "cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace").strip()
    return words[:80] or "no command line"
