"""The journal against what can happen to a file: kill, full disk, wrong folder, cut and damaged lines."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig import journal as journal_module
from benchrig.errors import RecordError
from benchrig.journal import JournalWriter, parse_journal, read_journal
from benchrig.record_chain import START, linked
from benchrig.records import Happening, ReadingTaken, decode_record, encode_record

SAMPLE = (Path(__file__).parent / "report" / "hay_barn_run.jsonl").read_bytes()
EVENT = b'{"record":"event","kind":"resync","text":"meter","charged_to":"bench","check":"","at_s":1.5}'


def reading(*, raw: str = "+3.30040E+00", standard_uncertainty: float = 0.0006) -> ReadingTaken:
    """One reading of a meter."""
    return ReadingTaken(
        check="battery_sweep",
        name="vbat",
        value=3.3004,
        unit="V",
        standard_uncertainty=standard_uncertainty,
        source="meter",
        raw=raw,
        at_s=3.0,
    )


def run_python(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run code in a process of its own and give back its ends."""
    return subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=60, check=False
    )


def test_append_then_read(tmp_path: Path) -> None:
    """What was appended is read back equal, and any JSON reader understands each line."""
    path = tmp_path / "run.jsonl"
    records = parse_journal(SAMPLE).records

    with JournalWriter(path) as writer:
        for record in records:
            writer.append(record)

    assert read_journal(path) == parse_journal(SAMPLE)
    assert read_journal(path).problems == ()
    written = [json.loads(line) for line in path.read_text("utf-8").splitlines()]
    sample = [json.loads(line) for line in SAMPLE.splitlines()]
    added = [
        {key: value for key, value in one.items() if key not in old} for one, old in zip(written, sample, strict=True)
    ]
    assert [one | old for one, old in zip(written, sample, strict=True)] == written
    links = [(one.pop("before"), one.pop("hash")) for one in added]
    assert [before for before, _ in links[1:]] == [own for _, own in links[:-1]]
    # fields that came later, with their defaults
    later = {"parts", "basis", "lot", "assembly_revision", "contact_fixture", "requirements"}
    assert {key for one in added for key in one} == later
    assert not any(value for one in added for value in one.values())


def test_append_survives_kill(tmp_path: Path) -> None:
    """Every reading whose append returned is there after kill -9, though nothing was synced or closed."""
    path = tmp_path / "run.jsonl"
    code = (
        "import sys; from pathlib import Path; from benchrig.journal import JournalWriter;"
        "from benchrig.records import Happening;"
        "w = JournalWriter(Path(sys.argv[1]));"
        "[w.append(Happening(kind='k', text='t' * 100, at_s=float(n))) for n in range(500)];"
        "print('written', flush=True); sys.stdin.read()"
    )

    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        said = process.stdout.readline()
        process.kill()
        process.wait(timeout=30)

    found = read_journal(path)
    assert said == b"written\n"
    assert process.returncode == -signal.SIGKILL
    assert [record.at_s for record in found.records if isinstance(record, Happening)] == [
        float(number) for number in range(500)
    ]
    assert found.problems == ()


def test_append_is_one_write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A record is one write of one whole line, and costs no sync."""
    chunks: list[bytes] = []
    syncs: list[int] = []
    write = os.write

    def counted(descriptor: int, data: bytes) -> int:
        chunks.append(bytes(data))
        return write(descriptor, data)

    with JournalWriter(tmp_path / "run.jsonl") as writer:
        monkeypatch.setattr(os, "write", counted)
        monkeypatch.setattr(journal_module, "_sync_data", syncs.append)
        writer.append(reading())
        writer.append(reading())

        first, own = linked(encode_record(reading()), before=START)
        assert chunks == [first, linked(encode_record(reading()), before=own)[0]]
        assert syncs == []

        writer.sync()

        assert len(syncs) == 1


def test_short_write_is_completed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A write that took only a part of the line is continued until the line is whole."""
    write = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, data: write(descriptor, data[:7]))

    with JournalWriter(tmp_path / "run.jsonl") as writer:
        writer.append(reading())

    assert (tmp_path / "run.jsonl").read_bytes() == linked(encode_record(reading()), before=START)[0]


FULL_DISK = """
import resource, sys
from pathlib import Path
from benchrig.errors import RecordError
from benchrig.journal import JournalWriter
from benchrig.records import Happening
resource.setrlimit(resource.RLIMIT_FSIZE, (1550, 1550))
writer = JournalWriter(Path(sys.argv[1]))
kept = 0
try:
    for kept in range(1000):
        writer.append(Happening(kind="k", text="t" * 100, at_s=float(kept)))
except RecordError as error:
    print(error)
print(kept)
writer.append(Happening(kind="k", text="", at_s=1.0))
"""


