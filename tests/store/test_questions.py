"""Questions to a history, in SQLite and PostgreSQL alike, through the command that asks them."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from benchrig.cli import main
from benchrig.records import Record, Verdict
from benchrig.store.folder import find_journals, import_journals

from .journals import journal, meter, note, records

if TYPE_CHECKING:
    from benchrig.store.database import Database

PROFILE = Path(__file__).parents[2] / "fixtures" / "boards" / "hay-barn-probe.toml"
NEW_LIMIT = 'voltage = { unit = "V", low = 3.2, high = 3.315, source = "drawing 2, invented", rule = "guarded" }'


@pytest.fixture
def lot(database: Database, tmp_path: Path) -> str:
    """Three boards: the first twice with new firmware, one near its limit, one that failed and was reworked."""
    worn = meter(serial="S9999", due="2031-03-01")
    runs: dict[str, list[Record]] = {
        "a": records(board="HB-0001", minutes=0, rail_v=(3.30,)),
        "b": records(board="HB-0001", minutes=10, rail_v=(3.31,), said={"firmware": "2.5.0", "image": "beef"}),
        "c": records(board="HB-0002", minutes=20, rail_v=(3.395,), instruments=(worn,)),
        "d": records(board="HB-0003", minutes=30, rail_v=(3.5,), verdict=Verdict.FAIL, raw="<i>\x1b[2J"),
        "e": records(board="HB-0003", minutes=50, rail_v=(3.32,), said={"firmware": "2.4.1", "eui": "70-b3"}),
        "f": records(board="HB-0004", minutes=60, lot="L8", said={"firmware": "2.4.1", "eui": "70B3"}),
        "g": [note(board="HB-0003", minutes=40)],
    }
    folder = tmp_path / "reports"
    folder.mkdir()
    for name, lines in runs.items():
        (folder / f"{name}.jsonl").write_bytes(journal(lines))
    list(import_journals(database, find_journals([folder])))
    return database._url.render_as_string(hide_password=False)


def asked(
    capsys: pytest.CaptureFixture[str], lot: str, *words: str, code: int = 0
) -> dict[str, list[dict[str, object]]]:
    """The answer as JSON."""
    assert main(["history", *words, "--json", "--history", lot]) == code
    found: dict[str, list[dict[str, object]]] = json.loads(capsys.readouterr().out)
    return found


def test_everything_about_a_board(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """One question tells runs with attempts, notes, identities, instruments, and every reading with its raw text."""
    found = asked(capsys, lot, "board", "HB-0003")

    assert [(run["attempt"], run["verdict"]) for run in found["runs"]] == [(1, "fail"), (2, "pass")]
    assert [one["said"] for one in found["notes"]] == ["J2 soldered"]
    assert {(one["kind"], one["value"]) for one in found["identities"]} == {
        ("firmware", "2.4.1"),
        ("image", "abcd"),
        ("eui", "70B3"),
    }
    assert [(one["serial"], one["due"], one["runs"]) for one in found["instruments"]] == [("S2002", "2031-11-03", 2)]
    assert [(one["check"], one["verdict"]) for one in found["did not pass"]] == [("rail", "fail")]
    assert [(one["raw"], one["value"]) for one in found["readings"]] == [("<i>\x1b[2J", 3.5), ("+3.30040E+00", 3.32)]
    assert [(one["low"], one["high"], one["rule"]) for one in found["judged"]] == [(3.2, 3.4, "guarded")] * 2
    assert {one["path"] for one in found["files"]} == {"HB-0003/1/sleep.npz"}


def test_table_and_csv_of_a_board(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The same as a table for people, which no raw text can steer, and as CSV for one table by name."""
    assert main(["history", "board", "HB-0003", "--history", lot]) == 0
    table = capsys.readouterr().out
    assert main(["history", "board", "HB-0003", "--part", "readings", "--csv", "--history", lot]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))

    assert "runs (2)" in table
    assert "notes (1)" in table
    assert "readings" not in table
    assert [row["raw"] for row in rows] == ["<i>\\x1b[2J", "+3.30040E+00"]
    assert [float(row["value"]) for row in rows] == [3.5, 3.32]


