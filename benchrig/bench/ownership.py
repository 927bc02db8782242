"""One owner for each instrument of this machine, across threads, processes and users.

A lock file for each address lies in a folder that all users of the machine share; the operating system holds the lock
and lets go of it when the owner ends, however it ends, so a stale lock never stands. Inside it stands who holds
it, for the sentence that a refused second run prints.
"""

from __future__ import annotations

import getpass
import hashlib
import json
import os
import re
import tempfile
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

from filelock import FileLock, Timeout

from benchrig.errors import OwnershipError

_WAIT_S = 2.0
_SHARED = Path("/tmp")
_INTERFACE = re.compile(r"([A-Z]+)(?=::)")


def lock_folder() -> Path:
    """Folder of the lock files; the same for every user, so that two users cannot share a supply by accident."""
    # TMPDIR, which tempfile honours, is often one user's own
    folder = (_SHARED if _SHARED.is_dir() else Path(tempfile.gettempdir())) / "benchrig-locks"
    folder.mkdir(exist_ok=True)
    with suppress(PermissionError):  # another user made it, and made it so
        folder.chmod(0o1777)
    return folder


def canonical(address: str) -> str:
    """One spelling for one VISA resource: capitals, and the interface number that may be left out (VPP-4.3)."""
    return _INTERFACE.sub(r"\g<1>0", address.strip().upper(), count=1)


class Ownership:
    """Holds one address. Use as a context manager, or call `take` and `release`."""

    def __init__(self, address: str, *, name: str, wait_s: float = _WAIT_S) -> None:
        self.address = address
        self.name = name
        self._wait_s = wait_s
        self._lock: FileLock | None = None

    def take(self) -> None:
        """Take the lock, waiting a moment for an owner that is on its way out. Raises OwnershipError."""
        path = Path("benchrig-locks")
        try:
            path = lock_folder() / (hashlib.sha256(canonical(self.address).encode()).hexdigest()[:16] + ".lock")
            lock = FileLock(path, mode=0o666, thread_local=False)
            lock.acquire(timeout=self._wait_s, poll_interval=0.02)
        except Timeout:
            raise OwnershipError(
                f"{self.name} at {self.address} is in use: {_owner(path)}; wait for that run to end, or end it"
            ) from None
        except OSError as wrong:
            raise OwnershipError(
                f"{self.name} at {self.address}: its lock {wrong.filename or path} cannot be taken: "
                f"{wrong.strerror or wrong}; give this user access to that folder"
            ) from wrong
        self._lock = lock
        owner = {"pid": os.getpid(), "user": _user(), "since": datetime.now(UTC).isoformat("T", "seconds")}
        _write_note(path, json.dumps(owner))

    def release(self) -> None:
        """Let go; harmless when nothing is held."""
        lock, self._lock = self._lock, None
        if lock is not None:
            _write_note(Path(lock.lock_file), "")
            lock.release()

    def __enter__(self) -> Self:
        self.take()
        return self

    def __exit__(self, *exc: object) -> None:
        self.release()


def _write_note(path: Path, text: str) -> None:
    """The note is for people; what counts is the lock. "r+" because another user's file may not be made anew."""
    with suppress(OSError), path.open("r+", encoding="utf-8") as note:
        note.truncate()
        note.write(text)


def _owner(path: Path) -> str:
    try:
        owner = json.loads(path.read_text(encoding="utf-8"))
        return f"held by process {owner['pid']} of {owner['user']} since {owner['since']}"
    except (OSError, ValueError, KeyError, TypeError):
        return "held by another process that left no note"


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user without an entry in the password file, as in many containers
        return f"user {os.getuid()}"
