"""What the charge of a recording proves: whether it closes, which events are hidden, and when a mean is certain.

Owns the recorder's share of the uncertainty of a charge, kinds of events, and the rule for the window. Must not
know how segments are found, nor a limit. Accuracy terms as in `uncertainty`: the errors of one range are the same
for all samples taken on it, and those of different ranges are independent.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchrig.judge.recording import cut
from benchrig.judge.uncertainty import standard_uncertainty
from benchrig.quantity import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import numpy.typing as npt

    from benchrig.judge.floor import Balance
    from benchrig.judge.segment_table import Label, Segments
    from benchrig.judge.segments import Segmentation

    Floats = npt.NDArray[np.float64]
    Ints = npt.NDArray[np.int64]

_SURE = 4.0
"""So many standard uncertainties from 0, a residue is not scatter. Own choice."""

_SAME_KIND = 1.3
"""Events whose charges above the floor differ by less than this factor are of one kind. Own choice."""

_SAME_PERIOD = 0.1
"""A period that differs from the stated one by no more than this share is that one. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Closure:
    """Whether the integral is floor and events, and nothing else.

    `closes` is None when the recording was not judged. `residue_c` is what flowed in spikes and in parts that
    look like floor, with the standard uncertainty `residue_u` of its scatter; the recorder's own errors are on
    both sides and drop out. `recorder_u` is their standard uncertainty in the integral, 0 if nothing is known.
    """

    closes: bool | None
    balance: Balance | None
    residue_c: float | None
    residue_u: float | None
    recorder_u: float | None
    why: str


def close_charge(found: Segmentation, *, tolerated_share: float = 1e-3) -> Closure:
    """Compare the integral with floor and events; a residue up to `tolerated_share` of it needs no explanation."""
    balance = found.balance
    if balance is None:
        return Closure(
            closes=None, balance=None, residue_c=None, residue_u=None, recorder_u=None, why="; ".join(found.problems)
        )
    residue_c = balance.spikes_c + balance.unexplained_c
    allowed_c = _SURE * balance.unexplained_u + tolerated_share * abs(balance.total_c)
    closes = abs(residue_c) <= allowed_c
    residue, allowed, total = (format_quantity(one, "C") for one in (residue_c, allowed_c, balance.total_c))
    why = f"{residue} of {total} is neither floor nor event; scatter and the tolerated share allow {allowed}"
    if not closes:
        why += "; look for what is too short or too low to be an event"
    return Closure(
        closes=closes,
        balance=balance,
        residue_c=residue_c,
        residue_u=balance.unexplained_u,
        recorder_u=recorder_u(found),
        why=why,
    )


def recorder_u(found: Segmentation, *, first: int = 0, end: int | None = None) -> float:
    """Standard uncertainty in coulomb that the recorder's accuracy leaves in the charge of samples first to end - 1.

    0 when nothing is known of its ranges.
    """
    uses, recording = found.recording.ranges, found.recording
    stop = recording.samples_a.size if end is None else end
    begins = np.array(sorted({first, *(use.first for use in uses if first < use.first < stop)}), dtype=np.int64)
    ends = np.append(begins[1:], stop)
    sums = cut(found.cells, np.append(begins, ends[ends < recording.samples_a.size])).sums_between(begins, ends)
    charges: dict[int, list[tuple[float, int]]] = defaultdict(list)
    names = {use.range_a: index for index, use in enumerate(uses)}
    for begin, size, total in zip(begins, ends - begins, sums, strict=True):
        owner = [use for use in uses if use.first <= begin]
        if owner:
            charges[names[owner[-1].range_a]].append((float(total), int(size)))
    parts = []
    for index, pairs in charges.items():
        samples = sum(size for _, size in pairs)
        mean_a = math.fsum(total for total, _ in pairs) / samples
        u_a = standard_uncertainty(mean_a, range_=uses[index].range_a, terms=uses[index].accuracy)
        parts.append(u_a * samples * recording.interval_s)
    return math.hypot(*parts)


# ---- kinds of events


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """Events that are alike.

    Means over `count` whole events; `charge_c` is all that flowed in one, `charge_u` the standard uncertainty of
    that mean from scatter (0 for a single one). `extra_c` is what all of them took above the floor. `period_s` is
    the median time from start to start, None for a single one, `period_spread_s` the longest less the shortest.
    """

    label: Label
    count: int
    charge_c: float
    charge_u: float
    duration_s: float
    plateau_a: float
    extra_c: float
    period_s: float | None
    period_spread_s: float | None

    def __str__(self) -> str:
        charge, duration, plateau = (
            format_quantity(value, unit)
            for value, unit in ((self.charge_c, "C"), (self.duration_s, "s"), (self.plateau_a, "A"))
        )
        every = "" if self.period_s is None else f", every {format_quantity(self.period_s, 's')}"
        return f"{self.count} x {self.label.value} of {charge} in {duration} at {plateau}{every}"


