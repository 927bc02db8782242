"""A command table that would fail when a message is sent is refused when it is read."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.bench.command_table import TABLES, CommandTable, find_table, read_command_table, shipped_tables
from benchrig.errors import ConfigError

SUPPLY = (TABLES / "supply-channel-list.toml").read_text(encoding="utf-8")
METER = (TABLES / "meter-scan-list.toml").read_text(encoding="utf-8")
RECORDER = (TABLES / "recorder-block.toml").read_text(encoding="utf-8")

ON = 'on = "OUTP ON,(@{channel})"'
SET = 'set = "VOLT {value:.4f},(@{channel})"'
ASK = 'query = "VOLT? (@{channel})"'

BAD_EDITS = [
    pytest.param(
        SUPPLY, 'kind = "supply"', 'kind = "load"', ["kind: 'load' is not one of: supply, meter, recorder"], id="kind"
    ),
    pytest.param(
        SUPPLY,
        'source = "',
        'sauce = "',
        ["source: this key is missing", "sauce: unknown key (nearest known: source)"],
        id="source",
    ),
    pytest.param(
        SUPPLY,
        ON,
        'on = "OUTP ON,(@{chanel})"',
        [
            "output.on: 'OUTP ON,(@{chanel})' has an unknown placeholder {chanel} (nearest known: channel); "
            "known here: {channel}"
        ],
        id="unknown placeholder",
    ),
    pytest.param(
        SUPPLY,
        ON,
        'on = "OUTP ON,(@{})"',
        ["output.on: 'OUTP ON,(@{})' has an unknown placeholder {}; known here: {channel}"],
        id="placeholder without a name",
    ),
    pytest.param(
        SUPPLY,
        ASK,
        'query = "VOLT? {value}"',
        ["settings.voltage.query: 'VOLT? {value}' has an unknown placeholder {value}; known here: {channel}"],
        id="value in a question",
    ),
    pytest.param(
        SUPPLY,
        SET,
        'set = "VOLT {value:d}"',
        [
            "settings.voltage.set: 'VOLT {value:d}' is not a message template: Unknown format code 'd' for "
            "object of type 'float'"
        ],
        id="format that no voltage fits",
    ),
    pytest.param(
        SUPPLY,
        SET,
        'set = "VOLT {value"',
        ["settings.voltage.set: 'VOLT {value' is not a message template: expected '}' before end of string"],
        id="brace left open",
    ),
    pytest.param(
        SUPPLY,
        SET,
        'set = "VOLT 3.7,(@{channel})"',
        ["settings.voltage.set: 'VOLT 3.7,(@{channel})' sets no value; put {value} where the number goes"],
        id="set without a value",
    ),
    pytest.param(
        SUPPLY,
        ASK,
        'query = "VOLT (@{channel})"',
        ["settings.voltage.query: 'VOLT (@{channel})' has not exactly one question mark, as a question has"],
        id="question that asks nothing",
    ),
    pytest.param(
        SUPPLY,
        ASK,
        'query = "VOLT?;CURR?"',
        ["settings.voltage.query: 'VOLT?;CURR?' has not exactly one question mark, as a question has"],
        id="two questions",
    ),
    pytest.param(SUPPLY, ON, 'on = "OUTP?"', ["output.on: 'OUTP?' must not ask"], id="command that asks"),
    pytest.param(
        SUPPLY,
        ON,
        'on = "OUTP ON\\nOUTP?"',
        ["output.on: 'OUTP ON\\nOUTP?' is not a message: ASCII text without a line end"],
        id="line end",
    ),
    pytest.param(
        SUPPLY, ON, 'on = "µ"', ["output.on: 'µ' is not a message: ASCII text without a line end"], id="not ASCII"
    ),
    pytest.param(SUPPLY, ON, 'on = " "', ["output.on: ' ' is not a text that says something"], id="blank"),
    pytest.param(SUPPLY, ON, "", ["output.on: this key is missing"], id="switch without on"),
    pytest.param(
        SUPPLY,
        "tolerance = 0.001",
        "tolerance = 0",
        ["settings.voltage.tolerance: 0 is not a number above 0 and at most 0.1"],
        id="tolerance",
    ),
    pytest.param(
        SUPPLY,
        "tolerance = 0.001",
        "tolerance = 1e300",
        ["settings.voltage.tolerance: 1e+300 is not a number above 0 and at most 0.1"],
        id="tolerance that takes any read-back",
    ),
    pytest.param(
        SUPPLY,
        "[settings.protection]",
        "[settings.protections]",
        ["settings.protection: this key is missing", "settings.protections: unknown key (nearest known: protection)"],
        id="setting with a slip",
    ),
    pytest.param(
        SUPPLY,
        "[output]",
        '[conditions.current_limited]\nquery = "STAT:QUES:COND?"\nbit = 16\n[output]',
        ["conditions.current_limited.bit: 16 is not a whole number from 0 to 15"],
        id="bit of no register",
    ),
    pytest.param(
        METER,
        'query = "MEAS:TEMP? (@{channel})"',
        'query = "MEAS:TEMP? (@{channel},{value})"',
        [
            "readings.temperature.query: 'MEAS:TEMP? (@{channel},{value})' has an unknown placeholder {value}; "
            "known here: {channel}, {range}"
        ],
        id="value in a reading",
    ),
    pytest.param(
        METER,
        "[readings.voltage]",
        "[readings.volts]",
        ["readings.volts: unknown key (nearest known: voltage)"],
        id="reading",
    ),
    pytest.param(
        RECORDER,
        'encoding = "float32-be"',
        'encoding = "int16-be"',
        ["capture.encoding: 'int16-be' is not one of: float32-be, float32-le, ascii"],
        id="codes without a scale",
    ),
    pytest.param(
        RECORDER,
        'encoding = "',
        'unit = "mA"\nencoding = "',
        ["capture.unit: 'mA' is not one of: A (nearest known: A)"],
        id="unit that is not the base unit",
    ),
    pytest.param(
        RECORDER,
        'prepare = ["FORM REAL,32", ',
        'prepare = ["FORM?", ',
        ["capture.prepare: 'FORM?' must not ask"],
        id="prepare that asks",
    ),
    pytest.param(
        RECORDER,
        'start = "INIT"',
        'start = "INIT (@{channel})"',
        ["capture.start: 'INIT (@{channel})' has an unknown placeholder {channel}; known here: none"],
        id="channel where none is filled in",
    ),
]


def _read(folder: Path, text: str) -> CommandTable:
    path = folder / "ours.toml"
    path.write_text(text, encoding="utf-8")
    return read_command_table(path)


@pytest.mark.parametrize(("text", "old", "new", "problems"), BAD_EDITS)
def test_bad_table_is_told(text: str, old: str, new: str, problems: list[str], tmp_path: Path) -> None:
    """Each mistake is told by its key, with what stands there and what is accepted; all of them at once."""
    assert text.count(old) == 1

    with pytest.raises(ConfigError, match=r"^command table .*ours\.toml: \d problems?\n") as caught:
        _read(tmp_path, text.replace(old, new))

    start = f"{tmp_path / 'ours.toml'}: "
    assert [problem.removeprefix(start) for problem in caught.value.problems] == problems


@pytest.mark.parametrize("name", shipped_tables())
def test_shipped_table_is_good(name: str) -> None:
    """Every shipped table is read without a problem, says what it is for and where it comes from."""
    path = find_table(name, beside=Path("nowhere"))

    assert path is not None
    table = read_command_table(path)
    assert table.name == name
    assert table.kind == name.partition("-")[0]
    assert "IEEE 488.2" in table.source
    assert "SCPI-99" in table.source


def test_eight_tables_are_shipped() -> None:
    """Three supplies, three meters and two recorders."""
    kinds = [name.partition("-")[0] for name in shipped_tables()]

    assert (kinds.count("supply"), kinds.count("meter"), kinds.count("recorder"), len(kinds)) == (3, 3, 2, 8)


def test_braces_that_are_meant_stay(tmp_path: Path) -> None:
    """A doubled brace is a brace, as in any format string."""
    table = _read(tmp_path, SUPPLY.replace(ON, 'on = "OUTP {{1}},(@{channel})"'))

    assert table.output is not None
    assert table.output.on.format(channel=2) == "OUTP {1},(@2)"


def test_table_without_clear_and_error_queue_is_good(tmp_path: Path) -> None:
    """An instrument that knows neither is described by two empty texts."""
    table = _read(tmp_path, SUPPLY.replace("schema = 1", 'schema = 1\nclear = ""\nerror_query = ""\njoins = false'))

    assert (table.clear, table.error_query, table.joins, table.token) == ("", "", False, True)
