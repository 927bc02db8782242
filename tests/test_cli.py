"""The command `benchrig`, each time as a process of its own: output, exit codes, and what --help does not load."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import shutil
import signal
import socket
import struct
import subprocess
import sys
import termios
from contextlib import closing, suppress
from pathlib import Path

import junitparser
import pytest

from benchrig.journal import JournalWriter, read_journal
from benchrig.records import RunFinished, RunStarted, Verdict

ROOT = Path(__file__).parents[1]
BENCH = ROOT / "fixtures" / "benches" / "simulated.toml"
PROFILE = ROOT / "fixtures" / "boards" / "hay-barn-probe.toml"
JOURNAL = ROOT / "tests" / "report" / "hay_barn_run.jsonl"


def benchrig(*arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command to its end."""
    return subprocess.run(
        [sys.executable, "-m", "benchrig", *map(str, arguments)],
        check=False,
        capture_output=True,
        text=True,
        timeout=30,
        cwd=cwd,
        env={**os.environ, "COLUMNS": "120"},
    )


def on_a_terminal(*arguments: str | Path, columns: int) -> str:
    """What the command writes to a terminal of so many columns."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    environment = {key: value for key, value in os.environ.items() if key != "COLUMNS"}
    command = [sys.executable, "-m", "benchrig", *map(str, arguments)]
    with subprocess.Popen(command, stdout=theirs, env=environment):
        os.close(theirs)
        written = b""
        with suppress(OSError):  # how Linux says that the other side was closed
            while chunk := os.read(ours, 65536):
                written += chunk
    os.close(ours)
    return written.decode().replace("\r\n", "\n")


def one_sentence(found: subprocess.CompletedProcess[str], *words: str, code: int = 4) -> None:
    """One line on standard error with these words, no traceback, this exit code."""
    (line,) = found.stderr.splitlines()
    assert found.returncode == code
    for word in words:
        assert word in line


# ---- help


@pytest.mark.parametrize(
    "arguments", [["--help"], ["report", "--help"], ["payload", "--help"], ["look", "--help"], ["points", "--help"]]
)
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    """--help comes at once: it loads neither numpy nor pytest nor pyvisa, nor anything else of the kind."""
    heavy = (
        "numpy",
        "pytest",
        "_pytest",
        "pyvisa",
        "pyvisa_py",
        "serial",
        "msgspec",
        "tenacity",
        "junit_xml",
        "filelock",
    )
    program = (
        "import sys\nfrom benchrig.cli import main\n"
        f"try:\n    main({arguments!r})\nexcept SystemExit as end:\n    assert end.code == 0\n"
        f"print('loaded:', [name for name in {heavy!r} if name in sys.modules])"
    )

    found = subprocess.run([sys.executable, "-c", program], check=True, capture_output=True, text=True, timeout=30)

    assert found.stdout.splitlines()[-1] == "loaded: []"
    assert "usage: benchrig" in found.stdout


def test_help_names_the_commands() -> None:
    """--help names every command, and how boards are checked."""
    found = benchrig("--help")

    for command in ("report", "look", "payload", "tables", "simulate"):
        assert re.search(rf"(?m)^    {command} +\w", found.stdout)
    assert "pytest suites/production --bench FILE --board SERIAL" in " ".join(found.stdout.split())


@pytest.mark.parametrize("arguments", [[], ["reprot"], ["report"], ["payload"], ["tables", "--jsno"]])
def test_bad_command_line(arguments: list[str]) -> None:
    """A command line that cannot be read is refused with its usage."""
    found = benchrig(*arguments)

    assert found.returncode == 2  # argparse's own, as everywhere on POSIX (from memory)
    assert "usage: benchrig" in found.stderr
    assert "Traceback" not in found.stderr


# ---- report


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    """A journal of a passed run, where a run would have put it."""
    path = tmp_path / "HB-0001" / "20310304T081500.000000Z-1.jsonl"
    path.parent.mkdir()
    shutil.copy(JOURNAL, path)
    return path


def failures(path: Path) -> int:
    """Failures that another reader of JUnit files counts."""
    (suite,) = junitparser.JUnitXml.fromfile(str(path))
    return int(suite.failures)


def board_of(journal: Path) -> str:
    """The board in a journal's first line."""
    (started,) = [record for record in read_journal(journal).records if isinstance(record, RunStarted)]
    return started.board


