"""The commands `dossier` and `label`: pages to sign and a label to stick on, from the journal of a run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Iterator

    from benchrig.dossier.content import Dossier

    AddCommand = Callable[[str, Callable[[argparse.Namespace], int], str], argparse.ArgumentParser]


def add_dossier_commands(add: AddCommand, *, say: Callable[[str], None]) -> None:
    """Add both commands; `say` shows a line."""
    dossier = add(
        "dossier", lambda arguments: _dossier(arguments, say), "make pages that a person can sign, from a journal"
    )
    dossier.add_argument("journal", type=Path, help="journal of a run (.jsonl)")
    dossier.add_argument(
        "--requirements", type=Path, metavar="TOML", help="table [requirements] for a run whose record has none"
    )
    dossier.add_argument(
        "--attach",
        action="append",
        default=[],
        metavar="SLOT=FILE",
        help="evidence from elsewhere, by its hash: radio, transport or environment; may be repeated",
    )
    dossier.add_argument("--html", type=Path, metavar="PATH", help="the page to write (default: beside the journal)")
    dossier.add_argument("--pdf", type=Path, metavar="PATH", help="the PDF to write; needs the extra 'pdf'")
    label = add("label", lambda arguments: _label(arguments, say), "make a board's label with a QR code of its record")
    label.add_argument("journal", type=Path, help="journal of a run (.jsonl)")
    label.add_argument("--svg", type=Path, metavar="PATH", required=True, help="where to write the label")


def _dossier(arguments: argparse.Namespace, say: Callable[[str], None]) -> int:
    from benchrig.dossier.build import build_dossier  # noqa: PLC0415  # --help must not pay for any of these
    from benchrig.dossier_files import read_beside  # noqa: PLC0415
    from benchrig.exit_codes import exit_code  # noqa: PLC0415
    from benchrig.journal import parse_journal  # noqa: PLC0415
    from benchrig.report.atomic_file import write_atomically  # noqa: PLC0415

    source: Path = arguments.journal
    _spare_sources(arguments)
    data = _read(source)
    journal = parse_journal(data, name=str(source))
    beside = read_beside(source, journal, attach=arguments.attach, requirements=arguments.requirements)
    dossier = build_dossier(data, journal, beside)
    for path, pages in _forms(arguments, dossier):
        write_atomically(path, pages)
        say(f"dossier: {path}")
    say(dossier.headline)
    say("it can be signed" if dossier.can_be_signed else "it cannot be signed:")
    for one in dossier.blockers:
        say(f"  {one}")
    return int(exit_code([dossier.verdict]))


def _forms(arguments: argparse.Namespace, dossier: Dossier) -> Iterator[tuple[Path, bytes]]:
    """Each form that was asked for, made before the first of them is written."""
    from benchrig.dossier.html import html_page  # noqa: PLC0415

    html = arguments.html or (None if arguments.pdf else arguments.journal.with_suffix(".html"))
    forms = [(html, html_page(dossier))] if html else []
    if arguments.pdf:
        from benchrig.dossier.pdf import pdf_pages  # noqa: PLC0415

        forms.append((arguments.pdf, pdf_pages(dossier)))
    yield from forms


def _label(arguments: argparse.Namespace, say: Callable[[str], None]) -> int:
    from benchrig.dossier.label import label_of, label_svg  # noqa: PLC0415
    from benchrig.journal import parse_journal  # noqa: PLC0415
    from benchrig.report.atomic_file import write_atomically  # noqa: PLC0415
    from benchrig.report.board_report import board_report  # noqa: PLC0415

    _spare(arguments.journal, {"--svg": arguments.svg})
    data = _read(arguments.journal)
    report = board_report(parse_journal(data, name=str(arguments.journal)))
    label = label_of(data, report)
    write_atomically(arguments.svg, label_svg(label))
    say(f"label:   {arguments.svg}")
    return 0


def _read(journal: Path) -> bytes:
    from benchrig.errors import ConfigError  # noqa: PLC0415

    if not journal.is_file():
        raise ConfigError(f"journal {journal}: there is no such file; give a .jsonl file of reports/BOARD/")
    try:
        return journal.read_bytes()
    except OSError as wrong:
        raise ConfigError(f"journal {journal}: cannot be read: {wrong.strerror or wrong}; check its rights") from wrong


def _spare_sources(arguments: argparse.Namespace) -> None:
    """No form may take the place of what it is made from, nor of the other form."""
    from benchrig.errors import ConfigError  # noqa: PLC0415

    outputs = {"--html": arguments.html, "--pdf": arguments.pdf}
    sources = [arguments.journal, *([arguments.requirements] if arguments.requirements else [])]
    sources += [Path(given.partition("=")[2]) for given in arguments.attach]
    for source in sources:
        _spare(source, outputs)
    if arguments.html and arguments.pdf and arguments.html.absolute() == arguments.pdf.absolute():
        raise ConfigError(f"--html and --pdf are the same file, {arguments.html}; give each a path of its own")


def _spare(source: Path, outputs: dict[str, Path | None]) -> None:
    from benchrig.errors import ConfigError  # noqa: PLC0415

    for option, path in outputs.items():
        if path is None:
            continue
        if path.is_dir():
            raise ConfigError(f"{option} {path}: this is a folder; give the path of a file in it")
        if path.resolve() == source.resolve():
            raise ConfigError(f"{option} {path}: this is what the dossier is made from; give another path")
