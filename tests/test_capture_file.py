"""Captures as files, and the command that shows them: one line or two, in blocks, and every file that is none."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from benchrig import capture_file
from benchrig.capture_file import Capture, read_capture
from benchrig.errors import ConfigError
from benchrig.protocol import uart_edges
from benchrig.protocol.uart_edges import UartSettings

from .protocol.uart_signal import Signal

ROOT = Path(__file__).parents[1]
PROFILE = ROOT / "fixtures" / "boards" / "hay-barn-probe.toml"
FRAME = b"E20D15006900D2FF3C"


class Talk:
    """Host and modem, one after the other on two lines."""

    def __init__(self, **settings: float | bool) -> None:
        self.host = Signal(**settings).rest(40)  # type: ignore[arg-type]  # named as the fields are
        self.modem = Signal(**settings).rest(40)  # type: ignore[arg-type]

    def says(self, who: Signal, data: bytes) -> None:
        """Wait a millisecond behind the last word of both, then speak."""
        who.now_s = max(self.host.now_s, self.modem.now_s) + 1e-3
        who.send(data)

    def write(self, path: Path, *, ticks_per_s: float = 1e9) -> Path:
        """Write both lines as a value change dump, and a bus that no one asked for."""
        edges = [
            (at_s, code, level) for code, line in ((b"!", self.host), (b'"', self.modem)) for at_s, level in line.edges
        ]
        body = b"".join(
            b"#%d %d%s\nb1010 #\n" % (round(at_s * ticks_per_s), level, code) for at_s, code, level in sorted(edges)
        )
        names = (
            b'$scope module probe $end $var wire 1 ! tx $end $var wire 1 " rx $end $var wire 4 # bus $end $upscope $end'
        )
        path.write_bytes(b"$timescale 1 ns $end\n" + names + b"\n$enddefinitions $end\n" + body)
        return path


@pytest.fixture
def talk() -> Talk:
    """A dialogue with a lost first character, a repeat and an unsolicited line."""
    made = Talk()
    made.says(made.host, b"AT+BUF=2," + FRAME + b"\r\n")
    made.says(made.modem, b"T+BUF=2," + FRAME + b"\r\r\nERROR\r\n")
    made.says(made.host, b"AT+BUF=2," + FRAME + b"\r\n")
    made.says(made.modem, b"AT+BUF=2," + FRAME + b"\r\r\nOK\r\n")
    made.says(made.host, b"AT+TX\r\n")
    made.says(made.modem, b"\r\nRING\r\n\r\nOK\r\n")
    return made


@pytest.fixture(params=[64, 1000, 1 << 20], ids=["tiny blocks", "small blocks", "one block"])
def block_bytes(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    """How much of a file is read at once; the rate is certain early, so that blocks count."""
    monkeypatch.setattr(capture_file, "_BLOCK_BYTES", request.param)
    monkeypatch.setattr(uart_edges, "_HELD_EDGES", 200)
    return int(request.param)


@pytest.mark.usefixtures("block_bytes")
@pytest.mark.parametrize("baud", [115200, None])
def test_two_lines_in_one_order(tmp_path: Path, talk: Talk, baud: float | None) -> None:
    """Bytes of both lines come in the order in which they began, however much is read at once."""
    found, lines = read_capture(talk.write(tmp_path / "x.vcd"), settings=UartSettings(baud=baud))

    assert [line.name for line in lines] == ["probe.tx", "probe.rx"]
    assert np.all(np.diff(found.times_s) >= 0.0)
    assert found.values[found.lines == 0].tobytes() == (b"AT+BUF=2," + FRAME + b"\r\n") * 2 + b"AT+TX\r\n"
    assert found.values.tobytes().startswith(b"AT+BUF=2," + FRAME + b"\r\nT+BUF=2," + FRAME + b"\r\r\nERROR\r\n")
    assert found.times_s[0] == pytest.approx(talk.host.edges[1][0], abs=1e-9)
    assert not found.faults.any()


def test_one_line_of_two(tmp_path: Path, talk: Talk) -> None:
    """A line that is named is read alone."""
    found, (line,) = read_capture(talk.write(tmp_path / "x.vcd"), signals=["rx"])

    assert line.name == "probe.rx"
    assert found.values.tobytes().endswith(b"\r\nRING\r\n\r\nOK\r\n")


def test_line_with_few_bytes_takes_the_rate_of_the_other(tmp_path: Path) -> None:
    """A line whose own edges fit several rates is read with the rate of the other direction."""
    talk = Talk()
    talk.says(talk.host, b"AT+TX?\r\n")
    talk.says(talk.modem, b"U")

    found, _ = read_capture(talk.write(tmp_path / "x.vcd"))

    assert found.values.tobytes() == b"AT+TX?\r\nU"


def test_quiet_line_does_not_hold_back_the_other(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While one line says next to nothing, the bytes of the other come out, and do not pile up."""
    monkeypatch.setattr(capture_file, "_BLOCK_BYTES", 10_000)
    talk = Talk()
    talk.says(talk.modem, b"U")
    for _ in range(30):
        talk.says(talk.host, b"AT+BUF=2," + FRAME + b"\r\n" * 20)
        talk.host.now_s += 1.0

    sizes = [block.values.size for block in Capture(talk.write(tmp_path / "x.vcd")).blocks()]

    assert sum(sizes) == 30 * 67 + 1
    assert sizes[-1] < 200


