"""The PDF: the same content as the page, the same bytes every time, and never more than text."""

from __future__ import annotations

import io
import sys
from typing import TYPE_CHECKING

import pypdf
import pytest

from benchrig.dossier.pdf import pdf_pages
from benchrig.errors import ConfigError
from benchrig.records import Annex, CheckStarted, LimitJudged, NotProven, RequirementNamed, RunFinished, RunStarted

from .a_run import a_run, kept, records, replaced, write
from .made import HOSTILE, bare, dossier_of, judged_in, shown, text_of_pages, words_of

if TYPE_CHECKING:
    from pathlib import Path

    from benchrig.records import Record

MOST_BYTES = 600_000


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The PDF of the whole run."""
    return pdf_pages(dossier_of(a_run(tmp_path_factory.mktemp("run"))))


def test_made_again_it_is_the_same(tmp_path: Path, pages: bytes) -> None:
    """The same records give the same bytes, wherever and whenever the PDF is made."""
    assert pdf_pages(dossier_of(a_run(tmp_path))) == pages


def test_date_is_that_of_the_run(pages: bytes) -> None:
    """The PDF says when the run ended, not when somebody made it."""
    told = pypdf.PdfReader(io.BytesIO(pages)).metadata
    assert told is not None
    assert told.title == "Dossier of HB-0007"
    assert told.creation_date is not None
    assert told.creation_date.isoformat() == "2031-03-04T08:20:00+00:00"


def test_run_without_a_time(tmp_path: Path) -> None:
    """A record that says no time gives a PDF without a date: today's would be a lie, and other bytes tomorrow."""

    def timeless(its: list[Record]) -> list[Record]:
        return replaced(RunStarted, utc="")(replaced(CheckStarted, utc="")(replaced(RunFinished, utc="no time")(its)))

    told = pypdf.PdfReader(io.BytesIO(pdf_pages(dossier_of(a_run(tmp_path, timeless))))).metadata

    assert told is not None
    assert "/CreationDate" not in told


def test_size(pages: bytes) -> None:
    """It can be sent around."""
    assert len(pages) < MOST_BYTES


def test_it_is_tagged(pages: bytes) -> None:
    """A screen reader finds structure and language, as PDF/UA-1 (ISO 14289-1) asks; from memory."""
    catalogue = pypdf.PdfReader(io.BytesIO(pages)).trailer["/Root"].get_object()
    assert isinstance(catalogue, pypdf.generic.DictionaryObject)
    assert "/StructTreeRoot" in catalogue
    assert str(catalogue["/Lang"]) == "en"
    assert b"<pdfuaid:part>1" in pages


def test_every_judged_value_is_there(tmp_path: Path, pages: bytes) -> None:
    """Every value that the run judged stands in the PDF, with its uncertainty and limits."""
    text = text_of_pages(pages)

    for one in judged_in(a_run(tmp_path)):
        for word in words_of(one):
            assert bare(word) in text


def test_nothing_is_loaded_and_nothing_runs(pages: bytes) -> None:
    """No action, no script, no link and no file inside."""
    reader = pypdf.PdfReader(io.BytesIO(pages))
    assert not reader.attachments
    for page in reader.pages:
        assert "/Annots" not in page
    for word in (b"/JavaScript", b"/Launch", b"/URI", b"/OpenAction"):
        assert word not in pages


def test_signature_lines(tmp_path: Path, pages: bytes) -> None:
    """A run that can be signed has lines for it, and one of a simulated bench has none on any page."""
    simulated = text_of_pages(pdf_pages(dossier_of(a_run(tmp_path, replaced(RunStarted, simulated=True)))))

    assert "acceptedby" in text_of_pages(pages)
    assert "acceptedby" not in simulated
    count = len(pypdf.PdfReader(io.BytesIO(pages)).pages)
    assert simulated.count("SIMULATED:noboardwasmeasured") >= count


@pytest.mark.parametrize("hostile", HOSTILE, ids=repr)
def test_foreign_text_is_text(tmp_path: Path, hostile: str) -> None:
    """What looks like a command of the typesetter, wherever it stands in a record, is set as it is."""

    def change(its: list[Record]) -> list[Record]:
        its = replaced(RunStarted, board=hostile, lot=hostile, operator=hostile, host=hostile)(its)
        its = replaced(NotProven, text=hostile, next_action=hostile)(its)
        its = replaced(Annex, title=hostile, lines=(hostile, f"a  {hostile}"))(its)
        return replaced(LimitJudged, limit=hostile, limit_source=hostile)(its)

    text = text_of_pages(pdf_pages(dossier_of(a_run(tmp_path, change))))

    told = shown(hostile)
    assert sum(text.count(one) for one in set(told)) >= 8


def test_long_words_stay_within_their_columns(tmp_path: Path) -> None:
    """A word without an end is broken, and all of it is there."""
    word = "A" * 3000
    named = RequirementNamed(id="BARN-1", text=word, covered_by=("battery_sweep",))

    text = text_of_pages(
        pdf_pages(dossier_of(a_run(tmp_path, replaced(RunStarted, board=word, requirements=(named,)))))
    )

    assert text.count(word) >= 2


@pytest.mark.parametrize(
    "picture",
    [
        b'<svg xmlns="http://www.w3.org/2000/svg" width="0" height="0"/>',
        b'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><image href="file:///etc/passwd" width="5"/></svg>',
    ],
    ids=["no size", "loads a file"],
)
def test_picture_that_cannot_be_set(tmp_path: Path, picture: bytes) -> None:
    """A kept picture that cannot be drawn, or would load another file, is left out, and the PDF says so."""
    bad = kept(tmp_path, "map.svg", picture, kind="plot", title="map")

    text = text_of_pages(pdf_pages(dossier_of(write(tmp_path, records(traces=[bad])))))

    assert "map,astherundrewit:notshownhere" in text


def test_without_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the typesetter the sentence says how to install it."""
    monkeypatch.setitem(sys.modules, "typst", None)

    with pytest.raises(ConfigError, match=r"pip install 'benchrig\[pdf\]'"):
        pdf_pages(dossier_of(a_run(tmp_path)))
