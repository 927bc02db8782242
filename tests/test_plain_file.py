"""Files that can be read to their end, and all else that a path can be."""

from __future__ import annotations

import os
from pathlib import Path

from benchrig.plain_file import is_plain_file


def test_only_a_regular_file_is_one(tmp_path: Path) -> None:
    """A file, and a link to one; no folder, device, pipe, loop of links, nor a name that no file can have."""
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "link").symlink_to("file")
    (tmp_path / "loop").symlink_to("loop")
    os.mkfifo(tmp_path / "pipe")

    assert [is_plain_file(tmp_path / name) for name in ("file", "link")] == [True, True]
    others = [tmp_path / name for name in ("", "loop", "pipe", "gone", "file/inside", "x" * 5000, "a\0b")]
    assert not any(map(is_plain_file, [*others, Path("/dev/zero")]))
