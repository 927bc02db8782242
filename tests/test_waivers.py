"""Waiver files: who, why and until when, or a configuration error that names every problem at once."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pytest

from benchrig.check import Check
from benchrig.errors import ConfigError
from benchrig.records import CheckFinished, Record, Verdict
from benchrig.waivers import Waiver, read_waivers

if TYPE_CHECKING:
    from pathlib import Path

TODAY = date(2027, 3, 1)
CHECKS = ("first_touch", "floor_current", "siren", "output_off")
GOOD = """\
schema = 1
[[waivers]]
check = "floor_current"
who = "quality lead"
why = "old regulator in lot 7"
until = 2027-03-31
boards = ["HB-0001", "HB-0002"]
[[waivers]]
check = "siren"
who = "quality lead"
why = "horn on order"
until = 2027-03-01
"""


def read(folder: Path, text: str) -> tuple[Waiver, ...]:
    """The waivers in a file of this text."""
    path = folder / "waivers.toml"
    path.write_text(text, encoding="utf-8")
    return read_waivers(path, checks=CHECKS, today=TODAY)


def test_good_file(tmp_path: Path) -> None:
    """Both waivers are read; one names its boards, the other is for all, and today is still in time."""
    lot, all_boards = read(tmp_path, GOOD)

    assert (lot.check, lot.who, lot.until) == ("floor_current", "quality lead", date(2027, 3, 31))
    assert [lot.covers(board) for board in ("HB-0001", "HB-0003")] == [True, False]
    assert all_boards.covers("HB-0003")
    record = lot.record(at_s=0.5)
    assert (record.check, record.until, record.boards) == ("floor_current", "2027-03-31", ("HB-0001", "HB-0002"))


BAD = [
    pytest.param("2027-03-01", "2027-02-28", "until: 2027-02-28 is over (today is 2027-03-01)", id="over"),
    pytest.param("until = 2027-03-01", "", "until: this key is missing", id="no day"),
    pytest.param("2027-03-01", '"2027-03-01"', "is not a date without quotes", id="quoted day"),
    pytest.param('check = "siren"', 'check = "sirne"', "'sirne' is no check of this profile", id="unknown check"),
    pytest.param('why = "horn on order"', "", "why: this key is missing", id="no reason"),
    pytest.param('why = "horn on order"', 'why = ""', "'' is not a text that says something", id="empty reason"),
    pytest.param('why = "horn on order"', 'why = "  "', "'  ' is not a text that says something", id="blank reason"),
    pytest.param('why = "horn on order"', 'why = "\u200b"', "says nothing; write it in words", id="reason unseen"),
    pytest.param('why = "horn on order"', 'why = "-"', "'-' says nothing; write it in words", id="reason of no words"),
    pytest.param('["HB-0001", "HB-0002"]', "[]", "an empty list covers no board; name them, or", id="no boards"),
    pytest.param('who = "quality lead"\nwhy = "h', 'why = "h', "who: this key is missing", id="nobody"),
    pytest.param('check = "siren"', 'check = "output_off"', "it cannot be waived", id="a check that protects"),
    pytest.param('check = "siren"', 'check = "floor_current"', "is waived twice for one board", id="twice"),
    pytest.param('"HB-0002"', '"../x"', "'../x' is no serial number; accepted: letters", id="no serial number"),
    pytest.param('"HB-0002"', "7", "is not an array of texts", id="number for a board"),
    pytest.param("boards", "board", "unknown key (nearest known: boards)", id="unknown key"),
    pytest.param("schema = 1", "schema = 2", "schema: 2 is not 1, the only one", id="newer schema"),
    pytest.param("[[waivers]]", "[[waiver]]", "waivers: this key is missing", id="no waivers"),
]


@pytest.mark.parametrize(("old", "new", "words"), BAD)
def test_bad_file(tmp_path: Path, old: str, new: str, words: str) -> None:
    """A waiver that is void is a configuration error with file, key and what is accepted."""
    with pytest.raises(ConfigError, match=r"waiver file .*waivers\.toml: \d problem") as found:
        read(tmp_path, GOOD.replace(old, new))

    assert any(words in problem for problem in found.value.problems), found.value.problems


def test_every_problem_at_once(tmp_path: Path) -> None:
    """Two bad waivers are two problems."""
    with pytest.raises(ConfigError, match="2 problems"):
        read(tmp_path, GOOD.replace("2027-03-01", "2027-02-01").replace('who = "quality lead"', "", 1))


ENDS = [
    pytest.param(Verdict.FAIL, Verdict.WAIVED, id="fail"),
    pytest.param(Verdict.UNDECIDED, Verdict.WAIVED, id="undecided"),
    pytest.param(Verdict.BENCH_ERROR, Verdict.BENCH_ERROR, id="bench error"),
    pytest.param(Verdict.NOT_RUN, Verdict.NOT_RUN, id="not run"),
]


@pytest.mark.parametrize(("verdict", "ends"), ENDS)
def test_what_a_waiver_accepts(verdict: Verdict, ends: Verdict) -> None:
    """A bad result that is known is waived, with whoever waived it and what it was; the unknown never."""
    written: list[Record] = []
    check = Check("siren", {}, write=written.append, now_s=lambda: 1.0, waiver="by QA until 2027-03-01: horn on order")
    check.end_by(verdict, "no sound")

    finished = check.finish({})

    assert finished.verdict is ends
    waived = f"by QA until 2027-03-01: horn on order; it came out {verdict.value}: no sound"
    assert finished.why == (waived if ends is Verdict.WAIVED else "no sound")
    assert isinstance(written[-1], CheckFinished)


def test_waiver_that_is_not_needed() -> None:
    """A check that passes is a pass, waiver or not."""
    check = Check("siren", {}, write=lambda _: None, now_s=lambda: 1.0, waiver="by QA until 2027-03-01: horn")
    check.fact("sound", expected="loud", seen="loud", holds=True)

    assert check.finish({}).verdict is Verdict.PASS
