"""Every kind of bad input in a bench file is one sentence: file, key path, value, accepted set, nearest known."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.bench.bench_file import BenchSpec, read_bench_file
from benchrig.bench.command_table import TABLES
from benchrig.errors import ConfigError

BENCHES = Path(__file__).parents[2] / "fixtures" / "benches"
SHIPPED = BENCHES / "simulated.toml"
TEXT = SHIPPED.read_text(encoding="utf-8")

# (what is replaced, by what, the problem that is told); each is the only problem of the file.
BAD_EDITS = [
    pytest.param(
        "schema = 1",
        "schema = 2",
        "schema: 2 is not a whole number from 1 to 1",
        id="newer schema",
    ),
    pytest.param("schema = 1\n", "", "schema: this key is missing", id="schema missing"),
    pytest.param(
        "real_cell = false",
        "real_cel = false",
        "real_cel: unknown key (nearest known: real_cell)",
        id="unknown key with a near one",
    ),
    pytest.param(
        "real_cell = false",
        "colour = 1",
        "colour: unknown key (known here: ambient_c, backend, gateway, instruments, name, network, real_cell, schema, "
        "simulation, slots, transmitter)",
        id="unknown key with none near",
    ),
    pytest.param("real_cell = false", "real_cell = 0", "real_cell: 0 is not true or false", id="number for a boolean"),
    pytest.param(
        'name = "hay-barn bench, simulated"',
        "name = 7",
        "name: 7 is not a text that says something",
        id="number for a text",
    ),
    pytest.param(
        'name = "hay-barn bench, simulated"',
        'name = ""',
        "name: '' is not a text that says something",
        id="empty text",
    ),
    pytest.param(
        'transmitter = "dummy load" ',
        'transmitter = "dummy lead" ',
        "transmitter: 'dummy lead' is not one of: none, dummy load, antenna (nearest known: dummy load)",
        id="not of the set",
    ),
    pytest.param(
        "scale = 8.0 ", "scale = 0 ", "simulation.scale: 0 is not a number at least 0.01 and at most 100", id="scale 0"
    ),
    pytest.param("scale = 8.0 ", "scale = nan ", "simulation.scale: nan is not a finite number", id="scale no number"),
    pytest.param(
        "scale = 8.0 ", 'scale = "8" ', "simulation.scale: '8' is not a finite number", id="text for a number"
    ),
    pytest.param(
        "seed = 1", "seed = 1.5", "simulation.seed: 1.5 is not a whole number from 0 to 4294967295", id="seed"
    ),
    pytest.param("faults = []", "faults = [1]", "simulation.faults: [1] is not an array of texts", id="faults"),
    pytest.param(
        'kind = "recorder"\ntable = "recorder-block"',
        'kind = "recoder"\ntable = "recorder-block"',
        "instruments.recorder.kind: 'recoder' is not one of: supply, meter, recorder (nearest known: recorder)",
        id="unknown kind",
    ),
    pytest.param(
        'kind = "meter"\n',
        'kind = "meter"\nkid = 1\n',
        "instruments.meter.kid: unknown key (nearest known: kind)",
        id="kid",
    ),
    pytest.param(
        'table = "recorder-block"',
        'table = "recorder-blok"',
        "instruments.recorder.table: there is no command table 'recorder-blok' (nearest known: recorder-block); "
        "shipped: meter-configure-read, meter-function-fetch, meter-scan-list, recorder-ascii, recorder-block, "
        "supply-channel-list, supply-channel-select, supply-one-channel; a table of your own is named by its path, "
        "ending in .toml",
        id="unknown table",
    ),
    pytest.param(
        'table = "meter-scan-list"',
        'table = "recorder-block"',
        "instruments.meter.table: 'recorder-block' is a table for a recorder, and this instrument is a meter",
        id="table of another kind",
    ),
    pytest.param(
        'serial = "SIM-DM-0001"\n', "", "instruments.meter.serial: this key is missing", id="serial number missing"
    ),
    pytest.param(
        "calibration_due = 2036-03-01\n\n[instruments.meter.accuracy]",
        "calibration_due = 2025-03-02\n\n[instruments.meter.accuracy]",
        "instruments.meter.calibration_due: 2025-03-02 is before the calibration of 2026-03-02",
        id="dates the wrong way round",
    ),
    pytest.param(
        "calibrated = 2026-03-02\ncalibration_due = 2036-03-01\n\n[instruments.meter.accuracy]",
        'calibrated = "2026-03-02"\n[instruments.meter.accuracy]',
        "instruments.meter.calibrated: '2026-03-02' is not a date without quotes, such as 2027-03-01",
        id="date in quotes",
    ),
    pytest.param(
        "temperature = { fixed = 0.1, resolution = 0.01 }",
        "temprature = { fixed = 0.1, resolution = 0.01 }",
        "instruments.meter.accuracy.temprature: a meter has no such quantity (nearest known: temperature); "
        "known: voltage, temperature",
        id="accuracy of no quantity",
    ),
    pytest.param(
        "temperature = { fixed = 0.1, resolution = 0.01 }",
        "temperature = { fixed = -0.1 }",
        "instruments.meter.accuracy.temperature.fixed: -0.1 is not a number at least 0 and at most 100",
        id="negative accuracy",
    ),
    pytest.param(
        "temperature = { fixed = 0.1, resolution = 0.01 }",
        "temperature = 0.1",
        "instruments.meter.accuracy.temperature: 0.1 is not a table",
        id="number for a table",
    ),
    pytest.param(
        'profile = "../boards/hay-barn-probe.toml"\n\n[slots.1.battery]',
        "[slots.1.battery]",
        "slots.1.profile: this key is missing",
        id="profile missing",
    ),
    pytest.param(
        '[slots.1.battery]\ninstrument = "supply"\n',
        '[slots.1.battery]\ninstrument = "suply"\n',
        "slots.1.battery.instrument: there is no instrument 'suply' (nearest known: supply); this file has: supply, "
        "meter, recorder",
        id="unknown instrument",
    ),
    pytest.param(
        '[slots.1.battery]\ninstrument = "supply"\n',
        '[slots.1.battery]\ninstrument = "recorder"\n',
        "slots.1.battery.instrument: 'recorder' is a recorder; a supply is needed here",
        id="instrument of another kind",
    ),
    pytest.param(
        '[slots.1.battery]\ninstrument = "supply"\nchannel = 1\n',
        '[slots.1.battery]\ninstrument = "supply"\n',
        "slots.1.battery.channel: this key is missing: the command table supply-channel-list names a channel",
        id="channel missing",
    ),
    pytest.param(
        '[slots.1.battery]\ninstrument = "supply"\nchannel = 1\n',
        '[slots.1.battery]\ninstrument = "supply"\nchannel = -1\n',
        "slots.1.battery.channel: -1 is not a whole number from 0 to 9999",
        id="negative channel",
    ),
    pytest.param(
        'rail = { instrument = "meter", channel = 102, range = 10.0 }',
        'rail = { instrument = "meter", channel = 102 }',
        "slots.1.meters.rail.range: this key is missing: the command table meter-scan-list names a range",
        id="range missing",
    ),
    pytest.param(
        'rail = { instrument = "meter", channel = 102, range = 10.0 }',
        'rail = { instrument = "meter", channel = 101, range = 10.0 }',
        "slots.1.meters.rail: 'meter' channel 101 is already wired to slots.1.meters.terminals",
        id="two nets on one input",
    ),
    pytest.param(
        'rail = { instrument = "meter", channel = 102, range = 10.0 }',
        'rale = { instrument = "meter", channel = 102, range = 10.0 }',
        "slots.1.meters.rale: unknown net (nearest known: rail); known: terminals, rail, temperature, pin",
        id="unknown net",
    ),
    pytest.param(
        "voltage = { of_reading_percent = 0.0035, of_range_percent = 0.0007, resolution = 1e-6 }",
        "voltage = { of_reading_percent = 0.0035, of_reading_percent_per_k = 0.0005 }",
        "instruments.meter.accuracy.voltage: it has a temperature coefficient, and nothing says how warm the bench is; "
        "give ambient_c (degrees Celsius) at the top of the file",
        id="temperature coefficient without a temperature",
    ),
    pytest.param(
        "voltage = { of_reading_percent = 0.0035, of_range_percent = 0.0007, resolution = 1e-6 }",
        "voltage = { of_reading_percent = 0.0035, band_c = [28, 18] }",
        "instruments.meter.accuracy.voltage.band_c: [28.0, 18.0]; accepted: two numbers in degrees Celsius, low first",
        id="band upside down",
    ),
    pytest.param(
        "[slots.1.recorder]",
        '[slots.1.solar]\ninstrument = "supply"\nchannel = 2\n\n[slots.1.recorder]',
        "slots.2.battery: 'supply' channel 2 is already wired to slots.1.solar",
        id="one output for two boards",
    ),
    pytest.param(
        "sleep_range_a = 0.01\ntransmit_range_a = 0.1\n\n[slots.1.serial.console]",
        "sleep_range_a = 0\n\n[slots.1.serial.console]",
        "slots.1.recorder.sleep_range_a: 0 is not a number at least 1e-09 and at most 10",
        id="range 0",
    ),
    pytest.param(
        '[slots.1.serial.console]\nport = "simulated"\n',
        "[slots.1.serial.console]\n",
        "slots.1.serial.console.port: this key is missing",
        id="port missing",
    ),
    pytest.param(
        '[slots.1.serial.modem_uart]\nport = "simulated"\n',
        '[slots.1.serial.modem]\nport = "simulated"\n',
        "slots.1.serial.modem: unknown line (nearest known: modem_uart); known: console, modem_uart, modem_reply",
        id="unknown line",
    ),
    pytest.param(
        'port = "simulated"\nrelease = "close"\n\n[slots.1.serial.modem_uart]',
        'port = "simulated"\nrelease = "pull"\n\n[slots.1.serial.modem_uart]',
        "slots.1.serial.console.release: 'pull' is not one of: close, none",
        id="unknown release",
    ),
]


def _edited(old: str, new: str) -> str:
    assert TEXT.count(old) >= 1, f"the shipped bench file has no {old!r}"
    return TEXT.replace(old, new, 1)


def _read(folder: Path, text: str) -> BenchSpec:
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return read_bench_file(path)


def _problems(folder: Path, text: str) -> list[str]:
    """What is told of a bad file, without the file's name in front of each."""
    with pytest.raises(ConfigError, match=r"^bench file .*bench\.toml: \d+ problems?\n") as caught:
        _read(folder, text)
    start = f"{folder / 'bench.toml'}: "
    assert all(problem.startswith(start) for problem in caught.value.problems)
    return [problem.removeprefix(start) for problem in caught.value.problems]


