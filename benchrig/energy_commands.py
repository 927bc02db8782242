"""The commands `energy` and `sun`: life and solar year once more, without a bench. Thin: each imports what it needs.

Inputs come from a journal, whose check `energy` wrote them down, or from the command line, which wins.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable, Iterator

    from benchrig.board.profile import BoardProfile
    from benchrig.production.energy_budget import EnergyBudget
    from benchrig.records import ReadingTaken
    from benchrig.run_plan import Found

    AddCommand = Callable[[str, Callable[[argparse.Namespace], int], str], argparse.ArgumentParser]

_OPTIONS = {
    "floor": ("floor_a", "A", "floor current asleep, such as '17.2 uA' or '17.2 uA +- 0.1 uA' (standard uncertainty)"),
    "wake-charge": ("wake_charge_c", "C", "charge of one wake above the floor, such as '54 uC'"),
    "wake-period": ("wake_period_s", "s", "time from wake to wake"),
    "report-charge": ("report_charge_c", "C", "charge of a whole report above the floor, such as '3.6 mC'"),
    "transmit-charge": ("transmit_charge_c", "C", "all the charge of its transmission alone, with the floor in it"),
    "transmit-duration": ("transmit_duration_s", "s", "how long that lasts"),
    "receive-charge": ("receive_charge_c", "C", "charge of its first receive window above the floor"),
    "receive-duration": ("receive_duration_s", "s", "how long that lasts"),
}


_UNITS = {key: unit for key, unit, _ in _OPTIONS.values()} | {"sleep_mean_a": "A", "spreading_factor": "1"}
"""Of every input that a journal may hold."""

_LEAST, _MOST = 1e-15, 1e9
"""No board has less or more of anything, in base units, but nothing of it; beyond them arithmetic ends. Own choice."""

_BY_NOISE = 3.0
"""A reading may lie below 0 by as many standard uncertainties: a floor of nothing does, by its noise. Own choice."""


def add_energy_commands(add: AddCommand, *, say: Callable[[str], None]) -> None:
    """Add both commands; `say` shows a line."""
    energy = add(
        "energy",
        lambda arguments: _show(_energy_lines(arguments), say),
        "reckon average current and battery life from a journal, or from charges that are given",
    )
    sun = add(
        "sun",
        lambda arguments: _show(_sun_lines(arguments), say),
        "run a solar year of a profile: months, empty days, the cheapest change",
    )
    for one, tables in ((energy, "a table energy"), (sun, "tables energy and solar")):
        one.add_argument("profile", type=Path, help=f"board profile (.toml) with {tables}")
        one.add_argument("--journal", type=Path, metavar="FILE", help="journal of a run (.jsonl) to take inputs from")
        for name, (_, _, text) in _OPTIONS.items():
            one.add_argument(f"--{name}", metavar="QUANTITY", help=text)
    sun.add_argument("--plot", type=Path, metavar="FILE", help="draw the stored charge through the year (.svg)")


def _show(lines: Iterator[str], say: Callable[[str], None]) -> int:
    for line in lines:
        say(line)
    return 0


def _energy_lines(arguments: argparse.Namespace) -> Iterator[str]:
    from benchrig.production.energy import annex_lines  # noqa: PLC0415  # --help must not pay for numpy

    yield from annex_lines(_budget(arguments, _profile(arguments)))


def _sun_lines(arguments: argparse.Namespace) -> Iterator[str]:
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.judge.autonomy import charge_by_day  # noqa: PLC0415
    from benchrig.production.energy import year_lines  # noqa: PLC0415
    from benchrig.production.solar_year import solar_year  # noqa: PLC0415
    from benchrig.report.sun_plot import write_sun_plot  # noqa: PLC0415
    from benchrig.sun_series import sun_of  # noqa: PLC0415

    profile = _profile(arguments)
    budget = _budget(arguments, profile)
    if profile.energy is None or profile.solar is None:
        raise ConfigError(f"board profile {profile.path}: has no table solar; give it panel, charger and the sun")
    year = solar_year(profile.solar, profile.energy, budget, sun_of(profile.solar), always_try=True)
    yield from year_lines(year, with_months=True)
    if arguments.plot:
        charge = charge_by_day(year.sun, year.system, spread=year.spread)
        write_sun_plot(arguments.plot, charge, title=f"{profile.name}: stored charge, {year.system.panel_w:g} W panel")
        yield f"plot: {arguments.plot}"


def _profile(arguments: argparse.Namespace) -> BoardProfile:
    from benchrig.board.profile import read_board_profile  # noqa: PLC0415

    profile: BoardProfile = read_board_profile(arguments.profile)
    return profile


def _budget(arguments: argparse.Namespace, profile: BoardProfile) -> EnergyBudget:
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.production.energy_budget import energy_budget, missing  # noqa: PLC0415

    if profile.energy is None:
        raise ConfigError(f"board profile {profile.path}: has no table energy; give it one, with the cell")
    found = {**_from_journal(arguments.journal), **_given(arguments)}
    if gone := missing(found):
        names = [name for name, (key, _, _) in _OPTIONS.items() if key in gone]
        told, words = (", ".join(each) for each in ([n.replace("-", " ") for n in names], [f"--{n}" for n in names]))
        raise ConfigError(f"not known: {told}; give --journal FILE of a run that measured it, or {words}")
    try:
        return energy_budget(profile.energy, found)
    except ValueError as wrong:
        raise ConfigError(f"board profile {profile.path}, and what was measured or given: {wrong}") from wrong


def _from_journal(path: Path | None) -> dict[str, Found]:
    """What the check `energy` of a run wrote down; of two attempts the last. Raises ConfigError for a damaged one."""
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.journal import read_journal  # noqa: PLC0415
    from benchrig.plain_file import is_plain_file  # noqa: PLC0415
    from benchrig.production.energy_budget import USED  # noqa: PLC0415
    from benchrig.record_chain import ChainState, read_chain  # noqa: PLC0415
    from benchrig.records import ReadingTaken  # noqa: PLC0415

    if path is None:
        return {}
    if not is_plain_file(path):
        raise ConfigError(f"journal {path}: there is no such file; give a .jsonl file of reports/BOARD/")
    journal, chain = read_journal(path), read_chain(path.read_bytes())
    if wrong := (*journal.problems, *([chain.why] if chain.state is ChainState.BROKEN else [])):
        raise ConfigError(
            f"journal {path}: it is damaged, and what is lost may be what was measured last: {wrong[0]}; give the "
            "journal of a whole run as it was written, or the charges instead",
            wrong,
        )
    taken = (one for one in journal.records if isinstance(one, ReadingTaken) and one.check == "energy")
    last = {one.name: one for one in taken if one.name in USED}
    found = {name: _recorded(path, one) for name, one in last.items() if one.value is not None}
    if not found:
        raise ConfigError(f"journal {path}: its run wrote down no input of the check energy; give the charges instead")
    return found


def _recorded(path: Path, one: ReadingTaken) -> Found:
    """A reading of a journal as an input. Raises ConfigError for what no run can have written."""
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.run_plan import Found  # noqa: PLC0415

    value, u, unit = one.value or 0.0, one.standard_uncertainty, _UNITS[one.name]
    problem = ""
    if one.unit != unit:
        problem = f"is in {one.unit!r}; accepted: {unit!r}"
    elif not 0.0 <= u <= _MOST:
        problem = f"has the standard uncertainty {u!r} {unit}; accepted: 0 to {_MOST:g}"
    elif not -_BY_NOISE * u <= value <= _MOST:
        problem = f"is {value!r} {unit}; accepted: 0 to {_MOST:g}, and below 0 what its uncertainty explains"
    if problem:
        raise ConfigError(
            f"journal {path}, check energy, reading {one.name}: {problem}; the journal was changed after its run: take "
            f"the one of the run, or give the charges instead"
        )
    return Found(value, u, unit)


def _given(arguments: argparse.Namespace) -> dict[str, Found]:
    given = {name: (key, unit, getattr(arguments, name.replace("-", "_"))) for name, (key, unit, _) in _OPTIONS.items()}
    return {key: _quantity(name, text, unit) for name, (key, unit, text) in given.items() if text is not None}


def _is_sized(value: float) -> bool:
    return value == 0.0 or _LEAST <= value <= _MOST


def _quantity(name: str, text: str, unit: str) -> Found:
    """A value, and behind ± or +- its standard uncertainty."""
    from benchrig.errors import ConfigError  # noqa: PLC0415
    from benchrig.quantity import parse_quantity  # noqa: PLC0415
    from benchrig.run_plan import Found  # noqa: PLC0415

    parts = re.split(r"±|\+-", text)
    try:
        numbers = [parse_quantity(part) for part in parts]
    except ValueError as wrong:
        raise ConfigError(f"--{name} {text!r}: {wrong}") from wrong
    if len(numbers) > 2 or any(base != unit or not _is_sized(value) for value, base in numbers):
        raise ConfigError(
            f"--{name} {text!r}; accepted: a quantity in {unit} from 0 up ({_LEAST:g} to {_MOST:g}, or 0), and +- its "
            "standard uncertainty"
        )
    if len(numbers) == 2 and numbers[0][0] == 0.0 < numbers[1][0]:
        raise ConfigError(
            f"--{name} {text!r}: what is never below 0 has no uncertainty about 0; accepted: 0 alone, or a mean above "
            "it, such as half of what it is at most"
        )
    return Found(numbers[0][0], numbers[1][0] if len(numbers) == 2 else 0.0, unit)
