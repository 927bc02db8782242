"""Traces that would give a wrong number, or none, if they were taken as they come: each is told with its place."""

from __future__ import annotations

import codecs
import gzip
import io
import os
import struct
import zipfile
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchrig.errors import ConfigError
from benchrig.trace_file import read_trace

if TYPE_CHECKING:
    from pathlib import Path

CURRENTS_UA = (16.5, 17.25, 1234.0)


def put(folder: Path, data: bytes) -> Path:
    path = folder / "trace"
    path.write_bytes(data)
    return path


def npz(**arrays: object) -> bytes:
    target = io.BytesIO()
    np.savez(target, **arrays)  # type: ignore[arg-type]
    return target.getvalue()


def zip_of(**members: str) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        for name, text in members.items():
            archive.writestr(name, text)
    return target.getvalue()


# ---- commas

READ = [
    pytest.param(b"time_s;current_uA\n0;16,5\n1;17,25\n2;1234\n", id="semicolons, decimal commas"),
    pytest.param(b"time_s;current_uA\n0,0;16,500\n1,0;17,250\n2,0;1234,000\n", id="three decimals beside sure ones"),
    pytest.param(b"time_s\tcurrent_uA\n0\t16,5\n1\t17,25\n2\t1234\n", id="tabs, decimal commas"),
    pytest.param(b"time_s;current_uA\n0;16.500\n1;17.250\n2;1234.000\n", id="semicolons, points"),
    pytest.param(b"time_s,current_uA\n0,16.500\n1,17.250\n2,1234.000\n", id="commas between, points"),
    pytest.param(b"time_s,current_uA\n0,16.5,\n1,17.25,\n2,1234,\n", id="a comma behind each row"),
    pytest.param(b'time_s;current_uA;remark\n0;"16,5";"1,234"\n1;17,25;1.234,5\n2;1234;\n', id="remarks are let alone"),
    pytest.param(b"time_s,current_uA\r0,16.5\r1,17.25\r2,1234\r", id="lines end with CR"),
    pytest.param(b"time_s,current_uA\n0,16.5\n\n# half time\n1,17.25\n2,1234\n# end", id="ends within a remark"),
    pytest.param("time_s\tcurrent_µA\n0\t16,5\n1\t17,25\n2\t1234\n".encode("utf-16"), id="UTF-16, little-endian"),
    pytest.param(
        codecs.BOM_UTF16_BE + "time_s,current_µA\n0,16.5\n1,17.25\n2,1234\n".encode("utf-16-be"),
        id="UTF-16, big-endian",
    ),
    pytest.param(b"\xef\xbb\xbftime_s,current_uA\r\n0,16.5\r\n1,17.25\r\n2,1234\r\n", id="byte order mark, CR LF"),
    pytest.param(b"TIME_S,CURRENT_UA\n0,16.5\n1,17.25\n2,1234\n", id="units in capitals"),
    pytest.param(b"Time (Sec),Current (ua)\n0,16.5\n1,17.25\n2,1234\n", id="units in odd case"),
]


@pytest.mark.parametrize("data", READ)
def test_every_sound_way_to_write_them_is_read(tmp_path: Path, data: bytes) -> None:
    """16.5, 17.25 and 1234 µA come out of each, a second apart."""
    trace = read_trace(put(tmp_path, data))

    assert trace.recording.samples_a == pytest.approx([1e-6 * one for one in CURRENTS_UA])
    assert trace.recording.interval_s == 1.0


