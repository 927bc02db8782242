"""The exit codes of the command `benchrig`: the table of the README, each of its cells brought about once."""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from benchrig.journal import JournalWriter, read_journal
from benchrig.records import CheckFinished, FactJudged, Record, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterable

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BENCH = "fixtures/benches/simulated.toml"
POOR_BENCH = "fixtures/benches/simulated-supply-only.toml"
PROFILE = "fixtures/boards/hay-barn-probe.toml"
JOURNAL = "tests/report/hay_barn_run.jsonl"
CHARGES = '--floor "17 uA" --wake-charge "54 uC" --wake-period "2 s" --report-charge "3.6 mC"'
PAYLOAD = "E2 0D 1A 00 01 04 01 05 5B"
"""3.554 V, 26 degC, no flags, bales at 26.0 and 26.1 degC; CRC-8/SMBUS worked out by hand, bit by bit."""


def commands() -> list[str]:
    """The commands that --help names."""
    found = run("--help")
    assert found.returncode == 0
    return re.findall(r"(?m)^    ([a-z]+) ", found.stdout)


def run(line: str, *, before: str = "", after: str = "") -> subprocess.CompletedProcess[str]:
    """Run a command line in the root folder of the project."""
    shell = f"{before}{shlex.quote(sys.executable)} -m benchrig {line} {after}"
    environment = {key: value for key, value in os.environ.items() if not key.startswith("BENCHRIG_")}
    return subprocess.run(
        ["bash", "-c", shell],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env=environment | {"COLUMNS": "120"},
    )