def kinds(found: Segmentation) -> tuple[Kind, ...]:
    """The kinds of whole events by label and charge above the floor, the one that costs most first."""
    return _kinds_of(found, _groups(found, found.events.whole))


def _kinds_of(found: Segmentation, groups: Iterable[Ints]) -> tuple[Kind, ...]:
    extra_c = _extra_c(found)
    return tuple(sorted((_kind(found.events, extra_c, group) for group in groups), key=lambda one: -one.extra_c))


def _groups(found: Segmentation, marks: npt.NDArray[np.bool_]) -> list[Ints]:
    """The marked events that are alike, each group in order of time."""
    events, extra_c, picked = found.events, _extra_c(found), np.flatnonzero(marks)
    groups: list[Ints] = []
    for label in np.unique(events.labels[picked]):
        mine = picked[events.labels[picked] == label]
        ordered = mine[np.argsort(extra_c[mine], kind="stable")]
        lower, upper = extra_c[ordered[:-1]], extra_c[ordered[1:]]
        breaks = np.flatnonzero(upper > _SAME_KIND * np.maximum(lower, 0.0)) + 1
        groups += [np.sort(group) for group in np.split(ordered, breaks)]
    return groups


def _extra_c(found: Segmentation) -> Floats:
    """What each event took above the floor."""
    return np.asarray(found.events.charge_c - (found.floor_a or 0.0) * found.events.durations_s)


def _kind(events: Segments, extra_c: Floats, group: Ints) -> Kind:
    steps_s = np.diff(events.starts_s[group])
    charges = events.charge_c[group]
    return Kind(
        label=events[int(group[0])].label,
        count=int(group.size),
        charge_c=float(charges.mean()),
        charge_u=float(charges.std(ddof=1)) / math.sqrt(group.size) if group.size > 1 else 0.0,
        duration_s=float(events.durations_s[group].mean()),
        plateau_a=float(events.plateau_a[group].mean()),
        extra_c=float(extra_c[group].sum()),
        period_s=float(np.median(steps_s)) if steps_s.size else None,
        period_spread_s=float(np.ptp(steps_s)) if steps_s.size else None,
    )


