"""The parts `lot`, `gauge-plan` and `gauge` of the command `history`. Thin: each imports what it needs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Sequence

    from benchrig.lot_report.report import LotReport
    from benchrig.store.answer import Answer

    Say = Callable[[str], None]
    Common = Callable[[argparse.ArgumentParser], None]
    Parts = argparse._SubParsersAction[argparse.ArgumentParser]

_USE = "production"


def add_lot_parts(parts: Parts, *, common: Common, day: Callable[[str], str], say: Say) -> None:
    """Add the three parts; `common` adds the options of every part, `day` reads a date, `say` shows a line."""
    what = "everything about a lot: yields, capability, control charts, as tables and as pages"
    lot = parts.add_parser("lot", help=what, description=what)
    lot.add_argument("lot", metavar="LOT", help="name of the lot, as --bench-lot gave it")
    lot.add_argument("--since", type=day, metavar="DATE", help="boards first tested from this day on (2027-03-31, UTC)")
    lot.add_argument("--built", type=int, metavar="N", help="how many boards of it were built, for the page")
    lot.add_argument("--html", type=Path, metavar="PATH", help="write the lot report as one page")
    lot.add_argument("--pdf", type=Path, metavar="PATH", help="write the lot report as PDF; needs the extra 'pdf'")
    _use(lot)
    _forms(lot)
    common(lot)
    lot.set_defaults(run=lambda given: _lot(given, say))
    what = "the random order in which the runs of a gauge study are made"
    plan = parts.add_parser("gauge-plan", help=what, description=what)
    plan.add_argument("--parts", type=int, required=True, metavar="N", help="how many boards (5 or more)")
    plan.add_argument("--operators", required=True, metavar="A,B", help="who measures them (2 or more)")
    plan.add_argument("--repeats", type=int, required=True, metavar="K", help="how often each measures each (2 to 25)")
    plan.add_argument("--seed", type=int, required=True, metavar="S", help="the same seed gives the same order")
    _forms(plan)
    plan.set_defaults(run=lambda given: _plan(given, say))
    what = "a gauge study: how much of what a limit sees is bench and operator"
    gauge = parts.add_parser("gauge", help=what, description=what)
    gauge.add_argument("--lot", required=True, metavar="LOT", help="the lot that the runs of the study were given")
    gauge.add_argument("--limit", required=True, metavar="CHECK.LIMIT", help="such as floor_current.floor")
    _use(gauge)
    _forms(gauge)
    common(gauge)
    gauge.set_defaults(run=lambda given: _gauge(given, say))


def _use(part: argparse.ArgumentParser) -> None:
    part.add_argument("--use", default=_USE, metavar="NAME", help=f"runs of this use ({_USE})")


def _forms(part: argparse.ArgumentParser) -> None:
    part.add_argument("--part", dest="only", metavar="NAME", help="one table alone, by its title")
    part.add_argument("--json", action="store_true", help="as JSON, numbers in base units")
    part.add_argument("--csv", action="store_true", help="as CSV: the first table, or the one of --part")


def _lot(arguments: argparse.Namespace, say: Say) -> int:
    from benchrig.lot_report.report import lot_report  # noqa: PLC0415  # --help must not pay for any of these
    from benchrig.lot_report.tables import lot_tables  # noqa: PLC0415
    from benchrig.store.database import Database  # noqa: PLC0415
    from benchrig.store.lot_rows import lot_rows  # noqa: PLC0415

    _check_paths(arguments)
    with Database(arguments.history).reading() as connection:
        rows = lot_rows(connection, arguments.lot)
    found = lot_report(rows, name=arguments.lot, use=arguments.use, since=arguments.since or "", built=arguments.built)
    written = _write_pages(arguments, found)
    if not written or arguments.json or arguments.csv or arguments.only:
        _show(arguments, lot_tables(found), say)
        return 0
    for path in written:
        say(f"lot report: {path}")
    say(found.statement)
    return 0


def _write_pages(arguments: argparse.Namespace, report: LotReport) -> list[Path]:
    """Each form that was asked for, made before the first of them is written."""
    from benchrig.dossier.html import html_of  # noqa: PLC0415
    from benchrig.lot_report.build import build_pages  # noqa: PLC0415
    from benchrig.report.atomic_file import write_atomically  # noqa: PLC0415

    if not arguments.html and not arguments.pdf:
        return []
    pages = build_pages(report)
    forms: list[tuple[Path, bytes]] = [(arguments.html, html_of(pages))] if arguments.html else []
    if arguments.pdf:
        from benchrig.dossier.pdf import pdf_of  # noqa: PLC0415

        forms.append((arguments.pdf, pdf_of(pages)))
    for path, data in forms:
        write_atomically(path, data)
    return [path for path, _ in forms]


def _check_paths(arguments: argparse.Namespace) -> None:
    """No form may take the place of the history, of the other form, or of a folder."""
    from benchrig.errors import ConfigError  # noqa: PLC0415

    taken = {Path(arguments.history.removeprefix("sqlite:///")).absolute(): "the history that is asked"}
    for option, path in (("--html", arguments.html), ("--pdf", arguments.pdf)):
        if path is None:
            continue
        if path.is_dir():
            raise ConfigError(f"{option} {path}: this is a folder; give the path of a file in it")
        if path.absolute() in taken:
            raise ConfigError(f"{option} {path}: this is {taken[path.absolute()]}; give another path")
        taken[path.absolute()] = f"the file of {option}"


def _plan(arguments: argparse.Namespace, say: Say) -> int:
    from benchrig.lot_report.gauge import plan_table  # noqa: PLC0415

    operators = [name.strip() for name in arguments.operators.split(",")]
    table = plan_table(parts=arguments.parts, operators=operators, repeats=arguments.repeats, seed=arguments.seed)
    _show(arguments, [table], say)
    return 0


def _gauge(arguments: argparse.Namespace, say: Say) -> int:
    from benchrig.lot_report.gauge import gauge_of, gauge_tables  # noqa: PLC0415
    from benchrig.store.database import Database  # noqa: PLC0415
    from benchrig.store.lot_rows import lot_rows  # noqa: PLC0415

    with Database(arguments.history).reading() as connection:
        rows = lot_rows(connection, arguments.lot)
    _show(arguments, gauge_tables(gauge_of(rows, lot=arguments.lot, use=arguments.use, limit=arguments.limit)), say)
    return 0


def _show(arguments: argparse.Namespace, answers: Sequence[Answer], say: Say) -> None:
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.store.answer import as_csv, as_json, as_text  # noqa: PLC0415

    wanted = arguments.only
    shown = [one for one in answers if not wanted or one.title == wanted]
    if not shown:
        titles = ", ".join(f"'{one.title}'" for one in answers)
        raise ConfigError(f"--part {wanted!r}: there is no such table here; accepted: {titles}")
    if arguments.json:
        say(as_json(shown))
    elif arguments.csv:
        for line in as_csv(shown[0]).splitlines():  # a carriage return would be shown as text: it steers a terminal
            say(line)
    else:
        say(as_text([one for one in shown if wanted or not one.long]))
