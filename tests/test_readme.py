"""What the documents promise, held against what is there: the lines to copy, options, codes, words, samples."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchrig.exit_codes import MEANING, ExitCode, exit_code
from benchrig.journal import read_journal
from benchrig.records import LimitJudged, RunState, Verdict
from benchrig.report.board_report import board_report

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
REPORTS = (ROOT / "reports" / "README.md").read_text(encoding="utf-8")
DOCUMENTS = ("README.md", "DEVELOPERS.md", "reports/README.md")
PROFILE = ROOT / "fixtures" / "boards" / "hay-barn-probe.toml"
SUITE = ROOT / "suites" / "production" / "test_production.py"


def block(marker: str, *, of: str = README) -> str:
    """The fenced text of a document behind a marker that stands there once."""
    assert of.count(f"<!-- {marker} -->") == 1, marker
    fenced = re.search(rf"<!-- {marker} -->\n```\w*\n(.*?)\n```\n", of, re.DOTALL)
    assert fenced, f"no fence right behind {marker}"
    return fenced[1]


def section(title: str) -> str:
    """A section of README.md."""
    return re.split(r"(?m)^## ", README.partition(f"\n## {title}\n")[2], maxsplit=1)[0]


def rows(text: str, heading: str) -> list[list[str]]:
    """The rows of a table, by its first heading."""
    found = re.search(rf"(?mi)^\| {heading} \|.*\n\|[-|]+\n((?:\|.*\n)+)", text)
    assert found, f"no table of {heading}"
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in found[1].splitlines()]


def python(*arguments: str | Path, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    """Run Python with arguments, away from this run's own settings."""
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("PYTEST_", "BENCHRIG_"))}
    command = [sys.executable, *map(str, arguments)]
    return subprocess.run(
        command, cwd=cwd, env=environment | {"COLUMNS": "100"}, capture_output=True, text=True, timeout=90, check=False
    )


@pytest.fixture(scope="module")
def options_told() -> str:
    """What pytest --help says of the options and ini values of this plugin, and of its own."""
    return python("-m", "pytest", "--help").stdout


# ---- the two lines


@pytest.mark.parametrize("name", ["check", "tests"])
def test_line_to_copy(name: str) -> None:
    """Each of the two lines is one line, makes its own environment, and is what the check of the project takes."""
    line = block(f"line: {name}")
    taking = re.search(r"(?ms)^line\(\) \{.*?^\}", (ROOT / ".ci" / "run").read_text(encoding="utf-8"))
    assert taking

    taken = subprocess.run(
        ["bash", "-c", f"{taking[0]}\nline {name}"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout

    assert taken == line + "\n"
    assert "\n" not in line
    environment, install, rest = line.split(" && ", 2)
    system, _, last = rest.rpartition(" && ")
    assert environment == "python3 -m venv .venv"
    assert install.startswith(".venv/bin/pip install -q -e ")
    assert last.split()[0] == ".venv/bin/pytest"
    assert not system or re.search(r"echo \"installing .*apt-get -qq install", system)  # what it installs it says
    assert ".ci/run" in DEVELOPERS
    assert os.access(ROOT / ".ci" / "run", os.X_OK)


def test_line_of_the_tests_runs_all_of_them() -> None:
    """The line of the tests installs what they need, and names none of them: the settings name the folder."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

    assert re.search(r"-e '\.\[test\]' && \{ .* mosquitto .*; \}; \} && \.venv/bin/pytest$", block("line: tests"))
    assert settings["tool"]["pytest"]["ini_options"]["testpaths"] == ["tests"]
    extra = {re.split(r"[>=<]", name)[0] for name in settings["project"]["optional-dependencies"]["test"]}
    assert extra >= {"hypothesis", "mypy", "ruff", "lxml", "junitparser", "scipy"}


# ---- links, options, words


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_lead_somewhere(document: str) -> None:
    """Every relative link, and every path of the project in backticks, exists."""
    text = (ROOT / document).read_text(encoding="utf-8")
    links = [link for link in re.findall(r"\]\(([^)#]+)", text) if "://" not in link]
    paths = re.findall(r"`((?:benchrig|fixtures|suites|tests)/[\w./-]+)`", text)

    assert [link for link in links if not (ROOT / document).parent.joinpath(link).exists()] == []
    assert [path for path in paths if not (ROOT / path).exists()] == []


def test_every_option_in_the_readme_exists(options_told: str) -> None:
    """An option that the README names is one of pytest's, of this plugin's, of the simulator's or of a command."""
    commands = re.findall(r"(?m)^    ([a-z]+) ", python("-m", "benchrig", "--help").stdout)
    assert len(commands) >= 10
    of_commands = "".join(python("-m", "benchrig", command, "--help").stdout for command in commands)
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README)) | set(re.findall(r"`(-[a-z])\b", README))

    known = re.findall(r"(?<![\w-])(--?[a-z][a-z-]*)(?![\w-])", options_told + of_commands)
    known.append("--junitxml")  # an old spelling, which pytest takes and does not list

    assert len(named) >= 12
    assert named - set(known) == set()