@pytest.mark.parametrize(("old", "new", "problem"), BAD_EDITS)
def test_bad_edit_is_one_sentence(old: str, new: str, problem: str, tmp_path: Path) -> None:
    """One mistake is one problem, with key path, value, what is accepted and the nearest known word."""
    assert _problems(tmp_path, _edited(old, new)) == [problem]


def test_everything_wrong_is_told_at_once(tmp_path: Path) -> None:
    """All mistakes of a file come in one error, none twice, none hidden by another."""
    text = TEXT
    expected = []
    for param in BAD_EDITS:
        old, new, problem = param.values
        if param.id in (
            "scale 0",
            "seed",
            "kid",
            "two nets on one input",
            "unknown line",
            "empty text",
        ):
            assert isinstance(old, str)
            assert isinstance(new, str)
            text = text.replace(old, new, 1)
            expected.append(problem)

    assert sorted(_problems(tmp_path, text)) == sorted(map(str, expected))
    assert len(expected) == 6


@pytest.mark.parametrize("path", sorted(BENCHES.glob("*.toml")), ids=lambda path: path.stem)
def test_shipped_bench_file_is_good(path: Path) -> None:
    """Every bench file that comes with the project is read without a problem, and its profiles are there."""
    spec = read_bench_file(path)

    assert spec.slots
    assert all(slot.profile.is_file() for slot in spec.slots.values())


