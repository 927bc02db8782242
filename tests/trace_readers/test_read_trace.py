"""Traces of every accepted form, written by other people's tools, and what is refused by which words."""

from __future__ import annotations

import csv
import io
import re
import struct
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.errors import ConfigError
from benchrig.judge.levels import Stretch
from benchrig.trace_file import read_trace

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

SAMPLES_A = np.array([17e-6, 18e-6, 4.5e-3, -2e-6, 0.0, 17.5e-6], dtype=np.float32)
INTERVAL_S = 1e-3


def block(payload: bytes) -> bytes:
    """A definite-length block as IEEE 488.2 (8.7.9) has it: '#', the number of digits, the length, the bytes."""
    length = str(len(payload)).encode()
    return b"#" + str(len(length)).encode() + length + payload + b"\n"


def text_of(columns: Sequence[Sequence[object]], *, delimiter: str = ",", heads: Sequence[str] = ()) -> bytes:
    """Columns as the standard library writes them."""
    target = io.StringIO()
    writer = csv.writer(target, delimiter=delimiter)
    if heads:
        writer.writerow(heads)
    writer.writerows(zip(*columns, strict=True))
    return target.getvalue().encode()


def npy(array: np.ndarray[tuple[int, ...], np.dtype[np.generic]]) -> bytes:
    target = io.BytesIO()
    np.save(target, array)
    return target.getvalue()


def parquet(**columns: object) -> bytes:
    target = io.BytesIO()
    pq.write_table(pa.table(columns), target)
    return target.getvalue()


def npz(**arrays: object) -> bytes:
    target = io.BytesIO()
    np.savez(target, **arrays)  # type: ignore[arg-type]
    return target.getvalue()


TIMES_S = [index * INTERVAL_S for index in range(SAMPLES_A.size)]
AMPERES = [float(one) for one in SAMPLES_A]
MILLIAMPERES = [1e3 * one for one in AMPERES]
GERMAN = [f"{one:.9f}".replace(".", ",") for one in AMPERES]

FORMS = [
    pytest.param(text_of([TIMES_S, AMPERES], heads=("time_s", "current_A")), {}, id="text"),
    pytest.param(text_of([TIMES_S, MILLIAMPERES], heads=("Time (s)", "Current (mA)")), {}, id="units in brackets"),
    pytest.param(text_of([TIMES_S, MILLIAMPERES], heads=("t/s", "I/mA"), delimiter="\t"), {}, id="tab, units by slash"),
    pytest.param(text_of([TIMES_S, GERMAN], heads=("Zeit [s]", "Strom [A]"), delimiter=";"), {}, id="decimal comma"),
    pytest.param(text_of([TIMES_S, AMPERES]), {}, id="two columns without headings"),
    pytest.param(text_of([AMPERES], heads=("current_a",)), {"interval_s": INTERVAL_S}, id="one column"),
    pytest.param(text_of([AMPERES]), {"interval_s": INTERVAL_S}, id="one column without a heading"),
    pytest.param(
        b"# a comment\r\n\r\n\xef\xbb\xbf".replace(b"\xef\xbb\xbf", b"")
        + text_of([[1e3 * one for one in TIMES_S], [1e6 * one for one in AMPERES]], heads=("time_ms", "current_µA")),
        {},
        id="comments, micro sign, milliseconds",
    ),
    pytest.param(
        text_of([TIMES_S, [3.7] * 6, AMPERES], heads=("time_s", "battery_V", "current_A")), {}, id="a column too many"
    ),
    pytest.param(
        text_of([TIMES_S, AMPERES, [9.0] * 6], heads=("time_s", "board_A", "other_A")),
        {"column": "board"},
        id="chosen column",
    ),
    pytest.param(npy(SAMPLES_A), {"interval_s": INTERVAL_S}, id="npy"),
    pytest.param(npy(SAMPLES_A.astype(">f8")), {"interval_s": INTERVAL_S}, id="npy, big-endian doubles"),
    pytest.param(npy(np.column_stack((TIMES_S, AMPERES))), {}, id="npy, time and current"),
    pytest.param(
        npy(np.array(list(zip(TIMES_S, MILLIAMPERES, strict=True)), dtype=[("time_s", "f8"), ("current_mA", "f8")])),
        {},
        id="npy with names",
    ),
    pytest.param(npz(current_a=SAMPLES_A, interval_s=np.float64(INTERVAL_S)), {}, id="npz"),
    pytest.param(npz(time_s=np.array(TIMES_S), current_mA=np.array(MILLIAMPERES)), {}, id="npz with times"),
    pytest.param(parquet(time_s=TIMES_S, current_mA=MILLIAMPERES), {}, id="parquet"),
    pytest.param(parquet(current_A=pa.array(AMPERES, pa.float32())), {"interval_s": INTERVAL_S}, id="parquet, float32"),
    pytest.param(block(struct.pack(">6f", *AMPERES)), {"interval_s": INTERVAL_S}, id="block, big-endian"),
    pytest.param(block(struct.pack("<6f", *AMPERES)), {"interval_s": INTERVAL_S}, id="block, little-endian"),
    pytest.param(
        block(struct.pack("<6f", *AMPERES)),
        {"interval_s": INTERVAL_S, "encoding": "float32-le"},
        id="block, order said",
    ),
]