REFUSED = [
    pytest.param(
        b"time_s,current_A\n0,0,017\n1,0,018\n",
        r"line 2: 3 columns, '0,0,017'; accepted: as many as the first line has, 2; with decimal commas, divide",
        id="decimal commas between commas",
    ),
    pytest.param(
        b"time_s,current_A\n0.0,1\n0.1,2\n0,2,3\n",
        r"line 4: 3 columns, '0,2,3'; accepted: as many as",
        id="one of them",
    ),
    pytest.param(b"0,5\n1,5,2\n", r"line 2: 3 columns, '1,5,2'; accepted: as many as the first line", id="no headings"),
    pytest.param(b"current_A\n0,017\n0,018\n", r"line 2: 2 columns, '0,017'.* the first line has, 1", id="one column"),
    pytest.param(
        b'time_s,current_A\n0,"0,017"\n1,"0,018"\n', r"line 2, column 'current_A': '0,017' is no number", id="in quotes"
    ),
    pytest.param(
        b"time_s;current_uA\n0;1,234\n1;2,345\n",
        r"line 2: '1,234' may have three decimals, or be a thousand and more.*; write 1\.5 or 1,5",
        id="thousands or decimals",
    ),
    pytest.param(
        b"time_s;current_uA\n0;0,5\n1;1.234,5\n", r"line 3: '1\.234,5' has more than one mark", id="thousands by point"
    ),
    pytest.param(
        b"time_s;current_uA\n0;0,5\n1;1,234,567\n",
        r"line 3, column 'current_uA': '1,234,567' is no number; .*; write 1\.5 or 1,5 for one and a half",
        id="millions behind a decimal comma",
    ),
    pytest.param(
        b"time_s\tcurrent_uA\n0\t1,234,567\n1\t5\n", r"line 2: '1,234,567' has more than one mark", id="millions"
    ),
    pytest.param(
        b"time_s;current_uA\n0;1.5\n1;1,5\n", r"line 3: '1,5' has a comma, while line 2 has '1\.5'", id="both marks"
    ),
    pytest.param(b"time_s;current_uA\n0;1 234\n1;2\n", r"line 2, .*: '1 234' is no number", id="thousands by blank"),
    # ---- cut
    pytest.param(
        b"time_s,current_A\n0,1.7e-05\n1,1.8e-0",
        r"line 3: '1,1\.8e-0' is the end of the file, without a line break: its last number may be cut; accepted",
        id="cut in a number",
    ),
    pytest.param(b"1.5\n2.5\n3", r"line 3: '3' is the end of the file", id="cut, without headings"),
    pytest.param("time_s,current_A\n0,1\n".encode("utf-16")[:-1], "begins as UTF-16 and is none at byte", id="UTF-16"),
    # ---- times
    pytest.param(
        b"time_s,current_A\n# a remark\n0,1\n\n1,1\n1,2\n", r"line 6: the time is 1 s after 1 s", id="line of a time"
    ),
    pytest.param(b"time_s,current_A\n0,1\ninf,2\ninf,3\n", r"line 3: the time is inf s after 0 s", id="infinite time"),
    pytest.param(b"time_s,current_A\n-1e308,1\n1e308,2\n2e308,3\n", r"line 3: the time is 1e\+308 s", id="all of time"),
    pytest.param(npz(current_A=np.ones(3), time_s=np.array([0.0, 2.0, 1.0])), r"row 3: the time is 1 s", id="row"),
    pytest.param(
        b"time_MS,current_A\n0,1\n1,2\n", r"column 'time_MS': MS is mega or milli; accepted: ms, or s", id="MS"
    ),
    pytest.param(
        npz(current_A=np.ones(3), interval_s=5e-324),
        r"an interval of 5e-324 s; accepted: 1e-09 to 1e\+06 s",
        id="short",
    ),
    pytest.param(npz(current_A=np.ones(3), interval_s=1e300), r"an interval of 1e\+300 s; accepted: 1e-09", id="long"),
    pytest.param(b"time_s,current_A\n0,1\n1e7,2\n2e7,3\n", r"an interval of 10000000\.0 s; accepted: 1e-09", id="days"),
    # ---- other files
    pytest.param(
        b"\x93NUMPY\x01\x00\xff\xff" + b"{" + b" " * 65_534, r"no NumPy file that can be read \(Header info", id="head"
    ),
    pytest.param(gzip.compress(b"time_s,current_A\n0,1\n1,2\n"), r"is packed \(gzip\); unpack it first", id="gzip"),
    pytest.param(
        b"t\0i\0m\0e\0,\0i\0\n\0", "which are 74 00 69 00 6d 00 65 00; accepted: text with columns in UTF-8", id="NUL"
    ),
    pytest.param(
        zip_of(**{"[Content_Types].xml": "x", "xl/workbook.xml": "y"}),
        r"a zip without a NumPy array, it holds '\[Content_Types\]\.xml', 'xl/workbook\.xml'; accepted: an archive",
        id="spreadsheet",
    ),
    pytest.param(zip_of(), "a zip without a NumPy array, it holds nothing", id="empty zip"),
    pytest.param(
        npz(current_A=np.ones(3), interval_s=1.0, invalid=np.zeros(2, dtype=bool)),
        r"invalid is bool of shape \(2,\) for 3 samples; accepted: true or false for each of them",
        id="marks of another length",
    ),
    pytest.param(
        npz(current_A=np.ones(3), interval_s=1.0, invalid=np.zeros(3)), r"invalid is float64 of shape", id="no marks"
    ),
    pytest.param(
        npz(current_A=np.ones(3), interval_s=1.0, start_s=np.nan), r"it begins at nan s; accepted: a finite", id="start"
    ),
    pytest.param(
        b",".join(b"c%d_A" % number for number in range(1000)) + b"\n" + b",".join([b"1"] * 1000) + b"\n",
        r"1000 columns could be the current \('c0_A'.*'c7_A' and 992 more\); say which",
        id="a thousand columns",
    ),
    pytest.param(b"a" + b" " * 100_000 + b"_\n1\n2\n", r"no column is a current .*'a {59}\.\.\.'", id="a long heading"),
]


