"""Standard output that breaks: the command ends as it should, and tells by its exit code what was lost."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchrig.report.steady_output import SteadyOutput

ROOT = Path(__file__).parents[2]
BENCH = ROOT / "fixtures" / "benches" / "simulated.toml"
PROFILE = ROOT / "fixtures" / "boards" / "hay-barn-probe.toml"
ASCII = {"PYTHONIOENCODING": "ascii", "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
"""A terminal that knows 128 letters."""


def shell(line: str, **environment: str) -> subprocess.CompletedProcess[bytes]:
    """Run a line of bash in which $BENCHRIG is the command; its exit code is that of the command."""
    return subprocess.run(
        ["bash", "-c", f"{line}; exit ${{PIPESTATUS[0]}}"],
        capture_output=True,
        timeout=60,
        check=False,
        env={**os.environ, "BENCHRIG": f"{sys.executable} -m benchrig", **environment},
    )


def test_ascii_terminal() -> None:
    """Letters that the terminal lacks are written in ASCII, as people do: u, ohm, +-; no traceback, no other code."""
    found = shell(f"$BENCHRIG fitness {BENCH}", **ASCII)

    assert found.returncode == shell(f"$BENCHRIG fitness {BENCH}").returncode
    assert found.stderr == b""
    assert found.stdout.isascii()
    assert b" uA" in found.stdout


def test_full_disk() -> None:
    """A command whose output could not be written says so in one line and exits with 13."""
    found = shell(f"$BENCHRIG payload {PROFILE} > /dev/full")

    assert found.returncode == 13
    assert found.stderr.decode() == (
        "the output could not be written: No space left on device; what files were to be written are\n"
    )


def test_full_disk_does_not_hide_a_finding() -> None:
    """What the command found stays its exit code, whatever became of its words."""
    assert shell(f"$BENCHRIG payload {PROFILE} 00 > /dev/full").returncode == 10


def test_closed_output() -> None:
    """Without any standard output there is nothing to write to: the same, and no traceback."""
    found = shell(f"$BENCHRIG payload {PROFILE} >&-")

    assert found.returncode == 13
    assert found.stderr.startswith(b"the output could not be written: standard output is closed")


@pytest.mark.parametrize(("arguments", "code"), [("", 0), (" 00", 10)], ids=["good", "with a finding"])
def test_reader_that_leaves(arguments: str, code: int) -> None:
    """Who reads one line and leaves has seen enough: the code is the command's own, and nothing is said."""
    found = shell(f"$BENCHRIG payload {PROFILE}{arguments} | true")

    assert found.returncode == code
    assert found.stderr == b""


def test_letters_of_a_small_alphabet(tmp_path: Path) -> None:
    """Each letter beyond the alphabet is replaced by its own words, or by its number; the rest stays."""
    path = tmp_path / "out"
    with path.open("w", encoding="ascii") as stream:
        output = SteadyOutput(stream)
        output.write("17.2 µA ± 0.1 µA at 1 kΩ, 21 °C, \N{SNOWMAN}\n")
        output.end()

    assert path.read_text(encoding="ascii") == "17.2 uA +- 0.1 uA at 1 kohm, 21 deg C, \\u2603\n"
    assert output.lost == ""


def test_text_is_kept_back_until_there_is_enough(tmp_path: Path) -> None:
    """With `wait` little text is written in one stroke at the end, and much of it on the way."""
    path = tmp_path / "out"
    with path.open("w", encoding="utf-8") as stream:
        output = SteadyOutput(stream, wait=True)
        output.write("a" * 1000)
        assert path.stat().st_size == 0
        output.write("b" * 100_000)
        assert path.stat().st_size == 101_000
        output.write("c")
        output.end()
        output.end()

    assert path.stat().st_size == 101_001
