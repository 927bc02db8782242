"""One owner for each instrument and port of this machine, across threads and processes.

A lock file for each address lies in a folder that all users of the machine share; the operating system holds the lock
and lets go of it when the owner ends, however it ends, so a stale lock never stands. Beside it lies a note
that says who holds it, for the sentence that a refused second run prints.
"""

from __future__ import annotations

import getpass
import hashlib
import json
import os
import tempfile
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Self

from filelock import FileLock, Timeout

from benchrig.errors import OwnershipError

_WAIT_S = 2.0


def lock_folder() -> Path:
    """Folder of the lock files; the same for every user, so that two users cannot share a supply by accident."""
    folder = Path(tempfile.gettempdir()) / "benchrig-locks"
    folder.mkdir(exist_ok=True)
    with suppress(PermissionError):  # another user made it, and made it so
        folder.chmod(0o1777)
    return folder


class Ownership:
    """Holds one address. Use as a context manager, or call `take` and `release`."""

    def __init__(self, address: str, *, name: str, wait_s: float = _WAIT_S) -> None:
        stem = hashlib.sha256(address.encode()).hexdigest()[:16]
        self.address = address
        self.name = name
        self._wait_s = wait_s
        self._note = lock_folder() / f"{stem}.json"
        self._lock = FileLock(lock_folder() / f"{stem}.lock", mode=0o666, thread_local=False)

    def take(self) -> None:
        """Take the lock, waiting a moment for an owner that is on its way out. Raises OwnershipError."""
        try:
            self._lock.acquire(timeout=self._wait_s, poll_interval=0.02)
        except Timeout:
            raise OwnershipError(
                f"{self.name} at {self.address} is in use: {self._owner()}; wait for that run to end, or end it"
            ) from None
        except OSError as wrong:
            raise OwnershipError(
                f"{self.name} at {self.address}: its lock {self._lock.lock_file} cannot be taken: "
                f"{wrong.strerror or wrong}; give this user access to that folder"
            ) from wrong
        owner = {
            "pid": os.getpid(),
            "user": getpass.getuser(),
            "since": datetime.now(UTC).isoformat("T", "seconds"),
        }
        with suppress(OSError):  # the note is for people; the lock itself is held
            self._note.write_text(json.dumps(owner), encoding="utf-8")

    def release(self) -> None:
        """Let go; harmless when nothing is held."""
        if self._lock.is_locked:
            with suppress(OSError):
                self._note.unlink(missing_ok=True)
            self._lock.release()

    def _owner(self) -> str:
        try:
            owner = json.loads(self._note.read_text(encoding="utf-8"))
            return f"held by process {owner['pid']} of {owner['user']} since {owner['since']}"
        except (OSError, ValueError, KeyError, TypeError):
            return "held by another process that left no note"

    def __enter__(self) -> Self:
        self.take()
        return self

    def __exit__(self, *exc: object) -> None:
        self.release()
