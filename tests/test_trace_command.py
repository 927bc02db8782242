"""`benchrig trace` and `benchrig report --plots`, each as a process of its own."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from lxml import etree

EXAMPLE = Path(__file__).parent / "report" / "hay_barn_run.jsonl"


def benchrig(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "benchrig", *map(str, arguments)],
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
        env={**os.environ, "COLUMNS": "120"},
    )


@pytest.fixture
def report_csv(tmp_path: Path) -> Path:
    """A report as another tool would export it: 1319 ms on air, which is SF12, and windows after 1 s and 2 s."""
    times_s = np.arange(0.0, 5.0, 1e-3)
    current_ma = np.full(times_s.size, 0.016)
    for start_s, length_s, level_ma in ((0.5, 1.319, 44.0), (2.819, 0.2, 11.0), (3.819, 0.2, 11.0)):
        current_ma[(times_s >= start_s - 1e-9) & (times_s < start_s + length_s - 1e-9)] = level_ma
    current_ma += np.random.default_rng(1).normal(0.0, 2e-4, times_s.size)
    path = tmp_path / "report.csv"
    np.savetxt(
        path, np.column_stack((times_s, current_ma)), delimiter=";", header="time_s;current_mA", comments="", fmt="%.6f"
    )
    path.write_text(path.read_text(encoding="ascii").replace(".", ","), encoding="ascii")
    return path


def test_report_of_another_recorder(report_csv: Path, tmp_path: Path) -> None:
    """Segments, charge, data rate and both windows are told from a file with decimal commas, and a plot is drawn."""
    plot = tmp_path / "report.svg"

    found = benchrig("trace", report_csv, "--plot", plot)

    assert found.returncode == 0, found.stderr
    assert "text, 5000 samples, 1.000 ms apart, 5.000 s" in found.stdout
    assert [
        line.split()[:2] for line in found.stdout.splitlines() if line.startswith(("floor ", "transmit ", "receive "))
    ] == [
        ["floor", "4"],
        ["transmit", "1"],
        ["receive", "2"],
    ]
    assert "charge:  closes" in found.stdout
    # AN1200.13 section 4 at SF12: 4 blocks of 40 bits hold 16 to 20 bytes, 1318.9 ms in all
    assert "as long as SF12, 125 kHz, 4/5: 16 to 20 bytes" in found.stdout
    assert "receive window 1: 1.000000 s after its end, for 200.0 ms" in found.stdout
    assert "receive window 2: 2.000000 s after its end" in found.stdout
    assert etree.parse(str(plot)).getroot().tag == "{http://www.w3.org/2000/svg}svg"


def test_json_in_base_units(report_csv: Path) -> None:
    """The same as numbers: they are those of the rectangles that were drawn."""
    found = benchrig("trace", report_csv, "--json")

    told = json.loads(found.stdout)
    assert (found.returncode, told["problems"]) == (0, [])
    assert told["interval_s"] == pytest.approx(1e-3)
    assert told["floor_a"] == pytest.approx(16e-6, rel=1e-2)
    assert told["transmission"]["duration_s"] == pytest.approx(1.319)
    assert told["transmission"]["charge_c"] == pytest.approx(1.319 * 0.044, rel=1e-4)
    assert told["data_rates"][0]["spreading_factor"] == 12
    assert [one["number"] for one in told["receive_windows"]] == [1, 2]
    assert sum(one["charge_c"] for one in told["segments"]) == pytest.approx(told["charge_c"], rel=1e-9)


UNJUDGED = [
    pytest.param("1e-3\n" * 100, "all 100 samples are the same number", id="constant"),
    pytest.param("1e-3\n2e-3\n", "2 samples are too few", id="two samples"),
    pytest.param("1e-3\n" * 50 + "nan\n" + "2e-3\n" * 50, "1 of 101 samples were not measured", id="gap"),
]


@pytest.mark.parametrize(("text", "words"), UNJUDGED)
def test_what_is_not_judged_says_why(tmp_path: Path, text: str, words: str) -> None:
    """No number comes out, the reason does, and the exit code is not that of success."""
    path = tmp_path / "trace.csv"
    path.write_text(text, encoding="ascii")

    found = benchrig("trace", path, "--interval", "0.001")

    assert found.returncode == 10
    assert words in found.stdout
    assert "floor:" not in found.stdout


@pytest.mark.parametrize("noise_a", [0.0, 2e-6], ids=["all below 0", "noise about the floor"])
def test_reversed_polarity_is_told(report_csv: Path, noise_a: float) -> None:
    """A recorder connected the wrong way round shows currents below 0: that is said, and nothing is judged."""
    times_s, current_ma = np.loadtxt(
        (line.replace(",", ".") for line in report_csv.read_text(encoding="ascii").splitlines()),
        delimiter=";",
        skiprows=1,
        unpack=True,
    )
    noise_ma = np.random.default_rng(3).normal(0.0, 10e3 * noise_a, times_s.size)
    columns = np.column_stack((times_s, -current_ma + noise_ma))
    np.savetxt(report_csv, columns, delimiter=",", header="time_s,current_mA", comments="")

    found = benchrig("trace", report_csv)

    assert found.returncode == 10
    assert "5000 currents are below 0, from -44." in found.stdout
    assert "the recorder's leads are reversed, or the battery was being charged; swap them and record" in found.stdout
    assert "floor:" not in found.stdout


def test_clipped_current_is_not_judged(report_csv: Path) -> None:
    """With the range known, a current at its end is clipped: nothing is said of it."""
    found = benchrig("trace", report_csv, "--range", "0.04")

    assert found.returncode == 10
    assert "reaches the end of the 0.04 A range" in found.stdout


REFUSED = [
    pytest.param(["none.csv"], "cannot be read: No such file", id="no file"),
    pytest.param(["report.csv", "--column", "voltage"], "0 columns are 'voltage'", id="no such column"),
    pytest.param(["report.csv", "--interval", "0.5"], "not 0.5 s as was said", id="other interval"),
]


@pytest.mark.parametrize(("arguments", "words"), REFUSED)
def test_what_cannot_be_read_is_one_sentence(report_csv: Path, arguments: list[str], words: str) -> None:
    """One line on standard error, exit code 4, no traceback."""
    found = benchrig("trace", report_csv.parent / arguments[0], *arguments[1:])

    (line,) = found.stderr.splitlines()
    assert found.returncode == 4
    assert words in line


def test_plot_that_cannot_be_written(report_csv: Path) -> None:
    """A folder that is a file: a sentence and the exit code of a bench error."""
    found = benchrig("trace", report_csv, "--plot", report_csv / "plot.svg")

    (line,) = found.stderr.splitlines()
    assert found.returncode == 12
    assert "cannot be written" in line


def test_plots_of_a_journal_can_be_drawn_again(tmp_path: Path) -> None:
    """`report --plots` draws what the journal has, tells where, and exits as it did without."""
    journal = tmp_path / "HB-0001" / "run.jsonl"
    journal.parent.mkdir()
    shutil.copy(EXAMPLE, journal)

    without, found = benchrig("report", journal), benchrig("report", journal, "--plots")

    assert found.returncode == without.returncode
    assert f"plot:    {journal.with_suffix('') / 'limits.svg'}" in found.stdout
    assert (journal.with_suffix("") / "limits.svg").is_file()
    assert "plot:" not in without.stdout


def test_help_of_the_trace_command_loads_nothing_heavy() -> None:
    """--help comes at once: neither numpy nor what draws is loaded."""
    found = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "benchrig", "trace", "--help"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )

    loaded = {line.rpartition("|")[2].strip().split(".")[0] for line in found.stderr.splitlines()}
    assert not loaded & {"numpy", "matplotlib", "pyarrow"}
    assert "--column NAME" in found.stdout
