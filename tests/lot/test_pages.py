"""The pages of a lot: whole for one board and for none, the same when made again, and never more than text."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest

from benchrig.cli import main
from benchrig.dossier.html import html_of
from benchrig.dossier.palette import DARK, LIGHT
from benchrig.dossier.pdf import pdf_of
from benchrig.lot_report import build
from benchrig.lot_report.build import SIMULATED, build_pages
from benchrig.records import LimitJudged
from tests.dossier.made import HOSTILE, HTML, bare, shown, text_of_page, text_of_pages, tree_of
from tests.dossier.test_palette import contrast
from tests.store.journals import records

from .lots import history_of, lot_of_forty, pages_of_lot, report_of, rows_of, sound, spoiled, started_with

if TYPE_CHECKING:
    from collections.abc import Sequence

    from benchrig.dossier.pages import Pages
    from benchrig.records import Record

ROOM = Path(build.__file__).parent


@pytest.fixture(scope="module")
def forty(tmp_path_factory: pytest.TempPathFactory) -> Pages:
    """The pages of a real lot."""
    return pages_of_lot(lot_of_forty(tmp_path_factory.mktemp("forty")))


def test_made_again_it_is_the_same(tmp_path: Path) -> None:
    """Both forms have the same bytes from a history that was made again, elsewhere."""
    first, second = (pages_of_lot(lot_of_forty(tmp_path / name)) for name in ("one", "two"))

    assert html_of(first) == html_of(second)
    assert pdf_of(first) == pdf_of(second)


def test_all_sections_are_there(forty: Pages) -> None:
    """Every section of a lot with enough boards, in page and PDF."""
    titles = [section.title for section in forty.sections]

    assert titles == [
        "Lot and boards",
        "Yield",
        "Failing checks",
        "Limits",
        "Control charts",
        "Contact fixtures",
        "Near a limit",
        "Attempts and rework",
        "Limit proposals: no requirements",
        "What could not be said",
    ]
    for text in (text_of_page(html_of(forty)), text_of_pages(pdf_of(forty))):
        assert all(bare(title) in text for title in titles)
        assert bare("35 of 40 boards passed first time") in text
        assert bare("Proposed from data, not requirements") in text


def test_a_real_lot_is_not_called_simulated(forty: Pages) -> None:
    """The banner is for simulated lots alone."""
    assert SIMULATED not in html_of(forty).decode()


def test_one_board(tmp_path: Path) -> None:
    """One board makes a page that says what one board cannot say."""
    pages = pages_of_lot(history_of(tmp_path, [sound(1)]))

    for text in (text_of_page(html_of(pages)), text_of_pages(pdf_of(pages))):
        assert bare("1 of 1 boards passed first time") in text
        assert bare("0 of 1 boards failed: at 95 % confidence (one-sided) up to 95 %") in text
        assert bare("capability: 1 values say too little, needed are 25 or more") in text


def test_no_board_was_judged(tmp_path: Path) -> None:
    """A lot that the bench alone failed has a page without a yield, and says so on top."""
    pages = pages_of_lot(history_of(tmp_path, [spoiled(1), spoiled(2)]))

    for text in (text_of_page(html_of(pages)), text_of_pages(pdf_of(pages))):
        assert bare("No board of lot L7 was judged") in text
        assert bare("2 boards left out of every share") in text
        assert bare("Wilson interval") not in text


def test_no_run_since(tmp_path: Path) -> None:
    """A day after the last run leaves nothing, which is said and breaks nothing."""
    found = report_of(history_of(tmp_path, [sound(1)]), since="2040-01-01")
    pages = build_pages(found)

    assert found.lot.firsts == ()
    assert bare("No board of lot L7 was judged") in text_of_page(html_of(pages))
    assert bare("No board of lot L7 was judged") in text_of_pages(pdf_of(pages))


def hostile_run(number: int, name: str) -> Sequence[Record]:
    """A run in which every name is that text."""
    lines = records(board=f"HB-{number}{name}", minutes=float(number), rail_v=(3.39,), lot="L7")
    named = started_with(lines, operator=name, contact_fixture=name, profile=name, bench=name)
    return [_with_name(one, name) for one in named]


def _with_name(record: Record, name: str) -> Record:
    return msgspec.structs.replace(record, limit=name) if isinstance(record, LimitJudged) else record


@pytest.mark.parametrize("name", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_names_are_text(tmp_path: Path, name: str) -> None:
    """Markup and control characters in names of boards, limits, people and fixtures are shown, and no more."""
    history = history_of(tmp_path, [hostile_run(number, name) for number in range(12)])
    pages = pages_of_lot(history)
    page = html_of(pages)
    tree = tree_of(page)

    assert not [*tree.iter(f"{HTML}script"), *tree.iter(f"{HTML}img")]
    assert len([*tree.iter(f"{HTML}h1")]) == 1
    kept = name.replace("\x00", "\\x00")
    assert any(one in text_of_page(page) for one in shown(kept))
    assert any(one in text_of_pages(pdf_of(pages)) for one in shown(kept))
    assert not re.search(rb"[\x00-\x08\x0b-\x1f\x7f]", page)


def test_a_hostile_lot(tmp_path: Path) -> None:
    """The name of the lot itself is text, in the title, too."""
    lot = HOSTILE[2]
    page = html_of(pages_of_lot(history_of(tmp_path, [sound(1, lot=lot)]), lot))

    assert len([*tree_of(page).iter(f"{HTML}h1")]) == 1
    assert bare(f"Lot report of {lot}") in text_of_page(page)


def test_nothing_is_loaded_and_nothing_runs(forty: Pages) -> None:
    """No element refers to anything outside of the page, and there is no script."""
    page = html_of(forty)
    for element in tree_of(page).iter():
        for name, value in element.attrib.items():
            assert not name.startswith("on"), name
            if name.split("}")[-1] in ("href", "src", "action", "srcset", "data"):
                assert value.startswith("#"), value
    assert set(re.findall(rb"https?://[^\"' )]+", page)) <= {b"http://www.w3.org/2000/svg"}
    assert b"url(" not in page
    assert b"default-src 'none'" in page


def test_links_lead_somewhere(forty: Pages) -> None:
    """Each entry of the navigation has its section, and no id is given twice."""
    tree = tree_of(html_of(forty))
    ids = [one.attrib["id"] for one in tree.iter() if "id" in one.attrib]

    assert len(ids) == len(set(ids))
    assert {one.attrib["href"][1:] for one in tree.iter(f"{HTML}a")} <= {*ids}


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
def test_what_is_drawn_can_be_seen(forty: Pages, colours: dict[str, str]) -> None:
    """Each colour of a plot keeps 3:1 to the page, letters 4.5:1 (WCAG 2.2, 1.4.11 and 1.4.3); grids are no content."""
    page = html_of(forty).decode()
    drawn = set(re.findall(r'class="[sf]-([a-z-]+)', page)) - {"grid", "paper", "band"}
    letters = set(re.findall(r'<text [^>]*class="f-([a-z-]+)"', page))

    assert {"first", "ink", "soft"} <= drawn
    assert all(contrast(colours[name], colours["paper"]) >= 3.0 for name in drawn)
    assert all(contrast(colours[name], colours["paper"]) >= 4.5 for name in letters)


def test_a_signal_is_a_shape_of_its_own(forty: Pages) -> None:
    """A point out of control is a cross, and is named with its rule in a table: no colour has to be told apart."""
    text = text_of_page(html_of(forty))

    assert bare("beyond a control limit") in text
    assert bare("✗ signal") in text


def test_the_room_knows_neither_bench_nor_board_nor_pytest() -> None:
    """Rows of the store come in: nothing of a bench, a board's profile or pytest is imported."""
    for path in ROOM.glob("*.py"):
        found = re.findall(r"^\s*(?:from|import) ([\w.]+)", path.read_text(encoding="utf-8"), re.MULTILINE)
        assert not [one for one in found if one.split(".")[:2] in (["benchrig", "bench"], ["benchrig", "board"])]
        assert "pytest" not in found


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--html", "."], "this is a folder"),
        (["--html", "a.html", "--pdf", "a.html"], "this is the file of --html"),
        (["--html", "history.sqlite"], "this is the history that is asked"),
        (["--part", "limit"], "there is no such table here; accepted: 'lot', 'yield'"),
        (["--built", "0"], "1 boards of lot 'L7' were on a bench"),
    ],
    ids=["folder", "same file", "history", "no such table", "fewer built"],
)
def test_refused(
    tmp_path: Path,
    words: list[str],
    said: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What cannot be is one sentence and exit code 4, and nothing is written or overwritten."""
    history = history_of(tmp_path, [sound(1)])
    before = history.read_bytes()
    monkeypatch.chdir(tmp_path)

    assert main(["history", "lot", "L7", *words, "--history", "history.sqlite"]) == 4

    assert said in capsys.readouterr().err
    assert history.read_bytes() == before
    assert not (tmp_path / "a.html").exists()


def test_both_forms_by_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One call writes page and PDF, and says what the lot proves."""
    history = history_of(tmp_path, [sound(at) for at in range(20)])
    html, pdf = tmp_path / "out" / "lot.html", tmp_path / "out" / "lot.pdf"

    assert main(["history", "lot", "L7", "--html", str(html), "--pdf", str(pdf), "--history", str(history)]) == 0

    out = capsys.readouterr().out
    assert out.splitlines()[:2] == [f"lot report: {html}", f"lot report: {pdf}"]
    assert "0 of 20 boards failed: at 95 % confidence (one-sided) up to 13.9 % of all boards" in out
    assert html.read_bytes() == html_of(pages_of_lot(history))
    assert pdf.read_bytes().startswith(b"%PDF")


def test_constant_values_break_nothing(tmp_path: Path) -> None:
    """Thirty boards with the very same value: no index, no chart, no proposal, and the reason for each."""
    found = report_of(history_of(tmp_path, [sound(at) for at in range(30)]))
    page = text_of_page(html_of(build_pages(found)))

    assert found.charts == ()
    assert found.proposals == ()
    assert bare("so that nothing says how far they scatter") in page


def test_limits_without_width(tmp_path: Path) -> None:
    """A limit whose low is its high has figures and no index."""
    runs = [
        [msgspec.structs.replace(one, low=3.3, high=3.3) if isinstance(one, LimitJudged) else one for one in sound(at)]
        for at in range(3)
    ]

    (figures,) = report_of(history_of(tmp_path, runs)).figures

    assert (figures.statistics.n, figures.outside.value, figures.capability) == (3, 0.0, None)
    assert any("low 3.3 is not below high 3.3" in why for why in figures.lacking)


def test_rows_are_asked_by_lot_alone(tmp_path: Path) -> None:
    """Boards of other lots bring no rows."""
    rows = rows_of(history_of(tmp_path, [sound(1), sound(2, lot="L8")]))

    assert {run.board for run in rows.runs} == {"HB-1001"}
    assert {value.row.board for value in rows.values} == {"HB-1001"}


@pytest.mark.parametrize(
    "words", [["yield"], ["lot", "L7", "--part", "limits"]], ids=["question of the history", "lot"]
)
def test_csv_is_plain_lines(tmp_path: Path, words: list[str]) -> None:
    """Rows end as lines of a terminal do: no sign for a carriage return stands in the last column."""
    history = history_of(tmp_path, [sound(1)])
    command = [sys.executable, "-m", "benchrig", "history", *words, "--csv", "--history", str(history)]

    out = subprocess.run(command, check=True, capture_output=True, timeout=60).stdout

    head, row, rest = out.decode().split("\n")
    assert len(next(csv.reader([head]))) == len(next(csv.reader([row]))) >= 6
    assert rest == ""
    assert b"\\r" not in out
    assert b"\r" not in out