def put(folder: Path, data: bytes) -> Path:
    path = folder / "trace"
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(("data", "options"), FORMS)
def test_the_same_samples_come_out_of_every_form(tmp_path: Path, data: bytes, options: dict[str, object]) -> None:
    """Whatever wrote the file, the recording holds the currents in ampere at their interval, without a gap."""
    trace = read_trace(put(tmp_path, data), **options)  # type: ignore[arg-type]

    assert trace.recording.samples_a == pytest.approx(SAMPLES_A, rel=1e-6, abs=1e-10)
    assert trace.recording.samples_a.dtype == np.float32
    assert trace.recording.interval_s == pytest.approx(INTERVAL_S, rel=1e-9)
    assert trace.recording.gaps == ()


# ---- gaps

OVERLOAD, NO_NUMBER = 9.9e37, 9.91e37  # SCPI-99 volume 1, 7.2.1.4 and 7.2.1.5

GAPS = [
    pytest.param(text_of([[1e-3, "", 2e-3, 3e-3]], heads=("current_A",)), id="nothing in a cell"),
    pytest.param(b"current_A\n1e-3\nnan\n2e-3\n3e-3\n", id="nan"),
    pytest.param(b"current_A\n1e-3\nOVLD\n2e-3\n3e-3\n", id="a word for overload"),
    pytest.param(b"current_A\n1e-3\n9.9E+37\n2e-3\n3e-3\n", id="overload"),
    pytest.param(b"current_A\n1e-3\n1e300\n2e-3\n3e-3\n", id="beyond float32"),
    pytest.param(npy(np.array([1e-3, np.nan, 2e-3, 3e-3])), id="nan in npy"),
    pytest.param(npy(np.array([1e-3, -np.inf, 2e-3, 3e-3])), id="infinity in npy"),
    pytest.param(
        npz(current_a=np.array([1e-3, 5.0, 2e-3, 3e-3]), invalid=np.array([0, 1, 0, 0], dtype=bool)), id="marks in npz"
    ),
    pytest.param(parquet(current_A=[1e-3, None, 2e-3, 3e-3]), id="null in parquet"),
    pytest.param(block(struct.pack(">4f", 1e-3, OVERLOAD, 2e-3, 3e-3)), id="overload in a block"),
    pytest.param(block(struct.pack("<4f", 1e-3, NO_NUMBER, 2e-3, 3e-3)), id="not a number in a block"),
]


@pytest.mark.parametrize("data", GAPS)
def test_what_was_not_measured_is_a_gap(tmp_path: Path, data: bytes) -> None:
    """The second of four samples was none: one gap there, and the others stay where they were."""
    recording = read_trace(put(tmp_path, data), interval_s=1.0).recording

    assert recording.gaps == (Stretch(1, 2),)
    assert recording.samples_a[[0, 2, 3]] == pytest.approx([1e-3, 2e-3, 3e-3])
    assert np.isnan(recording.samples_a[1])


def test_a_hole_in_the_time_stamps_is_a_gap(tmp_path: Path) -> None:
    """Three samples that never came leave three places, so that what follows keeps its time."""
    data = text_of([[0.0, 0.1, 0.5, 0.6, 0.7], [1, 2, 3, 4, 5]], heads=("time_s", "current_mA"))

    trace = read_trace(put(tmp_path, data))

    assert trace.recording.gaps == (Stretch(2, 5),)
    assert trace.recording.interval_s == pytest.approx(0.1)
    assert trace.recording.samples_a[[0, 1, 5, 6, 7]] == pytest.approx([1e-3, 2e-3, 3e-3, 4e-3, 5e-3])
    assert "3 samples are missing by the time stamps: gaps" in trace.notes


def test_a_sample_at_an_irregular_time_is_a_gap(tmp_path: Path) -> None:
    """One that comes half an interval late was measured at no time of the grid: it is left out, and that is told."""
    times_s = [float(index) for index in range(60)]
    times_s[30] += 0.5

    trace = read_trace(put(tmp_path, text_of([times_s, [1e-3] * 60], heads=("time_s", "current_A"))))

    assert trace.recording.samples_a.size == 60
    assert {gap.first for gap in trace.recording.gaps} >= {30}
    assert any("irregular times" in note for note in trace.notes)


