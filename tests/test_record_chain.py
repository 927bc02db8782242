"""The chain of a journal against every way of touching it: a byte, a record out, a record in, the end cut off."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.bench.power_guard import GuardOrders, _append
from benchrig.journal import JournalWriter, parse_journal, read_journal
from benchrig.record_chain import START, ChainState, last_hash, linked, read_chain
from benchrig.records import Happening, Verdict, encode_record
from benchrig.report.board_report import board_report

if TYPE_CHECKING:
    from collections.abc import Callable

SAMPLE = (Path(__file__).parent / "report" / "hay_barn_run.jsonl").read_bytes()


def chained(data: bytes) -> bytes:
    """A journal with its chain, as a writer makes it."""
    before, lines = START, []
    for line in data.splitlines(keepends=True):
        whole, before = linked(line, before=before)
        lines.append(whole)
    return b"".join(lines)


JOURNAL = chained(SAMPLE)
LINES = JOURNAL.splitlines(keepends=True)


def record_at(position: int) -> int:
    """The record that a byte of the journal belongs to, counted from 1."""
    return JOURNAL[:position].count(b"\n") + 1


def test_each_line_carries_the_hash_of_the_line_before() -> None:
    """The two hashes are SHA-256 as another library reckons it, and any JSON reader sees them."""
    before = "0" * 64
    for line in LINES:
        found = json.loads(line)
        assert found["before"] == before
        assert hashlib.sha256(line.split(b',"hash":')[0]).hexdigest() == found["hash"]
        before = found["hash"]

    assert last_hash(JOURNAL) == before


def test_untouched_journal_is_intact() -> None:
    """A journal as it was written is intact to its last record, and reads as it would without a chain."""
    found = read_chain(JOURNAL)

    assert (found.state, found.record, found.records) == (ChainState.INTACT, 0, len(LINES))
    assert parse_journal(JOURNAL) == parse_journal(SAMPLE)


def test_old_journal_has_no_chain() -> None:
    """A journal from before there were chains is told apart from one that was changed."""
    found = read_chain(SAMPLE)

    assert found.state is ChainState.NO_CHAIN
    assert found.why == "no record carries a hash: written before journals had any, or the hashes were taken out"


@pytest.mark.parametrize(
    "rewrite",
    [
        lambda data: data.replace(b"\n", b"\r\n"),
        lambda data: data.replace(b"\n", b" \n"),
        lambda data: b"".join(json.dumps(json.loads(line)).encode() + b"\n" for line in data.splitlines()),
        lambda data: b"".join(
            json.dumps(json.loads(line), separators=(",", ":"), sort_keys=True).encode() + b"\n"
            for line in data.splitlines()
        ),
    ],
    ids=["line ends", "blanks", "spaced", "sorted"],
)
def test_journal_that_another_program_wrote_anew(rewrite: Callable[[bytes], bytes]) -> None:
    """Hashes that no longer stand where they were written are no missing ones: the journal was changed."""
    found = read_chain(rewrite(JOURNAL))

    assert (found.state, found.record) == (ChainState.BROKEN, 1)
    assert "its hashes do not stand at its end" in found.why


@settings(max_examples=600)
@given(st.integers(0, len(JOURNAL) - 2), st.integers(1, 255))
def test_one_byte_changed_anywhere_names_its_record(position: int, change: int) -> None:
    """Whatever byte is changed, and to whatever other, the record that holds it is named as the first."""
    touched = bytearray(JOURNAL)
    touched[position] ^= change

    found = read_chain(bytes(touched))

    assert found.state is ChainState.BROKEN
    assert found.record == record_at(position)
    assert found.records == found.record - 1
    assert found.why.startswith(f"record {found.record} was changed") or "carries no hash" in found.why


@pytest.mark.parametrize("position", [0, 1, len(LINES[0]) - 1, len(JOURNAL) - 2, len(JOURNAL) - 70])
def test_byte_that_matters_most(position: int) -> None:
    """First and last byte, a line feed, and a digit of a hash itself are no exception."""
    touched = JOURNAL[:position] + b"~" + JOURNAL[position + 1 :]

    assert read_chain(touched).record == record_at(position)
    assert not read_chain(touched).holds


@pytest.mark.parametrize("number", range(1, len(LINES)))
def test_record_taken_out_is_seen(number: int) -> None:
    """Any record but the last that is missing breaks the chain where it was."""
    touched = b"".join(LINES[: number - 1] + LINES[number:])

    found = read_chain(touched)

    assert (found.state, found.record) == (ChainState.BROKEN, number)
    assert found.why == f"before record {number} something was taken out, or changed and given a new hash"


@pytest.mark.parametrize("number", range(1, len(LINES) + 1))
def test_record_put_in_is_seen(number: int) -> None:
    """A record that is put in is named, whether it carries a sound hash, the hash of another place, or none."""
    event = encode_record(Happening(kind="k", text="all well", at_s=1.0))
    before = last_hash(b"".join(LINES[: number - 1]))
    for foreign in (event, linked(event, before=before)[0], LINES[3]):
        touched = b"".join([*LINES[: number - 1], foreign, *LINES[number - 1 :]])

        found = read_chain(touched)

        assert found.state is ChainState.BROKEN
        told = number + (foreign == LINES[number - 1])  # of two equal lines the second is the copy
        assert (found.record, found.records) == (told, told - 1)


def test_record_rewritten_with_a_new_hash_is_seen() -> None:
    """Who changes a record and gives it a new hash is found by the record after it."""
    body = LINES[6].split(b',"before":')[0].replace(b'"battery_sweep"', b'"battery_sweet"') + b"}\n"
    again = linked(body, before=last_hash(b"".join(LINES[:6])))[0]

    found = read_chain(b"".join([*LINES[:6], again, *LINES[7:]]))

    assert found.state is ChainState.BROKEN
    assert found.record == 8
    assert "changed and given a new hash" in found.why


@given(st.integers(1, len(JOURNAL) - 1))
def test_cut_end_is_told_apart(size: int) -> None:
    """A journal that was cut is sound up to the cut, and is never called changed or complete."""
    found = read_chain(JOURNAL[:size])
    whole = JOURNAL[:size].count(b"\n")
    at_a_line_feed = JOURNAL[size - 1 : size] == b"\n"

    if whole == 0:
        assert found.state is ChainState.NO_CHAIN
        return
    assert found.state is (ChainState.NO_END if at_a_line_feed else ChainState.CUT)
    assert found.record == (0 if at_a_line_feed else whole + 1)
    assert found.records == whole
    assert found.holds


def test_guard_line_goes_on_with_the_chain(tmp_path: Path) -> None:
    """The power guard's line after a run that was killed, also in the middle of a line, breaks no chain."""
    path = tmp_path / "run.jsonl"
    orders = GuardOrders(outputs=(), journal=str(path), afterwards=(), run_origin_monotonic_s=0.0, clock_scale=1.0)
    for torn in (b"", b'{"record":"reading","check":"ra'):
        path.write_bytes(b"".join(LINES[:5]) + torn)

        _append(orders, "output switched off")

        found = read_chain(path.read_bytes())
        assert (found.state, found.records) == (ChainState.NO_END, 6)
        assert read_journal(path).records[-1].at_s > 0.0  # type: ignore[union-attr]