def test_all_boards_of_an_instrument(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A certificate that comes back bad is traced to every board since a day, with how much it measured there."""
    (every,) = asked(capsys, lot, "instrument", "S2002").values()
    (since,) = asked(capsys, lot, "instrument", "S2002", "--since", "2031-03-05").values()

    assert [row["board"] for row in every] == ["HB-0001", "HB-0001", "HB-0003", "HB-0003", "HB-0004"]
    assert [row["readings"] for row in every] == [1, 1, 1, 1, 1]
    assert since == []


def test_all_boards_with_a_firmware(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """By version or by image."""
    (version,) = asked(capsys, lot, "firmware", "2.5.0").values()
    (image,) = asked(capsys, lot, "firmware", "abcd").values()

    assert [(row["board"], row["attempt"]) for row in version] == [("HB-0001", 2)]
    assert [row["board"] for row in image] == ["HB-0001", "HB-0002", "HB-0003"]


def test_boards_near_a_limit(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """By share of the width or by uncertainty, of each board's newest attempt alone."""
    (share,) = asked(capsys, lot, "near-limits", "--share", "0.1").values()
    (within,) = asked(capsys, lot, "near-limits", "--within-u", "6", "--lot", "L7").values()

    assert [row["board"] for row in share] == ["HB-0002"]
    assert [row["board"] for row in within] == ["HB-0002"]
    assert share[0]["margin"] == pytest.approx(0.005)


@pytest.mark.parametrize("given", [("--share", "nan"), ("--share", "-0.1"), ("--within-u", "nan")])
def test_nearness_that_is_none_is_refused(lot: str, capsys: pytest.CaptureFixture[str], given: tuple[str, str]) -> None:
    """To a distance that is no number nothing is near: that is no answer."""
    assert main(["history", "near-limits", "--history", lot, *given]) == 4

    assert f"{given[0]} {given[1]}: accepted: a number from 0 up" in capsys.readouterr().err


def test_what_changed_between_two_runs(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Firmware and values that differ, and nothing that does not."""
    found = asked(capsys, lot, "changes", "HB-0001")

    assert {(row["what"], row["before"], row["after"]) for row in found["run with"]} == {
        ("firmware", "2.4.1", "2.5.0"),
        ("image", "abcd", "beef"),
    }
    assert [(row["limit"], row["before"], row["after"]) for row in found["values"]] == [("voltage at 0", 3.3, 3.31)]


def test_runs_that_are_not_there(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A run, board, instrument or firmware with a typing error is refused, with the nearest that there is."""
    for words, sentence in (
        (("changes", "HB-0001", "--runs", "x", "y"), "board HB-0001 has no run 'x'; it has: 2031-03-04T08:00:00"),
        (("changes", "HB-0002"), "board HB-0002 has one run in the history; two are needed"),
        (("board", "HB-000"), "board 'HB-000': not in this history (nearest known: HB-000"),
        (("instrument", "S200"), "instrument 'S200': not in this history (nearest known: S2002); known: S2002, S9999"),
        (("firmware", "2.4"), "firmware '2.4': not in this history (nearest known: 2.4.1)"),
        (("board", "HB-0001", "--part", "reading"), "--part reading: there is no such table here"),
    ):
        assert main(["history", *words, "--history", lot]) == 4
        assert sentence in capsys.readouterr().err


def test_day_that_is_none(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A day that cannot be read is refused with how to write one."""
    with pytest.raises(SystemExit, match="2"):
        main(["history", "instrument", "S2002", "--since", "tomorrow", "--history", lot])

    assert "argument --since: 'tomorrow' is no day; write it as in 2027-03-31" in capsys.readouterr().err


def test_yields_by_lot(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """First-pass yield counts attempt 1 alone; the rework shows in the final yield."""
    (rows,) = asked(capsys, lot, "yield").values()

    assert [(row["lot"], row["boards"], row["passed at first"], row["passed at last"]) for row in rows] == [
        ("L7", 3, 2, 3),
        ("L8", 1, 1, 1),
    ]


def test_overdue_calibrations(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Boards that an instrument out of date measured are found, by the day of their run."""
    (rows,) = asked(capsys, lot, "overdue").values()

    assert [(row["board"], row["serial"], row["calibration due"]) for row in rows] == [
        ("HB-0002", "S9999", "2031-03-01")
    ]


def test_duplicate_identities(lot: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Two boards with one EUI are named, however they wrote it, and the exit code says that it must not be."""
    (rows,) = asked(capsys, lot, "duplicates", code=10).values()

    assert [(row["kind"], row["value"], row["boards"]) for row in rows] == [("eui", "70B3", "HB-0003, HB-0004")]


def test_judged_again_by_another_profile(lot: str, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """Old values by new limits: who flips is named, and what the history holds is not touched."""
    shipped = PROFILE.read_text("utf-8")
    changed = re.sub(r"(\[limits\.rail\]\n)voltage = .*", rf"\1{NEW_LIMIT}", shipped)
    assert changed != shipped
    profile = tmp_path / "new.toml"
    profile.write_text(changed, encoding="utf-8")
    held = asked(capsys, lot, "board", "HB-0003")

    found = asked(capsys, lot, "judge-again", "--profile", str(profile))

    flips = {(row["board"], row["value"]): (row["before"], row["now"]) for row in found["values that flip"]}
    assert flips == {("HB-0002", 3.395): ("pass", "fail"), ("HB-0003", 3.32): ("pass", "fail")}
    assert asked(capsys, lot, "board", "HB-0003") == held


def test_import_tells_what_needs_an_eye(database: Database, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Import tells overdue instruments, shared identities and changed journals, ends with 10, and takes all in."""
    folder = tmp_path / "reports"
    folder.mkdir()
    address = database._url.render_as_string(hide_password=False)
    (folder / "a.jsonl").write_bytes(journal(records(said={"eui": "70-B3"}, instruments=(meter(due="2031-03-03"),))))
    (folder / "b.jsonl").write_bytes(journal(records(board="HB-0002", minutes=5, said={"eui": "70b3"}))[:-9])

    code = main(["history", "import", str(folder), "--history", address])
    told = capsys.readouterr().out
    again = main(["history", "import", str(folder), "--history", address])

    assert code == 10
    assert "HB-0001: calibration of meter meter (serial S2002) was due on 2031-03-03, before this run" in told
    assert "board HB-0002: its eui 70B3 was said by HB-0001 before" in told
    assert "new: HB-0002 2031-03-04T08:05:00+00:00-1 interrupted" in told
    assert told.splitlines()[-1].endswith("2 new")
    assert again == 0
    assert capsys.readouterr().out.endswith("2 known\n")


def test_note_is_a_journal_of_its_own(database: Database, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A note is written beside the board's journals first, then taken in, and makes the history again like them."""
    address = database._url.render_as_string(hide_password=False)
    reports = tmp_path / "reports"

    code = main(
        [
            *("history", "note", "HB-0001", "J2 soldered", "--kind", "rework", "--by", "A"),
            *("--reports", str(reports), "--history", address),
        ]
    )
    capsys.readouterr()

    (path,) = (reports / "HB-0001" / "notes").glob("*.jsonl")
    assert code == 0
    assert main(["verify", str(path)]) == 0
    assert [one["said"] for one in asked(capsys_after(capsys), address, "board", "HB-0001")["notes"]] == ["J2 soldered"]
    assert main(["history", "import", str(reports), "--history", address]) == 0
    assert capsys.readouterr().out.endswith("1 known\n")


def capsys_after(capsys: pytest.CaptureFixture[str]) -> pytest.CaptureFixture[str]:
    """What was said so far does not count."""
    capsys.readouterr()
    return capsys


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("HB/1", "x", "--by", "A"), "board 'HB/1' is no serial number; accepted:"),
        (("HB-1", " ", "--by", "A"), "a note without words, or by nobody, says nothing"),
    ],
)
def test_note_that_says_nothing(words: tuple[str, ...], sentence: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A note needs a board, words, and somebody who says them."""
    assert main(["history", "note", *words, "--kind", "remark", "--history", "nowhere.sqlite"]) == 4
    assert sentence in capsys.readouterr().err
