"""Which names may become part of a path: a serial number of a board, and whatever else is named by one word.

What stands in a journal is foreign text, and so is a label: such a name is checked before a file is called by it. Owns
the pattern and the words for it. Knows no folder.
"""

from __future__ import annotations

import re

ACCEPTED_NAMES = "letters, digits, '.', '_' and '-', 64 at most, a letter or digit first"
"""The accepted set in words."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


def is_file_name(text: str) -> bool:
    """Whether a text may name a file or a folder: it leads nowhere else, and no shell or terminal minds it."""
    return _NAME.fullmatch(text) is not None
