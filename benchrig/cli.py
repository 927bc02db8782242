"""The command `benchrig`: what is done without a bench run. Thin: each command imports what it needs, when it runs."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

_USAGE = 4
_NOT_PASSED = 10


def _report(arguments: argparse.Namespace) -> int:
    from benchrig.journal import read_journal  # noqa: PLC0415  # --help must not pay for msgspec
    from benchrig.report.board_report import board_report  # noqa: PLC0415
    from benchrig.report.junit import write_report  # noqa: PLC0415
    from benchrig.report.table import board_table  # noqa: PLC0415

    report = board_report(read_journal(arguments.journal))
    path = arguments.output or arguments.journal.parent.parent / f"{report.board}.xml"
    write_report(report, path)
    print(board_table(report))
    print(f"report:  {path}")
    return 0 if report.passed else _NOT_PASSED


def _look(arguments: argparse.Namespace) -> int:
    from benchrig.bench.bench_file import read_bench_file  # noqa: PLC0415
    from benchrig.board.profile import read_board_profile  # noqa: PLC0415

    bench = read_bench_file(arguments.bench)
    print(f"bench file {arguments.bench}: good; {bench.name}, slots {', '.join(bench.slots)}")
    for profile in sorted({slot.profile for slot in bench.slots.values()}):
        board = read_board_profile(profile)
        limits = sum(len(values) for values in board.limits.values())
        print(f"board profile {profile}: good; {board.name}, {limits} limits")
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
    found = decode(profile.field_map, payload, port=arguments.port or profile.field_map.port)
    for name, value in found.values.items():
        print(f"{name:24} {value.word or value.value!s:>12} {value.unit}")
    for problem in found.problems:
        print(f"problem: {problem}")
    return _NOT_PASSED if found.problems else 0


def _tables(arguments: argparse.Namespace) -> int:
    from benchrig.bench.command_table import TABLES, read_command_table, shipped_tables  # noqa: PLC0415

    tables = [read_command_table(TABLES / f"{name}.toml") for name in shipped_tables()]
    if arguments.json:
        print(json.dumps([{"name": one.name, "kind": one.kind, "summary": one.summary} for one in tables], indent=2))
        return 0
    for one in tables:
        print(f"{one.name:26} {one.kind:9} {one.summary}")
    return 0


def _simulate(arguments: argparse.Namespace) -> int:
    import subprocess  # noqa: PLC0415  # the simulation shares no code with the runner: it is another program

    return subprocess.call([sys.executable, "-m", "benchrig.simulation", *arguments.arguments])


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="benchrig",
        description="Boards are checked by pytest: pytest suites/production --bench FILE --board SERIAL. "
        "This command does what needs no board.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    report = _command(commands, "report", _report, "make the JUnit report and the table again from a journal")
    report.add_argument("journal", type=Path, help="journal of a run (.jsonl)")
    report.add_argument("--output", type=Path, metavar="FILE", help="where to write (default: <reports>/<board>.xml)")
    look = _command(commands, "look", _look, "read a bench file and its profiles, and tell every problem at once")
    look.add_argument("bench", type=Path, help="bench file (.toml)")
    payload = _command(commands, "payload", _payload, "describe a profile's payload, or decode bytes by it")
    payload.add_argument("profile", type=Path, help="board profile (.toml)")
    payload.add_argument("hex", nargs="?", help="payload in hexadecimal; without it the field map is described")
    payload.add_argument("--port", type=int, help="port that the payload came on (default: the map's)")
    tables = _command(commands, "tables", _tables, "list the command tables for instruments that come along")
    tables.add_argument("--json", action="store_true", help="as JSON")
    simulate = commands.add_parser("simulate", help="start the simulated bench by hand", add_help=False)
    simulate.add_argument("arguments", nargs=argparse.REMAINDER)
    simulate.set_defaults(run=_simulate)
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
    """Run a command. Bad input: one clear sentence and exit code 4; a bench error: 12."""
    arguments = _parser().parse_args(argv)
    from benchrig.errors import BenchrigError, ConfigError  # noqa: PLC0415

    try:
        return int(arguments.run(arguments))
    except ConfigError as wrong:
        print(wrong.message, file=sys.stderr)
        return _USAGE
    except BenchrigError as wrong:
        print(wrong.message, file=sys.stderr)
        return 12


if __name__ == "__main__":
    sys.exit(main())
