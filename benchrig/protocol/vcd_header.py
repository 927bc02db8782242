"""The declarations at the head of a value change dump: time scale, scopes, variables.

Owns which tokens a header may hold, and what each variable is called in full. Must not know files or edges.
Source: IEEE 1364-2005 clause 18.2, four-state VCD (from memory). Kept apart from it, since writers of captures do so:
a variable type that the standard does not list is read as any other, and a name may carry its bit as `name[3]`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from benchrig.errors import ConfigError
from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

NOT_LEVELS = ("real", "realtime", "event", "string")
"""Types of variables that have no level, whatever size is written beside them."""

SCALES = (1, 10, 100)
UNITS = {"s": 0, "ms": -3, "us": -6, "ns": -9, "ps": -12, "fs": -15}

_SCALE = re.compile(r"(\d+)\s*([a-z]+)", re.ASCII)
_BITS = re.compile(r"[1-9]\d{0,6}", re.ASCII)
_MOST_WORDS = 4096
"""Words kept of one declaration; the words of a comment are not kept at all."""

_SHOWN = 8


@dataclass(frozen=True, slots=True)
class Variable:
    """A variable of the capture: its name with all scopes, joined by points, and the code that changes name it by."""

    name: str
    code: bytes
    kind: str
    bits: int

    @property
    def is_one_bit(self) -> bool:
        return self.bits == 1 and self.kind not in NOT_LEVELS


@dataclass(frozen=True, slots=True)
class Header:
    """All that stands before the first change."""

    seconds_per_tick: float
    variables: tuple[Variable, ...]

    @property
    def one_bit(self) -> tuple[Variable, ...]:
        """Signals with one level each, every net once: a second name of a net is left out."""
        first: dict[bytes, Variable] = {}
        for variable in self.variables:
            if variable.is_one_bit:
                first.setdefault(variable.code, variable)
        return tuple(first.values())


class HeaderParser:
    """Takes the words of a header one by one. Raises ConfigError with the line of a word that cannot stand there."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._section = ""
        self._words: list[str] = []
        self._scopes: list[str] = []
        self._variables: list[Variable] = []
        self._tick_s: float | None = None
        self._has_words = False

    @property
    def is_untouched(self) -> bool:
        """Whether no word came yet."""
        return not self._has_words

    def take(self, word: bytes, line: int) -> bool:
        """Whether this word ended the header."""
        text = word.decode("latin-1")
        self._has_words = True
        if not self._section:
            if text not in _SECTIONS:
                raise self._wrong(line, f"{_shown(text)} is no declaration of a value change dump", _ACCEPTED)
            self._section = text
        elif text == "$end":
            section, self._section = self._section, ""
            _SECTIONS[section](self, line)
            self._words = []
            return section == "$enddefinitions"
        elif self._section not in _NOT_KEPT and len(self._words) < _MOST_WORDS:
            self._words.append(text)
        return False

    def header(self, line: int) -> Header:
        """What was declared. Raises ConfigError when there is no time scale or no variable."""
        if self._tick_s is None:
            raise self._wrong(line, "the declarations end without $timescale", "'$timescale 1 ns $end' before the end")
        if not self._variables:
            raise self._wrong(line, "the declarations name no variable", "'$var wire 1 ! tx $end' for each signal")
        return Header(self._tick_s, tuple(self._variables))

    # ---- one for each section

    def _nothing(self, _line: int) -> None:
        """Who made it, and when, changes nothing."""

    def _timescale(self, line: int) -> None:
        found = _SCALE.fullmatch(" ".join(self._words))
        if not found or int(found[1]) not in SCALES or found[2] not in UNITS:
            raise self._wrong(
                line,
                f"$timescale {_shown(' '.join(self._words))}",
                f"{', '.join(map(str, SCALES))} and a unit: {', '.join(UNITS)}",
            )
        self._tick_s = float(int(found[1]) * Fraction(10) ** UNITS[found[2]])

    def _scope(self, line: int) -> None:
        if len(self._words) != 2:
            raise self._wrong(line, f"$scope {_shown(' '.join(self._words))}", "a type and a name, as 'module board'")
        self._scopes.append(self._words[1])

    def _upscope(self, line: int) -> None:
        if not self._scopes:
            raise self._wrong(line, "$upscope without a $scope that it ends", "as many $upscope as $scope")
        self._scopes.pop()

    def _var(self, line: int) -> None:
        kind, bits, code, *names = [*self._words, "", "", ""][: max(3, len(self._words))]
        if not names or not _BITS.fullmatch(bits):
            raise self._wrong(
                line, f"$var {_shown(' '.join(self._words))}", "type, bits, code and name, as 'wire 1 ! tx'"
            )
        name = ".".join((*self._scopes, "".join(names)))
        self._variables.append(Variable(name, code.encode("latin-1"), kind, int(bits)))

    def _wrong(self, line: int, what: str, accepted: str) -> ConfigError:
        return ConfigError(f"{self._name}, line {line}: {what}; accepted: {accepted}; export the capture again as VCD")


