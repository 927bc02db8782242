"""Makes dossiers for tests, and reads them back with other people's readers."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING

import html5lib
import pypdf

from benchrig.dossier.build import build_dossier
from benchrig.dossier_files import read_beside
from benchrig.journal import parse_journal
from benchrig.records import LimitJudged
from benchrig.report.board_report import board_report
from benchrig.report.numbers import limits_text, measured_text
from benchrig.report.text import one_line

if TYPE_CHECKING:
    from pathlib import Path
    from xml.etree.ElementTree import Element

    from benchrig.dossier.content import Dossier
    from benchrig.records import FactJudged

HTML = "{http://www.w3.org/1999/xhtml}"
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</title></style></svg><h1>not a heading</h1>",
    "#panic() *bold* $x^2$ @ref <label> #[inside] // gone /* gone */",
    "\\u{41} `raw` == no heading",
    "\x1b[31mred\x07 and \x9b and \x00",
    "\u202egnp.exe and \u2066isolated",
    "&lt;b&gt; &amp;amp; ]]> {{ x }} ${x} %s",
    "line\r\nbreak\tand tab",
)


def dossier_of(path: Path, *, attach: tuple[str, ...] = (), requirements: Path | None = None) -> Dossier:
    """The dossier of a journal, as the command makes it."""
    data = path.read_bytes()
    journal = parse_journal(data)
    return build_dossier(data, journal, read_beside(path, journal, attach=attach, requirements=requirements))


def judged_in(path: Path) -> list[LimitJudged | FactJudged]:
    """Everything that a run judged."""
    report = board_report(parse_journal(path.read_bytes()))
    return [one for check in report.checks for one in check.judged]


def tree_of(page: bytes) -> Element:
    """The page as html5lib reads it; any error of the HTML standard's parser is one of the test."""
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=True)
    found: Element = parser.parse(page.decode("utf-8"))
    return found


def text_of_page(page: bytes) -> str:
    """What a reader of the page gets to read, without style sheets."""
    root = tree_of(page)
    for parent in root.iter():
        for child in [*parent]:
            if child.tag == f"{HTML}style":
                parent.remove(child)
    return bare(" ".join(root.itertext()))


def text_of_pages(pages: bytes) -> str:
    """The text of a PDF, as pypdf finds it."""
    return bare("".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pages)).pages))


def words_of(judged: LimitJudged | FactJudged) -> tuple[str, ...]:
    """What a reader must find of something that was judged."""
    if isinstance(judged, LimitJudged):
        return judged.limit, measured_text(judged), limits_text(judged), judged.rule
    return judged.fact, judged.seen, judged.expected


def shown(hostile: str) -> tuple[str, str]:
    """A foreign text as it may be shown: signs that are no letters as escapes; ends of lines so, or as spaces."""
    return bare(one_line(" ".join(hostile.split()))), bare(one_line(hostile.expandtabs(4)))


def bare(text: str) -> str:
    """Text without spaces and places to break a line: columns and pages put those where they like."""
    return re.sub(r"[\s\u200b\u00a0]+", "", text)