def test_line_on_which_nothing_was_sent(tmp_path: Path) -> None:
    """One silent line of two is no mistake; two are."""
    talk = Talk()
    talk.says(talk.host, b"AT+TX?\r\n")
    found, lines = read_capture(talk.write(tmp_path / "x.vcd"))

    assert found.values.tobytes() == b"AT+TX?\r\n"
    assert [line.report.frames for line in lines] == [8, 0]
    with pytest.raises(ConfigError, match=r"no edge on probe\.tx, probe\.rx: nothing was sent, or the probe was not"):
        read_capture(Talk().write(tmp_path / "silent.vcd"))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        pytest.param(b"", "x.vcd: it is empty; record again, and export as VCD", id="empty"),
        pytest.param(b"Time [s],D0\n0.0,1\n", "x.vcd, line 1: 'Time' is no declaration of a value", id="a table"),
        pytest.param(bytes(range(256)) * 9, "x.vcd, line 2: .* is no declaration of a value", id="binary"),
        pytest.param(None, "x.vcd: there is no such file; give a value change dump", id="missing"),
    ],
)
def test_files_that_are_no_capture(tmp_path: Path, content: bytes | None, words: str) -> None:
    """A file that cannot be used is a clear sentence with its name."""
    if content is not None:
        (tmp_path / "x.vcd").write_bytes(content)

    with pytest.raises(ConfigError, match=words):
        read_capture(tmp_path / "x.vcd")


def test_folder_is_no_capture(tmp_path: Path) -> None:
    """A folder, a pipe, a device and a name that no file can have are clear sentences, too."""
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path, tmp_path / "a\0b", tmp_path / "pipe", Path("/dev/zero")):
        with pytest.raises(ConfigError, match=r"cannot be read: .*; (check the path|give a file)"):
            read_capture(path)


# ---- the command