def test_time_stamps_with_few_digits_keep_their_interval(tmp_path: Path) -> None:
    """Stamps rounded to a millisecond at 3000 samples a second are one interval, no holes."""
    times_s = [round(index / 300, 3) for index in range(3000)]

    trace = read_trace(put(tmp_path, text_of([times_s, [1e-3] * 3000], heads=("time_s", "current_A"))))

    assert trace.recording.samples_a.size == 3000
    assert trace.recording.interval_s == pytest.approx(1 / 300, rel=1e-4)


def test_start_comes_from_the_time_column(tmp_path: Path) -> None:
    """A trace that begins at 5 s says so."""
    data = text_of([[5.0, 6.0, 7.0], [1, 2, 3]], heads=("time_s", "current_A"))

    assert read_trace(put(tmp_path, data)).start_s == 5.0


# ---- what is refused

REFUSED = [
    pytest.param(b"", {}, "the file is empty", id="empty"),
    pytest.param(b"\n\n# only a comment\n", {}, "no line of it holds a sample", id="comments"),
    pytest.param(b"time_s,current_A\n", {}, "headings and no sample", id="headings only"),
    pytest.param(b"time_s,current_A\n0,1\n", {}, "one sample shows no interval", id="one sample"),
    pytest.param(b"current_A\n1\n2\n", {}, r"no time column .*--interval", id="no interval"),
    pytest.param(b"current_A\n1\n2\n", {"interval_s": -1.0}, "an interval of -1.0 s", id="negative interval"),
    pytest.param(b"current_A\n1\n2\n", {"interval_s": float("nan")}, "an interval of nan s", id="nan interval"),
    pytest.param(
        b"time_s,current_A\n0,1\n1,2\n2,3\n", {"interval_s": 0.5}, "are 1 s apart, not 0.5 s", id="other interval"
    ),
    pytest.param(
        b"time_s,current_A\n0,1\n1,x\n", {}, r"line 3, column 'current_A': 'x' is no number", id="no number, by place"
    ),
    pytest.param(b"0,1\n1,2_0\n", {}, r"line 2, column 2: '2_0' is no number", id="no number, without headings"),
    pytest.param(b"time_s,current_A\n0,1\n1\n", {}, r"line 3, .* has 1 columns", id="short line"),
    pytest.param(b"time_s,current_A\n0,1\n2,2\n1,3\n", {}, r"line 4: the time is 1 s after 2 s", id="time goes back"),
    pytest.param(b"time_s,current_A\n0,1\nnan,2\n", {}, r"line 3: the time is nan s after 0 s", id="time is no number"),
    pytest.param(b"time_s,current_A\n0,1\n0,2\n", {}, r"finite times that rise", id="time stands"),
    pytest.param(b"time_s,battery_V\n0,1\n1,2\n", {}, r"no column is a current .*'battery_V'", id="volts"),
    pytest.param(
        b"time_s,current_V\n0,1\n1,2\n", {"column": "current_V"}, r"is in V, no current", id="volts by their name"
    ),
    pytest.param(b"time_s,current_MA\n0,1\n1,2\n", {}, r"MA is mega or milli", id="mega or milli"),
    pytest.param(b"a_A,b_A\n0,1\n1,2\n", {}, r"2 columns could be the current .*--column", id="two currents"),
    pytest.param(
        b"a_A,b_A\n0,1\n1,2\n", {"column": "c"}, r"0 columns are 'c'; accepted: one of 'a_A', 'b_A'", id="no such"
    ),
    pytest.param(b"1,2,3\n1,2,3\n", {}, "3 columns without headings", id="three columns"),
    pytest.param(b"\x00\x01\x02\x03", {}, "neither text nor a form", id="bytes"),
    pytest.param(
        b"time_s,current_A\n" + b"".join(b"%d,1\n" % (index * index) for index in range(40)),
        {},
        "no whole number of intervals",
        id="irregular",
    ),
    pytest.param(
        b"time_s,current_A\n0,1\n1e-3,2\n2e-3,2\n1e6,3\n", {}, "look at the time column", id="a hole of years"
    ),
    pytest.param(npy(SAMPLES_A)[:70], {}, "no NumPy file that can be read", id="cut npy"),
    pytest.param(npy(np.zeros((2, 2, 2))), {}, r"shape \(2, 2, 2\)", id="npy in three dimensions"),
    pytest.param(npy(np.array(["a", "b"])), {}, r"holds <U1", id="npy of words"),
    pytest.param(b"PK\x03\x04 and no archive", {}, "no NumPy archive", id="no zip"),
    pytest.param(npz(voltage_V=np.zeros(5)), {}, "no column is a current", id="npz without a current"),
    pytest.param(
        npz(current_a=np.zeros(5), interval_s=np.zeros(2)), {}, r"interval_s is float64 of shape \(2,\)", id="npz"
    ),
    pytest.param(
        npz(current_a=np.zeros(5), interval_s=np.float64(1e-3)),
        {"interval_s": 1.0},
        "its own interval is 0.001 s",
        id="own",
    ),
    pytest.param(b"PAR1 and no parquet PAR1", {}, "no Parquet file", id="no parquet"),
    pytest.param(parquet(current_A=["a", "b"]), {"interval_s": 1.0}, "accepted: numbers in one", id="parquet of words"),
    pytest.param(block(b"123"), {"interval_s": 1.0}, "no whole number of float32-be samples", id="three bytes"),
    pytest.param(block(b""), {"interval_s": 1.0}, "the block holds no sample", id="empty block"),
    pytest.param(block(bytes(8))[:-4], {"interval_s": 1.0}, "the block is cut: 3 bytes or more", id="cut block"),
    pytest.param(
        block(bytes(8)), {"interval_s": 1.0, "encoding": "f4"}, "encoding 'f4'; accepted: float32-be", id="code"
    ),
    pytest.param(block(bytes(8)), {"interval_s": 1.0}, "byte order cannot be told", id="zeros have no byte order"),
    pytest.param(b"current_A\n1\n2\n", {"interval_s": 1.0, "range_a": 0.0}, "a range of 0.0 A", id="no range"),
]


