"""Options of the plugin: their help, their sources in a fixed order, and what they mean together.

Command line first, then environment, then the ini file, then the default; the run's record keeps which source
won. Every bad value's message says where it came from.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchrig.bench.bench_file import BenchSpec, read_bench_file
from benchrig.board.checks import CHECKS
from benchrig.board.profile import BoardProfile, read_board_profile
from benchrig.clock import ScaledClock
from benchrig.errors import ConfigError
from benchrig.report.names import ACCEPTED_NAMES, is_file_name
from benchrig.run_plan import Provenance
from benchrig.simulated_bench import Addresses, read_addresses
from benchrig.waivers import Waiver, read_waivers

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    import pytest

_ASKING = (
    "bench_file",
    "bench_boards",
    "bench_profile",
    "bench_faults",
    "bench_scale",
    "bench_seed",
    "bench_simulation",
    "bench_waivers",
)
_INI = "ini file"
_SCALES = (0.01, 100.0)
_LONGEST_NAME = 200


def add_options(parser: pytest.Parser) -> None:
    """Register every option and its ini twin."""
    group = parser.getgroup("bench", "checking boards on a bench (benchrig)")
    group.addoption("--bench", dest="bench_file", metavar="FILE", help="bench file (TOML): what is on the table")
    group.addoption(
        "--board",
        dest="bench_boards",
        action="append",
        default=[],
        metavar="[SLOT=]SERIAL",
        help="serial number on the board's label, and the slot it lies in; repeat for several slots",
    )
    group.addoption(
        "--bench-profile",
        dest="bench_profile",
        metavar="FILE",
        help="board profile (TOML) in place of the one that the slot names",
    )
    group.addoption(
        "--bench-reports",
        dest="bench_reports",
        metavar="DIR",
        help="folder for journals and JUnit reports (default: reports/ in the root folder)",
    )
    group.addoption("--bench-operator", dest="bench_operator", metavar="NAME", help="who runs this, for the record")
    group.addoption(
        "--bench-fault",
        dest="bench_faults",
        action="append",
        default=[],
        metavar="[SLOT:]NAME",
        help="simulated bench only: switch a named fault on; repeatable; `benchrig simulate --list-faults`",
    )
    group.addoption(
        "--bench-scale",
        dest="bench_scale",
        metavar="X",
        help="simulated bench only: bench seconds in one wall second (default: the bench file's scale)",
    )
    group.addoption(
        "--bench-seed", dest="bench_seed", metavar="N", help="simulated bench only: seed (default: the bench file's)"
    )
    group.addoption(
        "--bench-simulation",
        dest="bench_simulation",
        metavar="FILE",
        help="simulated bench only: use the one started by hand that wrote its addresses to FILE",
    )
    group.addoption(
        "--bench-plots",
        dest="bench_plots",
        metavar="yes|no",
        help="draw the plots of each run beside its journal, once the bench is off (default: yes)",
    )
    group.addoption(
        "--bench-waivers",
        dest="bench_waivers",
        metavar="FILE",
        help="waiver file (TOML): who accepted which check's bad result, why and until when",
    )
    _add_provenance(group)
    for name, what in (
        *((name, f"like {_option(name)}") for name in _PROVENANCE),
        ("bench_plots", "yes or no, like --bench-plots"),
        ("bench_file", "bench file, like --bench"),
        ("bench_reports", "folder for journals and reports, like --bench-reports"),
        ("bench_operator", "who runs this, like --bench-operator"),
    ):
        parser.addini(name, what, type="string", default=None)


_PROVENANCE = {
    "bench_lot": ("NAME", "the lot that the boards are from, for the record"),
    "bench_assembly_revision": ("NAME", "revision of their assembly, for the record"),
    "bench_contact_fixture": ("NAME", "the contact fixture that they lie in, for the record"),
    "bench_history": (
        "URL",
        "history to ask before and to tell after each run: a path for SQLite, or postgresql://USER@HOST/NAME",
    ),
    "bench_sign_key": ("FILE", "private key (Ed25519, PEM) that signs each journal when its run has ended"),
}


def _option(name: str) -> str:
    return f"--{name.replace('_', '-')}"


def _add_provenance(group: pytest.OptionGroup) -> None:
    for name, (metavar, text) in _PROVENANCE.items():
        group.addoption(_option(name), dest=name, metavar=metavar, help=text)


@dataclass(frozen=True)
class BoardPlace:
    """A board by its label, and the slot it lies in."""

    slot: str
    serial: str
    profile: BoardProfile


@dataclass(frozen=True)
class BenchOptions:
    """All options, read and checked together."""

    bench: BenchSpec
    boards: tuple[BoardPlace, ...]
    reports: Path
    operator: str
    scale: float
    simulator_arguments: tuple[str, ...]
    by_hand: Addresses | None
    sources: Mapping[str, str]
    plots: bool = True
    waivers: tuple[Waiver, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)
    history: str = ""
    sign_key: Path | None = None

    @property
    def faults(self) -> tuple[str, ...]:
        """Faults of the simulated bench, from the bench file and the command line, or as it announced them."""
        if self.by_hand is not None:
            return self.by_hand.faults
        configured = self.bench.simulation.faults if self.bench.simulation else ()
        arguments = self.simulator_arguments
        given = [arguments[i + 1] for i, argument in enumerate(arguments) if argument == "--fault"]
        return (*configured, *given)


def is_asked_for(config: pytest.Config) -> bool:
    """Whether this pytest run works with a bench: the command line says so.

    A bench file named in the environment or the ini file alone does not, or no other test could run there.
    """
    return any(config.getoption(name) for name in _ASKING)


def runs_tests(config: pytest.Config) -> bool:
    """Whether tests are to run at all, not only to be listed."""
    option = config.option
    return not (option.collectonly or option.showfixtures or option.show_fixtures_per_test)


def read_options(config: pytest.Config) -> BenchOptions:
    """Read bench file and profiles and put the options together. Raises ConfigError."""
    sources: dict[str, str] = {}
    bench_text = _text(config, "bench_file", sources)
    if bench_text is None:
        raise ConfigError("no bench file: give --bench FILE, or set BENCHRIG_BENCH_FILE or the ini value bench_file")
    bench = read_bench_file(_from(config, sources["bench_file"]) / bench_text)
    profile = config.getoption("bench_profile")
    reports = _text(config, "bench_reports", sources)
    scale = _scale(config, bench)
    arguments = _simulator_arguments(config, bench)
    by_hand = _by_hand(config, bench)
    boards = _boards(config.getoption("bench_boards"), bench, profile and config.invocation_params.dir / profile)
    return BenchOptions(
        bench=bench,
        boards=boards,
        reports=_from(config, sources["bench_reports"]) / reports if reports else config.rootpath / "reports",
        operator=_text(config, "bench_operator", sources) or "",
        scale=by_hand.scale if by_hand else scale,
        simulator_arguments=arguments,
        by_hand=by_hand,
        sources=sources,
        plots=_yes(config, "bench_plots", sources),
        waivers=_waivers(config, boards),
        provenance=_provenance(config, sources),
        history=_history(config, sources),
        sign_key=_path(config, "bench_sign_key", sources),
    )


def _waivers(config: pytest.Config, boards: tuple[BoardPlace, ...]) -> tuple[Waiver, ...]:
    """Those of the file, all valid today, by the clock that dates the run."""
    given = config.getoption("bench_waivers")
    if not given:
        return ()
    checks = [*CHECKS, *(name for place in boards for name in place.profile.own_checks)]
    return read_waivers(config.invocation_params.dir / given, checks=checks, today=ScaledClock(1.0).utc().date())


def _provenance(config: pytest.Config, sources: dict[str, str]) -> Provenance:
    names = {
        name: _text(config, f"bench_{name}", sources) or "" for name in ("lot", "assembly_revision", "contact_fixture")
    }
    for name, text in names.items():
        if len(text) > _LONGEST_NAME:
            source = sources[f"bench_{name}"]
            raise ConfigError(
                f"bench_{name} is a text of {len(text)} characters ({source}); accepted: up to {_LONGEST_NAME}"
            )
    return Provenance(**names)


def _history(config: pytest.Config, sources: dict[str, str]) -> str:
    """An address as it is, a path from the folder that its source stands for."""
    text = _text(config, "bench_history", sources) or ""
    return text if not text or "://" in text else str(_from(config, sources["bench_history"]) / text)


def _path(config: pytest.Config, name: str, sources: dict[str, str]) -> Path | None:
    text = _text(config, name, sources)
    return _from(config, sources[name]) / text if text else None


def _yes(config: pytest.Config, name: str, sources: dict[str, str]) -> bool:
    text = _text(config, name, sources) or "yes"
    if text not in ("yes", "no"):
        raise ConfigError(f"{name} is {text!r} ({sources[name]}); accepted: yes, no")
    return text == "yes"


def _from(config: pytest.Config, source: str) -> Path:
    """The folder that a relative path starts from: that of the ini file for what stands in it."""
    return config.inipath.parent if source == _INI and config.inipath else config.invocation_params.dir


def _lookup(config: pytest.Config, name: str) -> tuple[str | None, str]:
    variable = f"BENCHRIG_{name.upper()}"
    ini = config.getini(name)
    for value, source in (
        (config.getoption(name), "command line"),
        (os.environ.get(variable), f"environment {variable}"),
        (str(ini) if ini else None, _INI),
    ):
        if value:
            return value, source
    return None, "default"


def _text(config: pytest.Config, name: str, sources: dict[str, str]) -> str | None:
    value, sources[name] = _lookup(config, name)
    return value


def _boards(given: list[str], bench: BenchSpec, profile: Path | None) -> tuple[BoardPlace, ...]:
    slots = tuple(bench.slots)
    if not given:
        raise ConfigError(
            "no board named: give --board SERIAL as it stands on the label "
            f"(or --board SLOT=SERIAL; slots of this bench: {', '.join(slots)})"
        )
    placed: dict[str, str] = {}
    for text in given:
        slot, equals, serial = text.rpartition("=")
        slot = slot if equals else slots[0]
        if slot not in slots:
            raise ConfigError(f"--board {text!r}: this bench has no slot {slot!r}; accepted: {', '.join(slots)}")
        if not is_file_name(serial):
            raise ConfigError(f"--board {text!r}: {serial!r} is no serial number; accepted: {ACCEPTED_NAMES}")
        if slot in placed or serial in placed.values():
            raise ConfigError(f"--board {text!r}: slot or board is named twice; each board lies in one slot")
        placed[slot] = serial
    return tuple(
        BoardPlace(slot, placed[slot], read_board_profile(profile or bench.slots[slot].profile))
        for slot in slots
        if slot in placed
    )


def _scale(config: pytest.Config, bench: BenchSpec) -> float:
    if bench.simulation is None:
        return 1.0
    text = config.getoption("bench_scale")
    if text is None:
        return bench.simulation.scale
    try:
        scale = float(text)
    except ValueError:
        scale = 0.0
    if not _SCALES[0] <= scale <= _SCALES[1]:
        raise ConfigError(f"--bench-scale {text}: accepted: a number from {_SCALES[0]:g} to {_SCALES[1]:g}")
    return scale


def _simulator_arguments(config: pytest.Config, bench: BenchSpec) -> tuple[str, ...]:
    faults, scale, seed = (config.getoption(name) for name in ("bench_faults", "bench_scale", "bench_seed"))
    if bench.simulation is None and (faults or scale or seed):
        raise ConfigError(
            f"--bench-fault, --bench-scale and --bench-seed are for simulated benches; {bench.path} has no [simulation]"
        )
    arguments = [part for fault in faults for part in ("--fault", fault)]
    arguments += ["--scale", scale] if scale else []
    if seed is not None and not re.fullmatch(r"[0-9]{1,9}", seed):
        raise ConfigError(f"--bench-seed {seed}: accepted: a whole number from 0 to 999999999")
    return (*arguments, *(["--seed", seed] if seed else []))


def _by_hand(config: pytest.Config, bench: BenchSpec) -> Addresses | None:
    """What a simulation that was started by hand announced; it has its own scale, seed and faults."""
    text = config.getoption("bench_simulation")
    if text is None:
        return None
    if bench.simulation is None:
        raise ConfigError(f"--bench-simulation is for simulated benches; {bench.path} has no [simulation]")
    for option, name in (("--bench-fault", "bench_faults"), ("--bench-seed", "bench_seed")):
        if config.getoption(name):
            raise ConfigError(f"{option} changes nothing in a simulation started by hand: start that one with it")
    found = read_addresses(config.invocation_params.dir / text)
    scale = config.getoption("bench_scale")
    if scale is not None and float(scale) != found.scale:
        raise ConfigError(f"--bench-scale {scale}: the simulation of {text} runs at {found.scale:g}; leave it out")
    return found
