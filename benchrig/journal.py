"""The journal: one append-only file of JSON lines for each run, written as it happens, read after anything.

Owns how records reach the disk and come back. Knows nothing of what they mean: no verdicts, bench or board.

A line is written by one write() to an unbuffered file, so it survives the death of the process; `sync()`
makes it survive the loss of power, and is called once for each check because it costs milliseconds.
A line counts once its line feed is there (JSON Lines, jsonlines.org, from memory).
Each carries the hash of the one before (`record_chain`): a journal in which that does not hold was changed.
"""

from __future__ import annotations

import errno
import os
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import msgspec

from benchrig.errors import RecordError
from benchrig.record_chain import START, ChainState, last_hash, linked, read_chain
from benchrig.records import SCHEMA, Record, decode_record, encode_record

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_NEXT_ACTION = {
    errno.EEXIST: "a journal is never overwritten: give the run another name",
    errno.ENOSPC: "free space on that disk, then run the board again",
    errno.EDQUOT: "free space within the quota, then run the board again",
    errno.EFBIG: "raise the limit of file size (ulimit -f), then run the board again",
    errno.EROFS: "choose a folder on a writable disk",
    errno.EACCES: "make the folder writable or choose another one",
    errno.EPERM: "make the folder writable or choose another one",
    errno.ENOTDIR: "a file stands where a folder is needed: move it or choose another folder",
    errno.ENOENT: "check the path",
    errno.EISDIR: "a folder stands where the file is needed: move it or choose another name",
    errno.ENAMETOOLONG: "choose a shorter name",
}
# Not every POSIX system has fdatasync; fsync promises the same and more.
_sync_data: Callable[[int], None] = getattr(os, "fdatasync", os.fsync)


@dataclass(frozen=True, slots=True)
class Journal:
    """What could be read of a journal, and one sentence for each thing that could not."""

    records: tuple[Record, ...]
    problems: tuple[str, ...] = ()