@pytest.mark.parametrize("blanks", [b"", b" ", b"\t \r"], ids=["none", "one", "several"])
def test_whole_record_is_no_torn_piece(tmp_path: Path, blanks: bytes) -> None:
    """A record put in before the guard's line is seen, though blanks after its brace make it look torn."""
    path = tmp_path / "run.jsonl"
    orders = GuardOrders(outputs=(), journal=str(path), afterwards=(), run_origin_monotonic_s=0.0, clock_scale=1.0)
    path.write_bytes(b"".join(LINES[:5]))
    _append(orders, "output switched off")
    *before, guard = path.read_bytes().splitlines(keepends=True)
    foreign = encode_record(Happening(kind="k", text="all well", at_s=1.0)).removesuffix(b"\n") + blanks + b"\n"

    found = read_chain(b"".join([*before, foreign, guard]))

    assert (found.state, found.record) == (ChainState.BROKEN, 6)


def test_changed_journal_that_reads_well_proves_nothing() -> None:
    """A value and its verdict changed together contradict nothing: the hashes alone tell it, and it cannot pass."""
    touched = JOURNAL.replace(b'"value":0.0000164,', b'"value":0.0000114,')
    assert touched != JOURNAL

    found = parse_journal(touched)

    assert found.problems == (f"the journal was changed after it was written: {read_chain(touched).why}",)
    assert board_report(parse_journal(JOURNAL)).passed
    assert board_report(found).verdict.verdict is Verdict.BENCH_ERROR


def test_guard_and_runner_write_one_chain(tmp_path: Path) -> None:
    """A line that the guard writes while the runner lives is followed, not overwritten."""
    path = tmp_path / "run.jsonl"
    orders = GuardOrders(outputs=(), journal=str(path), afterwards=(), run_origin_monotonic_s=0.0, clock_scale=1.0)
    with JournalWriter(path) as writer:
        writer.append(Happening(kind="a", text="", at_s=1.0))
        _append(orders, "output switched off")
        writer.append(Happening(kind="b", text="", at_s=2.0))

    found = read_chain(path.read_bytes())
    assert (found.state, found.records) == (ChainState.NO_END, 3)
