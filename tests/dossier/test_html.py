"""The page: whole, self-contained, readable by people, machines and screen readers, and never more than text."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from benchrig.dossier.html import html_page
from benchrig.records import (
    Annex,
    CheckFinished,
    Happening,
    LimitJudged,
    NotProven,
    RequirementNamed,
    RunStarted,
    Verdict,
)

from .a_run import ENERGY_LINES, a_run, replaced
from .made import HOSTILE, HTML, bare, dossier_of, judged_in, shown, text_of_page, tree_of, words_of

if TYPE_CHECKING:
    from pathlib import Path
    from xml.etree.ElementTree import Element

    from benchrig.records import Record

MOST_BYTES = 300_000


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The page of the whole run."""
    return html_page(dossier_of(a_run(tmp_path_factory.mktemp("run"))))


@pytest.fixture(scope="module")
def tree(page: bytes) -> Element:
    """The same, parsed."""
    return tree_of(page)


def named(tree: Element, tag: str) -> list[Element]:
    """All elements of HTML with this name."""
    return [*tree.iter(HTML + tag)]


def test_made_again_it_is_the_same(tmp_path: Path, page: bytes) -> None:
    """The same records give the same bytes, wherever and whenever the page is made."""
    assert html_page(dossier_of(a_run(tmp_path))) == page


def test_size(page: bytes) -> None:
    """It can be sent around: below 300 kB with its plots."""
    assert len(page) < MOST_BYTES


def test_nothing_is_loaded_and_nothing_runs(tree: Element, page: bytes) -> None:
    """No element and no style refers to anything outside the page, and there is no script in it."""
    assert not named(tree, "script") + named(tree, "link") + named(tree, "iframe") + named(tree, "object")
    for element in tree.iter():
        for name, value in element.attrib.items():
            assert not name.startswith("on"), name
            if name.split("}")[-1] in ("href", "src", "action", "srcset", "data"):
                assert value.startswith(("#", "data:image/svg+xml;base64,")), value
    style = "".join(one.text or "" for one in named(tree, "style"))
    assert "url(" not in style
    assert "@import" not in style
    (policy,) = [one for one in named(tree, "meta") if one.get("http-equiv") == "Content-Security-Policy"]
    assert "default-src 'none'" in policy.attrib["content"]
    outside = set(re.findall(rb"https?://[^\"' )]+", page)) - {b"http://www.w3.org/2000/svg"}
    assert outside == set()


def test_every_judged_value_is_there(tmp_path: Path) -> None:
    """Every value that the run judged stands in the page, with its uncertainty and limits."""
    path = a_run(tmp_path)
    text = text_of_page(html_page(dossier_of(path)))

    judged = judged_in(path)
    assert len(judged) == 8
    for one in judged:
        for word in words_of(one):
            assert bare(word) in text


def test_sections_are_landmarks_with_headings(tree: Element) -> None:
    """One main part, one heading over all, each section named by its own, and every link of the list leads to one."""
    assert [len(named(tree, tag)) for tag in ("main", "header", "nav", "footer", "h1")] == [1] * 5
    ids = [element.attrib["id"] for element in tree.iter() if "id" in element.attrib]
    assert len(ids) == len(set(ids))
    sections = named(tree, "section")
    assert all(one.attrib["aria-labelledby"] in ids for one in sections)
    links = [one.attrib["href"] for one in named(tree, "a")]
    assert {link.removeprefix("#") for link in links} <= set(ids)
    assert len(links) == len(sections) + 1
    levels = [int(element.tag[-1]) for element in tree.iter() if re.fullmatch(HTML + "h[1-6]", str(element.tag))]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))


def test_tables_can_be_walked_through(tree: Element) -> None:
    """Each table has a caption, heads of columns and of rows with their scope, and as many cells as columns."""
    tables = named(tree, "table")
    assert len(tables) > 8
    for table in tables:
        assert "".join(next(table.iter(HTML + "caption")).itertext()).strip()
        heads = [one for one in table.iter(HTML + "th") if one.get("scope") == "col"]
        rows = [*next(table.iter(HTML + "tbody")).iter(HTML + "tr")]
        assert rows
        for row in rows:
            first, *others = [*row]
            assert (first.tag, first.get("scope")) == (HTML + "th", "row")
            assert len(others) == len(heads) - 1
            assert all(one.get("role") == "cell" for one in others)


