"""Which measurement tells causes apart: the one that separates most of their weight, and what it would read for each.

Owns the choice. Must not know how causes were weighed. Readings are apart when they differ by four standard
uncertainties of the measurement; of equally good measurements the one that a person would rather do comes first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from benchrig.judge.circuit_probes import LIKE_IT, PROBES
from benchrig.judge.hypothesis import engineering

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from benchrig.judge.circuit_parts import Circuit
    from benchrig.judge.circuit_probes import Probe

_APART = 4.0
_LEAST_GAIN = 0.02
"""A measurement that separates less than this share of the weight of pairs is not worth a walk. Own choice."""


@dataclass(frozen=True, slots=True)
class Suspect:
    """A cause as far as a further measurement needs it."""

    key: str
    share: float
    side: str
    circuit: Circuit
    tells: Mapping[str, str]


class Outcome(NamedTuple):
    """What a measurement reads, and the keys of the causes that would make it so."""

    reading: str
    keys: tuple[str, ...]


class Split(NamedTuple):
    """A measurement and its outcomes."""

    measurement: str
    outcomes: tuple[Outcome, ...]


def best_split(suspects: Sequence[Suspect], *, nominal_v: float) -> Split | None:
    """The measurement that separates the most, None when none of the known ones separates anything."""
    best, best_gain = None, _LEAST_GAIN * _pair_weight(suspects)
    for split in _splits(suspects, nominal_v):
        gain = _gain(split, suspects)
        if gain > best_gain * (1.0 + 1e-9):
            best, best_gain = split, gain
    return best


def _splits(suspects: Sequence[Suspect], nominal_v: float) -> Iterator[Split]:
    names = dict.fromkeys(name for suspect in suspects for name in suspect.tells)
    for name in names:
        yield _by_words(name, {one.key: one.tells[name] for one in suspects if name in one.tells})
    yield from (_by_number(probe, suspects, nominal_v) for probe in PROBES)
    sides = {one.key: "sound" if one.side == "board" else "shows the same" for one in suspects}
    yield _by_words(LIKE_IT, sides)


def _by_words(name: str, readings: Mapping[str, str]) -> Split:
    words = dict.fromkeys(readings.values())
    return Split(
        name, tuple(Outcome(word, tuple(key for key, its in readings.items() if its == word)) for word in words)
    )


def _by_number(probe: Probe, suspects: Sequence[Suspect], nominal_v: float) -> Split:
    readings = sorted(((probe.read(one.circuit, nominal_v), one.key) for one in suspects), key=lambda one: one[0])
    groups: list[list[tuple[float, str]]] = []
    for value, key in readings:
        if groups and value - groups[-1][-1][0] <= _APART * probe.relative_u * max(abs(value), abs(groups[-1][-1][0])):
            groups[-1].append((value, key))
        else:
            groups.append([(value, key)])
    return Split(
        probe.name,
        tuple(Outcome(engineering(group[0][0], probe.unit), tuple(key for _, key in group)) for group in groups),
    )


def _pair_weight(suspects: Sequence[Suspect]) -> float:
    total = sum(one.share for one in suspects)
    return total * total - sum(one.share**2 for one in suspects)


def _gain(split: Split, suspects: Sequence[Suspect]) -> float:
    """Weight of the pairs that end in different outcomes."""
    share = {one.key: one.share for one in suspects}
    sums = [sum(share[key] for key in outcome.keys) for outcome in split.outcomes]
    return sum(sums) ** 2 - sum(one * one for one in sums)
