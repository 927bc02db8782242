"""The commands `benchrig energy` and `benchrig sun`: output, exit codes, refusals, and what --help does not load."""

from __future__ import annotations

import io
import re
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pytest
from lxml import etree

from benchrig.cli import main
from benchrig.journal import JournalWriter
from benchrig.records import ReadingTaken

if TYPE_CHECKING:
    from collections.abc import Callable

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


Inputs = dict[str, tuple[float | None, str]]

INPUTS: Inputs = {
    "floor_a": (17e-6, "A"),
    "wake_charge_c": (54e-6, "C"),
    "wake_period_s": (2.0, "s"),
    "report_charge_c": (3.6e-3, "C"),
    "something else": (1.0, "A"),
}


def journal(folder: Path, *attempts: Inputs, u: float = 0.0) -> Path:
    """A journal whose check `energy` wrote its inputs down, once for each attempt; what one does not name is usual.

    `u` is the standard uncertainty of all of them.
    """
    path = folder / "run.jsonl"
    writer = JournalWriter(path)
    for changes in attempts or ({},):
        for name, (value, unit) in {**INPUTS, **changes}.items():
            writer.append(
                ReadingTaken(
                    check="energy",
                    name=name,
                    value=value,
                    unit=unit,
                    standard_uncertainty=u,
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
    path = journal(tmp_path, {"floor_a": (27e-6, "A")})

    assert mean_ua(benchrig("energy", PROFILE, "--journal", path).stdout) == 58.0
    assert mean_ua(benchrig("energy", PROFILE, "--journal", path, "--floor", "17 uA").stdout) == 48.0


CHANGED = [
    pytest.param({"floor_a": (17e-6, "C")}, 0.0, "reading floor_a: is in 'C'; accepted: 'A'", id="unit"),
    pytest.param({"floor_a": (17.0, "uA")}, 0.0, "reading floor_a: is in 'uA'; accepted: 'A'", id="prefix"),
    pytest.param(
        {"report_charge_c": (-3.6e-3, "C")},
        1e-3,
        "reading report_charge_c: is -0.0036 C; accepted: 0 to 1e+09, and below 0 what its uncertainty explains",
        id="sign",
    ),
    pytest.param({"floor_a": (1e300, "A")}, 0.0, "reading floor_a: is 1e+300 A; accepted: 0 to 1e+09", id="size"),
    pytest.param({}, -1e-6, "reading floor_a: has the standard uncertainty -1e-06 A; accepted: 0 to 1e+09", id="u"),
]


@pytest.mark.parametrize(("changes", "u", "words"), CHANGED)
@pytest.mark.parametrize("command", ["energy", "sun"])
def test_journal_that_no_run_wrote(tmp_path: Path, command: str, changes: Inputs, u: float, words: str) -> None:
    """A reading in another unit, below 0 or beyond all measure is told with the journal, the check and its name."""
    path = journal(tmp_path, changes, u=u)

    refused(benchrig(command, PROFILE, "--journal", path), f"journal {path}, check energy, {words}", "take the one of")


def test_floor_that_noise_puts_below_0(tmp_path: Path) -> None:
    """A floor of nothing within its uncertainty is one that a run writes down: it counts as 0, and that is told."""
    found = benchrig("energy", PROFILE, "--journal", journal(tmp_path, {"floor_a": (-1e-6, "A")}, u=0.5e-6))

    assert (found.returncode, mean_ua(found.stdout)) == (0, 31.0)
    assert "floor_a is -1e-06 A with a standard uncertainty of 5e-07 A: counted as exactly 0" in found.stdout


def test_last_reading_of_a_name_counts(tmp_path: Path) -> None:
    """A later attempt that brought no number does not leave the number of the attempt before it in its place."""
    (tmp_path / "twice").mkdir()
    (tmp_path / "lost").mkdir()
    twice = journal(tmp_path / "twice", {}, {"floor_a": (27e-6, "A")})
    lost = journal(tmp_path / "lost", {}, {"report_charge_c": (None, "C")})

    assert mean_ua(benchrig("energy", PROFILE, "--journal", twice).stdout) == 58.0
    refused(benchrig("energy", PROFILE, "--journal", lost), "not known: report charge;")


DAMAGE = [
    pytest.param(lambda whole: whole[:-20], "line 5 was cut after", id="cut"),
    pytest.param(lambda whole: whole.replace(b"floor_a", b"floor\xff"), "line 1 is no record and was left", id="bytes"),
    pytest.param(lambda whole: whole.replace(b"0.000054", b"NaN"), "line 2 is no record and was left out", id="NaN"),
    pytest.param(lambda whole: whole.replace(b"0.000054", b"1e999"), "line 2 is no record and was left", id="infinite"),
    pytest.param(
        lambda whole: whole.replace(b"0.000054", b"0.000045"), "record 2 was changed: its bytes", id="changed"
    ),
    pytest.param(lambda whole: b"".join(whole.splitlines(True)[1:]), "before record 1 something was taken", id="taken"),
    pytest.param(lambda whole: b"", "the journal is empty", id="empty"),
]


@pytest.mark.parametrize(("damage", "words"), DAMAGE)
def test_journal_that_is_damaged(tmp_path: Path, damage: Callable[[bytes], bytes], words: str) -> None:
    """What a damaged journal still holds may not be what was measured last: nothing is reckoned from it."""
    path = journal(tmp_path)
    whole = path.read_bytes()
    path.write_bytes(damage(whole))

    assert path.read_bytes() != whole
    refused(benchrig("energy", PROFILE, "--journal", path), f"journal {path}: it is damaged, and", words)


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
        pytest.param(
            (),
            ("not known: floor, wake charge, wake period, report charge;", "--journal FILE", "--report-charge"),
            id="nothing given",
        ),
        pytest.param(CHARGES[:-2], ("not known: report charge;", "or --report-charge"), id="one missing"),
        pytest.param(("--floor", "17"), ("--floor '17': '17' is not a number with a unit",), id="no unit"),
        pytest.param(("--floor", "17 mV"), ("--floor '17 mV'; accepted: a quantity in A from 0 up",), id="volts"),
        pytest.param(("--floor=-1 uA",), ("--floor '-1 uA'; accepted",), id="negative"),
        pytest.param(("--floor", "1 uA +- 1 uA +- 1 uA"), ("accepted: a quantity in A",), id="three"),
        pytest.param(("--journal", "gone.jsonl"), ("journal gone.jsonl: there is no such file",), id="no journal"),
        pytest.param(("--journal", OTHER_JOURNAL), ("wrote down no input of the check energy",), id="other journal"),
        pytest.param((*CHARGES, "--wake-period", "0 s"), ("a wake period of 0.0 s",), id="no period"),
        pytest.param(
            ("--floor", "0 A +- 1 uA"),
            ("--floor '0 A +- 1 uA': what is never below 0 has no uncertainty about 0; accepted: 0 alone, or a mean",),
            id="uncertainty of nothing",
        ),
        pytest.param(
            ("--floor", "1e300 A"), ("--floor '1e300 A'; accepted", "1e-15 to 1e+09, or 0"), id="far too much"
        ),
        pytest.param(("--wake-period", "1e-300 s"), ("--wake-period '1e-300 s'; accepted: a",), id="far too little"),
        pytest.param(
            (*CHARGES, "--transmit-charge", "27 mC", "--transmit-duration", "56.6 ms"),
            ("report_charge_c is 0.0036 C, less than its own transmission draws above the floor, 0.026999 C",),
            id="report less than its transmission",
        ),
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
    after = after if table == "solar" else after.replace('"energy", ', "")  # a check without its table is refused
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