def test_full_disk_keeps_whole_lines(tmp_path: Path) -> None:
    """When no more fits, one sentence says so, the half line is cut off again and all before stays readable."""
    path = tmp_path / "run.jsonl"

    ended = run_python(FULL_DISK, str(path))

    sentence, kept, *_ = ended.stdout.splitlines()
    found = read_journal(path)
    assert f"journal {path}: writing failed at record {int(kept) + 1}" in sentence
    assert f"the first {kept} records" in sentence
    assert "File too large; raise the limit of file size" in sentence
    assert found.problems == ()
    # the small record after the failure found room where the half line had been
    assert len(found.records) == int(kept) + 1
    assert path.stat().st_size <= 1550
    assert ended.returncode == 0, ended.stderr


def test_torn_line_that_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If even the half line cannot be cut off, nothing is glued to it, and the reader names it."""
    write = os.write
    answers = iter((5,))

    def half_then_full(descriptor: int, data: bytes) -> int:
        for count in answers:
            return write(descriptor, data[:count])
        raise OSError(28, "No space left on device")

    def refuse(descriptor: int, length: int) -> None:
        raise OSError(5, f"Input/output error on {descriptor} at {length}")

    writer = JournalWriter(tmp_path / "run.jsonl")
    writer.append(reading())
    monkeypatch.setattr(os, "write", half_then_full)
    monkeypatch.setattr(os, "ftruncate", refuse)
    with pytest.raises(RecordError, match=r"No space left on device; free space.*torn last line could not be cut"):
        writer.append(reading())
    monkeypatch.setattr(os, "write", write)
    with pytest.raises(RecordError, match="torn last line"):
        writer.append(reading())
    writer.close()

    found = read_journal(tmp_path / "run.jsonl")

    assert found.records == (reading(),)
    assert found.problems == ("line 2 was cut after 5 bytes and was left out",)


def test_journal_is_never_overwritten(tmp_path: Path) -> None:
    """A second run of the same name is refused and the first journal stays as it is."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(SAMPLE)

    with pytest.raises(RecordError, match=r"run\.jsonl: cannot be opened: File exists; a journal is never overw"):
        JournalWriter(path)

    assert path.read_bytes() == SAMPLE


def test_parents_are_made(tmp_path: Path) -> None:
    """The folders of a board that was never seen are made."""
    path = tmp_path / "reports" / "HB-0001" / "run.jsonl"

    JournalWriter(path).close()

    assert read_journal(path).problems == ("the journal is empty: the run ended before its first record",)


def test_file_in_place_of_folder(tmp_path: Path) -> None:
    """A file where the folder should be is named, with what to do."""
    (tmp_path / "reports").write_text("in the way")

    with pytest.raises(RecordError, match=r"Not a directory; a file stands where a folder is needed: move it"):
        JournalWriter(tmp_path / "reports" / "HB-0001" / "run.jsonl")

    assert (tmp_path / "reports").read_text() == "in the way"


def test_missing_journal(tmp_path: Path) -> None:
    """A journal that is not there is an error, not an empty journal."""
    with pytest.raises(RecordError, match=r"none\.jsonl: cannot be read: No such file or directory; check the path"):
        read_journal(tmp_path / "none.jsonl")


def test_closed_journal_refuses(tmp_path: Path) -> None:
    """Nothing can be appended or synced after the end; closing twice is allowed."""
    writer = JournalWriter(tmp_path / "run.jsonl")
    writer.close()
    writer.close()

    with pytest.raises(RecordError, match="the journal is closed already"):
        writer.append(reading())
    with pytest.raises(RecordError, match="the journal is closed already"):
        writer.sync()


def test_unreadable_record_is_refused(tmp_path: Path) -> None:
    """A record that no reader would accept is refused when it is written, not found out a year later."""
    with JournalWriter(tmp_path / "run.jsonl") as writer:
        writer.append(reading())
        with pytest.raises(RecordError, match=r"no reader accepts failed at record 2.*`\$\.standard_uncertainty`"):
            writer.append(reading(standard_uncertainty=float("nan")))

    assert read_journal(tmp_path / "run.jsonl").records == (reading(),)


def test_undecodable_bytes_of_a_board(tmp_path: Path) -> None:
    """Text with half a surrogate pair, which has no UTF-8, is kept in an escaped form."""
    with JournalWriter(tmp_path / "run.jsonl") as writer:
        writer.append(reading(raw=b"T=2\xff1".decode("utf-8", "surrogateescape")))

    assert read_journal(tmp_path / "run.jsonl").records == (reading(raw="T=2\\udcff1"),)


