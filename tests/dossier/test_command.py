"""The commands `dossier` and `label`, each as a process of its own: files, words and exit codes."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from benchrig.records import RunFinished, RunStarted

from .a_run import a_run, replaced
from .made import text_of_page, text_of_pages, tree_of

if TYPE_CHECKING:
    from pathlib import Path


def benchrig(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "benchrig", *map(str, arguments)],
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
        env={**os.environ, "COLUMNS": "120"},
    )


def test_both_forms(tmp_path: Path) -> None:
    """One call writes page and PDF with the same content, says that it can be signed, and ends as the run did."""
    html, pdf = tmp_path / "out" / "d.html", tmp_path / "out" / "d.pdf"

    found = benchrig("dossier", a_run(tmp_path), "--html", html, "--pdf", pdf)

    assert found.returncode == 0, found.stderr
    assert found.stdout.splitlines() == [
        f"dossier: {html}",
        f"dossier: {pdf}",
        "HB-0007 met every limit that it was held against: 5 of 5 required checks passed.",
        "it can be signed",
    ]
    for text in (text_of_page(html.read_bytes()), text_of_pages(pdf.read_bytes())):
        assert "HB-0007metevery" in text
        assert "acceptedby" in text


def test_page_lies_beside_the_journal(tmp_path: Path) -> None:
    """Without a path the page is written beside the journal, and nothing else is."""
    path = a_run(tmp_path)
    before = {*path.parent.iterdir()}

    found = benchrig("dossier", path)

    assert found.returncode == 0, found.stderr
    assert {*path.parent.iterdir()} - before == {path.with_suffix(".html")}
    tree_of(path.with_suffix(".html").read_bytes())


def test_interrupted_run(tmp_path: Path) -> None:
    """The dossier of an interrupted run is made, tells why nobody can sign it, and ends as the run did."""
    path = a_run(tmp_path, lambda its: [one for one in its if not isinstance(one, RunFinished)])

    found = benchrig("dossier", path)

    assert found.returncode == 11
    assert "it cannot be signed:" in found.stdout
    assert "  the run was interrupted: the journal ends before the run did" in found.stdout


def test_label(tmp_path: Path) -> None:
    """The label is written where it is wanted."""
    svg = tmp_path / "labels" / "HB-0007.svg"

    found = benchrig("label", a_run(tmp_path), "--svg", svg)

    assert (found.returncode, found.stdout) == (0, f"label:   {svg}\n")
    assert svg.read_bytes().startswith(b"<svg ")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["dossier", "{folder}/none.jsonl"], "there is no such file; give a .jsonl file of reports/BOARD/"),
        (["dossier", "{journal}", "--html", "{journal}"], "this is what the dossier is made from"),
        (["dossier", "{journal}", "--html", "{folder}"], "this is a folder; give the path of a file in it"),
        (["dossier", "{journal}", "--html", "{folder}/x", "--pdf", "{folder}/x"], "are the same file"),
        (["dossier", "{journal}", "--attach", "radio={journal}", "--pdf", "{journal}"], "give another path"),
        (["dossier", "{journal}", "--attach", "radiation={journal}"], "accepted: SLOT=FILE"),
        (["dossier", "{journal}", "--requirements", "{folder}/none.toml"], "there is no such file"),
        (["label", "{journal}", "--svg", "{journal}"], "this is what the dossier is made from; give another path"),
        (["label", "{folder}/none.jsonl", "--svg", "{folder}/x.svg"], "there is no such file"),
    ],
)
def test_what_cannot_be_done(tmp_path: Path, arguments: list[str], words: str) -> None:
    """One sentence, exit code 4, and neither the journal nor anything else is touched."""
    path = a_run(tmp_path)
    data, files = path.read_bytes(), {*tmp_path.rglob("*")}

    found = benchrig(*(one.format(journal=path, folder=tmp_path) for one in arguments))

    assert found.returncode == 4
    assert words in found.stderr
    assert "Traceback" not in found.stderr
    assert path.read_bytes() == data
    assert {*tmp_path.rglob("*")} == files


def test_name_that_steers_a_terminal(tmp_path: Path) -> None:
    """What the command says holds no control character of a record."""
    found = benchrig("dossier", a_run(tmp_path, replaced(RunStarted, board="\x1b[2J\u202ex", simulated=True)))

    assert "\x1b" not in found.stdout
    assert "\\x1b[2J\\u202ex met every limit" in found.stdout
