"""The chain of a journal: each line carries the hash of the line before it, and a hash of itself.

Owns how the two hashes are put at the end of a line, and how a chain that was touched is told. Knows bytes alone: no
files, and nothing of what a record means but the words that say "the end" and "the guard was here".

The hash is SHA-256 (FIPS 180-4). A line's own hash covers every byte before it, so that a changed byte is found in its
own record, the last one included; the hash of the line before makes a record that was taken out or put in stand out.
Whoever writes the whole rest of a journal anew can make a new chain: against that stands a signature, or a copy of the
last hash that is kept elsewhere.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from enum import StrEnum

START = "0" * 64
"""What the first line carries as the hash of the line before."""

_LINK = re.compile(rb',"before":"([0-9a-f]{64})","hash":"([0-9a-f]{64})"\}\Z')
_LINK_ELSEWHERE = re.compile(rb'"(?:before|hash)"\s*:\s*"[0-9a-f]{64}"')
_OWN_BYTES = len(',"hash":""}') + 64
_ENDS = (b'{"record":"run finished",', b'{"record":"note",')  # a note is a journal by itself
_GUARD = b'{"record":"event","kind":"power guard",'


class ChainState(StrEnum):
    """What may be said of the records of a journal, a closed set."""

    INTACT = "intact"
    NO_END = "no end"
    CUT = "cut"
    BROKEN = "broken"
    NO_CHAIN = "no chain"


@dataclass(frozen=True, slots=True)
class Chain:
    """What a chain says. `record` is the first one that is not as it was written, counted from 1; 0 for none.

    `records` were found sound, and `last_hash` is that of the last of them.
    """

    state: ChainState
    record: int
    why: str
    records: int
    last_hash: str

    @property
    def holds(self) -> bool:
        """Whether nothing that is there was changed; its end may be missing all the same."""
        return self.state in (ChainState.INTACT, ChainState.NO_END, ChainState.CUT)


def linked(line: bytes, *, before: str) -> tuple[bytes, str]:
    """A line of JSON, an object with its line feed, with both hashes at its end; and the hash of it."""
    body = line.removesuffix(b"}\n") + b',"before":"' + before.encode("ascii") + b'"'
    own = hashlib.sha256(body).hexdigest()
    return body + b',"hash":"' + own.encode("ascii") + b'"}\n', own


def last_hash(data: bytes) -> str:
    """The hash that the next line of this journal has to carry: that of the last whole line that has one."""
    for line in reversed(data.split(b"\n")[:-1]):
        if found := _LINK.search(line):
            return found[2].decode("ascii")
    return START


def read_chain(data: bytes) -> Chain:
    """What the chain of these bytes says. Raises nothing."""
    *lines, rest = data.split(b"\n")
    before, seen = START, {START: 0}
    for number, line in enumerate(lines, 1):
        own = hashlib.sha256(line[:-_OWN_BYTES]).hexdigest()
        # what this line has to end in, byte by byte; only one that does not is looked at any closer
        if line.endswith(f',"before":"{before}","hash":"{own}"}}'.encode("ascii")):
            before = own
            seen[own] = number
            continue
        broken = _broken(lines, number, own, seen, before)
        if broken is not None:
            return broken
    if len(seen) == 1:
        return _no_chain(lines)
    return _end(lines, rest, sound=len(seen) - 1, last=before)


def _no_chain(lines: list[bytes]) -> Chain:
    number = next((number for number, line in enumerate(lines, 1) if _LINK_ELSEWHERE.search(line)), 0)
    if number:  # another program wrote it anew, if only with other line ends
        why = f"record {number} was changed: its hashes do not stand at its end, as they were written"
        return Chain(ChainState.BROKEN, number, why, 0, START)
    why = "no record carries a hash: written before journals had any, or the hashes were taken out"
    return Chain(ChainState.NO_CHAIN, 1, why, 0, START)


def _broken(lines: list[bytes], number: int, own: str, seen: dict[str, int], before: str) -> Chain | None:
    """What is wrong with a line that does not go on with the chain; None for a piece that a killed run left."""
    line = lines[number - 1]
    link = _LINK.search(line)
    if link is None:
        if not any(map(_LINK.search, lines)):
            return _no_chain(lines)
        if _is_torn(line, lines[number : number + 1], before=before):
            return None
        why = f"record {number} carries no hash: it was changed, cut or put in"
        return Chain(ChainState.BROKEN, number, why, len(seen) - 1, before)
    if own.encode("ascii") != link[2]:
        why = f"record {number} was changed: its bytes do not have the hash that it carries"
        return Chain(ChainState.BROKEN, number, why, len(seen) - 1, before)
    return _out_of_order(number, link, seen, before)


def _is_torn(line: bytes, after: list[bytes], *, before: str) -> bool:
    """A run that was killed in the middle of a line leaves a piece; the guard's line after it is linked past it."""
    # blanks after the brace make no piece of it: a reader takes it for a whole record (RFC 8259, section 2)
    if line.rstrip().endswith(b"}") or not after or not after[0].startswith(_GUARD):
        return False
    link = _LINK.search(after[0])
    return link is not None and link[1].decode("ascii") == before


def _out_of_order(number: int, link: re.Match[bytes], seen: dict[str, int], before: str) -> Chain:
    """A sound line that follows another line than the one that stands before it."""
    told, own = (part.decode("ascii") for part in link.groups())
    if own in seen:
        why = f"record {number} was put in: it is a copy of record {seen[own]}"
        return Chain(ChainState.BROKEN, number, why, number - 1, before)
    if told in seen:
        first = seen[told] + 1
        why = f"record {first} to {number - 1} were put in: record {number} was written right after {first - 1}"
        if first == number - 1:
            why = f"record {first} was put in, or changed and given a new hash: record {number} does not follow it"
        return Chain(ChainState.BROKEN, first, why, first - 1, told)
    why = f"before record {number} something was taken out, or changed and given a new hash"
    return Chain(ChainState.BROKEN, number, why, number - 1, before)


def _end(lines: list[bytes], rest: bytes, *, sound: int, last: str) -> Chain:
    """The end of a chain that holds: complete, missing, or cut in the middle of a record."""
    if rest:
        number = len(lines) + 1
        why = f"record {number} is cut after {len(rest)} bytes; the {sound} before it are as they were written"
        return Chain(ChainState.CUT, number, why, sound, last)
    if not lines[-1].startswith(_ENDS):
        why = f"record {sound} is the last and no end of the run: it was killed, or what followed was cut off"
        return Chain(ChainState.NO_END, 0, why, sound, last)
    return Chain(ChainState.INTACT, 0, f"all {sound} records are as they were written", sound, last)
