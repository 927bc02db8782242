"""Reads `[instruments.X.accuracy]`: how far an instrument can be believed, and what must be said of it.

Owns the form of the table, and the rule that a quantity which a slot reads has a stated accuracy: an instrument of
which nothing is stated would otherwise count as perfect, and everything would pass by it. Must not know how
uncertainty is reckoned (`judge.uncertainty`). Bounds are of the trade and generous; common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.uncertainty import AccuracyTerms
from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from benchrig.bench.bench_spec import BenchSpec, InstrumentSpec, SlotSpec
    from benchrig.toml_reader import Section

ACCURACY_OF = {
    "supply": ("set_voltage", "voltage", "current"),
    "meter": ("voltage", "temperature"),
    "recorder": ("current",),
}
STATED = ("of_reading_percent", "of_range_percent", "resolution", "fixed")
"""Terms that say something at any temperature and age; one of them at least is stated for a quantity that is read."""
_STAND_IN = AccuracyTerms(floor=1.0)
_LEAST_PERCENT, _MOST_PERCENT = 1e-7, 100.0
"""A part in 10^9 is beyond the best voltmeter; with 100 % of error nothing was measured."""
_LEAST_STEP, _MOST_STEP = 1e-15, 100.0
"""In V, A or degC: a femtoampere is beyond a recorder, and an instrument that is 100 V off is no instrument."""
_MOST_PERCENT_PER_K, _MOST_PERCENT_PER_YEAR = 10.0, 100.0
_COLDEST_C, _HOTTEST_C = -60.0, 150.0


def read_accuracy(section: Section) -> AccuracyTerms:
    """The terms of one quantity; a stand-in where something is wrong with them."""
    before = len(section.problems)
    of_reading, of_range = (_term(section, key, _LEAST_PERCENT, _MOST_PERCENT) for key in STATED[:2])
    resolution, fixed = (_term(section, key, _LEAST_STEP, _MOST_STEP) for key in STATED[2:])
    per_k = [
        _term(section, f"{key}_per_k", _LEAST_PERCENT, _MOST_PERCENT_PER_K)
        for key in ("of_reading_percent", "of_range_percent")
    ]
    drift = _term(section, "drift_percent_per_year", _LEAST_PERCENT, _MOST_PERCENT_PER_YEAR)
    band_c = _band_c(section)
    section.finish()
    if len(section.problems) > before:
        return _STAND_IN
    return AccuracyTerms(
        of_reading=of_reading / 100.0,
        of_range=of_range / 100.0,
        resolution=resolution,
        floor=fixed,
        of_reading_per_k=per_k[0] / 100.0,
        of_range_per_k=per_k[1] / 100.0,
        band_c=band_c,
        drift_per_year=drift / 100.0,
    )


def _term(section: Section, key: str, least: float, most: float) -> float:
    """0, or a size that an instrument can have: a term of 1e-300 would be a perfect instrument in disguise."""
    value = section.number(key, default=0.0, at_least=0.0, at_most=most)
    if 0.0 < value < least:
        section.problem(key, f"{value:g} is finer than any instrument; accepted: 0, or {least:g} to {most:g}")
    return value


def _band_c(section: Section) -> tuple[float, float]:
    """Air temperatures between which the stated accuracy holds as it is."""
    if not section.has("band_c"):
        return AccuracyTerms().band_c
    band = section.numbers("band_c")
    if len(band) != 2 or not band[0] <= band[1]:
        section.problem("band_c", f"{list(band)!r}; accepted: two numbers in degrees Celsius, low first")
    elif not _COLDEST_C <= band[0] <= band[1] <= _HOTTEST_C:
        section.problem("band_c", f"{list(band)!r}; accepted: from {_COLDEST_C:g} to {_HOTTEST_C:g} degrees Celsius")
    else:
        return band[0], band[1]
    return AccuracyTerms().band_c


def check_names(section: Section, spec: InstrumentSpec) -> None:
    """Quantities that this kind of instrument does not have."""
    known = ACCURACY_OF.get(spec.kind, ())
    for quantity in spec.accuracy:
        if known and quantity not in known:
            section.problem(
                f"accuracy.{quantity}",
                f"a {spec.kind} has no such quantity{nearest(quantity, known)}; known: {', '.join(known)}",
            )


def check_conditions(section: Section, spec: InstrumentSpec, ambient_c: float | None) -> None:
    """A term that needs to know more than the reading is refused where that is not said."""
    for quantity, terms in spec.accuracy.items():
        if (terms.of_reading_per_k or terms.of_range_per_k) and ambient_c is None:
            section.problem(
                f"accuracy.{quantity}",
                "it has a temperature coefficient, and nothing says how warm the bench is; "
                "give ambient_c (degrees Celsius) at the top of the file",
            )
        if terms.drift_per_year and spec.calibrated is None:
            section.problem(f"accuracy.{quantity}", "it drifts with its age; say when it was calibrated: calibrated")


@dataclass(frozen=True, slots=True)
class Use:
    """A quantity that a slot reads of an instrument, where that stands, and whether a range is stated there."""

    instrument: str
    kind: str
    quantity: str
    place: str
    has_range: bool


def uses_of(slot: SlotSpec, quantities: Mapping[str, str]) -> Iterator[Use]:
    """Everything that a slot really reads; `quantities` says what is read at each net of a meter."""
    place = f"slots.{slot.name}"
    for quantity in ("voltage", "current"):
        yield Use(slot.battery.instrument, "supply", quantity, f"{place}.battery", has_range=False)
    for net, wiring in slot.meters.items():
        has_range = wiring.range != 0.0
        yield Use(wiring.instrument, "meter", quantities[net], f"{place}.meters.{net}", has_range=has_range)
    if slot.recorder is not None:
        yield Use(slot.recorder.instrument, "recorder", "current", f"{place}.recorder", has_range=True)


def says_something(terms: AccuracyTerms, *, has_range: bool) -> bool:
    """Whether a reading by these terms has any uncertainty; a share of a range that is not stated is none."""
    return bool(terms.of_reading or terms.resolution or terms.floor or (terms.of_range and has_range))


def check_stated(top: Section, bench: BenchSpec, quantities: Mapping[str, str]) -> None:
    """Every quantity that a slot reads has an accuracy that is not zero. One instrument's quantity is told once."""
    told: set[tuple[str, str]] = set()
    for use in (one for slot in bench.slots.values() for one in uses_of(slot, quantities)):
        spec = bench.instruments.get(use.instrument)
        if spec is None or spec.kind != use.kind or (use.instrument, use.quantity) in told:
            continue  # what is wrong with the wiring was told where it was read
        problem = _unstated(top, spec, use)
        if problem:
            told.add((use.instrument, use.quantity))
            top.problem(f"instruments.{use.instrument}.accuracy.{use.quantity}", problem)


