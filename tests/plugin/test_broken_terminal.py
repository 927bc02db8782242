"""A run whose terminal breaks: it goes on to its end, loses nothing, and its exit code tells."""

from __future__ import annotations

import os
import subprocess
from typing import TYPE_CHECKING

import pytest

from benchrig.records import RunFinished, RunState

if TYPE_CHECKING:
    from pathlib import Path

    from .runs import Place

TWO_CHECKS = """
@pytest.mark.check("one", needs=[], always=True)
def test_one(board_on_bench, measure):
    measure.fact("first", expected="yes", seen="yes", holds=True)


@pytest.mark.check("two", needs=[], always=True)
def test_two(board_on_bench, measure):
    measure.fact("second", expected="yes", seen="yes", holds={holds})
"""
ASCII = {"PYTHONIOENCODING": "ascii", "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}


def started(place: Place, addresses: Path, stdout: int, *, holds: bool = True) -> subprocess.Popen[bytes]:
    """Two checks that need no physics, on a simulation that runs already."""
    suite = place.suite(TWO_CHECKS.format(holds=holds))
    profile = place.profile(required=["one", "two"])
    options = place.on_bench("--bench-profile", str(profile), "--bench-simulation", str(addresses))
    return place.start(suite, *options, stdout=stdout)


def ended(process: subprocess.Popen[bytes]) -> int:
    """The exit code, once it has ended."""
    process.communicate(timeout=60)
    return process.returncode


def is_whole(place: Place) -> bool:
    """Whether the journal says complete, and the report passes."""
    (finished,) = [record for record in place.records() if isinstance(record, RunFinished)]
    return finished.state is RunState.COMPLETE and place.report().is_a_pass


def test_full_disk(place: Place, addresses: Path) -> None:
    """With its output on a full disk a run passes its board all the same; the code is 13."""
    full = os.open("/dev/full", os.O_WRONLY)
    process = started(place, addresses, full)
    os.close(full)

    assert ended(process) == 13
    assert is_whole(place)


def test_reader_that_leaves_in_the_middle(place: Place, addresses: Path) -> None:
    """A reader that leaves after the first line breaks nothing: the same."""
    process = started(place, addresses, subprocess.PIPE)
    assert process.stdout is not None
    process.stdout.readline()
    process.stdout.close()

    assert process.wait(timeout=60) == 13
    assert process.stderr is not None
    said = process.stderr.read().decode()
    process.stderr.close()
    assert said == "standard output could not be written (Broken pipe); journals and reports hold everything\n"
    assert is_whole(place)


@pytest.mark.parametrize("holds", [True, False], ids=["passed", "failed"])
def test_no_output_at_all(place: Place, addresses: Path, holds: bool) -> None:
    """A run without standard output ends by its verdict where it failed, else by 13."""
    suite = place.suite(TWO_CHECKS.format(holds=holds))
    profile = place.profile(required=["one", "two"])
    options = place.on_bench("--bench-profile", str(profile), "--bench-simulation", str(addresses))

    done = place.run(suite, *options, before=lambda: os.close(1))

    assert done.code == (13 if holds else 10)
    assert "Traceback" not in done.text
    assert place.report().is_a_pass is holds


def test_ascii_terminal(place: Place, addresses: Path) -> None:
    """On a terminal of 128 letters the table keeps its lines, and its units are written in ASCII."""
    suite = place.suite(
        TWO_CHECKS.format(holds=True)
        + """

@pytest.mark.check("three", needs=[], always=True)
def test_three(board_on_bench, measure):
    measure("floor", 17.2e-6, unit="A", standard_uncertainty=1e-7)
"""
    )
    limits = '[limits.three]\nfloor = { unit = "uA", high = 30, source = "none", rule = "guarded" }\n'
    profile = place.profile(required=["one", "two", "three"], limits=limits)
    options = place.on_bench("--bench-profile", str(profile), "--bench-simulation", str(addresses))

    done = place.run(suite, *options, env=ASCII)

    assert done.code == 0, done.text
    assert done.text.isascii()
    (row,) = [line for line in done.out.splitlines() if line.startswith("  floor ")]
    assert "(17.20 +- 0.20) uA" in row
    assert "at most 30 uA" in row


def test_board_that_steers_the_terminal(place: Place, addresses: Path) -> None:
    """What a board says reaches the terminal escaped, as a fact, as a reason and in an assertion of a user's own."""
    nasty = "\\x1b[2J\\x9b31m\\u202e\\x00"
    suite = place.suite(
        f"""
@pytest.mark.check("one", needs=[], always=True)
def test_one(board_on_bench, measure):
    measure.fact("first {nasty}", expected="yes", seen="{nasty}", holds=False, why="{nasty}")


@pytest.mark.check("two", needs=[], always=True)
def test_two(board_on_bench, measure):
    assert False, "the board said {nasty}"
"""
    )
    profile = place.profile(required=["one", "two"])

    done = place.run(suite, *place.on_bench("--bench-profile", str(profile), "--bench-simulation", str(addresses)))

    assert done.code == 10, done.text
    assert "the board said \\x1b[2J" in done.out
    assert {char for char in done.text if not char.isprintable()} <= {"\n"}
