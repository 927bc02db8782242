"""Options of the plugin: what help tells, which source wins, and one clear sentence for bad input."""

from __future__ import annotations

import re
import shutil
from typing import TYPE_CHECKING

import pytest

from .runs import BENCH, BOARD, PRODUCTION, PROFILE, ROOT

if TYPE_CHECKING:
    from pathlib import Path

    from .runs import Finished, Place

QUICK = ("--bench-scale", "16")
BLINK = """
@pytest.mark.check("blink", needs=[])
def test_blink(measure):
    measure("level", 3.0, unit="V")
"""
LEVEL = """
[limits.blink]
level = { unit = "V", low = 1.0, high = 5.0, source = "invented", rule = "simple" }
"""


def own_suite(place: Place, text: str = BLINK, *, ini: str = "") -> list[str]:
    """A suite of one own check and the profile that goes with it."""
    return [str(place.suite(text, ini=ini)), "--bench-profile", str(place.profile(required=["blink"], limits=LEVEL))]


def refused(place: Place, found: Finished, *words: str) -> None:
    """Exit code 4, one sentence with these words, no traceback, nothing written."""
    sentences = [line for line in found.err.splitlines() if line.strip()]
    assert found.code == 4, found.text
    assert len(sentences) == 1, found.err
    assert sentences[0].startswith("ERROR: ")
    for word in words:
        assert word in sentences[0]
    assert "Traceback" not in found.text
    assert not place.reports.exists()


def test_help_lists_every_option(place: Place) -> None:
    """--help names every option of the plugin and every ini value, each with an explanation."""
    found = place.run("--help")

    text = " ".join(found.out.split())
    for option in (
        "--bench=FILE", "--board=[SLOT=]SERIAL", "--bench-profile=FILE", "--bench-reports=DIR", "--bench-operator=NAME",
        "--bench-plots=yes|no", "--bench-fault=[SLOT:]NAME", "--bench-scale=X", "--bench-seed=N",
        "--bench-simulation=FILE", "--bench-lot=NAME", "--bench-assembly-revision=NAME",
        "--bench-contact-fixture=NAME", "--bench-history=URL", "--bench-sign-key=FILE",
    ):  # fmt: skip
        assert re.search(rf"{re.escape(option)} \w", text), option
    for name in ("bench_file", "bench_reports", "bench_operator", "bench_plots"):
        assert re.search(rf"{name} \(string\): \w", text), name


def test_markers_are_listed(place: Place) -> None:
    """--markers shows both markers with their arguments."""
    found = place.run("--markers")

    assert "@pytest.mark.check(name, *, needs=(), always=False):" in found.out
    assert "@pytest.mark.board_use(name):" in found.out


SOURCES = [
    pytest.param(("line", "environment", "ini"), "command line", id="command line before all"),
    pytest.param(("environment", "ini"), "environment BENCHRIG_BENCH_FILE", id="environment before ini"),
    pytest.param(("ini",), "ini file", id="ini file"),
]


@pytest.mark.parametrize(("given", "winner"), SOURCES)
def test_source_of_the_bench_file(place: Place, given: tuple[str, ...], winner: str) -> None:
    """The command line wins over the environment and that over the ini file; the record names bench and source."""
    for source in given:
        text = BENCH.read_text(encoding="utf-8").replace("hay-barn bench", f"bench by {source}")
        place.write(f"benches/{source}.toml", text.replace("../boards", str(PROFILE.parent)))
    suite = own_suite(place, ini="bench_file = benches/ini.toml\n" if "ini" in given else "")
    line = ["--bench", "benches/line.toml"] if "line" in given else []
    env = {"BENCHRIG_BENCH_FILE": "benches/environment.toml"} if "environment" in given else {}

    found = place.run(*suite, *line, *QUICK, "--board", BOARD, "--bench-reports", "reports", env=env)

    assert found.code == 0, found.text
    assert place.started().bench == f"bench by {given[0]}, simulated"
    assert place.started().options["source of bench_file"] == winner
    assert place.started().options["source of bench_reports"] == "command line"


