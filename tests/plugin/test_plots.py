"""Plots after a run: where they lie, who is told, and that they can never change what is said of a board."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lxml import etree

from benchrig.records import CheckFinished, FileKept, RunFinished

from .test_options import own_suite, refused

if TYPE_CHECKING:
    from pathlib import Path

    from .production_runs import ProductionRuns
    from .runs import Place

BROKEN_LIBRARY = "raise ZeroDivisionError('drawing is broken here')\n"


def folder_of(place: Place) -> Path:
    """The folder of the newest run's own files."""
    return place.journals()[-1].with_suffix("")


def test_production_run_is_drawn(production_runs: ProductionRuns) -> None:
    """Both traces, the sweep and all limits lie beside the journal as SVG, and the terminal says where."""
    run = production_runs.of("")
    place, found = run.place, run.found

    assert found.code == 0, found.text
    names = ("sleep.svg", "transmit.svg", "battery-sweep.svg", "limits.svg")
    assert all((folder_of(place) / name).is_file() for name in names)
    assert f"plots:   {', '.join(names)} in {folder_of(place)}" in found.out
    for name in names:
        assert etree.parse(str(folder_of(place) / name)).getroot().tag == "{http://www.w3.org/2000/svg}svg"
    assert not [one for one in place.records() if isinstance(one, FileKept) and one.path.endswith("limits.svg")]


def test_plots_are_drawn_after_the_end_of_the_run(place: Place, addresses: Path) -> None:
    """The output is off, and the last record written, before the first plot."""
    found = place.run(*own_suite(place), *place.on_bench("--bench-simulation", str(addresses)))

    assert found.code == 0, found.text
    assert isinstance(place.records()[-1], RunFinished)
    assert (folder_of(place) / "limits.svg").stat().st_mtime_ns > place.journals()[-1].stat().st_mtime_ns


def test_no_plots(place: Place, addresses: Path) -> None:
    """`--bench-plots no` draws nothing and says nothing of it."""
    options = ["--bench-simulation", str(addresses), "--bench-plots", "no"]

    found = place.run(*own_suite(place), *place.on_bench(*options))

    assert found.code == 0, found.text
    assert "plots:" not in found.out
    assert list(place.reports.rglob("*.svg")) == []


def test_no_plots_by_the_ini_file(place: Place, addresses: Path) -> None:
    """A shop that never looks at them says so once; the command line still has the last word."""
    suite = own_suite(place, ini="bench_plots = no\n")
    options = ["--bench-simulation", str(addresses)]

    without = place.run(*suite, *place.on_bench(*options))
    drawn = place.run(*suite, *place.on_bench(*options, "--bench-plots", "yes"))

    assert (without.code, drawn.code) == (0, 0), drawn.text
    assert "plots:" not in without.out
    assert "plots:   limits.svg in" in drawn.out


def test_bad_value(place: Place) -> None:
    """What is neither yes nor no is bad input."""
    found = place.run(*own_suite(place), *place.on_bench("--bench-plots", "maybe"))

    refused(place, found, "bench_plots is 'maybe' (command line); accepted: yes, no")


def test_a_broken_drawing_library_changes_no_verdict(place: Place, addresses: Path) -> None:
    """Whatever drawing runs into, the board has passed; what went wrong is told once, without a traceback."""
    library = place.write("broken/matplotlib/__init__.py", BROKEN_LIBRARY).parents[1]

    found = place.run(
        *own_suite(place), *place.on_bench("--bench-simulation", str(addresses)), env={"PYTHONPATH": str(library)}
    )

    assert found.code == 0, found.text
    assert "plots:   not drawn: ZeroDivisionError: drawing is broken here" in found.out
    assert "Traceback" not in found.text
    assert place.report().is_a_pass


def test_an_interrupted_run_is_not_drawn(place: Place, addresses: Path) -> None:
    """Who pressed Ctrl-C wants to leave; the plots can be had later from the journal."""
    text = (
        '@pytest.mark.check("blink", needs=[])\ndef test_blink(measure):\n'
        '    measure("level", 3.0, unit="V")\n    raise KeyboardInterrupt\n'
    )

    found = place.run(*own_suite(place, text), *place.on_bench("--bench-simulation", str(addresses)))

    assert found.code != 0
    assert not [one for one in place.records() if isinstance(one, CheckFinished)]
    assert "plots:" not in found.out
    assert list(place.reports.rglob("*.svg")) == []
