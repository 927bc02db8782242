"""The command `benchrig`: what is done without a bench run. Thin: each command imports what it needs, when it runs."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from shutil import get_terminal_size
from typing import TYPE_CHECKING, NoReturn

from benchrig.capture_command import add_capture_command
from benchrig.dossier_command import add_dossier_commands
from benchrig.energy_commands import add_energy_commands
from benchrig.history_command import add_history_commands
from benchrig.plain_file import is_plain_file
from benchrig.plain_json import json_text
from benchrig.report.columns import fitted, width_for
from benchrig.report.steady_output import SteadyOutput, steady_stdout
from benchrig.report.text import safe_text
from benchrig.verify_command import add_verify_commands

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

_OUTPUT_HELP = "where to write (default: <reports>/<board>.xml; beside the journal when the board has a newer run)"
_SIMULATE = "simulate"
_SHOWN = 80
_USAGE = 4
_NOT_PASSED = 10
_BENCH_ERROR = 12
_OUTPUT_LOST = 13


def _report(arguments: argparse.Namespace) -> int:
    from benchrig.errors import ConfigError  # noqa: PLC0415  # --help must not pay for any of these
    from benchrig.exit_codes import exit_code  # noqa: PLC0415
    from benchrig.journal import read_journal  # noqa: PLC0415
    from benchrig.report.board_report import board_report  # noqa: PLC0415
    from benchrig.report.junit import write_report  # noqa: PLC0415
    from benchrig.report.table import board_table  # noqa: PLC0415

    if not is_plain_file(arguments.journal):
        raise ConfigError(f"journal {arguments.journal}: there is no such file; give a .jsonl file of reports/BOARD/")
    report = board_report(read_journal(arguments.journal))
    if report.started is None and arguments.output is None:
        raise ConfigError(
            f"journal {arguments.journal}: no run begins in it, so it does not say of which board it is "
            f"({'; '.join(report.problems[:1]) or 'no line of it tells'}); give --output FILE to have a report anyway"
        )
    path = arguments.output or _report_path(arguments.journal, report.board)
    write_report(report, path)
    columns = get_terminal_size().columns if sys.stdout.isatty() else 0
    print(board_table(report, width=width_for(columns, otherwise=110)))
    print(f"report:  {path}")
    if arguments.plots:
        _draw(arguments.journal)
    return int(exit_code([report.verdict.verdict]))


def _report_path(journal: Path, board: str) -> Path:
    """Where a report goes by itself: an old run must not take the place of the newest one of its board.

    The name of the board is foreign text: it may name a file, and lead nowhere else.
    """
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.report.names import ACCEPTED_NAMES, is_file_name  # noqa: PLC0415

    if not is_file_name(board):
        shown = repr(board if len(board) <= _SHOWN else board[:_SHOWN] + "...")
        raise ConfigError(
            f"journal {journal}: its board is {shown}, which is no serial number; accepted: {ACCEPTED_NAMES}; "
            "give --output FILE to have a report anyway"
        )
    newer = [path for path in journal.absolute().parent.glob("*.jsonl") if path.name > journal.name]
    return journal.with_suffix(".xml") if newer else journal.absolute().parent.parent / f"{board}.xml"


def _look(arguments: argparse.Namespace) -> int:
    from benchrig.bench.bench_file import read_bench_file  # noqa: PLC0415
    from benchrig.bench.named_files import check_named_files  # noqa: PLC0415
    from benchrig.board.profile import read_board_profile  # noqa: PLC0415
    from benchrig.look_text import slot_text, tidy_path  # noqa: PLC0415
    from benchrig.sun_file import read_sun_file  # noqa: PLC0415

    bench = read_bench_file(arguments.bench)
    check_named_files(bench)
    boards = {}
    print(f"bench file {arguments.bench}: good; {bench.name}, slots {', '.join(bench.slots)}")
    for profile in sorted({slot.profile for slot in bench.slots.values()}):
        board = boards[profile] = read_board_profile(profile)
        limits = sum(len(values) for values in board.limits.values())
        print(f"board profile {tidy_path(profile)}: good; {board.name}, {limits} limits")
        if board.solar and board.solar.series:
            read_sun_file(board.solar.series, missing_are_dark=board.solar.missing_days_are_dark)
    for slot in bench.slots.values():
        print(slot_text(bench, slot, boards[slot.profile]))
    return 0


def _payload(arguments: argparse.Namespace) -> int:
    from benchrig.board.profile import read_board_profile  # noqa: PLC0415
    from benchrig.payload.codec import decode  # noqa: PLC0415
    from benchrig.payload.describe import describe  # noqa: PLC0415

    profile = read_board_profile(arguments.profile)
    if arguments.hex is None:
        print(describe(profile.field_map))
        return 0
    try:
        payload = bytes.fromhex(arguments.hex)
    except ValueError:
        print(
            f"{arguments.hex!r} is no hexadecimal text; accepted: pairs of 0-9 and A-F, blanks between", file=sys.stderr
        )
        return _USAGE
    port = profile.field_map.port if arguments.port is None else arguments.port
    found = decode(profile.field_map, payload, port=port)
    for name, value in found.values.items():
        unit = "" if value.unit == "1" else value.unit
        print(f"{name:24} {value.word or _number(value.value):>12} {unit}".rstrip())
    for problem in found.problems:
        print(f"problem: {problem}")
    return _NOT_PASSED if found.problems else 0


def _points(arguments: argparse.Namespace) -> int:
    from benchrig.board.points_report import points_table, points_text  # noqa: PLC0415
    from benchrig.board.profile import read_board_profile  # noqa: PLC0415

    profile = read_board_profile(arguments.profile)
    at_c = {"at_c": arguments.at} if arguments.at else {}
    print(json_text(points_table(profile, **at_c), indent=2) if arguments.json else points_text(profile, **at_c))
    return 0


def _number(value: float | None) -> str:
    return "none" if value is None else f"{value:.12g}"


def _fitness(arguments: argparse.Namespace) -> int:
    from benchrig.bench.bench_file import read_bench_file  # noqa: PLC0415
    from benchrig.bench_fitness import Eyes, bench_fitness  # noqa: PLC0415
    from benchrig.board.profile import read_board_profile  # noqa: PLC0415
    from benchrig.clock import ScaledClock  # noqa: PLC0415
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.procedures.stamps import scaled_stamp_uncertainty_s  # noqa: PLC0415

    bench = read_bench_file(arguments.bench)
    scale = bench.simulation.scale if bench.simulation else 1.0
    if arguments.slot is not None and arguments.slot not in bench.slots:
        known = ", ".join(bench.slots)
        raise ConfigError(f"--slot {arguments.slot}: no such slot in {arguments.bench}; it has: {known}")
    found, whole = {}, True
    for name in [arguments.slot] if arguments.slot else bench.slots:
        slot = bench.slots[name]
        profile = read_board_profile(arguments.profile or slot.profile)
        today = ScaledClock(1.0).utc().date()
        found[name] = bench_fitness(Eyes(bench, slot, profile, scaled_stamp_uncertainty_s(scale), today))
        whole = whole and found[name].can_decide(profile.required["production"] or tuple(profile.limits))
    if arguments.json:
        print(json_text({f"slot {name}": fitness.as_data() for name, fitness in found.items()}, indent=2))
    else:
        print("\n".join(f"{bench.name}, slot {name}\n\n{fitness.table()}" for name, fitness in found.items()), end="")
    return 0 if whole else _NOT_PASSED


def _budget(arguments: argparse.Namespace) -> int:
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.journal import read_journal  # noqa: PLC0415
    from benchrig.report.board_report import board_report  # noqa: PLC0415
    from benchrig.report.budget_tables import budget_tables  # noqa: PLC0415
    from benchrig.report.budget_trust import budget_problems  # noqa: PLC0415

    if not is_plain_file(arguments.journal):
        raise ConfigError(f"journal {arguments.journal}: there is no such file; give a .jsonl file of reports/BOARD/")
    report = board_report(read_journal(arguments.journal))
    if wrong := budget_problems(report, check=arguments.check or "", value=arguments.value or ""):
        raise ConfigError(
            f"journal {arguments.journal}: {wrong[0]}{f'; and {len(wrong) - 1} more' if len(wrong) > 1 else ''}; the "
            "journal is not what its run wrote: take that one, or choose other values (--check, --value)",
            wrong,
        )
    text = budget_tables(report, check=arguments.check or "", value=arguments.value or "")
    if not text:
        known = ", ".join(check.name for check in report.checks) or "none"
        raise ConfigError(
            f"journal {arguments.journal}: no value of check {arguments.check or 'any'}, name "
            f"{arguments.value or 'any'}; checks there: {known}{_damage_words(report.problems)}"
        )
    print(text)
    for problem in report.problems:
        print(f"journal {arguments.journal}: {problem}", file=sys.stderr)
    return _NOT_PASSED if report.problems else 0


def _damage_words(problems: Sequence[str]) -> str:
    return f"; it is damaged: {problems[0]}" if problems else ""


def _tables(arguments: argparse.Namespace) -> int:
    from benchrig.bench.command_table import TABLES, read_command_table, shipped_tables  # noqa: PLC0415

    tables = [read_command_table(TABLES / f"{name}.toml") for name in shipped_tables()]
    if arguments.json:
        print(json_text([{"name": one.name, "kind": one.kind, "summary": one.summary} for one in tables], indent=2))
        return 0
    for one in tables:
        print(f"{one.name:26} {one.kind:9} {one.summary}")
    return 0


def _trace(arguments: argparse.Namespace) -> int:
    from benchrig.trace_command import tell_trace  # noqa: PLC0415

    text, code = tell_trace(
        arguments.file,
        interval_s=arguments.interval,
        range_a=arguments.range,
        column=arguments.column,
        encoding=arguments.encoding,
        plot=arguments.plot,
        as_json=arguments.json,
    )
    print(text)
    return code


def _add_trace(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    trace = _command(commands, "trace", _trace, "cut a current trace into segments: floor, wakes, charge, radio timing")
    trace.add_argument(
        "file", type=Path, help="text with columns, NumPy (.npy, .npz), Parquet, or a block as instruments send it"
    )
    trace.add_argument("--interval", type=float, metavar="S", help="seconds from sample to sample, if it has no times")
    trace.add_argument("--range", type=float, metavar="A", help="range of the recorder: at its end a current is cut")
    trace.add_argument("--column", metavar="NAME", help="which column is the current, where several could be")
    trace.add_argument("--encoding", metavar="NAME", help="of a block: float32-be, float32-le, int16-be or int16-le")
    trace.add_argument("--plot", type=Path, metavar="OUT.svg", help="draw it with its segments")
    trace.add_argument("--json", action="store_true", help="as JSON, in base units")


def _draw(journal: Path) -> None:
    """Draw the plots of a run again, and tell where they lie."""
    from benchrig.run_plots import draw_run  # noqa: PLC0415

    drawn = draw_run(journal)
    for path in drawn.paths:
        print(f"plot:    {path}")
    for problem in drawn.problems:
        print(problem, file=sys.stderr)


def _simulate(arguments: Sequence[str]) -> NoReturn:
    """The simulation shares no code with the runner: this process becomes that program, and gets its signals."""
    os.execv(sys.executable, [sys.executable, "-m", "benchrig.simulation", *arguments])


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchrig",
        description="Boards are checked by pytest: pytest suites/production --bench FILE --board SERIAL. "
        "This command does what needs no board.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    report = _command(commands, "report", _report, "make the JUnit report and the table again from a journal")
    report.add_argument("journal", type=Path, help="journal of a run (.jsonl)")
    report.add_argument("--output", type=Path, metavar="FILE", help=_OUTPUT_HELP)
    report.add_argument("--plots", action="store_true", help="draw the run's plots again, beside the journal")
    look = _command(commands, "look", _look, "read a bench file and its profiles, and tell every problem at once")
    look.add_argument("bench", type=Path, help="bench file (.toml)")
    payload = _command(commands, "payload", _payload, "describe a profile's payload, or decode bytes by it")
    payload.add_argument("profile", type=Path, help="board profile (.toml)")
    payload.add_argument("hex", nargs="?", help="payload in hexadecimal; without it the field map is described")
    payload.add_argument("--port", type=int, help="port that the payload came on (default: the map's)")
    fit = _command(commands, "fitness", _fitness, "say without hardware what a bench can decide of a board profile")
    fit.add_argument("bench", type=Path, help="bench file (.toml)")
    fit.add_argument("--profile", type=Path, metavar="FILE", help="board profile (default: the one of each slot)")
    fit.add_argument("--slot", metavar="NAME", help="this slot alone")
    fit.add_argument("--json", action="store_true", help="as JSON")
    budget = _command(commands, "budget", _budget, "print the uncertainty budgets of a run: which cause dominates")
    budget.add_argument("journal", type=Path, help="journal of a run (.jsonl)")
    budget.add_argument("--check", metavar="NAME", help="this check alone")
    budget.add_argument("--value", metavar="NAME", help="values and readings whose name begins so")
    _add_trace(commands)
    points = _command(commands, "points", _points, "what the planned sweep points prove of a payload encoder")
    points.add_argument("profile", type=Path, help="board profile (.toml)")
    points.add_argument("--at", type=float, nargs="+", metavar="TEMP_C", help="temperatures of the sweep (default: 20)")
    points.add_argument("--json", action="store_true", help="as JSON")
    tables = _command(commands, "tables", _tables, "list the command tables for instruments that come along")
    tables.add_argument("--json", action="store_true", help="as JSON")
    add_energy_commands(lambda name, run, what: _command(commands, name, run, what), say=print)
    add_history_commands(lambda name, run, what: _command(commands, name, run, what), say=print)
    add_verify_commands(lambda name, run, what: _command(commands, name, run, what), say=print)
    add_capture_command(lambda name, run, what: _command(commands, name, run, what), say=print)
    add_dossier_commands(lambda name, run, what: _command(commands, name, run, what), say=print)
    commands.add_parser(_SIMULATE, help="start the simulated bench by hand (simulate --help tells its options)")
    return parser


def _command(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    run: Callable[[argparse.Namespace], int],
    what: str,
) -> argparse.ArgumentParser:
    parser = commands.add_parser(name, help=what, description=what)
    parser.set_defaults(run=run)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command. Bad input: one clear sentence and exit code 4; a bench error: 12; output that got lost: 13.

    `report` exits as the run did: 0, 10, 11 or 12 (`benchrig.exit_codes`).
    """
    given = sys.argv[1:] if argv is None else list(argv)
    if given[:1] == [_SIMULATE]:
        _simulate(given[1:])  # all that follows is for that program to read, its --help, too
    columns = _columns_of_reader(given)
    output = steady_stdout(clean=lambda text: fitted(safe_text(text), columns), wait=True)
    if output is None:
        return _done(given)
    before, sys.stdout = sys.stdout, output
    try:
        code = _done(given)
    except SystemExit as end:  # the command line could not be read, or --help was all that was wanted
        code = end.code if isinstance(end.code, int) else 0
    finally:
        sys.stdout = before
        output.end()
    return _told(output, code)


def _done(given: Sequence[str]) -> int:
    arguments = _parser().parse_args(given)
    from benchrig.errors import BenchrigError, ConfigError  # noqa: PLC0415

    try:
        return int(arguments.run(arguments))
    except ConfigError as wrong:
        print(safe_text(wrong.message), file=sys.stderr)
        return _USAGE
    except BenchrigError as wrong:
        print(safe_text(wrong.message), file=sys.stderr)
        return _BENCH_ERROR


def _columns_of_reader(given: Sequence[str]) -> int:
    """Columns of the terminal that a person reads on; 0 where a program reads."""
    for_program = sys.stdout is None or not sys.stdout.isatty() or {"--json", "--csv"} & set(given)
    return 0 if for_program else get_terminal_size().columns


def _told(output: SteadyOutput, code: int) -> int:
    """The exit code. Who read the output and left (`| head`) has seen enough; any other loss is told."""
    if not output.lost or output.reader_left:
        return code
    print(f"the output could not be written: {output.lost}; what files were to be written are", file=sys.stderr)
    return code or _OUTPUT_LOST


if __name__ == "__main__":
    sys.exit(main())