def test_report_of_a_passed_run(journal: Path) -> None:
    """The report is made again beside the folder of the board, the table shown, exit code 0."""
    found = benchrig("report", journal)

    report = journal.parent.parent / f"{board_of(journal)}.xml"
    assert found.returncode == 0, found.stderr
    assert f"report:  {report}" in found.stdout
    assert f"{board_of(journal)}: PASS" in found.stdout
    assert failures(report) == 0


def test_report_elsewhere(journal: Path, tmp_path: Path) -> None:
    """--output puts it elsewhere and nowhere else."""
    found = benchrig("report", journal, "--output", tmp_path / "other" / "one.xml")

    assert found.returncode == 0, found.stderr
    assert failures(tmp_path / "other" / "one.xml") == 0
    assert not (tmp_path / f"{board_of(journal)}.xml").exists()


def test_report_of_an_older_run(journal: Path, tmp_path: Path) -> None:
    """The report of an old run does not take the place of the newest one's: it is put beside its journal."""
    newer = journal.with_name("20310305T081500.000000Z-1.jsonl")
    shutil.copy(JOURNAL, newer)
    benchrig("report", newer)
    newest = (tmp_path / f"{board_of(journal)}.xml").read_bytes()

    found = benchrig("report", journal)

    assert found.returncode == 0, found.stderr
    assert journal.with_suffix(".xml").exists()
    assert (tmp_path / f"{board_of(journal)}.xml").read_bytes() == newest


def cut(journal: Path, *, keep: float) -> None:
    """Leave the first part of a journal, the last line of it torn."""
    data = journal.read_bytes()
    journal.write_bytes(data[: int(len(data) * keep)])


@pytest.mark.parametrize("keep", [0.5, 0.8, 0.97])
def test_report_of_a_torn_journal(journal: Path, keep: float) -> None:
    """A journal that was cut gives a report that says interrupted, and exit code 11 as the run would have had."""
    cut(journal, keep=keep)
    board = board_of(journal)

    found = benchrig("report", journal)

    assert found.returncode == 11, found.stdout
    assert "interrupted" in found.stdout
    assert f"{board}: INCOMPLETE" in found.stdout
    assert failures(journal.parent.parent / f"{board}.xml") > 0


def test_report_of_a_damaged_journal(journal: Path) -> None:
    """A line in the middle that cannot be read: the run proves nothing, exit code 12."""
    lines = journal.read_bytes().splitlines(keepends=True)
    journal.write_bytes(b"".join([*lines[:-1], b"\xff no record\n", lines[-1]]))

    found = benchrig("report", journal)

    assert found.returncode == 12, found.stdout
    assert "the run proves nothing about the board" in found.stdout


def test_report_of_a_failed_run(journal: Path) -> None:
    """The report of a failed run exits with 10."""
    text = journal.read_text(encoding="utf-8")
    journal.write_text(text.replace('"verdict":"pass"', f'"verdict":"{Verdict.FAIL}"', 1), encoding="utf-8")

    assert benchrig("report", journal).returncode == 10


NO_JOURNALS = [
    pytest.param("none.jsonl", None, ("none.jsonl: there is no such file", ".jsonl"), id="missing"),
    pytest.param("empty.jsonl", b"", ("no run begins in it", "the journal is empty", "--output FILE"), id="empty"),
    pytest.param("other.jsonl", b"a = 1\n", ("no run begins in it", "line 1 is no record"), id="another file"),
]


