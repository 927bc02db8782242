"""A report file is whole or not there, whatever the disk does."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import junitparser
import pytest

from benchrig.errors import RecordError
from benchrig.journal import read_journal
from benchrig.report.board_report import board_report
from benchrig.report.junit import junit_xml, write_report

SAMPLE = Path(__file__).parent / "hay_barn_run.jsonl"
REPORT = board_report(read_journal(SAMPLE))


def test_write_then_read(tmp_path: Path) -> None:
    """The file is read back by junitparser with the totals of the run, and nothing else lies beside it."""
    path = tmp_path / "reports" / "HB-0001.xml"

    write_report(REPORT, path)

    (suite,) = junitparser.JUnitXml.fromfile(str(path))
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (5, 0, 0, 0)
    assert path.read_text("utf-8") == junit_xml(REPORT)
    assert list(path.parent.iterdir()) == [path]


def test_newer_report_replaces_the_older(tmp_path: Path) -> None:
    """The report of the newest run takes the place of the one before, and a reader of that keeps what it read."""
    path = tmp_path / "HB-0001.xml"
    path.write_text("older")

    with path.open(encoding="utf-8") as reader:
        write_report(REPORT, path)

        assert reader.read() == "older"
    assert path.read_text("utf-8") == junit_xml(REPORT)


FULL_DISK = """
import resource, sys
from pathlib import Path
from benchrig.errors import RecordError
from benchrig.journal import read_journal
from benchrig.report.board_report import board_report
from benchrig.report.junit import write_report
resource.setrlimit(resource.RLIMIT_FSIZE, (500, 500))
try:
    write_report(board_report(read_journal(Path(sys.argv[1]))), Path(sys.argv[2]))
except RecordError as error:
    print(error)
"""


def test_full_disk_leaves_the_older(tmp_path: Path) -> None:
    """When the report does not fit, the older one is untouched, no part stays, and one sentence says why."""
    path = tmp_path / "HB-0001.xml"
    path.write_text("older")

    ended = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(SAMPLE), str(path)],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )

    assert f"report {path}: cannot be written: File too large; raise the limit" in ended.stdout
    assert "its journal is not touched" in ended.stdout
    assert path.read_text() == "older"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    ("place", "sentence"),
    [
        pytest.param("file/HB-0001.xml", "Not a directory; a file stands where a folder", id="file for folder"),
        pytest.param("folder", "Is a directory; a folder stands where the file", id="folder for file"),
        pytest.param("x" * 300, "File name too long; choose a shorter name", id="long name"),
    ],
)
def test_place_that_cannot_be(tmp_path: Path, place: str, sentence: str) -> None:
    """A place that cannot take the report is named with what to do, and nothing is left behind."""
    (tmp_path / "file").write_text("in the way")
    (tmp_path / "folder").mkdir()

    with pytest.raises(RecordError, match=sentence):
        write_report(REPORT, tmp_path / place)

    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["file", "folder"]