def test_ini_path_starts_at_the_ini_file(place: Place) -> None:
    """A relative path in the ini file is meant from where that file lies, wherever pytest is started."""
    text = BENCH.read_text(encoding="utf-8").replace("../boards", str(PROFILE.parent))
    place.write("benches/own.toml", text)
    suite = own_suite(place, ini="bench_file = benches/own.toml\nbench_reports = reports\n")
    elsewhere = place.folder / "below" / "here"
    elsewhere.mkdir(parents=True)

    found = place.run(*suite, *QUICK, "--board", BOARD, cwd=elsewhere)

    assert found.code == 0, found.text
    assert place.started().options["source of bench_reports"] == "ini file"


def test_operator_and_faults_are_recorded(place: Place) -> None:
    """Operator, slot, simulated faults and the speed of the bench stand in the first line of the journal."""
    found = place.run(*own_suite(place), *place.on_bench(*QUICK, "--bench-operator", "night shift"))
    again = place.run(*own_suite(place), *place.on_bench(*QUICK, "--bench-fault", "rail_low"))

    assert (found.code, again.code) == (0, 0), found.text + again.text
    assert place.started().simulated_faults == ("rail_low",)
    assert (place.started().slot, place.started().clock_scale, place.started().simulated) == ("1", 16.0, True)
    first = place.journals()[0].read_text(encoding="utf-8").splitlines()[0]
    assert '"operator":"night shift"' in first


def test_plain_tests_without_a_bench(place: Place) -> None:
    """Without --bench a plain suite runs as ever, even where environment and ini file name a bench."""
    place.suite("def test_sum():\n    assert 1 + 1 == 2\n", ini="bench_file = nowhere.toml\n")

    found = place.run("test_own.py", env={"BENCHRIG_BENCH_FILE": "nowhere.toml"})

    assert found.code == 0, found.text
    assert "1 passed" in found.out
    assert not re.search(r"(?m)^(bench:|slot|board)", found.out)
    assert not place.reports.exists()


@pytest.mark.parametrize("suite", [str(PRODUCTION), "own"])
def test_board_tests_without_a_bench(place: Place, suite: str) -> None:
    """Tests of boards without a bench are refused in one sentence that says what to give."""
    path = own_suite(place)[0] if suite == "own" else suite

    found = place.run(path)

    refused(place, found, "check a board", "give --bench FILE", "--board SERIAL")


def test_listing_needs_no_bench(place: Place) -> None:
    """--collect-only lists the tests of boards without a bench, and starts nothing with one."""
    without = place.run(PRODUCTION, "--collect-only", "-q")
    listed = place.run(PRODUCTION, "--collect-only", "-q", *place.on_bench())

    assert (without.code, listed.code) == (0, 0)
    assert "test_rail\n" in without.out
    assert f"test_rail[{BOARD}]" in listed.out
    assert not place.reports.exists()


BAD_BOARDS = [
    pytest.param(["7=HB-0001"], ("no slot '7'", "accepted: 1, 2"), id="unknown slot"),
    pytest.param(["../x"], ("'../x' is no serial number", "accepted: letters"), id="path"),
    pytest.param(["1=a/b"], ("'a/b' is no serial number",), id="slash"),
    pytest.param([".hidden"], ("'.hidden' is no serial number",), id="dot"),
    pytest.param([""], ("'' is no serial number",), id="empty"),
    pytest.param(["1="], ("'' is no serial number",), id="empty in a slot"),
    pytest.param(["H" * 100], ("is no serial number", "64 at most"), id="100 characters"),
    pytest.param(["HB\n1"], ("is no serial number",), id="line feed"),
    pytest.param(["1=HB-0001", "1=HB-0002"], ("named twice",), id="slot twice"),
    pytest.param(["1=HB-0001", "2=HB-0001"], ("named twice",), id="board twice"),
    pytest.param([], ("no board named", "--board SERIAL", "slots of this bench: 1, 2"), id="none"),
]


@pytest.mark.parametrize(("boards", "words"), BAD_BOARDS)
def test_bad_boards(place: Place, boards: list[str], words: tuple[str, ...]) -> None:
    """A board or slot that cannot be is refused with what is accepted, before anything is touched."""
    refused(place, place.run(PRODUCTION, *place.on_bench(boards=boards)), *words)


