"""The commands `benchrig energy` and `benchrig sun`: output, exit codes, refusals, and what --help does not load."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import NamedTuple

import pytest
from lxml import etree

from benchrig.cli import main
from benchrig.journal import JournalWriter
from benchrig.records import ReadingTaken

ROOT = Path(__file__).parents[1]
PROFILE = ROOT / "fixtures" / "boards" / "hay-barn-probe.toml"
OTHER_JOURNAL = ROOT / "tests" / "report" / "hay_barn_run.jsonl"
CHARGES = ("--floor", "17 uA", "--wake-charge", "54 uC", "--wake-period", "2 s", "--report-charge", "3.6 mC")
BURST = ("--transmit-charge", "2.7 mC", "--transmit-duration", "56.6 ms")


class Done(NamedTuple):
    """A command that ended."""

    returncode: int
    stdout: str
    stderr: str


def benchrig(*arguments: str | Path) -> Done:
    """Run the command to its end, in this process: starting Python takes longer than what is tested."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = main([str(one) for one in arguments])
    return Done(code, out.getvalue(), err.getvalue())


def refused(found: Done, *words: str) -> None:
    """One line on standard error with these words, nothing on standard output, exit code 4."""
    (line,) = found.stderr.splitlines()
    assert (found.returncode, found.stdout) == (4, "")
    for word in words:
        assert word in line


def journal(folder: Path, *, floor_a: float) -> Path:
    """A journal whose check `energy` wrote its inputs down."""
    path = folder / "run.jsonl"
    writer = JournalWriter(path)
    values = {
        "floor_a": (floor_a, "A"),
        "wake_charge_c": (54e-6, "C"),
        "wake_period_s": (2.0, "s"),
        "report_charge_c": (3.6e-3, "C"),
        "something else": (1.0, "A"),
    }
    for name, (value, unit) in values.items():
        writer.append(
            ReadingTaken(
                check="energy",
                name=name,
                value=value,
                unit=unit,
                standard_uncertainty=0.0,
                source="a check before",
                raw="",
                at_s=1.0,
            )
        )
    writer.close()
    return path


def mean_ua(text: str) -> float:
    """The average current that was told."""
    (value,) = re.findall(r"average current \(([\d.]+) ±", text)
    return float(value)


def test_energy_from_charges() -> None:
    """17 µA, 54 µC every 2 s and 3.6 mC every 900 s are 48 µA; with the burst every what-if of the profile is told."""
    found = benchrig("energy", PROFILE, *CHARGES, *BURST)

    assert found.returncode == 0, found.stderr
    assert mean_ua(found.stdout) == 48.0
    assert len(re.findall(r"(?m)^ +\d+ s  SF\d+ ", found.stdout)) == 9


def test_uncertainty_that_is_given() -> None:
    """What stands behind +- is a standard uncertainty: 1 µA of floor is 2 µA of the average current, k being 2."""
    with_u = benchrig("energy", PROFILE, "--floor", "17 uA +- 1 uA", *CHARGES[2:])

    assert "average current (48.00 ± 2.00) µA" in with_u.stdout


def test_energy_from_a_journal(tmp_path: Path) -> None:
    """A journal is enough, and what is given on the command line stands in its place."""
    path = journal(tmp_path, floor_a=27e-6)

    assert mean_ua(benchrig("energy", PROFILE, "--journal", path).stdout) == 58.0
    assert mean_ua(benchrig("energy", PROFILE, "--journal", path, "--floor", "17 uA").stdout) == 48.0