@pytest.mark.parametrize(("data", "words"), REFUSED)
def test_what_would_be_a_wrong_number_is_refused(tmp_path: Path, data: bytes, words: str) -> None:
    """The message names the file and the line, shows what stands there, and says how to write it."""
    path = put(tmp_path, data)

    with pytest.raises(ConfigError, match=words) as caught:
        read_trace(path)

    assert caught.value.message.startswith(f"trace {path}")
    assert len(caught.value.message) < 500 + len(str(path))


@pytest.mark.parametrize("name", ["", "pipe", "loop", "gone", "trace/inside", "x" * 5000, "a\0b", "/dev/zero"])
def test_what_is_no_file_is_refused(tmp_path: Path, name: str) -> None:
    """A folder, a pipe, a device, a loop of links or a name that no file can have: one sentence, at once."""
    put(tmp_path, b"1\n2\n")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to("loop")

    with pytest.raises(
        ConfigError, match=r"(?s)^trace .*: (cannot be read: .*|is a folder, .*accepted: a file); check"
    ):
        read_trace(tmp_path / name, interval_s=1.0)


def test_signalling_nans_are_gaps(tmp_path: Path) -> None:
    """In a block, and in an array, an IEEE 754 signalling NaN (quiet bit 0) is no sample, and warns nobody."""
    payload = struct.pack("<3f", 1e-3, 2e-3, 3e-3) + bytes.fromhex("0100807f")  # 7f800001, little-endian
    target = io.BytesIO()
    np.save(target, np.frombuffer(payload, dtype="<f4"))

    for data in (b"#216" + payload + b"\n", target.getvalue()):
        recording = read_trace(put(tmp_path, data), interval_s=1.0).recording
        assert recording.samples_a[:3] == pytest.approx([1e-3, 2e-3, 3e-3])
        assert [(gap.first, gap.end) for gap in recording.gaps] == [(3, 4)]


def test_whole_numbers_of_a_block_have_no_scale(tmp_path: Path) -> None:
    """Codes of a converter are read as ampere when somebody says int16, and the trace says that nothing scaled them."""
    trace = read_trace(put(tmp_path, b"#14" + struct.pack(">2h", 1, -2) + b"\n"), interval_s=1.0, encoding="int16-be")

    assert trace.recording.samples_a.tolist() == [1.0, -2.0]
    assert "no scale in the block: taken as ampere" in " ".join(trace.notes)
