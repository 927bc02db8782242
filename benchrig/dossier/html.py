"""A dossier as one HTML page: nothing beside it is loaded, nothing in it runs.

Owns the markup. Must not know what is shown. Every text goes through `_text` or `_lines`, so that a name with markup in
it is a name; a content security policy says the same to the browser (W3C CSP 3), should one slip through. Tables keep
their roles when a narrow screen turns their rows into cards, since `display` takes them away from a screen reader.
"""

from __future__ import annotations

import base64
import re
from html import escape
from typing import TYPE_CHECKING

from benchrig.dossier.content import Facts, Figure, Items, Lines, SignatureLine, Table, Text, in_columns
from benchrig.dossier.page_style import STYLE
from benchrig.dossier.pages import pages_of
from benchrig.dossier.palette import MARKS, tone
from benchrig.report.text import one_line

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.dossier.content import Block, Cell, Dossier, Section
    from benchrig.dossier.pages import Pages
    from benchrig.records import Verdict

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"


def html_page(dossier: Dossier) -> bytes:
    """The page, UTF-8. The same dossier gives the same bytes."""
    return html_of(pages_of(dossier))


def html_of(pages: Pages) -> bytes:
    """Any document as a page, UTF-8. The same pages give the same bytes."""
    return "\n".join(_page(pages)).encode("utf-8")


def _page(pages: Pages) -> Iterator[str]:
    title = _text(f"{pages.kind} of {pages.name}{', simulated' if pages.simulated else ''}")
    yield '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">'
    yield f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield '<meta name="color-scheme" content="light dark">'
    yield f"<title>{title}</title>\n<style>{STYLE}</style>\n</head>\n<body>"
    yield '<a class="skip" href="#content">to the content</a>'
    yield from _head(pages)
    yield '<nav aria-label="sections"><ul>'
    for section in pages.sections:
        yield f'<li><a href="#{section.key}">{_text(section.title)}</a></li>'
    yield '</ul></nav>\n<main id="content">'
    for section in pages.sections:
        yield from _section(section)
    yield f"</main>\n<footer><p>{_text(pages.footer)}</p></footer>\n</body>\n</html>\n"


def _head(pages: Pages) -> Iterator[str]:
    yield "<header>"
    if pages.simulated:
        yield f'<p class="simulated">{_text(pages.simulated)}</p>'
    if pages.alarms:
        yield '<div class="alarm" role="note" aria-label="read this first"><ul>'
        yield from (f"<li>{_text(one)}</li>" for one in pages.alarms)
        yield "</ul></div>"
    yield f'<p class="kind">{_text(pages.kind)}</p><h1>{_text(pages.name)}</h1>'
    yield f'<p class="sub">{_text(pages.subtitle)}</p>'
    if pages.verdict is None:
        yield '<div class="verdict">'
    else:
        simulated = " (simulated bench)" if pages.simulated else ""
        yield f'<div class="verdict v-{tone(pages.verdict)}"><p class="word">{_mark(pages.verdict)}{simulated}</p>'
    yield f"<p>{_text(pages.headline)}</p></div>"
    yield from (f"<p>{_text(one)}</p>" for one in pages.words)
    if pages.closing:
        yield f'<p class="sign">{_text(pages.closing)}</p>'
    yield "</header>"


def _section(section: Section) -> Iterator[str]:
    yield f'<section id="{section.key}" aria-labelledby="{section.key}-title">'
    yield f'<h2 id="{section.key}-title">{_text(section.title)}</h2>'
    in_figures = False
    for block in section.blocks:
        if isinstance(block, Figure) != in_figures:  # figures that follow each other stand beside each other
            in_figures = not in_figures
            yield '<div class="figures">' if in_figures else "</div>"
        yield from _block(block)
    if in_figures:
        yield "</div>"
    yield "</section>"


def _block(block: Block) -> Iterator[str]:
    match block:
        case Table():
            yield from _table(block)
        case Facts():
            pairs = (f"<div><dt>{_text(name)}</dt><dd>{_cell(cell)}</dd></div>" for name, cell in block.facts)
            yield f"<dl>{''.join(pairs)}</dl>"
        case Text():
            yield f'<p class="strong">{_text(block.text)}</p>' if block.strong else f"<p>{_text(block.text)}</p>"
        case Items():
            yield from _items(block)
        case Lines():
            yield from _preformatted(block)
        case Figure():
            yield from _figure(block)
        case SignatureLine():
            fields = "".join(f"<span>{what}</span>" for what in ("name", "date", "signature"))
            yield f'<div class="signature"><p>{_text(block.role)}</p><div>{fields}</div></div>'