def capture(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run `benchrig capture` to its end."""
    return subprocess.run(
        [sys.executable, "-m", "benchrig", "capture", *map(str, arguments)],
        check=False,
        capture_output=True,
        text=True,
        timeout=30,
        env={**os.environ, "COLUMNS": "200"},
    )


def test_command_prints_the_dialogue(tmp_path: Path, talk: Talk) -> None:
    """Commands, echoes and answers stand with their times, then the lines, then what was handed over."""
    found = capture(talk.write(tmp_path / "x.vcd"), "--profile", PROFILE)

    assert (found.returncode, found.stderr) == (0, "")
    lines = found.stdout.splitlines()
    assert [line.split(" s  ", 1)[1] for line in lines[:8]] == [
        "host   AT+BUF=2,E20D15006900D2FF3C",
        "modem  T+BUF=2,E20D15006900D2FF3C  (echo)  (first character lost)",
        "modem  ERROR  (refused: AT+BUF=2,E20D15006900D2FF3C)",
        "host   AT+BUF=2,E20D15006900D2FF3C  (attempt 2)",
        "modem  AT+BUF=2,E20D15006900D2FF3C  (echo)",
        "modem  OK  (accepted: AT+BUF=2,E20D15006900D2FF3C)",
        "host   AT+TX",
        "modem  RING  (unsolicited: ring)",
    ]
    assert lines[9:11] == [
        "line probe.tx: 65 bytes at 115200 baud, edges within 0 % of a bit",
        "line probe.rx: 84 bytes at 115200 baud, edges within 0 % of a bit",
    ]
    assert [line.split(": ", 1)[1] for line in lines[11:] if line.startswith("handed over at ")] == [
        "port 2, E2 0D 15 00 69 00 D2 FF 3C: refused by ERROR, first character lost",
        "port 2, E2 0D 15 00 69 00 D2 FF 3C: accepted by OK, attempt 2",
    ]


def test_command_as_json(tmp_path: Path, talk: Talk) -> None:
    """--json prints one object a line, with the same facts."""
    found = capture(talk.write(tmp_path / "x.vcd"), "--profile", PROFILE, "--json")

    told = [json.loads(line) for line in found.stdout.splitlines()]
    assert [one["event"] for one in told if "event" in one].count("Sent") == 3
    assert [one["frames"] for one in told if "line" in one] == [65, 84]
    assert [one["payload"] for one in told if one.get("event") == "HandOver"] == [FRAME.decode().lower()] * 2


def with_crc(data: bytes) -> bytes:
    """CRC-8/SMBUS behind the bytes by long division: x^8 + x^2 + x + 1, from 0 (catalogue of CRCs, from memory)."""
    rest = 0
    for bit in "".join(f"{byte:08b}" for byte in data) + "0" * 8:
        rest = rest << 1 | int(bit)
        rest ^= 0x107 * (rest >> 8)
    return data + bytes([rest])


def handed_over(tmp_path: Path, *frames: bytes) -> Path:
    """A capture in which these are handed over, each on its port, and accepted."""
    made = Talk()
    for frame in frames:
        made.says(made.host, b"AT+BUF=" + frame + b"\r\n")
        made.says(made.modem, b"\r\nOK\r\n")
    return made.write(tmp_path / "x.vcd")


# 3600 mV as 0E10 with the low byte first, -5 degC, siren and low battery, 21.0 degC, and the pattern for no probe
PAYLOAD = with_crc(bytes.fromhex("10 0E FB 05 00 D2 7F FF"))


def test_payloads_are_decoded_by_the_profile(tmp_path: Path) -> None:
    """What was handed over is said in the profile's own fields, and what is wrong with it is named."""
    assert with_crc(b"123456789")[-1] == 0xF4  # the check value of that catalogue
    wrong = PAYLOAD[:-1] + bytes([PAYLOAD[-1] ^ 1])
    path = handed_over(tmp_path, b"2," + PAYLOAD.hex().encode(), b"2," + wrong.hex().encode(), b"3,00")

    found = capture(path, "--profile", PROFILE)

    told = found.stdout.splitlines()[-7:]
    values = (
        "    battery 3.6 V, temperature -5 degC, flags 5, flags.siren 1, flags.charging 0, flags.low_battery 1, "
        "bale[0].temperature 21 degC, bale[1].temperature no probe"
    )
    assert [line for line in told if line.startswith("    ")] == [
        values,
        values,
        f"    problem: CRC-8/SMBUS over bytes 0 to 7: {wrong[-1]:#04x} received, {PAYLOAD[-1]:#04x} computed",
        "    problem: port 3 received, 'hay-barn report' is sent on port 2: not decoded",
    ]
    assert [line.startswith("handed over at ") for line in told] == [True, False, True, False, False, True, False]


def test_decoded_payloads_as_json(tmp_path: Path) -> None:
    """--json has the same values in base units, null for a word, and the problems."""
    path = handed_over(tmp_path, b"2," + PAYLOAD.hex().encode(), b"3,00")

    found = capture(path, "--profile", PROFILE, "--json")

    good, other = (json.loads(line) for line in found.stdout.splitlines()[-2:])
    assert good["values"]["battery"] == {"value": 3.6, "unit": "V", "word": None}
    assert good["values"]["bale[1].temperature"] == {"value": None, "unit": "degC", "word": "no probe"}
    assert (good["problems"], other["values"]) == ([], {})
    assert other["problems"] == ["port 3 received, 'hay-barn report' is sent on port 2: not decoded"]


def test_json_of_a_silent_line_is_json(tmp_path: Path) -> None:
    """The rate of a line on which nothing was sent is null: NaN is no JSON (RFC 8259, section 6, from memory)."""
    talk = Talk()
    talk.says(talk.host, b"AT+TX?\r\n")

    found = capture(talk.write(tmp_path / "x.vcd"), "--json")

    told = [json.loads(line, parse_constant=pytest.fail) for line in found.stdout.splitlines()]
    assert [one["baud"] for one in told if "line" in one][1] is None


def test_command_with_the_lines_the_other_way_round(tmp_path: Path, talk: Talk) -> None:
    """The first signal is the host's unless --first says otherwise."""
    path = talk.write(tmp_path / "x.vcd")

    swapped = capture(path, "--signal", "rx", "--signal", "tx", "--first", "modem")
    plain = capture(path)

    assert [one for one in swapped.stdout.splitlines() if not one.startswith("line")] == [
        one for one in plain.stdout.splitlines() if not one.startswith("line")
    ]


def test_command_says_what_it_does_not_believe(tmp_path: Path) -> None:
    """A line with many bad bytes is shown, marked, and the exit code says it."""
    talk = Talk()
    talk.says(talk.host, b"AT+TX?\r\n" * 200)
    talk.host.baud = 38400.0
    talk.says(talk.host, b"AT+TX?\r\n" * 200)

    found = capture(talk.write(tmp_path / "x.vcd"), "--signal", "tx")

    assert found.returncode == 10
    assert "bytes without stop bit" in found.stdout
    assert "NOT TO BE BELIEVED: check baud rate, parity and signal" in found.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param(
            ["--baud", "9600"], "at 9600 baud, 8N1.*its edges fit 115200 baud; read it with that rate", id="baud"
        ),
        pytest.param(
            ["--signal", "txx"], "no signal 'txx' (nearest known: tx); one-bit signals there: probe.tx", id="name"
        ),
        pytest.param(["--inverted"], "it rests at the level of a start bit: is it inverted?", id="inverted"),
        pytest.param(["--baud", "0"], "baud 0.0; accepted: 1 to 1e9 bits a second", id="no baud"),
        pytest.param(["--parity", "odd", "--baud", "115200"], "no stop bit or a wrong parity", id="parity"),
    ],
)
def test_command_refuses(tmp_path: Path, talk: Talk, arguments: list[str], words: str) -> None:
    """What cannot be read is one sentence on standard error, exit code 4."""
    found = capture(talk.write(tmp_path / "x.vcd"), *arguments)

    (line,) = found.stderr.splitlines()
    assert found.returncode == 4
    assert all(part in line for part in words.split(".*"))