@pytest.mark.parametrize(("name", "data", "words"), NO_JOURNALS)
def test_report_of_no_journal(tmp_path: Path, name: str, data: bytes | None, words: tuple[str, ...]) -> None:
    """What is no journal is refused in one sentence, and no report of an unknown board is left about."""
    path = tmp_path / "HB-0001" / name
    path.parent.mkdir()
    if data is not None:
        path.write_bytes(data)

    one_sentence(benchrig("report", path), *words)
    assert list(tmp_path.rglob("*.xml")) == []


def test_report_of_a_newer_schema(tmp_path: Path) -> None:
    """A journal of a version to come is refused with what to do."""
    path = tmp_path / "HB-0001" / "new.jsonl"
    path.parent.mkdir()
    path.write_bytes(b'{"record":"run started","schema":2}\n')

    one_sentence(benchrig("report", path), "schema 2", "a newer one", code=12)


def test_report_that_cannot_be_written(journal: Path, tmp_path: Path) -> None:
    """A report that finds no place is a bench error in one sentence."""
    (tmp_path / "file").write_text("", encoding="utf-8")

    found = benchrig("report", journal, "--output", tmp_path / "file" / "one.xml")

    one_sentence(found, "cannot be written", "its journal is not touched", code=12)


def test_report_of_an_own_journal(tmp_path: Path) -> None:
    """A journal with nothing but a begin and an end is a run without its checks: incomplete."""
    started = next(record for record in read_journal(JOURNAL).records if isinstance(record, RunStarted))
    finished = next(record for record in read_journal(JOURNAL).records if isinstance(record, RunFinished))
    path = tmp_path / "HB-0001" / "short.jsonl"
    with JournalWriter(path) as writer:
        writer.append(started)
        writer.append(finished)

    found = benchrig("report", path)

    assert found.returncode == 11, found.stdout
    for check in started.required:
        assert check in found.stdout


# ---- look


def test_look_fits_the_terminal() -> None:
    """A person's terminal of 80 columns gets sentences of 80; a program gets each line whole, and JSON as it is."""
    seen = on_a_terminal("look", BENCH, columns=80).splitlines()
    piped = benchrig("look", BENCH).stdout.splitlines()
    tables = on_a_terminal("tables", "--json", columns=80)

    assert max(len(line) for line in seen if str(BENCH.parents[1]) not in line) <= 80
    assert any(len(line) > 120 for line in piped)
    assert " ".join(" ".join(seen).split()) == " ".join(" ".join(piped).split())
    assert json.loads(tables) == json.loads(benchrig("tables", "--json").stdout)


def test_look_at_a_good_bench() -> None:
    """A good bench file is called good with its slots, and so are its profiles."""
    found = benchrig("look", BENCH)

    assert found.returncode == 0
    assert "good; hay-barn bench, simulated, slots 1, 2" in found.stdout
    assert re.search(r"board profile \S+hay-barn-probe\.toml: good; hay-barn-probe, \d+ limits", found.stdout)
    assert "/../" not in found.stdout


def test_look_tells_what_it_understood() -> None:
    """Each slot with its board, the checks required per use, the planned points, and what sees which net."""
    slots = benchrig("look", BENCH).stdout.split("\nslot ")[1:]
    rows = [dict(re.findall(r"^  (\S.*?)  +(.*)$", slot, re.MULTILINE)) for slot in slots]

    assert len(rows) == 2
    assert rows[0]["required, production"].startswith("first_touch, identity_start, rail, ")
    assert rows[0]["required, nightly"] == "none"
    assert rows[0]["sweep points"] == "3.3, 3.45, 3.6, 3.75, 3.9, 4.05, 4.2 V, up and down"
    assert rows[0]["net terminals"] == "meter (DM-6 SIM-DM-0001), channel 101, range 10 V"
    assert rows[1]["net rail"] == "meter (DM-6 SIM-DM-0001), channel 202, range 10 V"
    assert rows[1]["battery"] == "supply (PS-2 SIM-PS-0001), channel 2, lead 0.05 ohm, contact 0.02 ohm"