def test_sun_tells_every_month_and_draws_the_year(tmp_path: Path) -> None:
    """Twelve months, every option, and a picture that is sound XML."""
    found = benchrig("sun", PROFILE, *CHARGES, *BURST, "--plot", tmp_path / "sun.svg")

    assert found.returncode == 0, found.stderr
    assert len(re.findall(r"(?m)^2025-\d\d ", found.stdout)) == 12
    assert len(re.findall(r"(?m)^  .*: costs [\d.]+, empty", found.stdout)) == 4
    assert found.stdout.splitlines()[-1] == f"plot: {tmp_path / 'sun.svg'}"
    assert etree.parse(str(tmp_path / "sun.svg")).getroot().tag.endswith("svg")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param((), ("not known: floor_a", "--journal FILE", "--report-charge"), id="nothing given"),
        pytest.param(CHARGES[:-2], ("not known: report_charge_c;", "or --report-charge"), id="one missing"),
        pytest.param(("--floor", "17"), ("--floor '17': '17' is not a number with a unit",), id="no unit"),
        pytest.param(("--floor", "17 mV"), ("--floor '17 mV'; accepted: a quantity in A from 0 up",), id="volts"),
        pytest.param(("--floor=-1 uA",), ("--floor '-1 uA'; accepted",), id="negative"),
        pytest.param(("--floor", "1 uA +- 1 uA +- 1 uA"), ("accepted: a quantity in A",), id="three"),
        pytest.param(("--journal", "gone.jsonl"), ("journal gone.jsonl: there is no such file",), id="no journal"),
        pytest.param(("--journal", OTHER_JOURNAL), ("wrote down no input of the check energy",), id="other journal"),
        pytest.param((*CHARGES, "--wake-period", "0 s"), ("a wake period of 0.0 s",), id="no period"),
    ],
)
@pytest.mark.parametrize("command", ["energy", "sun"])
def test_what_cannot_be_reckoned(command: str, arguments: tuple[str | Path, ...], words: tuple[str, ...]) -> None:
    """Each is one sentence that says what is missing or wrong, and exit code 4."""
    refused(benchrig(command, PROFILE, *arguments), *words)


@pytest.mark.parametrize(("command", "table"), [("energy", "energy"), ("sun", "energy"), ("sun", "solar")])
def test_profile_without_the_table(tmp_path: Path, command: str, table: str) -> None:
    """A profile that plans neither is told which table it lacks."""
    text = PROFILE.read_text(encoding="utf-8")
    head, _, rest = text.partition("\n[energy]\n")
    energy, _, solar = rest.partition("\n[solar]\n")
    after = solar[solar.index("\n[required]\n") :]
    kept = head + (f"\n[energy]\n{energy}" if table == "solar" else "") + after
    path = tmp_path / "bare.toml"
    path.write_text(kept, encoding="utf-8")

    refused(benchrig(command, path, *CHARGES), f"has no table {table}")


def test_series_that_is_not_there(tmp_path: Path) -> None:
    """`sun` and `look` tell a series that is missing; `energy` needs none."""
    path = tmp_path / "moved.toml"
    path.write_text(PROFILE.read_text(encoding="utf-8"), encoding="utf-8")
    bench = tmp_path / "bench.toml"
    text = (ROOT / "fixtures" / "benches" / "simulated.toml").read_text(encoding="utf-8")
    bench.write_text(text.replace("../boards/hay-barn-probe.toml", "moved.toml"), encoding="utf-8")

    refused(benchrig("sun", path, *CHARGES), "hay-barn-irradiance.csv: there is no such file")
    looked = benchrig("look", bench)
    assert (looked.returncode, "hay-barn-irradiance.csv: there is no such file" in looked.stderr) == (4, True)
    assert benchrig("energy", path, *CHARGES).returncode == 0


@pytest.mark.parametrize("command", ["energy", "sun"])
def test_help_loads_nothing_heavy(command: str) -> None:
    """--help comes at once: it loads neither numpy nor pandas nor matplotlib."""
    program = (
        "import sys\nfrom benchrig.cli import main\n"
        f"try:\n    main([{command!r}, '--help'])\nexcept SystemExit as end:\n    assert end.code == 0\n"
        "print('loaded:', [name for name in ('numpy', 'pandas', 'pvlib', 'matplotlib') if name in sys.modules])"
    )

    found = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True, timeout=30)

    assert found.stdout.splitlines()[-1] == "loaded: []"
    assert "--report-charge" in found.stdout