def _unstated(top: Section, spec: InstrumentSpec, use: Use) -> str:
    remedy = f"state one or more of {', '.join(STATED)} as its data sheet gives them"
    terms = spec.accuracy.get(use.quantity)
    if terms is None:
        listed = _listed(top, spec.name)
        is_told = use.quantity in listed or any(name not in ACCURACY_OF[spec.kind] for name in listed)
        missing = f"this table is missing, and {use.place} reads {use.quantity} there: nothing could pass by it; "
        return "" if is_told else missing + remedy
    if says_something(terms, has_range=use.has_range):
        return ""
    if terms.of_range and not math.isclose(terms.of_range, 0.0):
        return (
            f"of_range_percent alone says nothing at {use.place}, where no range is stated, so that it would count as "
            f"perfect; {remedy}"
        )
    return f"all of its terms are 0, and {use.place} reads {use.quantity} there: no instrument is perfect; {remedy}"


def _listed(top: Section, name: str) -> tuple[str, ...]:
    """The quantities that stand in an instrument's table, whatever is wrong with them."""
    instruments = top.raw("instruments")
    instrument = instruments.get(name) if isinstance(instruments, dict) else None
    accuracy = instrument.get("accuracy") if isinstance(instrument, dict) else None
    if accuracy is not None and not isinstance(accuracy, dict):
        return ("",)  # no table at all: that was told
    return tuple(accuracy) if isinstance(accuracy, dict) else ()