def test_look_says_where_no_meter_sees_the_terminals() -> None:
    """Without a meter there it is the supply's read-back, and the reader is told so."""
    text = benchrig("look", BENCH.with_name("simulated-supply-only.toml")).stdout

    assert re.search(r"^  net terminals +no meter; by the read-back of the supply$", text, re.MULTILINE)
    assert "net rail" not in text


def test_look_at_a_bad_bench(tmp_path: Path) -> None:
    """Every problem of a bench file is told at once, each with its place."""
    text = BENCH.read_text(encoding="utf-8")
    text = text.replace("schema = 1", "schema = 7").replace('table = "meter-scan-list"', 'table = "meter-scan-lits"')
    text = text.replace("lead_ohm = 0.05", "lead_omh = 0.05", 1)
    path = tmp_path / "bad.toml"
    path.write_text(text, encoding="utf-8")

    found = benchrig("look", path)

    assert found.returncode == 4
    assert "3 problems" in found.stderr.splitlines()[0]
    for words in ("schema: 7 is not", "instruments.meter.table: ", "lead_omh: unknown key (nearest known: lead_ohm)"):
        assert words in found.stderr
    assert found.stdout == ""


@pytest.mark.parametrize(
    ("content", "words"),
    [
        pytest.param(None, "there is no such file", id="missing"),
        pytest.param(b"= 3", "is not TOML", id="not TOML"),
        pytest.param(b"\xff", "is not UTF-8", id="not text"),
    ],
)
def test_look_at_no_bench(tmp_path: Path, content: bytes | None, words: str) -> None:
    """What is no bench file is refused in one sentence."""
    path = tmp_path / "bench.toml"
    if content is not None:
        path.write_bytes(content)

    one_sentence(benchrig("look", path), "bench file", words)


# ---- points


def test_points_of_a_plan() -> None:
    """What the planned points do not prove, in plain words, and further points, before there is any hardware."""
    found = benchrig("points", PROFILE)

    assert found.returncode == 0
    assert found.stdout.startswith("hay-barn report: 14 points, 7 voltages up and down at 20 degC, show ")
    assert "\nthese points do not prove the sign of temperature" in found.stdout
    assert "\nfurther point 1: battery 3." in found.stdout


def test_points_at_other_temperatures() -> None:
    """Points in the cold prove the sign; a program gets the same as JSON."""
    found = benchrig("points", PROFILE, "--at", "-20", "21", "--json")
    told = json.loads(found.stdout)

    assert (told["at_c"], told["points"]) == ([-20.0, 21.0], 28)
    (temperature,) = (one for one in told["not_proven"] if one["part"] == "temperature")
    assert "the sign" not in temperature["aspects"]


def test_points_that_no_payload_can_carry() -> None:
    """A temperature beyond the field is one sentence with what fits."""
    one_sentence(benchrig("points", PROFILE, "--at", "900"), "900.0 degC does not fit; accepted -128.0 to 127.0")


# ---- payload


def test_payload_is_described() -> None:
    """Without bytes the field map is shown: bytes, order, scale, words for special values, check value."""
    found = benchrig("payload", PROFILE)

    assert found.returncode == 0
    assert "hay-barn report: port 2, 9 bytes" in found.stdout
    for row in (r"0-1 .*battery .*little .*0\.001 V", r"bale\[1\]\.temperature .*0x7fff = no probe", r"CRC-8/SMBUS"):
        assert re.search(row, found.stdout), row


# CRC-8/SMBUS (polynomial 0x07) worked out by hand with a bitwise loop, not by the project's code.
def crc8(data: bytes) -> int:
    """CRC-8/SMBUS, bit by bit (its parameters from the catalogue of parametrised CRC algorithms, from memory)."""
    value = 0
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value << 1 ^ 0x07 if value & 0x80 else value << 1) & 0xFF
    return value


BODY = bytes.fromhex("E20D1A0001F47FFF")  # 0x0DE2 = 3554 mV little-endian, 26 C, no flags, 50.0 C, no probe
GOOD = (BODY + bytes([crc8(BODY)])).hex().upper()


