"""A value change dump, read in chunks of any size: bytes in, changes of the chosen one-bit signals out.

Owns what may stand behind the declarations (`vcd_header` owns those), and the place of what is wrong. Must not know
files, nor what a level means. Keeps no more than the last unfinished word, so that a capture of any size can be read.
Source: IEEE 1364-2005 clause 18.2, four-state VCD (from memory). Strings (`s...`), which some writers add, are passed
over as real numbers are. The extended form of clause 18.4, with $dumpports, is refused.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.errors import ConfigError
from benchrig.protocol.vcd_digits import MOST_DIGITS, read_numbers
from benchrig.protocol.vcd_header import HeaderParser, choose

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from benchrig.protocol.vcd_header import Header, Variable

    Bytes = npt.NDArray[np.uint8]
    Indexes = npt.NDArray[np.intp]
    Marks = npt.NDArray[np.bool_]
    Ticks = npt.NDArray[np.int64]
    Small = npt.NDArray[np.int8]

UNKNOWN = -1
"""The level of x (unknown) and z (nobody drives it)."""

_LONGEST_WORD = 1 << 16
"""Bytes without a blank between them; a file with more of them is no text."""

_BLANK, _LINE_FEED = 0x20, 0x0A
_WORD = re.compile(rb"[^\x00-\x20]+")
_KEYWORDS = (b"$comment", b"$dumpall", b"$dumpoff", b"$dumpon", b"$dumpvars", b"$end")
_ACCEPTED = (
    "a time as #100, a level 0 1 x z before the code of its signal, b... or r... with a code behind it, "
    + " ".join(word.decode() for word in _KEYWORDS)
)

_TIME, _LEVEL, _VECTOR, _KEYWORD, _BAD = range(5)  # of a plain piece `kinds` is nothing but times, 0, and levels, 1


def _classes() -> Bytes:
    table = np.full(256, _BAD, np.uint8)
    for first, found in ((b"#", _TIME), (b"01xXzZ", _LEVEL), (b"bBrRsS", _VECTOR), (b"$", _KEYWORD)):
        table[list(first)] = found
    return table


def _levels() -> npt.NDArray[np.int8]:
    table = np.full(256, UNKNOWN, np.int8)
    table[[ord("0"), ord("1")]] = 0, 1
    return table


_CLASS_OF = _classes()
_LEVEL_OF = _levels()


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """Changes in the order of the file: when, in ticks; of which chosen signal, counted from 0; to which level.

    `until` is the newest time that was read, whether anything changed then or not.
    """

    ticks: npt.NDArray[np.int64]
    signals: npt.NDArray[np.int8]
    levels: npt.NDArray[np.int8]
    until: int


@dataclass(frozen=True, slots=True, eq=False)
class _Words:
    """Where the words of a piece begin and end, and what the first byte of each says that it is."""

    data: bytes
    text: Bytes
    starts: Indexes
    ends: Indexes
    kinds: Bytes

    def word(self, index: int) -> bytes:
        return self.data[self.starts[index] : self.ends[index]]


class VcdReader:
    """Reads one capture. `name` is what messages call it; `signals` are the wanted ones, see `choose`.

    Raises ConfigError, with the line and what is accepted there, for what is no value change dump.
    """

    def __init__(self, name: str, *, signals: Sequence[str] = (), most: int = 2) -> None:
        self.header: Header | None = None
        self.chosen: tuple[Variable, ...] = ()
        self._name = name
        self._wanted = tuple(signals)
        self._most = most
        self._parser = HeaderParser(name)
        self._rest = b""
        self._line = 1
        self._tick = 0
        self._has_times = False
        self._in_comment = False
        self._codes: frozenset[bytes] = frozenset()

    def feed(self, chunk: bytes) -> Changes:
        """The changes that this chunk completes."""
        data = self._rest + chunk
        whole = _end_of_words(data)
        if len(data) - whole > _LONGEST_WORD:
            raise ConfigError(
                f"{self._name}, line {self._line + data.count(10, 0, whole)}: more than {_LONGEST_WORD} bytes "
                "without a blank: this is no value change dump (VCD); export the capture as VCD"
            )
        self._rest = data[whole:]
        return self._take(data[:whole])

    def finish(self) -> Changes:
        """The changes of the last word. Raises ConfigError when the capture is empty or ends too early."""
        changes = self._take(self._rest + b"\n")
        self._rest = b""
        if self.header is None:
            is_empty = self._parser.is_untouched
            what = "it is empty" if is_empty else "it ends within its declarations, before $enddefinitions"
            raise ConfigError(f"{self._name}: {what}; record again, and export as VCD")
        if not self._has_times:
            raise ConfigError(f"{self._name}: no time stands behind its declarations; record again, and export as VCD")
        return changes

    # ---- pieces of whole words

    def _take(self, data: bytes) -> Changes:
        if self.header is None:
            data = data[self._take_header(data) :]
        words = _words(data)
        if not self._in_comment and words.kinds.max(initial=_TIME) <= _LEVEL:  # most of a capture is nothing else
            found = self._plain(words)
            self._line += int(np.count_nonzero(words.text == _LINE_FEED))
            return found
        kept = self._outside_comments(words)
        values, codes, unfinished = _vectors(words, kept)
        kept[values] = kept[codes] = False
        if unfinished.size:  # its code comes with the next piece, and so does it
            kept[unfinished] = False
            begin = int(words.starts[unfinished[0]])
            self._rest, data = data[begin:] + self._rest, data[:begin]
        found = self._body(words, kept, values, codes)
        self._line += int(np.count_nonzero(words.text[: len(data)] == _LINE_FEED))
        return found

    def _take_header(self, data: bytes) -> int:
        """Where the body begins, if it does."""
        at = 0
        for match in _WORD.finditer(data):
            self._line += data.count(10, at, match.start())
            at = match.start()
            if self._parser.take(match[0], self._line):
                self.header = self._parser.header(self._line)
                self.chosen = choose(self.header, self._wanted, most=self._most, name=self._name)
                self._codes = frozenset(variable.code for variable in self.header.variables)
                return match.end()
        self._line += data.count(10, at)
        return len(data)

    def _plain(self, words: _Words) -> Changes:
        """The changes where there are times and levels of one bit, nothing else."""
        are_times = words.kinds == _TIME
        ticks = self._ticks(words, np.flatnonzero(are_times))
        at, signals, levels = self._scalars(words, np.flatnonzero(words.kinds))
        return self._found(ticks, are_times, at, signals=signals, levels=levels)

    def _body(self, words: _Words, kept: Marks, values: Indexes, codes: Indexes) -> Changes:
        self._check(words, kept, codes)
        are_times = kept & (words.kinds == _TIME)
        ticks = self._ticks(words, np.flatnonzero(are_times))
        at, signals, levels = self._scalars(words, np.flatnonzero(kept & (words.kinds == _LEVEL)))
        if values.size:  # a level of one bit may be written as a vector
            of_vectors = self._signals_of(words, codes, skip=0)
            mine = (of_vectors >= 0) & (words.text[words.starts[values]] | 0x20 == ord("b"))
            at = np.concatenate((at, values[mine]))
            order = np.argsort(at, kind="stable")
            signals = np.concatenate((signals, of_vectors[mine]))[order]
            levels = np.concatenate((levels, _LEVEL_OF[words.text[words.ends[values[mine]] - 1]]))[order]
            at = at[order]
        return self._found(ticks, are_times, at, signals=signals, levels=levels)

    def _found(self, ticks: Ticks, are_times: Marks, at: Indexes, *, signals: Small, levels: Small) -> Changes:
        """Changes with their times: the newest one that stands before each."""
        self._tick = int(ticks[-1])
        return Changes(ticks[np.cumsum(are_times)[at]], signals, levels, self._tick)

    def _ticks(self, words: _Words, times: Indexes) -> Ticks:
        """The newest time of before, and all times of this piece. Raises ConfigError for one that goes back."""
        lengths = words.ends[times] - words.starts[times] - 1
        wrong = np.flatnonzero((lengths < 1) | (lengths > MOST_DIGITS))
        if wrong.size:
            raise self._wrong(words, times[wrong[0]], f"a time of up to {MOST_DIGITS} digits behind #")
        numbers, are_numbers = read_numbers(words.data, ends=words.ends[times], lengths=lengths)
        if not are_numbers.all():
            raise self._wrong(words, times[np.argmin(are_numbers)], "a whole number behind #")
        ticks = np.concatenate((np.full(1, self._tick, np.int64), numbers))
        back = np.flatnonzero(ticks[1:] < ticks[:-1])
        if back.size:
            raise self._wrong(words, times[back[0]], f"times that never go back, as from #{ticks[back[0]]} on")
        self._has_times = self._has_times or times.size > 0
        return ticks

    def _scalars(self, words: _Words, scalars: Indexes) -> tuple[Indexes, Small, Small]:
        """The words that change a chosen signal, which one, and to what."""
        signals = self._signals_of(words, scalars, skip=1)
        levels = _LEVEL_OF[words.text[words.starts[scalars]]]
        mine = signals >= 0
        if mine.all():
            return scalars, signals, levels
        self._must_be_declared(words, scalars[~mine], skip=1)
        return scalars[mine], signals[mine], levels[mine]

    def _signals_of(self, words: _Words, at: Indexes, *, skip: int) -> Small:
        """Which chosen signal each word names behind its first `skip` bytes; -1 for others."""
        starts, lengths = words.starts[at] + skip, words.ends[at] - words.starts[at] - skip
        found = np.full(at.size, -1, np.int8)
        for number, variable in enumerate(self.chosen):
            mine = lengths == len(variable.code)
            for offset, byte in enumerate(variable.code):
                mine &= words.text[np.minimum(starts + offset, words.text.size - 1) if offset else starts] == byte
            found[mine] = number
        return found

    def _must_be_declared(self, words: _Words, others: Indexes, *, skip: int) -> None:
        """Changes of signals that were not chosen are passed over, of signals that do not exist they are not."""
        if not others.size:
            return
        short = words.ends[others] - words.starts[others] - skip
        key = np.zeros(others.size, np.uint64)
        for offset in range(min(8, int(short.max()))):
            byte = words.text[np.where(offset < short, words.starts[others] + skip + offset, 0)]
            key |= np.where(offset < short, byte, 0).astype(np.uint64) << np.uint64(8 * offset)
        _, first = np.unique(key, return_index=True)
        long = np.flatnonzero(short > 8)
        for index in (*first.tolist(), *long.tolist()):
            if words.word(others[index])[skip:] not in self._codes:
                raise self._wrong(words, others[index], "the codes that a $var declares")

    def _outside_comments(self, words: _Words) -> Marks:
        """Which words are read: no keyword, nothing in a comment. Raises ConfigError for an unknown keyword."""
        kept = np.ones(words.starts.size, np.bool_)
        begin = 0
        for index in np.flatnonzero(words.kinds == _KEYWORD).tolist():
            word = words.word(index)
            if self._in_comment:
                if word == b"$end":
                    kept[begin : index + 1] = False
                    self._in_comment = False
            elif word in _KEYWORDS:
                self._in_comment = word == b"$comment"
                kept[index] = False
                begin = index
        if self._in_comment:
            kept[begin:] = False
        return kept

    def _check(self, words: _Words, kept: Marks, codes: Indexes) -> None:
        wrong = np.flatnonzero(kept & ((words.kinds == _BAD) | (words.kinds == _KEYWORD)))
        if wrong.size:
            raise self._wrong(words, wrong[0], _ACCEPTED)
        self._must_be_declared(words, codes, skip=0)

    def _wrong(self, words: _Words, index: np.intp, accepted: str) -> ConfigError:
        line = self._line + words.data.count(10, 0, int(words.starts[index]))
        shown = words.word(int(index))[:40].decode("ascii", "backslashreplace")
        return ConfigError(
            f"{self._name}, line {line}: {shown!r}; accepted there: {accepted}; export the capture again as VCD"
        )


def _end_of_words(data: bytes) -> int:
    """Up to where the words are whole."""
    end = len(data)
    while end and data[end - 1] > _BLANK:
        end -= 1
        if len(data) - end > _LONGEST_WORD:
            break
    return end


def _words(data: bytes) -> _Words:
    text = np.frombuffer(data, np.uint8)
    is_blank = text <= _BLANK
    borders = np.flatnonzero(is_blank[1:] != is_blank[:-1]) + 1
    if text.size and not is_blank[0]:
        borders = np.concatenate((np.zeros(1, np.intp), borders))
    if borders.size % 2:
        borders = np.concatenate((borders, np.full(1, text.size, np.intp)))
    starts, ends = np.ascontiguousarray(borders[0::2]), np.ascontiguousarray(borders[1::2])
    return _Words(data, text, starts, ends, _CLASS_OF[text[starts]])


def _vectors(words: _Words, kept: Marks) -> tuple[Indexes, Indexes, Indexes]:
    """The words with a value of several bits, a real number or a string, and for each the code that follows it.

    The third is the last such word, when no code follows it in this piece.
    """
    found = np.flatnonzero(kept & (words.kinds == _VECTOR))
    if np.any(np.diff(found) == 1):  # a code may begin as a value does
        values: list[int] = []
        for index in found.tolist():
            if not values or index > values[-1] + 1:
                values.append(index)
        found = np.array(values, np.intp)
    whole = found[found + 1 < words.starts.size]
    return whole, whole + 1, found[whole.size :]