def _table(table: Table) -> Iterator[str]:
    mark = f" {_mark(table.verdict)}" if table.verdict is not None else ""
    whole = sum(column.share for column in table.columns)
    yield f'<table role="table"><caption>{_text(table.caption)}{mark}</caption><colgroup>'
    yield "".join(f'<col style="width:{100 * column.share / whole:.1f}%">' for column in table.columns)
    heads = (f'<th role="columnheader" scope="col">{_text(column.title)}</th>' for column in table.columns)
    yield f'</colgroup><thead role="rowgroup"><tr role="row">{"".join(heads)}</tr></thead><tbody role="rowgroup">'
    for row in table.rows:
        first, *others = row
        cells = [
            f'<td role="cell" data-head="{_text(column.title)}"><div>{_cell(cell)}</div></td>'
            if _shows(cell)
            else '<td role="cell"></td>'
            for column, cell in zip(table.columns[1:], others, strict=True)
        ]
        yield f'<tr role="row"><th role="rowheader" scope="row">{_cell(first)}</th>{"".join(cells)}</tr>'
    yield "</tbody></table>"


def _shows(cell: Cell) -> bool:
    return bool(cell.text) or cell.verdict is not None


def _cell(cell: Cell) -> str:
    text = f"<code>{_text(cell.text)}</code>" if cell.code else _text(cell.text)
    if cell.note:
        text += f'<span class="about next">{_text(cell.note)}</span>'
    if cell.verdict is None:
        return text
    return _mark(cell.verdict) + (f' <span class="about">{text}</span>' if cell.text else "")


def _mark(verdict: Verdict) -> str:
    """Shape and word; the colour only repeats them. A screen reader hears the word alone."""
    return (
        f'<span class="mark t-{tone(verdict)}"><span aria-hidden="true">{MARKS[verdict]}</span> {verdict.value}</span>'
    )


def _items(items: Items) -> Iterator[str]:
    yield "<ul>"
    for one in items.items:
        following = f'<br><span class="next">next: {_text(one.next_action)}</span>' if one.next_action else ""
        yield f"<li>{_text(one.text)}{following}</li>"
    yield "</ul>"


def _preformatted(block: Lines) -> Iterator[str]:
    """Columns keep their places, so that a narrow screen has to move sideways: by keyboard as well."""
    yield f"<h3>{_text(block.title)}</h3>"
    lines = "".join(f"<span{'' if in_columns(line) else _SENTENCE}>{_line(line)}</span>" for line in block.lines)
    yield f'<div class="wide" tabindex="0" role="region" aria-label="{_text(block.title)}"><pre>{lines}</pre></div>'


def _figure(figure: Figure) -> Iterator[str]:
    kind = "tall" if figure.tall else "kept" if figure.kept else "plot"
    moves = ' tabindex="0"' if figure.kept else ""  # wider than a phone: it is moved sideways, by keyboard as well
    yield f'<figure class="{kind}"{moves}>{_picture(figure)}<figcaption>{_text(figure.title)}</figcaption></figure>'


def _picture(figure: Figure) -> str:
    """A file that a run kept is shown as an image: nothing in one runs, and nothing is loaded by it."""
    if not figure.kept:
        return figure.svg
    data = base64.b64encode(figure.svg.encode("utf-8")).decode("ascii")
    return f'<img alt="{_text(figure.alt)}" src="data:image/svg+xml;base64,{data}">'


_SPACES = re.compile(r"[ \t\r\n]+")
_SENTENCE = ' class="say"'


def _line(line: str) -> str:
    """Foreign text with its columns, each line for itself."""
    return escape(one_line(line.expandtabs(4)))


def _text(text: str) -> str:
    """Foreign text as text: markup and control characters are shown, and do nothing."""
    return escape(one_line(_SPACES.sub(" ", text)), quote=True)
