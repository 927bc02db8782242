"""Whole files in the place of old ones, and what is never replaced by one."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

import pytest

from benchrig.errors import RecordError
from benchrig.report.atomic_file import write_atomically

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("name", ["pipe", "link"])
def test_pipe_is_not_replaced(tmp_path: Path, name: str) -> None:
    """What is no file stays what it is, by its own name or by a link: /dev/null is no place for a report."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to("pipe")

    with pytest.raises(
        RecordError, match=r"is a device or a pipe, which a file would replace; give the name of a file"
    ):
        write_atomically(tmp_path / name, b"report")

    assert stat.S_ISFIFO((tmp_path / "pipe").stat().st_mode)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["link", "pipe"]


def test_file_is_replaced_at_one_stroke(tmp_path: Path) -> None:
    """A file, old or new, holds what was written, and nothing lies beside it."""
    for data in (b"one", b"another"):
        write_atomically(tmp_path / "report", data)
        assert (tmp_path / "report").read_bytes() == data

    assert [path.name for path in tmp_path.iterdir()] == ["report"]
