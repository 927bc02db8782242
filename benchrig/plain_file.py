"""Whether a path is a file that can be read to its end. Owns that question for every file that a user names.

A device may never end (`/dev/zero`), and a pipe that nobody writes into never begins.
"""

from __future__ import annotations

import stat
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def is_plain_file(path: Path) -> bool:
    """Whether a regular file is there; never raises: for a name that no file can have, the answer is no."""
    try:
        return stat.S_ISREG(path.stat().st_mode)
    except (OSError, ValueError):
        return False
