"""The command `history`: import, notes, and questions to the history. Thin: each part imports what it needs."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from benchrig.store.answer import Answer
    from benchrig.store.database import Connection
    from benchrig.store.importing import Imported
    from benchrig.store.questions import Which

    AddCommand = Callable[[str, Callable[[argparse.Namespace], int], str], argparse.ArgumentParser]
    Ask = Callable[[argparse.Namespace, Connection], Sequence[Answer]]
    Say = Callable[[str], None]

ENVIRONMENT = "BENCHRIG_BENCH_HISTORY"
DEFAULT = "reports/history.sqlite"
NOTE_KINDS = ("rework", "remark")
_NOT_PASSED = 10
_REFUSED = 10


def add_history_commands(add: AddCommand, *, say: Say) -> None:
    """Add the command; `say` shows a line. Its parts are made when it is asked for: they cost milliseconds."""
    history = add("history", lambda _: 0, "ask the history of all boards, and bring journals into it")
    parse = history.parse_known_args

    def parse_with_parts(
        args: Sequence[str] | None = None, namespace: argparse.Namespace | None = None
    ) -> tuple[argparse.Namespace, list[str]]:
        _add_parts(history, say)
        return parse(args, namespace)

    history.parse_known_args = parse_with_parts  # type: ignore[method-assign,assignment]  # see above


def _add_parts(history: argparse.ArgumentParser, say: Say) -> None:
    from benchrig.lot_command import add_lot_parts  # noqa: PLC0415

    parts = history.add_subparsers(dest="part", required=True, metavar="PART")
    _add_import(parts, say)
    _add_note(parts, say)
    for name, (what, ask, extra) in _QUESTIONS.items():
        part = parts.add_parser(name, help=what, description=what)
        _add_common(part)
        extra(part)
        part.add_argument("--json", action="store_true", help="as JSON, numbers in base units")
        part.add_argument("--csv", action="store_true", help="as CSV: the first table, or the one of --part")
        part.set_defaults(run=lambda given, ask=ask: _ask(given, ask, say))
    add_lot_parts(parts, common=_add_common, day=_day, say=say)
    # the options of all parts at one look
    history.formatter_class = argparse.RawDescriptionHelpFormatter
    history.epilog = "\n".join(part.format_usage().rstrip() for part in parts.choices.values())


def _add_import(parts: argparse._SubParsersAction[argparse.ArgumentParser], say: Say) -> None:
    what = "take journals in, each once and only once"
    part = parts.add_parser("import", help=what, description=what)
    part.add_argument("places", type=Path, nargs="+", metavar="FOLDER|JOURNAL", help="folder of reports, or journals")
    _add_common(part)
    part.add_argument("--json", action="store_true", help="as JSON")
    part.set_defaults(run=lambda given: _import(given, say))


def _add_note(parts: argparse._SubParsersAction[argparse.ArgumentParser], say: Say) -> None:
    what = "note what was done to a board; the note is a journal of its own"
    part = parts.add_parser("note", help=what, description=what)
    part.add_argument("board", metavar="BOARD", help="serial number of the board")
    part.add_argument("text", metavar="TEXT", help="what there is to say")
    part.add_argument("--kind", choices=NOTE_KINDS, required=True, help="rework: the count of attempts begins again")
    part.add_argument("--by", required=True, metavar="NAME", help="who says so")
    part.add_argument(
        "--reports", type=Path, default=Path("reports"), metavar="DIR", help="folder of journals (reports)"
    )
    _add_common(part)
    part.set_defaults(run=lambda given: _note(given, say))


def _add_common(part: argparse.ArgumentParser) -> None:
    part.add_argument(
        "--history",
        metavar="URL",
        default=os.environ.get(ENVIRONMENT) or DEFAULT,
        help=f"a path for SQLite, or postgresql://USER@HOST/NAME (default: ${ENVIRONMENT}, or {DEFAULT})",
    )


def _import(arguments: argparse.Namespace, say: Say) -> int:
    """0: everything is in. 10: something was refused or needs a person's eye; the rest is in."""
    from benchrig.plain_json import json_text  # noqa: PLC0415
    from benchrig.store.database import Database  # noqa: PLC0415
    from benchrig.store.folder import find_journals, import_journals  # noqa: PLC0415

    found = []
    with Database(arguments.history, keep_open=True) as database:
        for one in import_journals(database, find_journals(arguments.places)):
            found.append(one)
            for line in [] if arguments.json else _lines_of(one):
                say(line)
    if arguments.json:
        say(json_text([_plain(one) for one in found], indent=2))
    else:
        say(f"history {database.where}: {_counted(found)}")
    return (
        _REFUSED
        if any(one.outcome == "refused" or (one.told and one.outcome != "shorter copy") for one in found)
        else 0
    )


