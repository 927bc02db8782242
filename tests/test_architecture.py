"""The house rules of DEVELOPERS.md, read off the imports: floors, sole importers, the simulation apart, no cycles."""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "benchrig"

# Rooms from the ground floor up. A module imports from its own floor only within its own room, else from below.
FLOORS: tuple[tuple[str, ...], ...] = (
    (
        "errors",
        "calibration",
        "quantity",
        "records",
        "record_chain",
        "clock",
        "reading",
        "stall_gauge",
        "toml_reader",
        "decimal_mark",
        "plain_file",
        "plain_json",
    ),
    ("judge", "payload"),
    ("protocol", "statistics"),
    ("wires",),
    ("bench", "board"),
    ("procedures",),
    ("journal", "known_secrets", "sun_file"),
    ("report", "trace_readers"),
    (
        "bench_fitness",
        "check",
        "trace_file",
        "waivers",
        "capture_file",
        "dossier",
        "exit_codes",
        "cautions",
        "simulated_bench",
        "sun_series",
        "look_text",
        "board_links",
        "store",
        "journal_signature",
    ),
    ("run_plan",),
    ("bench_air", "board_run", "capture_text", "run_plots", "run_history", "dossier_files", "lot_report"),
    ("production",),
    (
        "pytest_plugin",
        "cli",
        "energy_commands",
        "capture_command",
        "dossier_command",
        "trace_command",
        "history_command",
        "lot_command",
        "verify_command",
        "__main__",
    ),
)
GROUND_ROOMS_ARE_ONE = 0  # the vocabulary may use itself: records know verdict words, a reader of TOML its errors

SOLE_IMPORTERS = {
    "cryptography": {"protocol/lorawan_crypto.py", "journal_signature.py"},
    "pyvisa": {"wires/visa.py"},
    "serial": {"wires/serial_port.py"},
    "socket": {"wires/gateway_socket.py", "wires/socket_lane.py"},
    "filelock": {"bench/ownership.py"},
    "paho": {"wires/mqtt.py"},
    "sqlalchemy": {
        "store/attempts.py",
        "store/database.py",
        "store/folder.py",
        "store/importing.py",
        "store/migrations.py",
        "store/past.py",
        "store/questions.py",
    },
    "jmespath": {"protocol/broker_json.py"},
    "junit_xml": {"report/junit.py"},
    "pyarrow": {"trace_readers/arrays.py"},
    "segno": {"dossier/label.py"},
    "typst": {"dossier/pdf.py"},
    "pandas": {"sun_series.py"},
    "pvlib": {"sun_series.py"},
    "pytest": {
        "pytest_plugin/__init__.py",
        "pytest_plugin/bench_session.py",
        "pytest_plugin/markers.py",
        "pytest_plugin/options.py",
        "pytest_plugin/progress.py",
        "pytest_plugin/runner.py",
        "pytest_plugin/steady_terminal.py",
        "pytest_plugin/summary.py",
        "pytest_plugin/workers.py",
    },
}

PURE_ROOMS = ("judge", "payload", "protocol", "statistics")
NOT_IN_PURE_ROOMS = {
    "time",
    "socket",
    "os",
    "pathlib",
    "threading",
    "subprocess",
    "select",
    "io",
    "datetime",
    "tempfile",
}


def _modules() -> list[Path]:
    return sorted(path for path in PACKAGE.rglob("*.py") if "simulation" not in path.relative_to(PACKAGE).parts)