BAD_OPTIONS = [
    pytest.param(["--bench-scale", "fast"], ("--bench-scale fast", "0.01 to 100"), id="scale a word"),
    pytest.param(["--bench-scale", "0"], ("--bench-scale 0", "0.01 to 100"), id="scale 0"),
    pytest.param(["--bench-scale", "0.001"], ("--bench-scale 0.001", "0.01 to 100"), id="scale too slow"),
    pytest.param(["--bench-scale", "nan"], ("--bench-scale nan", "0.01 to 100"), id="scale not a number"),
    pytest.param(["--bench-scale", "101"], ("--bench-scale 101", "0.01 to 100"), id="scale too fast"),
    pytest.param(["--bench-seed", "one"], ("--bench-seed one", "0 to 999999999"), id="seed a word"),
    pytest.param(["--bench-seed=-1"], ("--bench-seed -1", "0 to 999999999"), id="seed negative"),
    pytest.param(["--bench-fault", "rail_lwo"], ("unknown fault 'rail_lwo'", "rail_low"), id="fault"),
    pytest.param(["--bench-fault", "9:rail_low"], ("unknown slot",), id="fault in no slot"),
    pytest.param(["--bench-profile", "none.toml"], ("board profile", "no such file"), id="profile"),
    pytest.param(["--bench-simulation", "none.json"], ("none.json", "cannot be read"), id="addresses"),
    pytest.param(["--bench-simulation", __file__], ("no announcement of a simulated bench",), id="other file"),
]


@pytest.mark.parametrize(("options", "words"), BAD_OPTIONS)
def test_bad_options(place: Place, options: list[str], words: tuple[str, ...]) -> None:
    """A bad option value is refused with the value and what is accepted, and nothing is written."""
    refused(place, place.run(PRODUCTION, *place.on_bench(*options)), *words)


def test_missing_bench_file(place: Place) -> None:
    """A bench file that is not there: the message names those that are."""
    shutil.copy(BENCH, place.folder / "table.toml")

    found = place.run(PRODUCTION, *place.on_bench(bench=place.folder / "tabel.toml"))

    refused(place, found, "tabel.toml: there is no such file", "holds: table.toml")


def test_bench_options_without_a_bench(place: Place) -> None:
    """Bench options without a bench file are not passed over in silence."""
    found = place.run(PRODUCTION, "--board", BOARD)

    refused(place, found, "no bench file", "--bench FILE", "BENCHRIG_BENCH_FILE", "ini value bench_file")


@pytest.mark.parametrize(
    "option", ["--bench-fault=rail_low", "--bench-scale=4", "--bench-seed=3", "--bench-simulation=x"]
)
def test_simulator_options_on_a_real_bench(place: Place, option: str) -> None:
    """Options of the simulator are refused for a bench without [simulation]."""
    bench = real_bench(place)

    found = place.run(PRODUCTION, *place.on_bench(option, bench=bench))

    refused(place, found, option.partition("=")[0], "has no [simulation]")


def real_bench(place: Place) -> Path:
    """The demo bench as if it were real: addresses in place of the mark."""
    text = BENCH.read_text(encoding="utf-8").replace("../boards", str(PROFILE.parent))
    head, _, rest = text.partition("[simulation]\n")
    rest = rest.partition("[instruments.supply]")[2]
    for number in range(1, 4):
        rest = rest.replace('resource = "simulated"', f'resource = "TCPIP::127.0.0.1::{number}::SOCKET"', 1)
    parts = rest.split('= "simulated"')
    ports = "".join(f'{part}= "/dev/no-such-port-{number}"' for number, part in enumerate(parts[:-1])) + parts[-1]
    return place.write("real.toml", f"{head}[instruments.supply]{ports}")


@pytest.mark.parametrize("option", ["--bench-fault=rail_low", "--bench-seed=3", "--bench-scale=5"])
def test_options_that_a_running_simulation_cannot_take(place: Place, addresses: Path, option: str) -> None:
    """Fault, seed and another scale cannot be given to a simulation that runs already."""
    found = place.run(PRODUCTION, *place.on_bench("--bench-simulation", addresses, option))

    refused(place, found, option.partition("=")[0])