def table() -> dict[str, dict[int, str]]:
    """The README's table: of each command the codes with their meaning."""
    found = re.search(r"(?m)^\| command \| 0 \| 10 \|\n\|[-|]+\n((?:\|.*\n)+)", README)
    assert found, "no table of commands"
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in found[1].splitlines()]
    return {
        row[0].strip("`"): {code: words for code, words in zip((0, 10), row[1:], strict=True) if words != "-"}
        for row in rows
    }


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with good and bad traces, captures and journals, and a key to sign with."""
    records = read_journal(ROOT / JOURNAL).records
    write(tmp_path / "whole.jsonl", records)
    write(tmp_path / "failed.jsonl", [failed(record) for record in records])
    whole = (tmp_path / "whole.jsonl").read_text(encoding="utf-8")
    (tmp_path / "changed.jsonl").write_text(whole.replace('"count":4', '"count":5', 1), encoding="utf-8")
    (tmp_path / "cut.jsonl").write_text(whole[:-20], encoding="utf-8")
    key = Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    (tmp_path / "key.pem").write_bytes(key)
    (tmp_path / "key.pem").chmod(0o600)
    (tmp_path / "good.csv").write_text(
        "".join(f"{1e-3 + 1e-6 * (7 * n % 11):.6f}\n" for n in range(2000)), encoding="ascii"
    )
    (tmp_path / "short.csv").write_text("1e-3\n2e-3\n", encoding="ascii")
    (tmp_path / "good.vcd").write_text(capture(bit_us=100, bytes_sent=20), encoding="ascii")
    (tmp_path / "bad.vcd").write_text(capture(bit_us=100, bytes_sent=2000, spoilt=True), encoding="ascii")
    return tmp_path


def write(path: Path, records: Iterable[Record]) -> None:
    """A journal of these records, as a run writes it."""
    with JournalWriter(path) as writer:
        for record in records:
            writer.append(record)


def failed(record: Record) -> Record:
    """The record in a run whose check of the identity failed."""
    if isinstance(record, FactJudged | CheckFinished) and record.check == "identity":
        return msgspec.structs.replace(record, verdict=Verdict.FAIL, why="another board")
    return record


def capture(*, bit_us: int, bytes_sent: int, spoilt: bool = False) -> str:
    """A value change dump (IEEE 1364) of a line that says 'U' again and again; `spoilt`: late ones have no stop bit."""
    lines = ["$timescale 1 us $end", "$var wire 1 ! tx $end", "$enddefinitions $end", "#0", "1!"]
    at_us = 1000
    for place in range(bytes_sent):
        bits = [0, 1, 0, 1, 0, 1, 0, 1, 0, 0 if spoilt and place > bytes_sent // 2 else 1]
        for number, bit in enumerate(bits):
            lines += [f"#{at_us + number * bit_us}", f"{bit}!"]
        at_us += 20 * bit_us
        lines += [f"#{at_us - 5 * bit_us}", "1!"]
    return "\n".join([*lines, f"#{at_us + 1000}", "1!", ""])


SHOWN = [
    ("report", f"report {JOURNAL} --output {{folder}}/one.xml", 0),
    ("report", "report {folder}/failed.jsonl --output {folder}/one.xml", 10),
    ("look", f"look {BENCH}", 0),
    ("payload", f"payload {PROFILE} '{PAYLOAD}'", 0),
    ("payload", f"payload {PROFILE} '{PAYLOAD[:-2]}7E'", 10),
    ("fitness", f"fitness {BENCH}", 0),
    ("fitness", f"fitness {POOR_BENCH}", 10),
    ("points", f"points {PROFILE}", 0),
    ("budget", f"budget {JOURNAL}", 0),
    ("budget", "budget {folder}/cut.jsonl", 10),
    ("tables", "tables", 0),
    ("trace", "trace {folder}/good.csv --interval 0.001", 0),
    ("trace", "trace {folder}/short.csv --interval 0.001", 10),
    ("capture", "capture {folder}/good.vcd --signal tx --baud 10000", 0),
    ("capture", "capture {folder}/bad.vcd --signal tx --baud 10000", 10),
    ("energy", f"energy {PROFILE} {CHARGES}", 0),
    ("sun", f"sun {PROFILE} {CHARGES}", 0),
    ("dossier", "dossier {folder}/whole.jsonl --html {folder}/page.html", 0),
    ("dossier", "dossier {folder}/failed.jsonl --html {folder}/page.html", 10),
    ("label", "label {folder}/whole.jsonl --svg {folder}/label.svg", 0),
    ("verify", "verify {folder}/whole.jsonl", 0),
    ("verify", "verify {folder}/changed.jsonl", 10),
    ("sign", "sign {folder}/whole.jsonl --key {folder}/key.pem", 0),
    ("simulate", "simulate --list-faults", 0),
]


WITH_PARTS = {"history"}
"""A command of many parts, whose codes are shown where its parts are tested."""


def test_every_command_is_in_the_table() -> None:
    """The table has a row for each command, and each of its cells is brought about below."""
    told = table()

    assert set(told) == set(commands())
    cells = {(command, code) for command, row in told.items() for code in row if command not in WITH_PARTS}
    assert cells == {(one[0], one[2]) for one in SHOWN}


@pytest.mark.parametrize(("line", "code"), [one[1:] for one in SHOWN], ids=[f"{one[0]}-{one[2]}" for one in SHOWN])
def test_code(folder: Path, line: str, code: int) -> None:
    """The command ends with the code of its cell, and without a traceback."""
    found = run(line.format(folder=folder))

    assert found.returncode == code, found.stdout + found.stderr
    assert "Traceback" not in found.stderr


WITH_A_FILE = [
    "report",
    "look",
    "payload",
    "fitness",
    "points",
    "budget",
    "trace",
    "capture",
    "energy",
    "sun",
    "dossier",
]


@pytest.mark.parametrize("command", [*WITH_A_FILE, "simulate"])
def test_file_that_is_not_there(command: str) -> None:
    """A file that cannot be used is 4, told in one line."""
    found = run(f"{command} none-such.toml")

    assert found.returncode == 4
    assert "none-such.toml" in found.stderr
    assert len(found.stderr.splitlines()) == 1


@pytest.mark.parametrize("command", [*WITH_A_FILE, "tables", "simulate"])
def test_command_line_that_cannot_be_read(command: str) -> None:
    """An option that does not exist is 2, with the usage."""
    found = run(f"{command} --no-such-option")

    assert found.returncode == 2
    assert "usage: " in found.stderr


@pytest.mark.parametrize("line", [one[1] for one in SHOWN if one[2] == 0], ids=[one[0] for one in SHOWN if one[2] == 0])
def test_output_that_cannot_be_written(folder: Path, line: str) -> None:
    """A command that had nothing to say against what it read is 13 when it cannot say that."""
    found = run(line.format(folder=folder), after="> /dev/full")

    assert found.returncode == 13
    assert "the output could not be written: No space left on device" in found.stderr
    assert len(found.stderr.splitlines()) == 1


def test_payload_of_the_readme_keeps_its_field_map() -> None:
    """The bytes that the README decodes have the right check value."""
    (line,) = re.findall(r"(?m)^\.venv/bin/benchrig (payload .* \"[0-9A-F ]+\")$", README)

    found = run(line)

    assert found.returncode == 0, found.stdout
    assert re.search(r"(?m)^battery +3\.554 V$", found.stdout)