def test_pictures_have_words(tree: Element) -> None:
    """What a plot shows is said to whoever does not see it."""
    pictures = [one for one in tree.iter() if str(one.tag).endswith("}svg")]
    assert len(pictures) == 3
    assert all(len(one.attrib["aria-label"]) > 30 for one in pictures)
    assert all(one.get("alt") for one in named(tree, "img"))
    assert len(named(tree, "img")) == 1


def test_language_and_width(tree: Element) -> None:
    """A browser is told the language, and that the page fits a phone."""
    assert named(tree, "html")[0].get("lang") == "en"
    told = {one.get("name"): one.get("content", "") for one in named(tree, "meta")}
    assert "width=device-width" in told["viewport"]
    assert told["color-scheme"] == "light dark"


def test_hops_are_a_table(tree: Element) -> None:
    """The annex of hops is a table of four columns in which every row names its frame."""
    (table,) = [one for one in named(tree, "table") if "terminals to the decoded value" in "".join(one.itertext())]
    rows = [["".join(cell.itertext()) for cell in row] for row in next(table.iter(HTML + "tbody"))]

    assert rows == [
        ["at 3.30 V", "terminals", "3.3004 V ± 0.12 mV", "-"],
        ["at 3.30 V", "console", "3300 mV, 21 °C", "same"],
        ["at 3.30 V", "modem UART", "port 2: E4 0C 15 00", "same"],
    ]


def test_columns_of_an_annex_stay_columns(tree: Element) -> None:
    """Each line of an annex that is a table keeps its spaces."""
    lines = [line.text for block in named(tree, "pre") for line in block]

    assert all(line in lines for line in ENERGY_LINES)


@pytest.mark.parametrize("hostile", HOSTILE, ids=repr)
@pytest.mark.parametrize("where", ["board", "annex", "title", "not proven", "requirement", "limit"])
def test_foreign_text_is_text(tmp_path: Path, where: str, hostile: str) -> None:
    """Markup, script and control characters in a record are shown, and change nothing of the page."""
    changes = {
        "board": replaced(RunStarted, board=hostile),
        "annex": replaced(Annex, lines=(hostile, f"a  {hostile}")),
        "title": replaced(Annex, title=hostile),
        "not proven": replaced(NotProven, text=hostile, next_action=hostile),
        "requirement": replaced(
            RunStarted, requirements=(RequirementNamed(id=hostile, text=hostile, covered_by=(hostile,)),)
        ),
        "limit": replaced(LimitJudged, limit=hostile, limit_source=hostile),
    }
    plain = tree_of(html_page(dossier_of(a_run(tmp_path / "plain", replaced(RunStarted)))))

    page = html_page(dossier_of(a_run(tmp_path / "hostile", changes[where])))

    assert any(one in text_of_page(page) for one in shown(hostile))
    tree = tree_of(page)
    assert not named(tree, "script")
    assert len(named(tree, "h1")) == 1
    assert {element.tag for element in tree.iter()} <= {element.tag for element in plain.iter()}
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", page.decode("utf-8"))


def test_source_of_a_limit(page: bytes) -> None:
    """Where a limit comes from stands with it in the matrix of requirements, and how to read U above it."""
    text = text_of_page(page)

    assert "-40mVto40mVfrom:design" in text
    assert "Uistheexpandeduncertainty,atabout95%." in text


def test_what_else_happened(tmp_path: Path) -> None:
    """What somebody is charged with is told once, with how often; what every run has is not."""

    def change(its: list[Record]) -> list[Record]:
        asked = Happening(kind="repeated question", text="asked again", charged_to="board", check="energy", at_s=1.0)
        usual = Happening(kind="link released", text="serial port closed", at_s=1.0)
        return [*its[:-1], asked, usual, asked, its[-1]]

    text = text_of_page(html_page(dossier_of(a_run(tmp_path, change))))

    assert "energy:repeatedquestion,chargedtoboard:askedagain(2times)" in text
    assert "serialportclosed" not in text


def test_reason_is_told_once(tmp_path: Path) -> None:
    """Why a value did not pass stands below its table, with what to do, and not once more for its check."""

    def change(its: list[Record]) -> list[Record]:
        its = replaced(LimitJudged, verdict=Verdict.FAIL, value=7.0, why="far outside", next_action="look at it")(its)
        return replaced(CheckFinished, verdict=Verdict.FAIL, why="far outside")(its)

    text = text_of_page(html_page(dossier_of(a_run(tmp_path, change))))

    assert "offset:faroutside;next:lookatit" in text
    assert "battery_sweep:faroutside" not in text
