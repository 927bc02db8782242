"""Starts pytest with the plugin as a user does, and reads what it leaves behind with other people's readers.

Knows what a user knows: options, exit codes, files. A run is marked in its environment, so that every process that it
starts can be found afterwards, whoever became its parent (Linux: /proc).
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time
import uuid
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import junitparser
from lxml import etree

from benchrig.journal import read_journal
from benchrig.records import RunStarted

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from benchrig.journal import Journal
    from benchrig.records import Record

ROOT = Path(__file__).parents[2]
BENCH = ROOT / "fixtures" / "benches" / "simulated.toml"
PROFILE = ROOT / "fixtures" / "boards" / "hay-barn-probe.toml"
PRODUCTION = ROOT / "suites" / "production"
RULES = etree.XMLSchema(etree.parse(str(ROOT / "tests" / "report" / "report_rules.xsd")))
BOARD = "HB-0001"
PATIENCE_S = 120.0
MARK = "BENCH_TEST_MARK"


def pytest_command(*arguments: str | Path) -> list[str]:
    """Pytest with this plugin, started by its name as an installed one; other plugins only with `ALL_PLUGINS`."""
    return [sys.executable, "-m", "pytest", "-p", "benchrig", *map(str, arguments)]


def environment() -> dict[str, str]:
    """This run's environment without what it tells pytest and the plugin.

    Who tests boards has installed neither hypothesis nor pytest-benchmark nor pytest-xdist, which the tests of this
    project need: to load them takes a fifth of the time of a short run.
    """
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("BENCHRIG_", "PYTEST_"))}
    return kept | {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}


ALL_PLUGINS = {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": ""}
"""In front of that, for runs that need another plugin: every installed one is loaded, as pytest does by itself."""


@dataclass(frozen=True)
class Finished:
    """A run that ended: exit code and both outputs."""

    code: int
    out: str
    err: str

    @property
    def text(self) -> str:
        return self.out + self.err


@dataclass
class Place:
    """A folder in which runs take place: own suites, own profile, reports."""

    folder: Path
    mark: str = field(default_factory=lambda: uuid.uuid4().hex)
    options: tuple[str, ...] = ("-p", "no:cacheprovider")

    @property
    def reports(self) -> Path:
        return self.folder / "reports"

    def write(self, name: str, text: str) -> Path:
        """A file of the folder."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    def suite(self, text: str, *, ini: str = "") -> Path:
        """An own suite beside an ini file of its own, so that nothing of this project's settings is used."""
        self.write("pytest.ini", f"[pytest]\naddopts = --strict-markers\nfilterwarnings = error\n{ini}")
        return self.write("test_own.py", "import pytest\n\npytestmark = pytest.mark.board_use('production')\n\n" + text)

    def profile(self, *, required: Sequence[str], limits: str = "") -> Path:
        """The demo profile with own checks that need no physics, all of them required."""
        names = ", ".join(f'"{name}"' for name in required)
        head, rest = PROFILE.read_text(encoding="utf-8").split("[maxima]", 1)
        before, _, after = rest.partition("production = [")
        after = after.partition("]")[2]
        return self.write(
            "own-profile.toml",
            f"{head}own_checks = [{names}]\n[maxima]{before}production = [{names}]{after}\n{limits}",
        )

    def start(
        self,
        *arguments: str | Path,
        env: Mapping[str, str] | None = None,
        before: Callable[[], None] | None = None,
        stdout: int = subprocess.PIPE,
        cwd: Path | None = None,
    ) -> subprocess.Popen[bytes]:
        """Start pytest; the caller waits for it."""
        return subprocess.Popen(
            pytest_command(*self.options, *arguments),
            cwd=cwd or self.folder,
            env={**environment(), MARK: self.mark, **(env or {})},
            stdin=subprocess.DEVNULL,
            stdout=stdout,
            stderr=subprocess.STDOUT if stdout != subprocess.PIPE else subprocess.PIPE,
            start_new_session=True,
            preexec_fn=before,  # noqa: PLW1509  # used for a limit of file size alone, by tests without threads
        )

    def run(
        self,
        *arguments: str | Path,
        env: Mapping[str, str] | None = None,
        before: Callable[[], None] | None = None,
        cwd: Path | None = None,
    ) -> Finished:
        """Run pytest to its end."""
        process = self.start(*arguments, env=env, before=before, cwd=cwd)
        out, err = process.communicate(timeout=PATIENCE_S)
        return Finished(process.returncode, out.decode(), err.decode())

    def on_bench(self, *arguments: str | Path, boards: Sequence[str] = (BOARD,), bench: Path = BENCH) -> list[str]:
        """The options that name bench, boards and reports, in front of others."""
        named = [part for board in boards for part in ("--board", board)]
        return ["--bench", str(bench), *named, "--bench-reports", str(self.reports), *map(str, arguments)]

    def processes(self) -> list[int]:
        """Every live process that a run of this place started, and those that these started."""
        return [int(path.name) for path in Path("/proc").iterdir() if path.name.isdigit() and self._is_ours(path)]

    def _is_ours(self, process: Path) -> bool:
        try:
            status = (process / "stat").read_text(encoding="ascii", errors="replace")
            if status.rpartition(")")[2].split()[0] == "Z":
                return False  # dead, and waits only for its parent to look
            return f"{MARK}={self.mark}".encode() in (process / "environ").read_bytes()
        except OSError:
            return False

    def journals(self, board: str = BOARD) -> list[Path]:
        """Journals of a board, oldest first."""
        return sorted((self.reports / board).glob("*.jsonl"))

    def records(self, board: str = BOARD) -> tuple[Record, ...]:
        """The records of a board's newest journal, which must be whole."""
        journal = read_journal(self.journals(board)[-1])
        assert journal.problems == ()
        return journal.records

    def started(self, board: str = BOARD) -> RunStarted:
        """The first line of a board's newest journal."""
        (started,) = [record for record in self.records(board) if isinstance(record, RunStarted)]
        return started

    def report(self, board: str = BOARD) -> Report:
        """The JUnit report of a board, which must keep the rules."""
        return Report.read(self.reports / f"{board}.xml")