def test_running_simulation_tells_its_scale(place: Place, addresses: Path) -> None:
    """The time scale of a simulation started by hand is the one that it announced."""
    found = place.run(*own_suite(place), *place.on_bench("--bench-simulation", addresses))

    assert found.code == 0, found.text
    assert place.started().clock_scale == 16.0


BAD_MARKERS = [
    pytest.param("@pytest.mark.check('blink', 'hum')", "check('blink', 'hum'): accepted: check('name'", id="two names"),
    pytest.param("@pytest.mark.check()", "check(): accepted: check('name'", id="no name"),
    pytest.param("@pytest.mark.check(3)", "check(3): accepted", id="number"),
    pytest.param("@pytest.mark.check('blink', need=['power'])", "need=['power']): accepted", id="misspelt"),
    pytest.param("@pytest.mark.check('blink', needs='power')", "needs='power'): accepted", id="needs a text"),
    pytest.param("@pytest.mark.check('blink', always='no')", "always='no'): accepted", id="always a text"),
    pytest.param("@pytest.mark.board_use('prodcution')", "accepted: one of 'production', 'nightly'", id="use"),
    pytest.param("@pytest.mark.board_use()", "board_use(): accepted: one of", id="no use"),
    pytest.param("@pytest.mark.board_use('nightly')", "several uses were chosen (nightly, production)", id="two uses"),
]


@pytest.mark.parametrize(("marker", "words"), BAD_MARKERS)
def test_bad_markers(place: Place, marker: str, words: str) -> None:
    """A marker with arguments that cannot be meant is refused as a whole, with the accepted form."""
    text = f"{BLINK}\n{marker}\ndef test_other(measure):\n    pass\n"

    found = place.run(*own_suite(place, text), *place.on_bench(*QUICK))

    refused(place, found, words)


def test_board_run_asked_for_by_name_only(place: Place) -> None:
    """A test that fetches the board in its body is told to name it among its arguments."""
    text = BLINK + "\ndef test_late(request):\n    request.getfixturevalue('board_run')\n"

    found = place.run(*own_suite(place, text), *place.on_bench(*QUICK))

    assert found.code == 1, found.text  # the board passed, another test did not
    assert "name board_run among the arguments of the test" in found.out


def test_header_names_bench_boards_and_instruments(place: Place) -> None:
    """The header says what stands on the table, that it is simulated, and which board lies where."""
    found = place.run(*own_suite(place), *place.on_bench(*QUICK, boards=["2=HB-0002"]))

    assert found.code == 0, found.text
    assert f"bench: hay-barn bench, simulated ({BENCH}), SIMULATED, 16 times as fast as life" in found.out
    assert "slot 2: board HB-0002, profile hay-barn-probe" in found.out
    assert "supply supply: Simulated Instruments PS-2 serial SIM-PS-0001, calibration due 2036-03-01" in found.out
    assert "caution" not in found.out


def test_cautions_of_a_real_bench(place: Place) -> None:
    """A bench with mains supplies, a cell and an antenna shows what its people have to mind."""
    bench = real_bench(place)
    text = bench.read_text(encoding="utf-8")
    text = text.replace("real_cell = false", "real_cell = true").replace('"dummy load"', '"antenna"', 1)
    bench.write_text(text, encoding="utf-8")

    found = place.run(PRODUCTION, *place.on_bench(bench=bench), "-k", "rail")

    for words in (
        "caution: supplies are mains equipment",
        "caution: a real Li-ion cell",
        "caution: the transmitter has",
    ):
        assert words in found.out
    assert "SIMULATED" not in found.out
    assert "dummy load;" not in found.out


def test_fixtures_are_documented(place: Place) -> None:
    """--fixtures shows what each fixture of the plugin is for."""
    found = place.run("--fixtures", str(ROOT / "suites"))

    assert found.code == 0, found.text
    for words in (
        "The run of the board in this slot",
        "Instruments and board of this slot",
        "goes on after a failure",
    ):
        assert words in " ".join(found.out.split())
