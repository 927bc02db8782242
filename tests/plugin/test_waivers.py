"""Waivers on whole runs: the board passes with words of its own, and nothing that was waived looks like a pass."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest

from benchrig.journal import read_journal
from benchrig.records import CheckFinished, Verdict, WaiverGranted
from benchrig.report.board_report import board_report

from .runs import ALL_PLUGINS, BOARD

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from .runs import Finished, Place

SUITE = """
@pytest.mark.check("one", needs=[], always=True)
def test_one(board_on_bench, measure):
    measure.fact("sound", expected="loud", seen="low", holds=False)


@pytest.mark.check("two", needs=[], always=True)
def test_two(board_on_bench, measure):
    measure.fact("light", expected="on", seen="on", holds=True)
"""


def waiver(check: str, *, days: int = 30, boards: str = "") -> str:
    """A waiver that ends so many days from now."""
    until = (datetime.now(UTC) + timedelta(days=days)).date()
    return f'[[waivers]]\ncheck = "{check}"\nwho = "QA"\nwhy = "horn on order"\nuntil = {until}\n{boards}'


def run(place: Place, addresses: Path, waivers: str, *more: str, env: Mapping[str, str] | None = None) -> Finished:
    """A run of two checks, of which one fails."""
    suite = place.suite(SUITE)
    profile = place.profile(required=["one", "two"])
    given = place.write("waivers.toml", f"schema = 1\n{waivers}")
    options = ("--bench-profile", str(profile), "--bench-simulation", str(addresses), "--bench-waivers", str(given))
    return place.run(suite, *place.on_bench(*options), *more, env=env)


def test_waived_check(place: Place, addresses: Path) -> None:
    """Terminal, journal and JUnit report say waived, by whom, why and until when; the run keeps its simulated mark."""
    done = run(place, addresses, waiver("one"))

    assert done.code == 0, done.text
    assert "1 passed, 1 waived" in done.out
    until = (datetime.now(UTC) + timedelta(days=30)).date()
    verdict = f"{BOARD}: PASSED WITH 1 WAIVER (one), 1 of 2 required checks passed"
    assert verdict in done.out
    assert "(simulated bench)" in done.out[done.out.index(verdict) :].splitlines()[0]
    assert f"  one: waived; by QA until {until}: horn on order" in done.out.splitlines()
    (granted,) = [record for record in place.records() if isinstance(record, WaiverGranted)]
    assert (granted.check, granted.who, granted.until) == ("one", "QA", str(until))
    (one,) = [record for record in place.records() if isinstance(record, CheckFinished) and record.check == "one"]
    assert one.verdict is Verdict.WAIVED
    assert one.why.startswith(f"by QA until {until}: horn on order; it came out fail: ")
    report = place.report()
    assert report.is_a_pass
    assert list(report.outcomes)[:2] == ["one (waived)", "two"]
    assert report.properties["one.verdict"] == "waived"
    assert report.properties["run.waived"] == "one"


def test_waived_check_in_a_worker(place: Place, addresses: Path) -> None:
    """Where a worker of xdist runs the board, its controller counts the check as waived all the same."""
    done = run(place, addresses, waiver("one"), "-n", "1", env=ALL_PLUGINS)

    assert done.code == 0, done.text
    assert "1 passed, 1 waived" in done.out
    assert "PASSED WITH 1 WAIVER (one)" in done.out


def test_report_again_from_the_journal(place: Place, addresses: Path) -> None:
    """A journal whose waiver was taken out afterwards is no pass any more."""
    run(place, addresses, waiver("one"))
    journal = place.journals()[-1]
    lines = journal.read_bytes().splitlines(keepends=True)
    bare = [line for line in lines if b'"record":"waiver"' not in line]
    assert len(bare) == len(lines) - 1
    journal.write_bytes(b"".join(bare))

    assert board_report(read_journal(journal)).verdict.verdict is Verdict.FAIL


def test_waiver_of_another_board(place: Place, addresses: Path) -> None:
    """A waiver for other boards changes nothing for this one."""
    done = run(place, addresses, waiver("one", boards='boards = ["HB-0002"]\n'))

    assert done.code == 10
    assert not [record for record in place.records() if isinstance(record, WaiverGranted)]


def test_waiver_that_was_not_needed(place: Place, addresses: Path) -> None:
    """A waiver for a check that passes is told as not needed, and the other check fails the board."""
    done = run(place, addresses, waiver("two"))

    assert done.code == 10
    assert "two: was not needed; by QA until" in done.out


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param(waiver("one", days=-2), "is over", id="over"),
        pytest.param(waiver("three"), "'three' is no check of this profile", id="unknown check"),
        pytest.param(waiver("one").replace('why = "horn on order"\n', ""), "why: this key is missing", id="no reason"),
    ],
)
def test_void_waiver_stops_before_power(place: Place, addresses: Path, text: str, words: str) -> None:
    """A waiver file that cannot be used is exit code 4; no run was begun and no traceback is shown."""
    done = run(place, addresses, text)

    assert done.code == 4
    assert words in done.err
    assert "Traceback" not in done.text
    assert not place.reports.exists()