@pytest.mark.parametrize(
    "text", [GOOD, GOOD.lower(), " ".join(re.findall("..", GOOD))], ids=["upper", "lower", "blanks"]
)
def test_payload_is_decoded(text: str) -> None:
    """Bytes are shown as values with units, a special value by its word."""
    found = benchrig("payload", PROFILE, text)

    rows = {line.split()[0]: line.split()[1:] for line in found.stdout.splitlines()}
    assert found.returncode == 0, found.stdout
    assert rows["battery"] == ["3.554", "V"]
    assert rows["temperature"] == ["26", "degC"]
    assert rows["flags.siren"] == ["0"]
    assert rows["bale[0].temperature"] == ["50", "degC"]
    assert rows["bale[1].temperature"][:2] == ["no", "probe"]
    assert "problem" not in found.stdout


BAD_PAYLOADS = [
    pytest.param([GOOD[:-2] + "00"], "CRC-8/SMBUS over bytes 0 to 7", id="check value"),
    pytest.param([GOOD[:-2]], "8 bytes", id="too short"),
    pytest.param([GOOD, "--port", "3"], "port 3", id="port 3"),
    pytest.param([GOOD, "--port", "0"], "port 0", id="port 0"),
]


@pytest.mark.parametrize(("arguments", "words"), BAD_PAYLOADS)
def test_payload_that_is_wrong(arguments: list[str], words: str) -> None:
    """Bytes that break the field map are decoded as far as can be, with each problem and exit code 10."""
    found = benchrig("payload", PROFILE, *arguments)

    assert found.returncode == 10
    assert re.search(rf"(?m)^problem: .*{re.escape(words)}", found.stdout), found.stdout


@pytest.mark.parametrize("text", ["zz", "E20", "0xE2"])
def test_payload_that_is_no_hex(text: str) -> None:
    """What is no hexadecimal text is refused with what is accepted."""
    one_sentence(benchrig("payload", PROFILE, text), repr(text), "accepted: pairs of 0-9 and A-F")


# ---- tables


def test_tables() -> None:
    """The command tables that come along are listed with kind and summary, as text and as JSON alike."""
    text, data = benchrig("tables"), json.loads(benchrig("tables", "--json").stdout)

    shipped = {path.stem for path in (ROOT / "benchrig" / "bench" / "tables").glob("*.toml")}
    assert {one["name"] for one in data} == shipped
    assert {one["kind"] for one in data} == {"supply", "meter", "recorder"}
    for one, line in zip(data, text.stdout.splitlines(), strict=True):
        assert line.split() == [one["name"], one["kind"], *one["summary"].split()]


# ---- simulate


def test_simulate_lists_faults() -> None:
    """`simulate --list-faults` lists name, side and sentence of each fault."""
    found = benchrig("simulate", "--list-faults")

    assert found.returncode == 0, found.stderr
    for line in found.stdout.splitlines():
        assert re.fullmatch(r"\w+ +(board|bench) +\S.+\.", line)
    assert "rail_low" in found.stdout


def test_simulate_bad_input(tmp_path: Path) -> None:
    """A fault that does not exist is refused by the simulator in one sentence, exit code 4."""
    one_sentence(benchrig("simulate", BENCH, "--fault", "rail_lwo"), "unknown fault 'rail_lwo'", "rail_low")
    one_sentence(benchrig("simulate", tmp_path / "none.toml"), "none.toml")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=lambda number: number.name)
def test_simulate_ends_on_a_signal(number: signal.Signals) -> None:
    """A simulation started by hand ends with the command: nothing goes on listening, and no traceback is shown."""
    process = subprocess.Popen(
        [sys.executable, "-m", "benchrig", "simulate", str(BENCH)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    assert process.stdout is not None
    ready = json.loads(process.stdout.readline())
    _, host, port, _ = ready["instruments"]["supply"].split("::")

    process.send_signal(number)

    _, err = process.communicate(timeout=10)
    assert (process.returncode, err) == (0, b"")
    with pytest.raises(ConnectionRefusedError, match="refused"), closing(socket.create_connection((host, int(port)))):
        pass