# ---- what was expected, and what was not


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """An event that the board is meant to have: bounds on its charge and duration, and its period if it has one.

    Raises ValueError when a lower bound is above its upper one or the period is not above 0.
    """

    name: str
    charge_c: tuple[float, float]
    duration_s: tuple[float, float]
    period_s: float | None = None

    def __post_init__(self) -> None:
        for name, (low, high) in (("charge", self.charge_c), ("duration", self.duration_s)):
            if not low <= high:
                raise ValueError(
                    f"expected event {self.name!r}: {name} from {low!r} to {high!r}; accepted: low <= high"
                )
        if self.period_s is not None and not self.period_s > 0.0:
            raise ValueError(f"expected event {self.name!r}: a period of {self.period_s!r} s; accepted: above 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class Hidden:
    """What the expectation does not cover.

    `kinds` are events that fit none of the expected ones, `surplus` how many of an expected one came beyond its
    period, `missing` how many did not come. `hidden_c` is what unexpected and surplus events took above the
    floor, `share` that of the whole charge. `notes` has one sentence for each finding.
    """

    kinds: tuple[Kind, ...]
    surplus: dict[str, int]
    missing: dict[str, int]
    hidden_c: float
    share: float
    notes: tuple[str, ...]


def find_hidden(found: Segmentation, *, expected: Sequence[Expected]) -> Hidden | None:
    """Events that nobody ordered; None when the recording was not judged. Each event counts for the first that fits."""
    if found.balance is None:
        return None
    events, extra_c = found.events, _extra_c(found)
    left = events.whole.copy()
    surplus, missing, hidden_c = {}, {}, 0.0
    cut_off = int(np.count_nonzero(~events.whole))
    for one in expected:
        fits = left & _within(events.charge_c, one.charge_c) & _within(events.durations_s, one.duration_s)
        left &= ~fits
        count = int(np.count_nonzero(fits))
        if one.period_s is not None:
            due = math.floor(found.recording.duration_s / one.period_s + 1e-9)
            surplus[one.name] = max(0, count - due - 1)
            missing[one.name] = max(0, due - count - cut_off)
            hidden_c += surplus[one.name] * float(extra_c[fits].mean()) if surplus[one.name] else 0.0
    unknown = _kinds_of(found, _groups(found, left))
    hidden_c += math.fsum(kind.extra_c for kind in unknown)
    return Hidden(
        kinds=unknown,
        surplus=surplus,
        missing=missing,
        hidden_c=hidden_c,
        share=hidden_c / found.balance.total_c if found.balance.total_c else 0.0,
        notes=tuple(_notes(unknown, surplus, missing)),
    )


def _within(values: Floats, bounds: tuple[float, float]) -> npt.NDArray[np.bool_]:
    return np.asarray((values >= bounds[0]) & (values <= bounds[1]))


def _notes(unknown: Iterable[Kind], surplus: dict[str, int], missing: dict[str, int]) -> Iterable[str]:
    yield from (f"unexplained: {kind}, {format_quantity(kind.extra_c, 'C')} above the floor" for kind in unknown)
    yield from (f"{count} more of {name!r} than its period allows" for name, count in surplus.items() if count)
    yield from (f"{count} of {name!r} did not come" for name, count in missing.items() if count)


# ---- the window rule


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanCurrent:
    """Mean current over whole periods of the slowest kind of event, with its standard uncertainty.

    `u_a` is the scatter between periods and the recorder's accuracy. When the window is not `certain`, the mean is
    that of what was seen, and `why` says what is missing. None when the recording was not judged.
    """

    mean_a: float | None
    u_a: float | None
    whole_periods: int
    period_s: float | None
    certain: bool
    why: str


def mean_current(found: Segmentation, *, least_periods: int = 3, period_s: float | None = None) -> MeanCurrent:
    """The mean, certain only if the window holds `least_periods` whole periods of the slowest event.

    `period_s` is the longest period that the board is known to have, such as its report interval: without it, an
    event that is rarer than the window is long goes unseen. An event seen once has no known period.
    """
    if found.balance is None:
        why = "; ".join(found.problems)
        return MeanCurrent(mean_a=None, u_a=None, whole_periods=0, period_s=None, certain=False, why=why)
    starts = _slowest(found)
    periods = max(0, starts.size - 1)
    sums = _period_charges(found, starts)
    begin, end = (int(starts[0]), int(starts[-1])) if periods else (0, found.recording.samples_a.size)
    duration_s = (end - begin) * found.recording.interval_s
    seen_s = float(np.median(np.diff(starts))) * found.recording.interval_s if periods else None
    scatter_c = float(sums.std(ddof=1)) * math.sqrt(periods) if periods > 1 else 0.0
    u_c = math.hypot(scatter_c, recorder_u(found, first=begin, end=end))
    why = _why_uncertain(found, seen_s, periods, least_periods, period_s)
    return MeanCurrent(
        mean_a=(float(sums.sum()) if periods else found.balance.total_c) / duration_s,
        u_a=u_c / duration_s,
        whole_periods=periods,
        period_s=seen_s,
        certain=not why,
        why=why or f"{periods} whole periods of {format_quantity(seen_s, 's')}",
    )


def _slowest(found: Segmentation) -> Ints:
    """First samples of the events of the kind that comes least often; none when none comes twice."""
    starts = [found.events.firsts[group] for group in _groups(found, found.events.whole) if group.size > 1]
    return max(starts, key=lambda one: float(np.median(np.diff(one))), default=np.zeros(0, dtype=np.int64))


def _period_charges(found: Segmentation, starts: Ints) -> Floats:
    if starts.size < 2:
        return np.zeros(0)
    return cut(found.cells, starts).sums_between(starts[:-1], starts[1:]) * found.recording.interval_s


def _why_uncertain(
    found: Segmentation, seen_s: float | None, periods: int, least_periods: int, period_s: float | None
) -> str:
    window = format_quantity(found.recording.duration_s, "s")
    once = [kind for kind in kinds(found) if kind.count == 1]
    if period_s is not None and found.recording.duration_s < least_periods * period_s:
        needed = format_quantity(least_periods * period_s, "s")
        return f"a window of {window} holds less than {least_periods} whole periods; record {needed} or more"
    if once:
        return f"one event was seen only once in {window}, so its period is not known: {once[0]}; record longer"
    if periods < least_periods:
        return f"{periods} whole periods in {window}; {least_periods} are needed: record longer"
    if period_s is not None and (seen_s is None or abs(seen_s - period_s) > _SAME_PERIOD * period_s):
        seen = "nothing repeats" if seen_s is None else f"the slowest event comes every {format_quantity(seen_s, 's')}"
        return f"{seen}, not every {format_quantity(period_s, 's')} as stated; look why"
    return ""
