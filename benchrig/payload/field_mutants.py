"""Wrong encoders of one field, or of one field in all members of a group, evaluated together at all points.

Owns the family of one routine: every slip alone, and slips of different stages together. Must not know other
parts of the payload but for the bits that a misplaced field runs into. Fields are written in the order of the
map, so a later field overwrites what an earlier one spilt, and zero stays where nothing was written.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from benchrig.payload.bit_slips import bool_choices, flag_choices, order_choices, special_choices, spot_choices
from benchrig.payload.layout import either, laid_out, spot_mask
from benchrig.payload.number_slips import code_choices, rounding_choices, value_choices, width_choices
from benchrig.payload.slips import (
    CODE,
    ORDER,
    ROUNDING,
    SOURCE,
    SPECIAL,
    SPOT,
    STAGE_COUNT,
    VALUE,
    WIDTH,
    Choice,
    Mutant,
    Slip,
    Source,
    Stages,
)
from benchrig.payload.whole_arrays import Amount, Scale, fits_int64, largest_results, right_counts, whole

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from fractions import Fraction

    from benchrig.payload.fields import Field
    from benchrig.payload.layout import Bytes, Layout, Spot
    from benchrig.payload.points import PointTable
    from benchrig.payload.slips import Rule
    from benchrig.payload.whole_arrays import Truth, Whole

Rows = npt.NDArray[np.intp]
Recipes = npt.NDArray[np.int16]
"""For each encoder and stage 0 for right, else the number of the choice, counted from 1."""

_NOT_NUMBERS: Final = ("flags", "bool")
_MOST_OTHER_FIELDS: Final = 12


@dataclass(frozen=True, eq=False)
class FieldPart:
    """The wrong encoders of the fields at `places`, which one routine sends all in the same wrong way."""

    name: str
    layout: Layout
    places: tuple[int, ...]
    stages: Stages
    recipes: Recipes

    @property
    def size(self) -> int:
        """Number of wrong encoders."""
        return len(self.recipes)

    @property
    def field(self) -> Field:
        """The field that the routine sends."""
        return self.layout.placed[self.places[0]].field

    @cached_property
    def home(self) -> Bytes:
        """The bits that the routine owns when it is right."""
        return self.layout.home(self.places)

    def mutant(self, row: int) -> Mutant:
        """One encoder in words."""
        recipe = self.recipes[row].tolist()
        table = self.stages.table
        return Mutant(
            part=self.name,
            slips=tuple(table[stage][choice - 1].slip for stage, choice in enumerate(recipe) if choice),
        )

    def row_of(self, stage: int, choice: int) -> int:
        """The encoder that makes this one choice, counted from 0, and is right otherwise."""
        wanted = np.zeros(STAGE_COUNT, dtype=np.int16)
        wanted[stage] = choice + 1
        return int(np.flatnonzero((self.recipes == wanted).all(axis=1))[0])

    def is_confined(self, rows: Rows) -> Truth:
        """Which encoders change no bit outside the routine's own."""
        return np.asarray(self.recipes[rows, SPOT] == 0)

    def unknown(self, rows: Rows, table: PointTable) -> Truth:
        """Where an encoder sends a value that was measured before the first point and is not known."""
        whens = np.array([False, *(choice.act.when == "previous" for choice in self.stages.sources)])
        stale = whens[self.recipes[rows, SOURCE]]
        return np.asarray(stale[:, None] & (table.previous < 0))

    def footprint(self, rows: Rows) -> Bytes:
        """The bits that each encoder writes, rightly or wrongly."""
        masks = np.array([self._footprint(index) for index in range(len(self.stages.spots) + 1)], dtype=np.uint8)
        return np.asarray(masks[self.recipes[rows, SPOT]], dtype=np.uint8)

    def bodies(self, rows: Rows, table: PointTable) -> Bytes:
        """The payload of each encoder at each point, its check value left zero; every other field is right."""
        bodies = np.broadcast_to(table.right & ~self.home, (rows.size, *table.right.shape)).copy()
        for at, place in enumerate(self.places):
            patterns = self._patterns(rows, table, at=at)
            for index in np.unique(self.recipes[rows, SPOT]).tolist():
                chosen = np.flatnonzero(self.recipes[rows, SPOT] == index)
                self._write(bodies, chosen, patterns[chosen], index=index, at=at, place=place)
        return bodies

    def _write(self, bodies: Bytes, chosen: Rows, patterns: Whole, *, index: int, at: int, place: int) -> None:
        spot = self.stages.spots[index - 1].act[at] if index else self.layout.spot(place)
        mine = self._mine(spot, place)
        written = laid_out(patterns, spot, width_bits=self.field.width_bits, length=self.layout.length)
        bodies[chosen] = (bodies[chosen] & ~mine) | (written & mine)

    def _mine(self, spot: Spot, place: int) -> Bytes:
        """Bits that stay as the field at `place` writes them at this spot: a later field writes over its own."""
        later = [other for other in range(place + 1, len(self.layout.placed)) if other not in self.places]
        mask = spot_mask(spot, self.field.width_bits, self.layout.length)
        return mask & ~self.layout.home(later) & ~self.layout.check

    def _footprint(self, index: int) -> Bytes:
        if index == 0:
            return self.home
        spots = self.stages.spots[index - 1].act
        masks = [self._mine(spot, place) for spot, place in zip(spots, self.places, strict=True)]
        return either(np.array([self.home, *masks], dtype=np.uint8))

    def _patterns(self, rows: Rows, table: PointTable, *, at: int) -> Whole:
        """What each encoder sends at each point for the field at `places[at]`."""
        recipes = self.recipes[rows]
        amount, codes = self._amounts(recipes, table, at=at)
        counts = self._counts(recipes[:, ROUNDING], amount)
        is_word = codes >= 0
        counts = np.where(is_word, codes, counts)
        counts = _applied(self.stages.widths, recipes[:, WIDTH], counts, is_word)
        counts = _applied(self.stages.codes, recipes[:, CODE], counts, is_word)
        counts = counts & ((1 << self.field.width_bits) - 1)
        counts = _applied(self.stages.specials, recipes[:, SPECIAL], counts, is_word)
        return _applied(self.stages.orders, recipes[:, ORDER], counts, is_word)

    def _amounts(self, recipes: Recipes, table: PointTable, *, at: int) -> tuple[Amount, Whole]:
        """Values after a wrong source and a wrong factor or constant, and the codes of words."""
        sources = (Source(places=self.places, when="now"), *(choice.act for choice in self.stages.sources))
        columns = [(table.numbers(source.places[at]), _moments(source, table)) for source in sources]
        below = math.lcm(*(numbers.below for numbers, _ in columns))
        steps = [(1, 0, below), *(_step(choice.act.times, choice.act.plus, below) for choice in self.stages.values)]
        largest = max(numbers.largest * (below // numbers.below) for numbers, _ in columns)
        scale = Scale.of(self.field)
        small = self._is_small(scale, largest, steps)
        above = np.array(
            [whole(numbers.above, small=small)[when] * (below // numbers.below) for numbers, when in columns]
        )[recipes[:, SOURCE]]
        codes = np.array([whole(numbers.codes, small=small)[when] for numbers, when in columns])[recipes[:, SOURCE]]
        times, plus, under = (whole(part, small=small)[recipes[:, VALUE], None] for part in zip(*steps, strict=True))
        return Amount(above=above * times + plus, below=under + 0 * above, scale=scale), codes

    def _is_small(self, scale: Scale, largest: int, steps: Sequence[tuple[int, int, int]]) -> bool:
        results = [
            size
            for times, plus, below in steps
            for size in largest_results(scale, above=largest * abs(times) + abs(plus), below=below)
        ]
        return fits_int64(results, width_bits=self.field.width_bits)

    def _counts(self, chosen: npt.NDArray[np.int16], amount: Amount) -> Whole:
        counts = np.zeros_like(amount.above)
        rules = (right_counts(self.field), *(choice.act for choice in self.stages.roundings))
        for index in np.unique(chosen).tolist():
            rows = np.flatnonzero(chosen == index)
            counts[rows] = rules[index](amount.part(rows))
        return counts


def field_part(
    layout: Layout,
    places: Sequence[int],
    *,
    name: str,
    max_slips: int,
    fitted_counts: tuple[int, ...] = (),
) -> FieldPart:
    """The family of one routine with up to `max_slips` slips in one encoder."""
    stages = _stages(layout, tuple(places), fitted_counts)
    return FieldPart(name, layout, tuple(places), stages, _recipes(stages, max_slips))


def _stages(layout: Layout, places: tuple[int, ...], fitted_counts: tuple[int, ...]) -> Stages:
    field = layout.placed[places[0]].field
    spots = spot_choices(layout, places)
    if field.kind in _NOT_NUMBERS:
        codes = flag_choices(field) if field.kind == "flags" else bool_choices(field)
        return Stages(sources=(*_stale_choices(places),), codes=codes, specials=special_choices(field), spots=spots)
    return Stages(
        sources=(*_stale_choices(places), *_other_choices(layout, places)),
        values=value_choices(field, fitted_counts),
        roundings=rounding_choices(field),
        widths=width_choices(field),
        codes=code_choices(field),
        specials=special_choices(field),
        orders=order_choices(field),
        spots=spots,
    )


def _stale_choices(places: tuple[int, ...]) -> Iterator[Choice[Source]]:
    previous = Slip(words="value of the point before", aspect="that {} is fresh", cost=1)
    yield Choice(slip=previous, act=Source(places=places, when="previous"))
    first = Slip(words="value of the first point for ever", aspect="that {} is fresh", cost=2)
    yield Choice(slip=first, act=Source(places=places, when="first"))


def _other_choices(layout: Layout, places: tuple[int, ...]) -> Iterator[Choice[Source]]:
    """Another field's value, or in a group a neighbour's."""
    aspect = "that {} has its own value"
    if len(places) == 1:
        for other in _nearest_numbers(layout, places[0]):
            slip = Slip(words=f"value of {layout.placed[other].name}", aspect=aspect, cost=3)
            yield Choice(slip=slip, act=Source(places=(other,), when="now"))
        return
    rows = (
        ("the first member's value in every member", (places[0],) * len(places)),
        ("the next member's value", (*places[1:], places[-1])),
        ("the member's value before", (places[0], *places[:-1])),
    )
    for words, taken in rows:
        yield Choice(slip=Slip(words=words, aspect=aspect, cost=2), act=Source(places=taken, when="now"))


def _nearest_numbers(layout: Layout, place: int) -> list[int]:
    numbers = [
        other for other, one in enumerate(layout.placed) if other != place and one.field.kind not in _NOT_NUMBERS
    ]
    return sorted(sorted(numbers, key=lambda other: abs(other - place))[:_MOST_OTHER_FIELDS])


def _recipes(stages: Stages, max_slips: int) -> Recipes:
    """Every single slip, then every set of slips of different stages, smallest sets first."""
    blocks = [np.zeros((0, STAGE_COUNT), dtype=np.int16)]
    for count in range(1, max_slips + 1):
        for chosen in itertools.combinations(range(STAGE_COUNT), count):
            allowed = [_allowed(stages, stage, is_alone=count == 1) for stage in chosen]
            grid = np.meshgrid(*allowed, indexing="ij")
            block = np.zeros((grid[0].size, STAGE_COUNT), dtype=np.int16)
            for stage, axis in zip(chosen, grid, strict=True):
                block[:, stage] = axis.ravel()
            blocks.append(block)
    return np.concatenate(blocks)


def _allowed(stages: Stages, stage: int, *, is_alone: bool) -> Recipes:
    choices = enumerate(stages.table[stage], 1)
    return np.array(
        [index for index, choice in choices if (choice.alone if is_alone else choice.combines)], dtype=np.int16
    )


def _applied(choices: tuple[Choice[Rule], ...], chosen: npt.NDArray[np.int16], counts: Whole, is_word: Truth) -> Whole:
    changed = counts.copy()
    for index in np.unique(chosen).tolist():
        if index:
            rows = np.flatnonzero(chosen == index)
            changed[rows] = choices[index - 1].act(counts[rows], is_word[rows])
    return changed


def _moments(source: Source, table: PointTable) -> Rows:
    """Which point the value sent at each point was measured at; at the first for want of an earlier one."""
    if source.when == "now":
        return np.arange(table.size)
    if source.when == "first":
        return np.zeros(table.size, dtype=np.intp)
    return np.where(table.previous < 0, np.arange(table.size), table.previous)


def _step(times: Fraction, plus: Fraction, below: int) -> tuple[int, int, int]:
    """Whole numbers with (n / below) * times + plus = (n * first + second) / third."""
    return (
        times.numerator * plus.denominator,
        plus.numerator * below * times.denominator,
        below * times.denominator * plus.denominator,
    )
