"""From a board on the simulated bench to its pages: what the runner records is all that a dossier needs."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import pypdf
import pytest

from benchrig.board.profile import read_board_profile
from benchrig.dossier.content import Figure
from benchrig.dossier.html import html_page
from benchrig.dossier.pdf import pdf_pages
from benchrig.journal import read_journal
from benchrig.records import LimitJudged, RunStarted
from tests.plugin.runs import PRODUCTION, PROFILE, Place

from .made import bare, dossier_of, judged_in, text_of_page, text_of_pages, words_of

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The journal of a production run that passed."""
    place = Place(tmp_path_factory.mktemp("run"))
    found = place.run(PRODUCTION, *place.on_bench("--bench-scale", "16", "--bench-plots", "no"))
    assert found.code == 0, found.text
    return place.journals()[-1]


def test_requirements_are_recorded(journal: Path) -> None:
    """The first record holds the requirements of the profile, word for word."""
    started = read_journal(journal).records[0]

    assert isinstance(started, RunStarted)
    assert started.requirements == read_board_profile(PROFILE).requirements
    assert len(started.requirements) >= 10


def test_every_judged_value_is_in_both_forms(journal: Path) -> None:
    """Every value that the production check judged stands in page and PDF, with its uncertainty and limits."""
    dossier = dossier_of(journal)
    judged = judged_in(journal)
    assert len([one for one in judged if isinstance(one, LimitJudged)]) >= 30

    for text in (text_of_page(html_page(dossier)), text_of_pages(pdf_pages(dossier))):
        for one in judged:
            for word in words_of(one):
                assert bare(word) in text


def test_pages_of_a_real_run(journal: Path) -> None:
    """Small enough to be sent, with all plots, the same when made again, and marked as simulated on each page."""
    dossier = dossier_of(journal)
    page, pages = html_page(dossier), pdf_pages(dossier)

    assert len(page) < 300_000
    assert (html_page(dossier_of(journal)), pdf_pages(dossier_of(journal))) == (page, pages)
    figures = [block for section in dossier.sections for block in section.blocks if isinstance(block, Figure)]
    assert len(figures) == 4
    for sheet in pypdf.PdfReader(io.BytesIO(pages)).pages:
        assert "SIMULATED: no board was measured" in sheet.extract_text()


def test_what_a_production_check_leaves_open(journal: Path) -> None:
    """Requirements that only a sign-off tries are named, and the simulated run cannot be signed."""
    dossier = dossier_of(journal)

    told = "\n".join(dossier.blockers)
    assert "a simulated run can never be signed" in told
    assert "requirement HB-09: thresholds did not run in this run; coming_back did not run in this run" in told
    assert "requirement HB-02" not in told