class JournalWriter:
    """Appends records to a new file. Every method raises RecordError when the disk refuses."""

    def __init__(self, path: Path, *, redact: Callable[[Record], Record] = lambda record: record) -> None:
        """`redact` takes out of each record what no file may hold."""
        self.path = path
        self._redact = redact
        self._fd = -1
        self._kept_bytes = 0
        self._kept_records = 0
        self._torn = ""
        self._last_hash = START
        self._lock = threading.Lock()
        try:
            make_folder(path.parent)
            self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | os.O_CLOEXEC, 0o644)
            sync_folder(path.parent)
        except OSError as error:
            self._release()
            raise RecordError(f"journal {path}: cannot be opened: {reason(error)}; nothing was kept") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def append(self, record: Record) -> None:
        """Write one record; once this returns it survives the death of the process."""
        line = self._line(record)
        with self._lock:
            if self._torn or self._fd < 0:
                raise RecordError(self._torn or self._closed())
            try:
                self._see_others()
                line, own_hash = linked(line, before=self._last_hash)
                self._write(line)
            except OSError as error:
                raise RecordError(self._roll_back(error)) from error
            self._last_hash = own_hash
            self._kept_bytes += len(line)
            self._kept_records += 1

    def sync(self) -> None:
        """Make all that was written survive the loss of power."""
        if self._fd < 0:
            raise RecordError(self._closed())
        try:
            _sync_data(self._fd)
        except OSError as error:
            raise RecordError(f"{self._so_far('bringing it to the disk')}: {reason(error)}") from error

    def close(self) -> None:
        """Sync and close; closing twice is allowed."""
        if self._fd < 0:
            return
        try:
            self.sync()
        finally:
            self._release()

    def _line(self, record: Record) -> bytes:
        """The record's line, proven readable now: next year is too late to find out."""
        record = self._redact(record)
        try:
            line = encode_record(record)
        except UnicodeEncodeError:
            line = msgspec.json.encode(_encodable(msgspec.to_builtins(record))) + b"\n"
        try:
            decode_record(line)
        except ValueError as error:
            raise RecordError(
                f"{self._so_far('a record that no reader accepts')}: {error} in {line[:200]!r}; a number that"
                " must be there was not finite: report this as a fault of the procedure"
            ) from error
        return line

    def _see_others(self) -> None:
        """The power guard may have written a line meanwhile: the next one follows that, and never cuts it off."""
        if os.fstat(self._fd).st_size == self._kept_bytes:
            return
        try:
            data = self.path.read_bytes()
        except OSError as error:
            raise RecordError(f"{self._so_far('reading back what another process wrote')}: {reason(error)}") from error
        self._last_hash = last_hash(data)
        self._kept_bytes = len(data)

    def _write(self, line: bytes) -> None:
        written = os.write(self._fd, line)
        while written < len(line):
            written += os.write(self._fd, line[written:])

    def _roll_back(self, error: OSError) -> str:
        """Cut a half-written line off again; the sentence that says what happened and what is kept."""
        sentence = f"{self._so_far('writing')}: {reason(error)}"
        try:
            os.ftruncate(self._fd, self._kept_bytes)
        except OSError as second:
            # A later line would be glued to the torn one, so nothing more is accepted.
            self._torn = f"{sentence}; the torn last line could not be cut off ({second.strerror})"
            return self._torn
        return sentence

    def _so_far(self, what: str) -> str:
        kept = f"the first {self._kept_records} records ({self._kept_bytes} bytes) are kept and readable"
        return f"journal {self.path}: {what} failed at record {self._kept_records + 1}; {kept}"

    def _closed(self) -> str:
        return f"{self._so_far('writing')}: the journal is closed already; keep it open until the run has ended"

    def _release(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


def read_journal(path: Path) -> Journal:
    """Read a journal of any run, also of one that was killed. RecordError: no file, or a newer schema."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise RecordError(f"journal {path}: cannot be read: {reason(error)}") from error
    return parse_journal(data, name=str(path))


def parse_journal(data: bytes, *, name: str = "journal") -> Journal:
    """The records in the bytes of a journal. RecordError only for an unknown schema."""
    *lines, rest = data.split(b"\n")
    records: list[Record] = []
    problems: list[str] = [] if data else ["the journal is empty: the run ended before its first record"]
    for number, line in enumerate(lines, 1):
        _refuse_unknown_schema(line, name=name)
        try:
            records.append(decode_record(line))
        except (ValueError, RecursionError) as error:
            problems.append(f"line {number} is no record and was left out: {error}; it begins {line[:60]!r}")
    if rest:
        _refuse_unknown_schema(rest, name=name)
        problems.append(f"line {len(lines) + 1} was cut after {len(rest)} bytes and was left out")
    return Journal(tuple(records), tuple(problems or _changed(data)))


def _changed(data: bytes) -> list[str]:
    """What the hashes say of a journal that can be read whole: one that was changed proves nothing."""
    chain = read_chain(data)
    return [f"the journal was changed after it was written: {chain.why}"] if chain.state is ChainState.BROKEN else []


def reason(error: OSError) -> str:
    """What the operating system said, and what to do about it."""
    next_action = _NEXT_ACTION.get(error.errno or 0, "check the disk, then run the board again")
    return f"{error.strerror or error}; {next_action}"


def make_folder(folder: Path) -> None:
    """Make a folder with its parents, each of them on disk before the next. Raises OSError."""
    if folder.is_dir():
        return
    if folder.exists():
        raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(folder))
    if folder.parent != folder:
        make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)


def sync_folder(folder: Path) -> None:
    """Bring a folder's list of names to the disk: a synced file without a name is lost. Raises OSError."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


class _Head(msgspec.Struct):
    """As much of a first line as every schema will keep."""

    record: str
    schema: int


_HEAD: msgspec.json.Decoder[_Head] = msgspec.json.Decoder(_Head)


def _refuse_unknown_schema(line: bytes, *, name: str) -> None:
    if b'"schema"' not in line:
        return
    try:
        head = _HEAD.decode(line)
    except (ValueError, RecursionError):
        return
    if head.record == "run started" and not 1 <= head.schema <= SCHEMA:
        raise RecordError(
            f"journal {name}: written in schema {head.schema}, this version reads 1 to {SCHEMA}; "
            "read it with the version of benchrig that wrote it, or a newer one"
        )


def _encodable(value: object) -> object:
    """Half a surrogate pair, as undecodable bytes leave it, has no UTF-8: written as \\udc80, not lost."""
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode("utf-8")
    if isinstance(value, dict):
        return {_encodable(key): _encodable(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [_encodable(entry) for entry in value]
    return value