def test_shipped_bench_file_says_what_it_says() -> None:
    """Accuracy is in ratios, resistances and ranges in base units, each input where the file puts it."""
    spec = read_bench_file(SHIPPED)
    slot, meter = spec.slots["2"], spec.instruments["meter"]

    assert (slot.battery.channel, slot.battery.lead_ohm, slot.battery.contact_ohm) == (2, 0.05, 0.02)
    assert (slot.meters["rail"].channel, slot.meters["rail"].range) == (202, 10.0)
    assert slot.instruments == ("supply", "meter", "recorder")
    assert meter.accuracy["voltage"].of_reading == pytest.approx(35e-6)
    assert meter.accuracy["voltage"].of_range == pytest.approx(7e-6)
    assert (meter.serial, meter.timeout_s, meter.backend) == ("SIM-DM-0001", 2.0, "@py")


def test_simulated_word_needs_a_simulation(tmp_path: Path) -> None:
    """Without [simulation] neither an instrument nor a port may be called simulated."""
    head, _, tail = TEXT.partition("[simulation]\n")
    text = head + "[instruments.supply]" + tail.partition("[instruments.supply]")[2]

    problems = _problems(tmp_path, text)

    assert [problem for problem in problems if "resource" in problem] == [
        f"instruments.{name}.resource: 'simulated' needs a [simulation] table; name a VISA resource instead"
        for name in ("supply", "meter", "recorder")
    ]
    assert [problem for problem in problems if "port" in problem] == [
        f"slots.{slot}.serial.{line}.port: 'simulated' needs a [simulation] table; name a serial port by its USB path"
        for slot in ("1", "2")
        for line in ("console", "modem_uart")
    ]


