"""The vocabulary of wrong encoders: a slip, an encoder with slips, and the stages at which slips are made.

Owns words and simplicity. Must not compute anything. The costs are our own judgement: 1 is a slip that many have
made, 5 is one that takes bad luck; the rank of an encoder is the sum, and 2 more for every slip beyond the first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Generic, Literal, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable
    from fractions import Fraction

    from benchrig.payload.layout import Spot
    from benchrig.payload.whole_arrays import Amount, Truth, Whole

    Rounding = Callable[[Amount], Whole]
    Rule = Callable[[Whole, Truth], Whole]
    """Counts or patterns, and where they stand for a word, to what is sent instead."""

ANOTHER_SLIP: Final = 2
WHOLE_PAYLOAD: Final = "the payload"
CHECK_VALUE: Final = "the check value"

Act = TypeVar("Act")
When = Literal["now", "previous", "first"]


@dataclass(frozen=True, kw_only=True)
class Slip:
    """One way to be wrong.

    `words` complete "battery: ...". `aspect` is what remains in doubt while the slip does not show: "the sign" (of
    the part), or with the part's name inside, "that {} is fresh".
    """

    words: str
    aspect: str
    cost: int


@dataclass(frozen=True, kw_only=True)
class Mutant:
    """A wrong encoder: the part of the payload that it sends wrong, and its slips."""

    part: str
    slips: tuple[Slip, ...]

    @property
    def rank(self) -> int:
        """Simplicity: the lower, the sooner somebody makes this mistake."""
        return sum(slip.cost for slip in self.slips) + ANOTHER_SLIP * (len(self.slips) - 1)

    @property
    def text(self) -> str:
        """What it does, in plain words."""
        return f"{self.part}: {' and '.join(slip.words for slip in self.slips)}"


@dataclass(frozen=True, kw_only=True)
class Choice(Generic[Act]):
    """A slip that can be made at one stage, and what it does.

    `alone` is False where the slip changes nothing unless another one is made too; `combines` is False where it
    would hide every other slip.
    """

    slip: Slip
    act: Act
    alone: bool = True
    combines: bool = True


@dataclass(frozen=True, kw_only=True)
class Source:
    """Where each field of a routine takes its value from: a place for each, and when it was measured."""

    places: tuple[int, ...]
    when: When


@dataclass(frozen=True, kw_only=True)
class Affine:
    """A value becomes `value * times + plus`, in the field's unit."""

    times: Fraction
    plus: Fraction


@dataclass(frozen=True, kw_only=True)
class Stages:
    """Everything that can go wrong with one routine, stage by stage in the order in which firmware acts."""

    sources: tuple[Choice[Source], ...] = ()
    values: tuple[Choice[Affine], ...] = ()
    roundings: tuple[Choice[Rounding], ...] = ()
    widths: tuple[Choice[Rule], ...] = ()
    codes: tuple[Choice[Rule], ...] = ()
    specials: tuple[Choice[Rule], ...] = ()
    orders: tuple[Choice[Rule], ...] = ()
    spots: tuple[Choice[tuple[Spot, ...]], ...] = ()

    @property
    def table(self) -> tuple[tuple[Choice[object], ...], ...]:
        """The stages in order."""
        return (  # type: ignore[return-value]  # a stage is read here for its slips alone
            self.sources, self.values, self.roundings, self.widths,
            self.codes, self.specials, self.orders, self.spots,
        )  # fmt: skip


SOURCE, VALUE, ROUNDING, WIDTH, CODE, SPECIAL, ORDER, SPOT = range(8)
STAGE_COUNT: Final = 8