def _lines_of(one: Imported) -> list[str]:
    head = [f"{one.outcome}: {one.board} {one.run} {one.state}: {one.verdict}".rstrip(": ")] if one.board else []
    return [] if one.outcome == "known" else [*head, *one.told]


def _plain(one: Imported) -> dict[str, object]:
    names = ("name", "outcome", "board", "run", "state", "verdict", "told")
    return {name: getattr(one, name) for name in names}


def _counted(found: Sequence[Imported]) -> str:
    counts: dict[str, int] = {}
    for one in found:
        counts[one.outcome.value] = counts.get(one.outcome.value, 0) + 1
    return ", ".join(f"{count} {outcome}" for outcome, count in counts.items()) or "no journal there"


def _note(arguments: argparse.Namespace, say: Say) -> int:
    import datetime  # noqa: PLC0415  # --help must not pay for it

    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.journal import JournalWriter  # noqa: PLC0415
    from benchrig.records import NoteMade  # noqa: PLC0415
    from benchrig.report.names import ACCEPTED_NAMES, is_file_name  # noqa: PLC0415
    from benchrig.store.database import Database  # noqa: PLC0415
    from benchrig.store.importing import import_journal  # noqa: PLC0415

    if not is_file_name(arguments.board):
        raise ConfigError(f"board {arguments.board!r} is no serial number; accepted: {ACCEPTED_NAMES}")
    if not arguments.text.strip() or not arguments.by.strip():
        raise ConfigError("a note without words, or by nobody, says nothing: give TEXT and --by NAME")
    now = datetime.datetime.now(datetime.UTC)
    path = arguments.reports / arguments.board / "notes" / f"{now.strftime('%Y%m%dT%H%M%S.%fZ')}.jsonl"
    note = NoteMade(
        board=arguments.board, kind=arguments.kind, text=arguments.text, by=arguments.by, utc=now.isoformat()
    )
    with JournalWriter(path) as writer:
        writer.append(note)
    say(f"note: {path}")
    path = path.resolve()
    for sentence in import_journal(Database(arguments.history), path.read_bytes(), name=str(path)).told:
        say(sentence)
    return 0


def _ask(arguments: argparse.Namespace, ask: Ask, say: Say) -> int:
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.store.answer import as_csv, as_json, as_text  # noqa: PLC0415
    from benchrig.store.database import Database  # noqa: PLC0415

    with Database(arguments.history).reading() as connection:
        answers = ask(arguments, connection)
    wanted = getattr(arguments, "only", None)
    if wanted:
        answers = [one for one in answers if one.title == wanted]
        if not answers:
            raise ConfigError(f"--part {wanted}: there is no such table here")
    if arguments.json:
        say(as_json(answers))
    elif arguments.csv:
        for line in as_csv(answers[0]).splitlines():  # a carriage return would be shown as text: it steers a terminal
            say(line)
    else:
        say(as_text([one for one in answers if wanted or not one.long], width=_width()))
    return _NOT_PASSED if any(one.finding and one.rows for one in answers) else 0


def _width() -> int:
    """How wide a table may be: as the terminal is, and wide where no person reads."""
    from benchrig.report.columns import width_for  # noqa: PLC0415

    # below 100 columns names of runs and checks would break within: better a line that the terminal continues
    return max(100, width_for(shutil.get_terminal_size().columns if sys.stdout.isatty() else 0, otherwise=150))