@pytest.mark.parametrize(
    ("text", "problems"),
    [
        pytest.param("instruments = 3", ["instruments: 3 is not a table"], id="instruments no table"),
        pytest.param("instruments.psu = 3", ["instruments.psu: 3 is not a table"], id="instrument no table"),
        pytest.param("", ["instruments: this key is missing"], id="no instruments"),
    ],
)
def test_instruments_that_are_none(text: str, problems: list[str], tmp_path: Path) -> None:
    """What is wrong with the instruments as a whole is told once."""
    assert _problems(tmp_path, f'schema = 1\nname = "b"\nslots = {{}}\n{text}\n') == problems


def test_bench_without_slots_is_told(tmp_path: Path) -> None:
    """A bench on which no board can lie is no bench."""
    assert _problems(tmp_path, 'schema = 1\nname = "b"\ninstruments = {}\nslots = {}\n') == [
        "slots: a bench has at least one slot"
    ]


def test_one_input_has_no_channels_to_tell_nets_apart(tmp_path: Path) -> None:
    """Two nets on a meter with one input are refused, whatever channel numbers stand beside them."""
    text = TEXT.replace('table = "meter-scan-list"', 'table = "meter-configure-read"').partition("[slots.2]")[0]

    assert _problems(tmp_path, text) == [
        "slots.1.meters.rail: 'meter' is already wired to slots.1.meters.terminals",
        "slots.1.meters.temperature: 'meter' is already wired to slots.1.meters.terminals",
    ]


OWN_TABLE = (TABLES / "recorder-block.toml").read_text(encoding="utf-8")


def test_own_table_is_found_beside_the_bench_file(tmp_path: Path) -> None:
    """A table of the user's own is named by its path, relative to the bench file."""
    folder = tmp_path / "tables"
    folder.mkdir()
    (folder / "ours.toml").write_text(OWN_TABLE.replace("float32-be", "float32-le"), encoding="utf-8")

    spec = _read(tmp_path, TEXT.replace('table = "recorder-block"', 'table = "tables/ours.toml"'))

    table = spec.instruments["recorder"].table
    assert table.name == "ours"
    assert table.capture is not None
    assert table.capture.encoding == "float32-le"


def test_bad_own_table_is_told_with_the_rest(tmp_path: Path) -> None:
    """Problems of a command table come in the same error, under the table's own file name."""
    (tmp_path / "ours.toml").write_text(OWN_TABLE.replace("float32-be", "float32"), encoding="utf-8")
    text = TEXT.replace('table = "recorder-block"', 'table = "ours.toml"').replace("seed = 1", "seed = -1")

    with pytest.raises(ConfigError, match="2 problems") as caught:
        _read(tmp_path, text)

    assert caught.value.problems == (
        f"{tmp_path / 'bench.toml'}: simulation.seed: -1 is not a whole number from 0 to 4294967295",
        f"{tmp_path / 'ours.toml'}: capture.encoding: 'float32' is not one of: float32-be, float32-le, ascii "
        "(nearest known: float32-le)",
    )


def test_own_table_that_is_no_toml_is_told(tmp_path: Path) -> None:
    """A command table that cannot be parsed is one problem that names its file, line and column."""
    (tmp_path / "ours.toml").write_text("schema = = 1\n", encoding="utf-8")

    with pytest.raises(ConfigError, match=r"command table .*ours\.toml: is not TOML: .*\(at line 1, column 10\)"):
        _read(tmp_path, TEXT.replace('table = "recorder-block"', 'table = "ours.toml"'))


@pytest.mark.parametrize(
    "name", [pytest.param("x" * 300 + ".toml", id="name too long"), pytest.param("a\\u0000b.toml", id="no file name")]
)
def test_own_table_with_an_impossible_name_is_told(name: str, tmp_path: Path) -> None:
    """A name that no file can have is an unknown table, not a crash."""
    (problem,) = _problems(tmp_path, TEXT.replace('table = "recorder-block"', f'table = "{name}"'))

    assert problem.startswith("instruments.recorder.table: there is no command table ")


def test_board_profile_in_its_place_is_one_sentence() -> None:
    """A board profile given for a bench file is told as that one mistake, not as a list of unknown keys."""
    profile = BENCHES.parent / "boards" / "hay-barn-probe.toml"

    with pytest.raises(ConfigError, match=r"this is a board profile, it has .maxima.*; give the bench file") as caught:
        read_bench_file(profile)

    assert "\n" not in caught.value.message
