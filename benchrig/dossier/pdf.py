"""A dossier as PDF, set by typst: tagged for screen readers, and the same bytes whenever it is made again.

Owns how content is handed over: as JSON, so that no text of a record is ever read as markup. Must not know what is
shown; the layout is `dossier.typ` beside this file. Fonts are those that the plotting library brings along, and no
others of the machine; the date is that of the run.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from benchrig.dossier.content import Facts, Figure, Items, Lines, SignatureLine, Table, Text, in_columns
from benchrig.dossier.pages import pages_of
from benchrig.dossier.palette import LIGHT, MARKS, tone
from benchrig.errors import ConfigError, RecordError
from benchrig.report.text import one_line

if TYPE_CHECKING:
    from benchrig.dossier.content import Block, Cell, Dossier
    from benchrig.dossier.pages import Pages
    from benchrig.records import Verdict

_LAYOUT = Path(__file__).with_name("dossier.typ")
_STANDARD: Literal["ua-1"] = "ua-1"
"""PDF/UA-1 (ISO 14289-1): the compiler refuses what a screen reader could not read."""

_LONG = re.compile(r"\S{17,}")
_PLACES = re.compile(r"(?<=[_./:,=-])(?=\w)")
_LONGEST, _PIECE = 24, 12
_BREAK = "\u200b"
"""Zero width space: where a long word may go on in the next line."""

Json = str | int | float | bool | None | list["Json"] | dict[str, "Json"]


def pdf_pages(dossier: Dossier) -> bytes:
    """The pages of a dossier. Raises as `pdf_of`."""
    return pdf_of(pages_of(dossier))


def pdf_of(pages: Pages) -> bytes:
    """Any document as PDF. ConfigError without the extra `pdf`; RecordError when the pages cannot be set.

    A picture that the run kept and that cannot be set is left out, and said so: it is a file from outside.
    """
    try:
        import typst  # noqa: PLC0415  # an optional extra
    except ImportError as missing:
        raise ConfigError(
            "--pdf needs the package typst, which is not installed; install it by: pip install 'benchrig[pdf]'"
        ) from missing
    fonts = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[_font_folder()])

    def set_pages(shown: Pages) -> bytes:
        return typst.compile(
            _LAYOUT.read_bytes(),
            font_paths=fonts,
            format="pdf",
            sys_inputs={"dossier": json.dumps(_data(shown))},
            pdf_standards=[_STANDARD],
        )

    try:
        try:
            return set_pages(pages)
        except typst.TypstError:
            return set_pages(_without_kept(pages))
    except typst.TypstError as wrong:
        raise RecordError(
            f"the PDF could not be set: {wrong}; the HTML form holds the same: give --html FILE instead"
        ) from wrong


def _without_kept(pages: Pages) -> Pages:
    sections = (
        replace(section, blocks=tuple(_instead(block) for block in section.blocks)) for section in pages.sections
    )
    return replace(pages, sections=tuple(sections))


def _instead(block: Block) -> Block:
    if not (isinstance(block, Figure) and block.kept):
        return block
    return Text(text=f"{block.title}: not shown here, it cannot be set on paper; see the file beside the journal")


def _font_folder() -> str:
    """Found without loading the library, which would take longer than setting all pages."""
    spec = find_spec("matplotlib")
    folders = spec.submodule_search_locations if spec else None
    if not folders:
        raise ConfigError("--pdf needs the fonts of the package matplotlib: install benchrig with its requirements")
    return str(Path(folders[0]) / "mpl-data" / "fonts" / "ttf")


def _data(pages: Pages) -> Json:
    return {
        "colours": dict(LIGHT),
        "kind": _text(pages.kind),
        "board": _text(pages.name),
        "subtitle": _text(pages.subtitle),
        "made": _date(pages),
        "simulated": pages.simulated,
        "verdict": _verdict(pages.verdict),
        "headline": _text(pages.headline),
        "words": [_text(one) for one in pages.words],
        "alarms": [_text(one) for one in pages.alarms],
        "signed": _text(pages.closing),
        "footer": _text(pages.footer),
        "sections": [
            {"title": _text(section.title), "blocks": [_block(block) for block in section.blocks]}
            for section in pages.sections
        ],
    }


def _date(pages: Pages) -> Json:
    made = pages.made
    return [made.year, made.month, made.day, made.hour, made.minute, made.second] if made else None


def _verdict(verdict: Verdict | None) -> Json:
    return None if verdict is None else {"mark": MARKS[verdict], "word": verdict.value, "tone": tone(verdict)}


def _block(block: Block) -> Json:
    """What the layout gets of a block: `kind` says by which of its functions it is set."""
    told: dict[str, Json]
    match block:
        case Table():
            told = _table(block)
        case Facts():
            told = {"kind": "facts", "facts": [[_text(name), _cell(cell)] for name, cell in block.facts]}
        case Text():
            told = {"kind": "text", "text": _text(block.text), "strong": block.strong}
        case Items():
            told = {"kind": "items", "items": [[_text(one.text), _text(one.next_action)] for one in block.items]}
        case Lines():
            told = {"kind": "lines", "title": _text(block.title), "lines": [_line(line) for line in block.lines]}
        case Figure():
            told = _figure(block)
        case SignatureLine():
            told = {"kind": "signature", "role": _text(block.role)}
    return told


def _figure(figure: Figure) -> dict[str, Json]:
    shape: dict[str, Json] = {"wide": figure.kept, "tall": figure.tall}
    return {"kind": "figure", "title": _text(figure.title), "svg": figure.svg, "alt": _text(figure.alt), **shape}


def _table(table: Table) -> dict[str, Json]:
    return {
        "kind": "table",
        "caption": _text(table.caption),
        "verdict": _verdict(table.verdict),
        "shares": [column.share for column in table.columns],
        "heads": [_text(column.title) for column in table.columns],
        "rows": [[_cell(cell) for cell in row] for row in table.rows],
    }


def _cell(cell: Cell) -> Json:
    return {"text": _text(cell.text), "note": _text(cell.note), "verdict": _verdict(cell.verdict), "code": cell.code}


def _line(line: str) -> Json:
    """A line with its columns, or a sentence."""
    line = one_line(line.expandtabs(4))
    return [line, True] if in_columns(line) else [_text(line), False]


def _text(text: str) -> str:
    """Foreign text in one line; words that are longer than a column may be broken."""
    return _LONG.sub(lambda word: _BREAK.join(_pieces(word[0])), one_line(" ".join(text.split())))


def _pieces(word: str) -> list[str]:
    """Behind the signs that join words; what is longer than a column all the same, anywhere."""
    return [
        part[at : at + _PIECE] if len(part) > _LONGEST else part
        for part in _PLACES.split(word)
        for at in (range(0, len(part), _PIECE) if len(part) > _LONGEST else (0,))
    ]