@cache
def _imports(path: Path) -> frozenset[str]:
    """Every module that a file imports, wherever in the file and even for types alone."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide the floor"
            found.add(node.module or "")
            found |= {f"{node.module}.{alias.name}" for alias in node.names if node.module == "benchrig"}
    return frozenset(found)


def _room(module: str) -> str:
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else ""


def _own_room(path: Path) -> str:
    first = path.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def _floor(room: str) -> int:
    return next(number for number, rooms in enumerate(FLOORS) if room in rooms)


def test_every_module_stands_on_a_floor() -> None:
    """A new room is given its place in the table before it is built."""
    rooms = {_own_room(path) for path in _modules()} - {"__init__"}

    assert rooms == {room for floor in FLOORS for room in floor}


@pytest.mark.parametrize("path", _modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_run_downwards_only(path: Path) -> None:
    """A module uses its own room and the floors below, nothing beside or above."""
    room = _own_room(path)
    if room == "__init__":
        return
    used = {_room(name) for name in _imports(path) if name.startswith("benchrig.")} - {room, "", "__version__"}

    above = {
        other
        for other in used
        if _floor(other) > _floor(room)
        or (_floor(other) == _floor(room) and _floor(room) not in (GROUND_ROOMS_ARE_ONE, len(FLOORS) - 1))
    }

    assert not above, f"{room} must not know {sorted(above)}"


@pytest.mark.parametrize("library", sorted(SOLE_IMPORTERS))
def test_each_wire_library_has_one_importer(library: str) -> None:
    """Foreign errors are translated in one place, so one place alone imports the library."""
    importers = {
        str(path.relative_to(PACKAGE))
        for path in _modules()
        if any(name.split(".")[0] == library for name in _imports(path))
    }

    assert importers <= SOLE_IMPORTERS[library]
    assert importers, f"nobody imports {library}: the table is out of date"


@pytest.mark.parametrize(
    "path",
    [path for path in _modules() if _own_room(path) in PURE_ROOMS],
    ids=lambda path: str(path.relative_to(PACKAGE)),
)
def test_pure_rooms_touch_no_clock_file_or_socket(path: Path) -> None:
    """Maths, codecs and protocols take values and return values."""
    assert not {name.split(".")[0] for name in _imports(path)} & NOT_IN_PURE_ROOMS


def test_simulation_shares_no_code_with_the_runner() -> None:
    """A fault of the runner's own codec cannot hide in a simulator that has the same one."""
    inside = PACKAGE / "simulation"
    outward = {
        (path.name, name)
        for path in inside.rglob("*.py")
        for name in _imports(path)
        if name.startswith("benchrig") and not name.startswith("benchrig.simulation")
    }
    inward = {
        (path.name, name) for path in _modules() for name in _imports(path) if name.startswith("benchrig.simulation")
    }

    assert outward == set()
    assert inward == set()


def test_there_is_no_import_cycle() -> None:
    """Modules can be read, and loaded, from the ground up."""
    graph = {_dotted(path): {name for name in _imports(path) if name.startswith("benchrig.")} for path in _modules()}
    known = set(graph)
    done: set[str] = set()

    def visit(module: str, trail: tuple[str, ...]) -> None:
        assert module not in trail, f"cycle: {' -> '.join((*trail, module))}"
        if module in done:
            return
        for used in sorted(graph[module] & known):
            visit(used, (*trail, module))
        done.add(module)

    for module in sorted(known):
        visit(module, ())


def _dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


WAITERS = {"clock.py", "bench/power_guard.py"}  # the guard outlives every Clock


def test_nobody_sleeps_but_the_clock() -> None:
    """All waits go through Clock, so that logic is tested without waiting."""
    sleepers = {
        str(path.relative_to(PACKAGE))
        for path in _modules()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and node.attr == "sleep" and getattr(node.value, "id", "") == "time"
    }

    assert sleepers <= WAITERS


def test_wall_clock_is_never_used_for_durations() -> None:
    """A clock step or a change to summer time does no harm: durations are monotonic."""
    offenders = {
        str(path.relative_to(PACKAGE))
        for path in _modules()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and node.attr == "time" and getattr(node.value, "id", "") == "time"
    }

    assert offenders == set()


ALLOWED_TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "benchrig", "fixtures", "suites", "tests", "reports"}


def test_top_level_is_as_fixed() -> None:
    """The top level holds what its users expect there, and nothing else but dot-files and build leftovers."""
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}

    assert found - ALLOWED_TOP - {"build", "dist", "benchrig.egg-info"} == set()
    assert found >= ALLOWED_TOP
