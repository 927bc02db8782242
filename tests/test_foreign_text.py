"""Text of a journal is foreign: it leads to no other folder, steers no terminal, and floods none."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import msgspec
import numpy as np
import pytest

from benchrig.journal import read_journal
from benchrig.records import FactJudged, FileKept, LimitJudged, Part, Record, RunStarted, Verdict, encode_record

ROOT = Path(__file__).parents[1]
JOURNAL = ROOT / "tests" / "report" / "hay_barn_run.jsonl"
RECORDS = read_journal(JOURNAL).records
NASTY = "\x1b[2J\x1b]0;x\x07\u202e\u2066\x00\r\x9b31m"
"""Clears a screen, names a window, turns the reading direction round, ends a C string, and begins a line anew."""


def benchrig(*arguments: str | Path) -> subprocess.CompletedProcess[bytes]:
    """Run the command to its end."""
    command = [sys.executable, "-m", "benchrig", *map(str, arguments)]
    return subprocess.run(command, check=False, capture_output=True, timeout=30)


def journal_of(folder: Path, *records: Record) -> Path:
    """A journal where a run would have put it."""
    path = folder / "reports" / "HB-0001" / "20310304T081500.000000Z-1.jsonl"
    path.parent.mkdir(parents=True)
    path.write_bytes(b"".join(map(encode_record, records)))
    return path


def named(board: str) -> tuple[Record, ...]:
    """The sample run of a board of that name."""
    start, *rest = RECORDS
    assert isinstance(start, RunStarted)
    return (msgspec.structs.replace(start, board=board), *rest)


def files(folder: Path) -> set[str]:
    """Every file below a folder."""
    return {str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file()}


PATHS = [
    "../evil",
    "/tmp/evil",
    "a/b",
    "..",
    ".hidden",
    "-rf",
    "a b",
    "a\n",
    "a\x00b",
    "",
    "\N{GREEK SMALL LETTER ALPHA}",
]


@pytest.mark.parametrize("board", [*PATHS, "x" * 65], ids=repr)
def test_board_that_leads_elsewhere(tmp_path: Path, board: str) -> None:
    """A report is never called by a name that --board would not take; it is refused with the accepted set."""
    journal = journal_of(tmp_path, *named(board))
    before = files(tmp_path)

    found = benchrig("report", journal)

    assert found.returncode == 4
    assert b"no serial number; accepted: letters, digits, '.', '_' and '-', 64 at most" in found.stderr
    assert b"--output FILE" in found.stderr
    assert files(tmp_path) == before
    shown = benchrig("report", journal, "--output", tmp_path / "named.xml")
    assert shown.returncode == (0 if board else 12)  # a run that names no board proves nothing of any


@pytest.mark.parametrize("title", ["../../../evil", "/tmp/evil", "a/b", "\x1b[2J"], ids=repr)
def test_plot_that_leads_elsewhere(tmp_path: Path, title: str) -> None:
    """A plot is never called by a title that is no plain name; it is told and not drawn."""
    kept = FileKept(kind="trace", title=title, path="HB-0001/trace.npz", sha256="", check="sleep_current", at_s=1.0)
    journal = journal_of(tmp_path, *RECORDS[:-1], kept, RECORDS[-1])

    found = benchrig("report", journal, "--plots")

    assert b"not drawn: no file can be called so; accepted: letters, digits" in found.stderr
    assert {path for path in files(tmp_path) if path.endswith(".svg")} == {
        "reports/HB-0001/20310304T081500.000000Z-1/limits.svg"
    }


@pytest.mark.parametrize("where", ["../secret.npz", "HB-0001/../../secret.npz", "/{folder}/secret.npz"])
def test_trace_that_lies_elsewhere(tmp_path: Path, where: str) -> None:
    """A trace outside the folder of reports is not read, though its hash be right."""
    np.savez(tmp_path / "secret.npz", samples=np.zeros(10))
    path = where.format(folder=str(tmp_path).strip("/"))
    kept = FileKept(kind="trace", title="sleep", path=path, sha256="", check="sleep_current", at_s=1.0)
    journal = journal_of(tmp_path, *RECORDS[:-1], kept, RECORDS[-1])

    found = benchrig("report", journal, "--plots")

    assert b"plot sleep: not drawn: trace" in found.stderr
    assert b"lies outside the reports; accepted: a path from" in found.stderr


def nasty_run() -> tuple[Record, ...]:
    """The sample run in which every name, reason and answer steers a terminal."""
    changed: list[Record] = []
    for record in RECORDS:
        if isinstance(record, FactJudged):
            changed.append(msgspec.structs.replace(record, seen=NASTY, fact=record.fact + NASTY, why=NASTY))
        elif isinstance(record, LimitJudged):
            u = (record.expanded_uncertainty or 0.0) / record.coverage_factor
            parts = (Part(name=NASTY, standard_uncertainty=u),)
            changed.append(msgspec.structs.replace(record, limit=record.limit + NASTY, parts=parts, basis=NASTY))
        else:
            changed.append(record)
    return tuple(changed)


@pytest.mark.parametrize("command", ["report", "budget"])
def test_text_that_steers_a_terminal(tmp_path: Path, command: str) -> None:
    """What a command prints holds no control character but line feeds, whatever stands in the journal."""
    journal = journal_of(tmp_path, *nasty_run())

    found = benchrig(command, journal)

    assert found.returncode == 0, found.stderr
    text = (found.stdout + found.stderr).decode()
    assert "\\x1b[2J" in text
    assert {char for char in text if not char.isprintable()} == {"\n"}


def test_error_that_steers_a_terminal(tmp_path: Path) -> None:
    """Nor does a refusal: a journal's name is foreign as well."""
    found = benchrig("report", tmp_path / "\x1b[2J.jsonl")

    assert found.returncode == 4
    assert b"\\x1b[2J.jsonl: there is no such file" in found.stderr


def test_text_of_a_million_characters(tmp_path: Path) -> None:
    """The terminal shows the beginning of an answer of a million characters, and how long it is; the report has all."""
    facts = [one for one in RECORDS if isinstance(one, FactJudged)]
    long = msgspec.structs.replace(facts[0], seen="x" * 1_000_000, why="y" * 1_000_000, verdict=Verdict.FAIL)
    journal = journal_of(tmp_path, *(long if one is facts[0] else one for one in RECORDS))

    found = benchrig("report", journal)

    assert found.returncode == 10
    assert b"(1000000" in found.stdout
    assert len(found.stdout) < 100_000
    assert (tmp_path / "reports" / "HB-0001.xml").stat().st_size > 1_000_000