_SECTIONS: dict[str, Callable[[HeaderParser, int], None]] = {
    "$comment": HeaderParser._nothing,
    "$date": HeaderParser._nothing,
    "$enddefinitions": HeaderParser._nothing,
    "$scope": HeaderParser._scope,
    "$timescale": HeaderParser._timescale,
    "$upscope": HeaderParser._upscope,
    "$var": HeaderParser._var,
    "$version": HeaderParser._nothing,
}
_NOT_KEPT = ("$comment", "$date", "$version", "$enddefinitions")
_ACCEPTED = f"the words {', '.join(_SECTIONS)}"


def choose(header: Header, wanted: Sequence[str], *, most: int, name: str) -> tuple[Variable, ...]:
    """The signals of these names, or all one-bit signals when nothing is wanted and they are at most `most`.

    A name is accepted in full, or without its scopes where that fits one signal alone. Raises ConfigError for a name
    that is unknown, ambiguous, of several bits or a second name of the same net, with the one-bit signals there are.
    """
    there = f"one-bit signals there: {_listed(header.one_bit)}"
    if not wanted:
        if 0 < len(header.one_bit) <= most:
            return header.one_bit
        raise ConfigError(f"{name}: {len(header.one_bit)} one-bit signals; name up to {most} of them; {there}")
    if len(wanted) > most:
        raise ConfigError(f"{name}: {len(wanted)} signals were asked for, {most} at most are read; {there}")
    found = tuple(_find(header, one, name=name, there=there) for one in wanted)
    if len({variable.code for variable in found}) < len(found):
        raise ConfigError(f"{name}: {' and '.join(wanted)} are the same net; name two different ones; {there}")
    return found


def _find(header: Header, wanted: str, *, name: str, there: str) -> Variable:
    whole = [variable for variable in header.variables if variable.name == wanted]
    short = [variable for variable in header.variables if variable.name.rpartition(".")[2] == wanted]
    fitting = {variable.code: variable for variable in whole or short}
    if len(fitting) > 1:
        raise ConfigError(f"{name}: signal {wanted!r} is {_listed(tuple(fitting.values()))}; give one of them in full")
    if not fitting:
        known = [variable.name for variable in header.one_bit]
        close = nearest(wanted, known) or nearest(wanted, [one.rpartition(".")[2] for one in known])
        raise ConfigError(f"{name}: no signal {wanted!r}{close}; {there}")
    (variable,) = fitting.values()
    if not variable.is_one_bit:
        is_what = f"has {variable.bits} bits" if variable.kind not in NOT_LEVELS else f"is of type {variable.kind}"
        raise ConfigError(f"{name}: signal {variable.name!r} {is_what}, a line has one; {there}")
    return variable


def _listed(variables: Sequence[Variable]) -> str:
    names = [variable.name for variable in variables]
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return (", ".join(names[:_SHOWN]) or "none") + more


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else f"{text[:37]}...")
