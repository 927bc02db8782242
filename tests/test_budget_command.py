"""The command `benchrig budget` on journals that are damaged, changed, or none."""

from __future__ import annotations

import io
from contextlib import redirect_stderr, redirect_stdout
from typing import TYPE_CHECKING, NamedTuple

import pytest

from benchrig.cli import main
from benchrig.journal import JournalWriter
from benchrig.records import CheckStarted, Part, ReadingTaken

if TYPE_CHECKING:
    from pathlib import Path


class Done(NamedTuple):
    """A command that ended."""

    returncode: int
    stdout: str
    stderr: str


def budget(*arguments: str | Path) -> Done:
    """Run the command to its end, in this process."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main(["budget", *map(str, arguments)])
    return Done(code, out.getvalue(), err.getvalue())


def journal(folder: Path, *, u: float) -> Path:
    """A journal with one reading of 3 mV and 4 mV, which state `u` together."""
    path = folder / "run.jsonl"
    parts = (Part(name="of reading", standard_uncertainty=3e-3), Part(name="of range", standard_uncertainty=4e-3))
    taken = ReadingTaken(
        check="rail",
        name="rail",
        value=3.3,
        unit="V",
        standard_uncertainty=u,
        source="meter",
        raw="",
        at_s=2.0,
        parts=parts,
    )
    with JournalWriter(path) as writer:
        writer.append(CheckStarted(check="rail", at_s=1.0, utc="2031-03-04T08:15:00+00:00"))
        writer.append(taken)
    return path


def test_parts_that_do_not_sum_are_refused(tmp_path: Path) -> None:
    """3 mV and 4 mV are 5 mV (by hand); a journal that states 7 mV is told with its name, and no table is printed."""
    path = journal(tmp_path, u=7e-3)

    found = budget(path)

    (line,) = found.stderr.splitlines()
    assert (found.returncode, found.stdout) == (4, "")
    assert line.startswith(f"journal {path}: check rail, reading rail: its 2 parts come to 0.005 V, and its standard")
    assert line.endswith(
        "the journal is not what its run wrote: take that one, or choose other values (--check, --value)"
    )


def test_damage_is_told_beside_what_is_left(tmp_path: Path) -> None:
    """A line that was cut is told on standard error with the journal's name, and by the exit code."""
    path = journal(tmp_path, u=5e-3)
    with path.open("ab") as file:
        file.write(b'{"record":"reading","check":"ra')

    found = budget(path)

    assert found.returncode == 10
    assert "expanded uncertainty" in found.stdout
    assert f"journal {path}: line 3 was cut after 31 bytes" in found.stderr


@pytest.mark.parametrize(
    ("data", "words"),
    [
        pytest.param(b"", "checks there: none; it is damaged: the journal is empty", id="empty"),
        pytest.param(b"\x1f\x8b\x08\n", "checks there: none; it is damaged: line 1 is no record", id="bytes"),
    ],
)
def test_file_that_is_no_journal(tmp_path: Path, data: bytes, words: str) -> None:
    """That no check is there is not all that is said: why is said, too."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(data)

    found = budget(path)

    assert (found.returncode, found.stdout) == (4, "")
    assert words in found.stderr


@pytest.mark.parametrize("command", ["budget", "report"])
@pytest.mark.parametrize("name", ["gone", "x" * 5000, "/dev/zero", ""])
def test_path_that_is_no_file(tmp_path: Path, command: str, name: str) -> None:
    """A folder, a device, and a name that no file can have: one sentence, at once."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main([command, str(tmp_path / name)])

    assert (code, out.getvalue()) == (4, "")
    assert "there is no such file; give a .jsonl file" in err.getvalue()