def test_threads_share_a_writer(tmp_path: Path) -> None:
    """Lines of several threads never mix."""
    with JournalWriter(tmp_path / "run.jsonl") as writer:

        def work(name: str) -> None:
            for number in range(200):
                writer.append(Happening(kind=name, text=name * 50, at_s=float(number)))

        threads = [threading.Thread(target=work, args=(name,)) for name in "abcd"]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(timeout=30)

    found = read_journal(tmp_path / "run.jsonl")
    events = [record for record in found.records if isinstance(record, Happening)]
    assert found.problems == ()
    for name in "abcd":
        assert [event.at_s for event in events if event.kind == name] == [float(n) for n in range(200)]


BROKEN = [
    pytest.param(b"", id="blank line"),
    pytest.param(b'{"record":"event","kind":"resy', id="cut in the middle"),
    pytest.param(b'{"record":"weather","at_s":1.0}', id="unknown record"),
    pytest.param(b'{"record":"event","kind":"\xff","text":"","at_s":1.0}', id="not UTF-8"),
    pytest.param(b'{"record":"event","kind":"a","text":"","at_s":NaN}', id="NaN is not JSON"),
    pytest.param(b'{"record":"event","kind":"a","text":"","at_s":null}', id="no time"),
    pytest.param(b'{"record":"event","x":' + b"[" * 100_000, id="nested too deep"),
    pytest.param(b'{"record":"run started","schema":"one"}', id="schema that is no number"),
    pytest.param(EVENT + EVENT, id="two glued records"),
    pytest.param(b"\x00" * 40, id="zeros of a lost block"),
]


@pytest.mark.parametrize("line", BROKEN)
def test_broken_line_is_named(line: bytes) -> None:
    """A broken line in the middle is named by its number, and its neighbours are read."""
    found = parse_journal(EVENT + b"\n" + line + b"\n" + EVENT + b"\n")

    assert found.records == (decode_record(EVENT), decode_record(EVENT))
    assert len(found.problems) == 1
    assert found.problems[0].startswith("line 2 is no record and was left out: ")


def test_cut_at_every_byte() -> None:
    """Wherever a journal is cut, exactly the lines with their line feed count, and a cut line is told."""
    whole = parse_journal(SAMPLE).records
    for length in range(1, len(SAMPLE) + 1):
        data = SAMPLE[:length]

        found = parse_journal(data)

        lines, rest = data.count(b"\n"), len(data.rpartition(b"\n")[2])
        cut = (f"line {lines + 1} was cut after {rest} bytes and was left out",) if rest else ()
        assert found.records == whole[:lines]
        assert found.problems == cut


NEWER = b'{"record":"run started","schema":%d,"slots":[1,2],"new":{}}'


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(NEWER % 2 + b"\n", id="next schema"),
        pytest.param(NEWER % 2, id="next schema, no line feed yet"),
        pytest.param(EVENT + b"\n" + NEWER % 99 + b"\n", id="not in the first line"),
        pytest.param(NEWER % 0 + b"\n", id="schema 0"),
    ],
)
def test_unknown_schema_is_refused(data: bytes) -> None:
    """A journal of a schema that this version does not know is refused, not half understood."""
    with pytest.raises(RecordError, match=r"journal x: written in schema \d+, this version reads 1 to 1; read it"):
        parse_journal(data, name="x")


def test_schema_in_a_text_is_no_schema() -> None:
    """The word schema in what a board said is not taken for the schema of the journal."""
    line = encode_record(reading(raw='{"record":"run started","schema":9}'))

    assert parse_journal(line).records == (reading(raw='{"record":"run started","schema":9}'),)


@given(st.binary(max_size=200))
def test_any_bytes_are_read(data: bytes) -> None:
    """No content of a file makes the reader fail: what is no record is a problem."""
    found = parse_journal(data)

    assert len(found.records) + len(found.problems) >= 1


@given(st.integers(0, len(SAMPLE) - 1), st.integers(0, 255))
def test_one_changed_byte(place: int, value: int) -> None:
    """One changed byte costs at most the line, or the two lines, that it stands in."""
    whole = parse_journal(SAMPLE).records
    start, end = SAMPLE.index(b'"schema":1'), SAMPLE.index(b',"run":')
    place += (end - start) * (start <= place < end)  # another schema is refused, in a test of its own
    data = SAMPLE[:place] + bytes((value,)) + SAMPLE[place + 1 :]

    found = parse_journal(data)

    assert sum(record in whole for record in found.records) >= len(whole) - 2


@given(st.text(), st.floats(allow_nan=False, allow_infinity=False))
def test_line_holds_any_text(text: str, number: float) -> None:
    """Whatever a board says fits in one line and comes back as it was said."""
    record = Happening(kind=text, text=text, at_s=number)

    line = encode_record(record)

    assert line.count(b"\n") == 1
    assert msgspec.json.decode(line) == json.loads(line)
    assert parse_journal(line).records == (record,)