def test_every_option_of_the_plugin_is_in_the_readme(options_told: str) -> None:
    """The section on options names each option of the plugin, with its value, and each ini value."""
    told = section("Options")
    options = re.findall(r"(?m)^  (--bench(?:-[a-z]+)*|--board)=(\S+)", options_told.partition("(benchrig):")[2])
    options = [(name, value) for name, value in options if not name.startswith("--benchmark")]
    settings = re.findall(r"(?m)^  (bench_\w+) \(string\):", options_told)

    assert len(options) >= 11
    for name, value in options:
        assert re.search(rf"`{name}(?: {re.escape(value)})?`", told), name
    assert len(settings) == 9
    for name in settings:
        assert f"`{name}`" in told
        assert f"`BENCHRIG_{name.upper()}`" in told


def test_exit_codes_are_those_of_the_tool() -> None:
    """The table of exit codes names each code once, with the meaning that the tool gives it, and that for bad input."""
    table = {int(code): words for code, words in rows(README, "exit code")}

    assert set(table) == {*ExitCode, pytest.ExitCode.USAGE_ERROR}
    assert MEANING[ExitCode.PASSED].startswith(table[0])
    assert table[10] == MEANING[ExitCode.NOT_PASSED]
    assert table[11].endswith(MEANING[ExitCode.INCOMPLETE])
    assert MEANING[ExitCode.BENCH_ERROR].startswith("the bench failed: " + table[12].removeprefix("bench error: "))


def test_order_of_exit_codes() -> None:
    """When several hold, the code is the one that the README says."""
    assert "When several hold, bench error counts first, then not passed, then incomplete." in README
    assert exit_code([Verdict.NOT_RUN, Verdict.FAIL, Verdict.BENCH_ERROR]) == 12
    assert exit_code([Verdict.NOT_RUN, Verdict.FAIL, Verdict.PASS]) == 10
    assert exit_code([Verdict.NOT_RUN, Verdict.PASS]) == 11


@pytest.mark.parametrize("text", [README, REPORTS], ids=["README.md", "reports/README.md"])
def test_verdict_words(text: str) -> None:
    """The verdicts explained are the closed set, in its order."""
    assert [row[0] for row in rows(text, "verdict")] == [verdict.value for verdict in Verdict]


def test_words_for_how_far_a_run_came() -> None:
    """The states explained are the closed set."""
    assert [row[0] for row in rows(REPORTS, "state")] == [state.value for state in RunState]


def test_floors_are_those_of_the_architecture_test() -> None:
    """DEVELOPERS.md names every room of the architecture test on its floor, and no other."""
    source = (ROOT / "tests" / "test_architecture.py").read_text(encoding="utf-8")
    floors = eval(re.search(r"(?ms)^FLOORS[^=]*= (\(.*?^\))", source)[1])  # type: ignore[index]
    told = [
        (room.strip("/"), "0" if floor == "ground" else floor)
        for floor, named, *_ in rows(DEVELOPERS, "floor")
        for room in re.findall(r"`([\w/]+)`", named)
    ]

    expected = {room: str(number) for number, rooms in enumerate(floors) for room in rooms if room != "__main__"}

    assert {room for room, _ in told} == {*expected, "simulation"}
    for room, floor in told:
        assert expected.get(room, "apart") in floor.split(", "), room


# ---- the sample output


@dataclass(frozen=True)
class Row:
    """A row of the board table: what was judged, and how."""

    name: str
    verdict: str


def table_of(text: str) -> list[Row]:
    """The rows of the printed table; figures, and the point which was the worst, are left out."""
    lines = text.splitlines()
    (start,) = [number for number, line in enumerate(lines) if line.startswith("check / what")]
    at = {word: lines[start].index(word) for word in ("measured", "verdict")}
    found: list[Row] = []
    for line in lines[start + 2 :]:
        if not line.strip():
            break
        is_check = not line.startswith(" ")
        name = line[: at["verdict"] if is_check else at["measured"]].rstrip()
        verdict = next((verdict.value for verdict in Verdict if line[at["verdict"] :].startswith(verdict)), "")
        if verdict:
            found.append(Row(name, verdict))
        else:
            found[-1] = Row(f"{found[-1].name} {name.strip()}".rstrip(), found[-1].verdict)
    return [Row(re.sub(r"\d+\.\d+ V (up|down)", "# V", row.name), row.verdict) for row in found]


def rest_of(text: str) -> list[str]:
    """The headings and sentences around the table, without figures and places; what else happened is a run's own."""
    plain = [line for line in text.splitlines() if line and not line.startswith((" ", "what else happened"))]
    plain = [re.sub(r"\d[\d.:TZ+-]*|\S*/\S+", "#", line) for line in plain]
    return [line for line in plain if "  " not in line.strip() or line.startswith(("report:", "journal:"))]


