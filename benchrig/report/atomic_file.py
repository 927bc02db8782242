"""Writing a whole file so that a reader finds the old one or the new one, and never a half.

rename() replaces a name at one stroke: POSIX.1-2017, rename, "the old name shall remain visible throughout".
"""

from __future__ import annotations

import os
from contextlib import suppress
from typing import TYPE_CHECKING

from benchrig.errors import RecordError
from benchrig.journal import make_folder, reason, sync_folder

if TYPE_CHECKING:
    from pathlib import Path


def write_atomically(path: Path, data: bytes) -> None:
    """Put `data` at `path`, on disk before it gets its name. RecordError: what was there before is untouched."""
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        make_folder(path.parent)
        _refuse_device(path)
        try:
            _write_synced(partial, data)
            partial.replace(path)
        except OSError:
            with suppress(OSError):
                partial.unlink(missing_ok=True)
            raise
        sync_folder(path.parent)
    except OSError as error:
        raise RecordError(f"report {path}: cannot be written: {reason(error)}; its journal is not touched") from error


def _refuse_device(path: Path) -> None:
    """A device or a pipe would not be written to but replaced: /dev/null by a file that all others write into."""
    if path.exists() and not (path.is_file() or path.is_dir()):
        raise RecordError(f"report {path}: is a device or a pipe, which a file would replace; give the name of a file")


def _write_synced(path: Path, data: bytes) -> None:
    with path.open("wb", buffering=0) as file:
        left = memoryview(data)
        while left:
            left = left[file.write(left) :]
        os.fsync(file.fileno())