# ---- questions


def _which(arguments: argparse.Namespace) -> Which:
    from benchrig.store.questions import Which  # noqa: PLC0415

    given = {name: getattr(arguments, name, None) or "" for name in ("board", "lot", "use", "since")}
    return Which(**given)


def _ask_board(arguments: argparse.Namespace, connection: Connection) -> Sequence[Answer]:
    from benchrig.store.questions import about_board  # noqa: PLC0415

    return about_board(connection, arguments.board)


def _ask_instrument(arguments: argparse.Namespace, connection: Connection) -> Sequence[Answer]:
    from benchrig.store.questions import by_instrument  # noqa: PLC0415

    return [by_instrument(connection, arguments.serial, since=arguments.since or "")]


def _ask_firmware(arguments: argparse.Namespace, connection: Connection) -> Sequence[Answer]:
    from benchrig.store.questions import by_firmware  # noqa: PLC0415

    return [by_firmware(connection, arguments.firmware)]


def _ask_near_limits(arguments: argparse.Namespace, connection: Connection) -> Sequence[Answer]:
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.store.judged_rows import near_limits  # noqa: PLC0415
    from benchrig.store.questions import judged_rows  # noqa: PLC0415

    for option, given in (("--share", arguments.share), ("--within-u", arguments.within_u)):
        if given is not None and not given >= 0.0:  # not a number, too: it would be near to nothing
            raise ConfigError(f"{option} {given:g}: accepted: a number from 0 up")
    rows = judged_rows(connection, _which(arguments), newest_alone=True)
    share = arguments.share if arguments.share is not None or arguments.within_u is not None else 0.1
    return [near_limits(rows, share=share, within_u=arguments.within_u)]


def _ask_changes(arguments: argparse.Namespace, connection: Connection) -> Sequence[Answer]:
    from benchrig.store.judged_rows import changes  # noqa: PLC0415
    from benchrig.store.questions import judged_rows, two_runs  # noqa: PLC0415

    first, second = two_runs(connection, arguments.board, arguments.runs or ())
    rows = judged_rows(connection, _which(arguments))
    before, after = ([row for row in rows if row.run == run["run"]] for run in (first, second))
    return changes(first, second, before, after)


def _ask_overdue(arguments: argparse.Namespace, connection: Connection) -> Sequence[Answer]:
    from benchrig.store.questions import overdue_runs  # noqa: PLC0415

    return [overdue_runs(connection, _which(arguments))]


def _ask_yield(arguments: argparse.Namespace, connection: Connection) -> Sequence[Answer]:
    from benchrig.store.questions import counted_runs  # noqa: PLC0415
    from benchrig.store.yields import yields  # noqa: PLC0415

    return [yields(counted_runs(connection, _which(arguments)))]


def _ask_duplicates(arguments: argparse.Namespace, connection: Connection) -> Sequence[Answer]:
    from benchrig.store.answer import Answer  # noqa: PLC0415
    from benchrig.store.identities import duplicates  # noqa: PLC0415
    from benchrig.store.past import all_said  # noqa: PLC0415

    rows = [
        (kind, value, ", ".join(boards), mark)
        for simulated, mark in ((False, "real"), (True, "simulated"))
        for kind, value, boards in duplicates(all_said(connection, simulated=simulated))
    ]
    title = "identities that several boards have said"
    return [Answer(title, ("kind", "value", "boards", "bench kind"), tuple(rows), finding=True)]


def _ask_judge_again(arguments: argparse.Namespace, connection: Connection) -> Sequence[Answer]:
    from benchrig.board.profile import read_board_profile  # noqa: PLC0415
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.store.judged_rows import again_answers, judge_again, with_other_rules  # noqa: PLC0415
    from benchrig.store.questions import judged_rows  # noqa: PLC0415

    factor = arguments.uncertainty_factor
    if not 0.0 <= factor <= 100.0:
        raise ConfigError(f"--uncertainty-factor {factor:g}: accepted: a number from 0 to 100")
    limits = with_other_rules(read_board_profile(arguments.profile).limits, arguments.rule or "")
    rows = judged_rows(connection, _which(arguments))
    return again_answers(judge_again(rows, limits, uncertainty_factor=factor))


