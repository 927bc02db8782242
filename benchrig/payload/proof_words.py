"""What is not proven in a few lines: one sentence for each part of the payload, and what to measure further.

Owns the short wording for a run's report. Must not know profiles, nor how bytes are made.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from benchrig.payload.proof import Doubt

    Values = Mapping[str, float | str]

_WORST_FIRST: Final = ("the sign", "the byte order", "the scale", "the unit")
"""Aspects that are named before all others: wrong in them, a value is wrong altogether. Own choice."""


@dataclass(frozen=True, kw_only=True)
class OpenPart:
    """All doubts about one part: `sentence` for people, `aspects` such as "the sign", `encoders` that would pass."""

    part: str
    aspects: tuple[str, ...]
    encoders: int
    example: str

    @property
    def claim(self) -> str:
        """Such as "the sign of temperature, nor its width: 7 wrong encoders would pass, such as 'sign lost'"."""
        first, *others = self.aspects
        claim = first.format(self.part) if "{}" in first else f"{first} of {self.part}"
        more = "".join(f", nor {_of_it(aspect)}" for aspect in others)
        would = f"{self.encoders} wrong encoder{'s' if self.encoders > 1 else ''} would pass"
        return f"{claim}{more}: {would}, such as {self.example!r}"

    @property
    def sentence(self) -> str:
        """The claim as what these points do not prove."""
        return f"these points do not prove {self.claim}"


def open_parts(doubts: Sequence[Doubt]) -> tuple[OpenPart, ...]:
    """Doubts put together by part, in the order in which the parts first come up."""
    groups: dict[str, list[Doubt]] = {}
    for doubt in doubts:
        groups.setdefault(doubt.part, []).append(doubt)
    return tuple(_open_part(part, sorted(found, key=_weight)) for part, found in groups.items())


def _open_part(part: str, doubts: Sequence[Doubt]) -> OpenPart:
    return OpenPart(
        part=part,
        aspects=tuple(doubt.aspect for doubt in doubts),
        encoders=sum(len(doubt.mutants) for doubt in doubts),
        example=doubts[0].example,
    )


def _weight(doubt: Doubt) -> int:
    return _WORST_FIRST.index(doubt.aspect) if doubt.aspect in _WORST_FIRST else len(_WORST_FIRST)


def _of_it(aspect: str) -> str:
    """The aspect once its part has been named: "its sign", "that it is fresh"."""
    if "{}" in aspect:
        return aspect.format("it")
    return " and ".join(one.replace("the ", "its ", 1) for one in aspect.split(" and "))


def shortened(sentences: Sequence[str], names: Iterable[str], *, most: int) -> tuple[str, ...]:
    """At most `most` sentences; those beyond are counted and named in the last."""
    if len(sentences) <= most:
        return tuple(sentences)
    left = [*names][most - 1 :]
    return (*sentences[: most - 1], f"nor everything of {len(left)} more parts: {', '.join(left)}")