def test_sample_output_is_that_of_the_line(tmp_path: Path) -> None:
    """The line that a reader copies passes, and prints what is shown: same rows, same verdicts, same end."""
    shown = block("output: check", of=REPORTS)
    copied = shlex.split(block("line: check").rpartition(".venv/bin/pytest ")[2])

    done = python("-m", "pytest", *copied, "-p", "no:cacheprovider", "--bench-reports", tmp_path / "reports")

    assert done.returncode == 0, done.stdout + done.stderr
    printed = done.stdout[done.stdout.index("\nboard HB-0001, production, run") + 1 :]
    assert table_of(printed) == table_of(shown)
    assert len(table_of(shown)) > 40
    assert rest_of(printed[: printed.index("\n=====")]) == rest_of(shown)
    passed = r"HB-0001: PASS, 12 of 12 required checks; \d+ things not proven, named in the report \(simulated bench\)"
    assert re.search(passed, shown)


def test_excerpt_is_of_the_sample_output() -> None:
    """What the README shows of it stands there word for word, in its order; where lines are left out it says so."""
    left = iter(block("output: check", of=REPORTS).splitlines())
    shown = block("output: excerpt").splitlines()

    left_out = False
    for line in shown:
        skipped = line == "..."
        if not skipped:
            gap = next((number for number, one in enumerate(left) if one == line), None)
            assert gap is not None, f"not in the sample, or not in this order: {line}"
            assert gap == 0 or left_out, f"lines before this one are left out without a word: {line}"
        left_out = skipped
    assert next(left, None) is None
    assert len(shown) < 60


@pytest.mark.parametrize(("fault", "code"), [("bytes_swapped", 10), ("meter_silent", 12)])
def test_faults_of_the_readme_end_as_it_says(fault: str, code: int, tmp_path: Path) -> None:
    """A planted fault of the README ends with the exit code that stands there, and with the lines that it shows."""
    (line,) = re.findall(rf"(?m)^\.venv/bin/pytest (.* --bench-fault {fault})$", README)
    shown = block("output: bytes_swapped").splitlines() if fault == "bytes_swapped" else []

    done = python("-m", "pytest", *shlex.split(line), "-p", "no:cacheprovider", "--bench-reports", tmp_path)

    assert done.returncode == code, done.stdout + done.stderr
    assert f"(exit code {code})" in README
    printed = done.stdout.splitlines()
    assert [one for one in shown if one != "..." and one not in printed] == []


def test_contents_lead_to_sections() -> None:
    """Each link to a section leads to a heading of the README."""
    headings = {
        re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in re.findall(r"(?m)^##+ (.+)$", README)
    }
    linked = set(re.findall(r"\]\(#([^)]+)\)", README))

    assert len(linked) >= 12
    assert linked - headings == set()


# ---- a check of your own


def test_own_check_works_as_printed(tmp_path: Path) -> None:
    """The own check of the README, put into copies of profile and suite as printed, runs and passes by its limit."""
    told = section("Writing a check of your own")
    (toml,), (code,) = (re.findall(rf"```{kind}\n(.*?)```", told, re.DOTALL) for kind in ("toml", "python"))
    first, _, tables = toml.partition("\n")
    profile = PROFILE.read_text(encoding="utf-8").replace("schema = 1", f"schema = 1\n{first}", 1)
    profile = profile.replace("production = [", 'production = [\n  "siren",', 1)
    (tmp_path / "own.toml").write_text(profile + tables, encoding="utf-8")
    before, marker, after = SUITE.read_text(encoding="utf-8").partition('@pytest.mark.check("output_off"')
    (tmp_path / "test_own.py").write_text(f"{before}{code}\n\n{marker}{after}", encoding="utf-8")

    done = python(
        *("-m", "pytest", tmp_path / "test_own.py", "-p", "no:cacheprovider", "--board", "HB-0001"),
        *("--bench", ROOT / "fixtures" / "benches" / "simulated.toml", "--bench-profile", tmp_path / "own.toml"),
        *("--bench-reports", tmp_path / "reports"),
        cwd=tmp_path,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    assert "HB-0001: PASS, 13 of 13 required checks" in done.stdout
    (journal,) = (tmp_path / "reports").rglob("*.jsonl")
    (siren,) = [check for check in board_report(read_journal(journal)).checks if check.name == "siren"]
    (current,) = siren.judged
    assert isinstance(current, LimitJudged)
    assert current.limit == "current"
    # 45 mA on the 3.3 V rail, taken from 3.7 V at some 90 %, and 4.5 mA of the board itself
    assert current.value == pytest.approx((0.045 + 0.0045) * 3.3 / 3.7 / 0.9, rel=0.15)