@pytest.mark.parametrize(("data", "options", "words"), REFUSED)
def test_what_cannot_be_a_trace_is_refused_by_what_is_wrong(
    tmp_path: Path, data: bytes, options: dict[str, object], words: str
) -> None:
    """The message names the file and the place, and says what is accepted or what to do."""
    path = put(tmp_path, data)

    with pytest.raises(ConfigError, match=words) as caught:
        read_trace(path, **options)  # type: ignore[arg-type]

    assert caught.value.message.startswith(f"trace {path}")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    """A wrong path is told as such."""
    with pytest.raises(ConfigError, match="cannot be read: No such file"):
        read_trace(tmp_path / "none.csv")


def test_nothing_pickled_is_read(tmp_path: Path) -> None:
    """An array of objects could run code when it is loaded; it is refused."""
    target = io.BytesIO()
    np.save(target, np.array([{"a": 1}], dtype=object), allow_pickle=True)

    with pytest.raises(ConfigError, match="Object arrays cannot be loaded"):
        read_trace(put(tmp_path, target.getvalue()))


def test_parquet_without_its_library_says_how_to_install_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The extra is named."""
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)

    with pytest.raises(ConfigError, match=re.escape("pip install 'benchrig[parquet]'")):
        read_trace(put(tmp_path, parquet(current_A=[1.0])))


# ---- whatever comes


def _damaged(whole: bytes, at: int, by: bytes) -> bytes:
    at %= len(whole)
    return whole[:at] + by + whole[at + len(by) :]


SOUND: list[bytes] = [bytes(one.values[0]) for one in FORMS]  # type: ignore[call-overload]
DAMAGED = st.builds(_damaged, st.sampled_from(SOUND), st.integers(0, 10_000), st.binary(max_size=8))


@settings(deadline=None, max_examples=300)
@given(data=st.binary(max_size=300) | DAMAGED)
def test_no_bytes_do_more_than_be_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    """Garbage, and sound files with a few bytes changed, are read or refused; nothing else ever comes out."""
    path = put(tmp_path_factory.mktemp("fuzz"), data)
    refused = ""
    try:
        samples_a = read_trace(path, interval_s=INTERVAL_S).recording.samples_a
    except ConfigError as wrong:
        refused, samples_a = wrong.message, SAMPLES_A

    assert refused.startswith("trace ") or not refused
    assert samples_a.dtype == np.float32
    assert samples_a.size


@settings(deadline=None, max_examples=100)
@given(
    values=st.lists(st.floats(-10.0, 10.0, width=32) | st.none(), min_size=2, max_size=40),
    delimiter=st.sampled_from([",", ";", "\t"]),
    comma=st.booleans(),
)
def test_numbers_of_text_come_out_as_they_were_written(
    tmp_path_factory: pytest.TempPathFactory, values: list[float | None], delimiter: str, comma: bool
) -> None:
    """Every float32 that repr() writes comes back to the bit, with a decimal comma as well, and holes are gaps."""
    values = [0.5, *values]  # its comma can be no mark between thousands: 1,125 alone might be
    cells = ["" if one is None else repr(one) for one in values]
    if comma and delimiter != ",":
        cells = [cell.replace(".", ",") for cell in cells]
    data = text_of([range(len(cells)), cells], delimiter=delimiter, heads=("time_s", "current_A"))

    samples_a = read_trace(put(tmp_path_factory.mktemp("text"), data)).recording.samples_a

    expected = np.array([np.nan if one is None else one for one in values], dtype=np.float32)
    assert np.array_equal(samples_a, expected, equal_nan=True)