@dataclass(frozen=True)
class Report:
    """A JUnit report as two foreign readers see it."""

    tests: int
    failures: int
    errors: int
    properties: Mapping[str, str]
    outcomes: Mapping[str, str]

    @classmethod
    def read(cls, path: Path) -> Report:
        """Valid by the rules; lxml and junitparser must count the same."""
        tree = etree.parse(str(path))
        RULES.assertValid(tree)
        (suite,) = junitparser.JUnitXml.fromfile(str(path))
        cases = list(suite)
        results = {case.name: next(iter(case.result), None) for case in cases}
        counted = (
            len(cases),
            sum(isinstance(result, junitparser.Failure) for case in cases for result in case.result),
            sum(isinstance(result, junitparser.Error) for case in cases for result in case.result),
        )
        root = tree.getroot()
        assert tuple(int(root.get(name, "")) for name in ("tests", "failures", "errors")) == counted
        assert (suite.tests, suite.failures, suite.errors) == counted
        return cls(
            *counted,
            properties={str(one.get("name")): str(one.get("value")) for one in root.iter("property")},
            outcomes={name: result.type if result is not None else "" for name, result in results.items()},
        )

    @property
    def is_a_pass(self) -> bool:
        return self.failures == 0 and self.errors == 0

    @property
    def state(self) -> str:
        return self.properties["run.state"]


def eventually(condition: Callable[[], bool], *, within_s: float = 10.0) -> bool:
    """Whether a condition came to hold in time; it is asked again and again."""
    deadline_s = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > deadline_s:
            return False
        time.sleep(0.005)  # gives the processor to the run that is waited for
    return True


def lines_of(journal: Path) -> tuple[Journal, int]:
    """A journal and the number of its lines, complete or not."""
    data = journal.read_bytes()
    return read_journal(journal), data.count(b"\n") + (not data.endswith(b"\n") and bool(data))


def with_largest_file(size_bytes: int) -> Callable[[], None]:
    """Makes a process that can write no file beyond a size: a disk that is full for it alone."""
    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, size_bytes))