# ---- their options


def _none(part: argparse.ArgumentParser) -> None:
    """A question without options of its own."""
    assert part.prog


def _lot_and_use(part: argparse.ArgumentParser) -> None:
    part.add_argument("--lot", metavar="NAME", help="this lot alone")
    part.add_argument("--use", metavar="NAME", help="this use alone: production, nightly or signoff")
    _since(part)


def _since(part: argparse.ArgumentParser) -> None:
    part.add_argument("--since", type=_day, metavar="DATE", help="runs from this day on (2027-03-31, UTC)")


def _day(text: str) -> str:
    import datetime  # noqa: PLC0415

    try:
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError as wrong:
        raise argparse.ArgumentTypeError(f"{text!r} is no day; write it as in 2027-03-31") from wrong


def _of_board(part: argparse.ArgumentParser) -> None:
    part.add_argument("board", metavar="BOARD", help="serial number of the board")
    part.add_argument("--part", dest="only", metavar="NAME", help="one table alone, such as readings, judged or files")


def _of_instrument(part: argparse.ArgumentParser) -> None:
    part.add_argument("serial", metavar="SERIAL", help="serial number of the instrument")
    _since(part)


def _of_firmware(part: argparse.ArgumentParser) -> None:
    part.add_argument("firmware", metavar="FIRMWARE", help="version, or image, as the boards said it")


def _of_near_limits(part: argparse.ArgumentParser) -> None:
    part.add_argument("--share", type=float, metavar="X", help="nearer than this share of the limits' width (0.1)")
    part.add_argument("--within-u", type=float, metavar="K", help="nearer than so many standard uncertainties")
    part.add_argument("--board", metavar="SERIAL", help="this board alone")
    _lot_and_use(part)


def _of_changes(part: argparse.ArgumentParser) -> None:
    part.add_argument("board", metavar="BOARD", help="serial number of the board")
    part.add_argument("--runs", nargs=2, metavar="RUN", help="names of two runs (default: the newest two)")
    part.add_argument("--part", dest="only", metavar="NAME", help="one table alone: 'run with' or 'values'")


def _of_judge_again(part: argparse.ArgumentParser) -> None:
    part.add_argument(
        "--profile", type=Path, required=True, metavar="FILE", help="board profile with the limits of now"
    )
    part.add_argument("--rule", metavar="RULE", help="another decision rule for every limit, such as 'guarded 0.83'")
    part.add_argument(
        "--uncertainty-factor",
        type=float,
        default=1.0,
        metavar="X",
        help="as if every uncertainty were X times as large",
    )
    part.add_argument("--board", metavar="SERIAL", help="this board alone")
    part.add_argument("--part", dest="only", metavar="NAME", help="one table alone: 'values that flip' or 'runs'")
    _lot_and_use(part)


_QUESTIONS: dict[str, tuple[str, Ask, Callable[[argparse.ArgumentParser], None]]] = {
    "board": ("everything about a board", _ask_board, _of_board),
    "instrument": ("all boards that an instrument measured", _ask_instrument, _of_instrument),
    "firmware": ("all boards with a firmware", _ask_firmware, _of_firmware),
    "near-limits": ("values that passed near a limit", _ask_near_limits, _of_near_limits),
    "changes": ("what changed between two runs of a board", _ask_changes, _of_changes),
    "yield": ("first-pass yield, by attempt 1 alone, and final yield", _ask_yield, _lot_and_use),
    "overdue": ("runs with an instrument whose calibration was overdue", _ask_overdue, _lot_and_use),
    "duplicates": ("identities that several boards have said", _ask_duplicates, _none),
    "judge-again": ("judge old values by other limits or rules: who flips", _ask_judge_again, _of_judge_again),
}
