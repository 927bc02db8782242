"""The signature of a run: what its records say, boiled down to features that a circuit model can be held against.

Owns the way from records to features, and the words of the runner's own sentences that it looks for. A feature that the
records do not hold is left out; nothing here judges. Must not know a fault.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.circuit import BenchPlan, settled_since
from benchrig.judge.linear import fit_line
from benchrig.judge.signature import Converted, Measured, Signature, on_scale, sweep_signature
from benchrig.records import LimitJudged, Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from benchrig.board.profile import BoardProfile
    from benchrig.records import FactJudged, ReadingTaken
    from benchrig.report.board_report import BoardReport, CheckReport

_AT = re.compile(r"(?P<what>terminals|counts|reported|battery|rail) at (?P<volts>\d+\.\d+) V(?: (?P<way>up|down))?\Z")
_POINT = re.compile(r"at (?P<volts>\d+\.\d+) V")
_STEP_V = 0.5
_SAME_V = 5e-4
_ENOUGH_POINTS = 3
_SUPPLY_RATIO_U = 7e-4
"""What a bench supply's set-point is good for, with no better word: 0.05 % and 2 mV of 3.7 V, common practice."""
_DROP_U_V = 5e-4
_DAMAGE = ("damaged line", "half line")
_MUCH_DAMAGE = 3

_JUDGED = {
    # feature: check and the value that it judges
    "touch current": ("first_touch", "current"),
    "boot time": ("identity_start", "boot_time"),
    "answer time": ("battery_sweep", "answer_time"),
    "temperature": ("temperature", "error"),
    "floor": ("floor_current", "floor"),
    "wake charge": ("floor_current", "wake_charge"),
    "wake period": ("floor_current", "wake_period"),
    "plateau": ("transmit", "plateau"),
    "airtime": ("transmit", "duration"),
}

_BENCH_WORDS = (
    # what a bench error says, and what it is called; the first that is found counts
    ("no contact", "no contact"),
    ("lost in lead and contact", "lost on the way"),
    ("one of the two is wrong", "supply against meter"),
    ("something else feeds the board", "fed besides"),
    ("temperature", "thermometer"),
    ("thermometer", "thermometer"),
    ("recorder", "recorder"),
    ("meter", "meter"),
    ("supply", "supply"),
    ("port", "port"),
)

_KNOWN_CHECKS = frozenset(
    (*(check for check, _ in _JUDGED.values()), "rail", "payload_bytes", "identity_end", "output_off", "energy")
)
"""Checks whose findings stand in the features, or follow from others that do."""

_RESET_WORDS = {
    # what firmwares call the cause of a reset, common practice, no source
    "watchdog": ("watchdog", "wdt", "wdg", "iwdg", "wwdg"),
    "supply": ("brownout", "bor", "bod", "power", "poweron", "por"),
}

_TOUCH_WORDS = ("short", "reversed", "open", "sound")


@dataclass(frozen=True, slots=True)
class _At:
    """A reading at a set-point."""

    volts: float
    way: str
    reading: ReadingTaken


def signature_of(report: BoardReport, profile: BoardProfile) -> tuple[Signature, BenchPlan]:
    """The features that a run's records hold, and what the run did to get them."""
    checks = {check.name: check for check in report.checks}  # of several attempts the last
    points = _sweep_points(checks)
    scale = profile.converter
    numbers, words = _judged_numbers(checks), _words(checks, report, profile)
    if words.get("first touch", "") != "sound":
        numbers.pop("touch current", None)  # what the limit let through, or nothing
    if points:
        sweep = sweep_signature(points, volts_per_count=scale.volts_per_count, top_code=scale.top_code)
        numbers |= sweep.numbers
        words |= sweep.words
        numbers |= _conversion(checks, scale.volts_per_count)
    rails = list(_at(checks, "rail", "rail"))
    numbers |= {f"rail {one.volts:.2f} V": _number(one.reading) for one in rails}
    numbers |= _supply(checks)
    plan = BenchPlan(
        sweep=settled_since(points) if points else (),
        rail_v=tuple(dict.fromkeys(one.volts for one in rails)),
        nominal_v=profile.power.nominal_v,
        lowest_v=min(profile.sweep.points_v, default=profile.power.nominal_v),
        volts_per_count=scale.volts_per_count,
        probes=tuple(profile.roles.probes),
    )
    return Signature(numbers, words), plan


# ---- numbers ---------------------------------------------------------------------------------------------


def _judged_numbers(checks: Mapping[str, CheckReport]) -> dict[str, Measured]:
    found = {name: _judged(checks, check, value) for name, (check, value) in _JUDGED.items()}
    numbers = {name: scaled for name, one in found.items() if one and (scaled := _scaled(name, one))}
    for one in _all_judged(checks, "temperature"):
        if isinstance(one, LimitJudged) and one.limit.startswith("probe_error "):
            name = f"probe {one.limit.removeprefix('probe_error ')}"
            scaled = _scaled(name, one)
            numbers |= {name: scaled} if scaled else {}
    return numbers


def _judged(checks: Mapping[str, CheckReport], check: str, value: str) -> LimitJudged | None:
    """The value of that name, whatever stands behind it, such as 'worst, at 3.60 V'."""
    for one in _all_judged(checks, check):
        if isinstance(one, LimitJudged) and (one.limit == value or one.limit.startswith(f"{value} ")):
            return one
    return None


def _all_judged(checks: Mapping[str, CheckReport], check: str) -> tuple[LimitJudged | FactJudged, ...]:
    return checks[check].judged if check in checks else ()


def _scaled(name: str, one: LimitJudged) -> Measured | None:
    if one.value is None:
        return None
    return on_scale(name, one.value, (one.expanded_uncertainty or 0.0) / one.coverage_factor)


def _number(reading: ReadingTaken) -> Measured:
    return Measured(reading.value if reading.value is not None else math.nan, reading.standard_uncertainty)


def _at(checks: Mapping[str, CheckReport], check: str, what: str) -> Iterator[_At]:
    """The readings of one kind that name a set-point and are numbers."""
    for reading in checks[check].readings if check in checks else ():
        match = _AT.match(reading.name)
        if match and match["what"] == what and reading.value is not None:
            yield _At(float(match["volts"]), match["way"] or "", reading)


def _sweep_points(checks: Mapping[str, CheckReport]) -> list[Converted]:
    """Points with terminals and counts, in the order in which they were taken."""
    terminals = {(one.volts, one.way): one.reading.value for one in _at(checks, "battery_sweep", "terminals")}
    points: list[Converted] = []
    before_s = math.nan
    for one in _at(checks, "battery_sweep", "counts"):
        volts, counts = terminals.get((one.volts, one.way)), one.reading.value
        if volts is not None and counts is not None:
            since_s = one.reading.at_s - before_s if points else math.inf
            points.append(Converted(one.volts, volts, round(counts), one.way, since_s))
            before_s = one.reading.at_s
    return points if len(points) >= _ENOUGH_POINTS else []


def _conversion(checks: Mapping[str, CheckReport], volts_per_count: float) -> dict[str, Measured]:
    """What the firmware makes of its own codes: factor and constant against the profile's volts per count."""
    counts = {(one.volts, one.way): one.reading.value or 0.0 for one in _at(checks, "battery_sweep", "counts")}
    reported = [
        (counts[one.volts, one.way] * volts_per_count, one.reading.value or 0.0)
        for one in _at(checks, "battery_sweep", "reported")
        if (one.volts, one.way) in counts
    ]
    ideal_v = [ideal for ideal, _ in reported]
    if len(set(ideal_v)) < _ENOUGH_POINTS:
        return {}
    line = fit_line(ideal_v, [said for _, said in reported])
    return {
        "conversion gain": Measured(line.slope - 1.0, line.slope_se),
        "conversion offset": Measured(line.intercept, line.intercept_se),
    }


def _supply(checks: Mapping[str, CheckReport]) -> dict[str, Measured]:
    """Meter against set-point, and what is lost in lead and contact under the board's load."""
    light = [(one.volts, one.reading.value or 0.0) for one in _at(checks, "battery_sweep", "terminals")]
    loaded = {one.volts: one.reading.value or 0.0 for one in _at(checks, "rail", "battery")}
    numbers: dict[str, Measured] = {}
    if light:
        numbers["supply against meter"] = Measured(
            _mean([seen / asked - 1.0 for asked, seen in light]), _SUPPLY_RATIO_U
        )
    drops = [seen - loaded[asked] for asked, seen in light if asked in loaded]
    if drops:
        numbers["drop under load"] = Measured(_mean(drops), _DROP_U_V)
    return numbers


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


# ---- words -----------------------------------------------------------------------------------------------


def _words(checks: Mapping[str, CheckReport], report: BoardReport, profile: BoardProfile) -> dict[str, str]:
    console = _console(checks, report)
    words = {
        "first touch": _touch(checks),
        "start": _start(checks),
        "serial number": _same(checks, "identity_start", "serial number", ("as labelled", "another")),
        "firmware": _same(checks, "identity_start", "firmware", ("as named", "another")),
        "load": _same(checks, "rail", "load", ("draws", "stays off")),
        "over the sweep": "" if console == "damaged" else _over_the_sweep(checks),
        "battery bytes": _battery_bytes(checks),
        "temperature byte": _temperature_byte(checks),
        "frame": _frame(checks),
        "wakes seen": _wakes_seen(checks),
        "wakes again": _same(checks, "floor_current", "wakes again", ("yes", "no")),
        "transmissions": _transmissions(checks),
        "reset": _reset(checks),
        "reset cause": _reset_cause(checks, profile.grammar.notices.get("boot", "")),
        "console": console,
        "bench": _bench(checks),
        "other checks": _other_checks(checks),
        **_probes(checks),
    }
    return {name: word for name, word in words.items() if word}


def _fact(checks: Mapping[str, CheckReport], check: str, fact: str) -> FactJudged | None:
    for one in _all_judged(checks, check):
        if not isinstance(one, LimitJudged) and one.fact == fact:
            return one
    return None


def _same(checks: Mapping[str, CheckReport], check: str, fact: str, words: tuple[str, str]) -> str:
    one = _fact(checks, check, fact)
    return {Verdict.PASS: words[0], Verdict.FAIL: words[1]}.get(one.verdict, "") if one else ""


def _touch(checks: Mapping[str, CheckReport]) -> str:
    one = _fact(checks, "first_touch", "polarity and shorts")
    if one is None:
        return ""
    return next((word for word in _TOUCH_WORDS if one.seen.startswith(word)), "overload")


def _charged(checks: Mapping[str, CheckReport], check: str, verdict: Verdict) -> str:
    """Why a check ended with this verdict; '' when it did not."""
    one = checks.get(check)
    return one.why if one is not None and one.verdict is verdict else ""


def _start(checks: Mapping[str, CheckReport]) -> str:
    if _judged(checks, "identity_start", "boot_time"):
        return "speaks"
    why = _charged(checks, "identity_start", Verdict.FAIL)
    return "silent" if "no notice" in why or "no complete answer" in why else ""


def _over_the_sweep(checks: Mapping[str, CheckReport]) -> str:
    why = _charged(checks, "battery_sweep", Verdict.FAIL)
    if "no complete answer" in why:
        return "falls silent"
    return "lives" if _judged(checks, "battery_sweep", "gain_error") else ""


def _battery_bytes(checks: Mapping[str, CheckReport]) -> str:
    one = _judged(checks, "payload_bytes", "battery_difference")
    if one is not None and one.value is not None:
        return _distance_word(one.value, at=one.limit)
    facts = [one for one in _all_judged(checks, "payload_bytes") if not isinstance(one, LimitJudged)]
    return "far off" if any(one.fact.startswith("battery_difference worst") for one in facts) else ""


def _distance_word(off_v: float, *, at: str) -> str:
    """How far the sent battery is off; a first frame that carries the sample before it has none to send, and says 0."""
    if abs(off_v) <= _SAME_V:
        return "same"
    point = _POINT.search(at)
    sent_v = float(point["volts"]) + off_v if point else math.inf
    return "a step off" if abs(off_v) < _STEP_V or abs(sent_v) < _STEP_V else "far off"


def _temperature_byte(checks: Mapping[str, CheckReport]) -> str:
    one = _judged(checks, "payload_bytes", "temperature_difference")
    return "" if one is None else "same" if one.verdict is Verdict.PASS else "off"


def _frame(checks: Mapping[str, CheckReport]) -> str:
    one = _fact(checks, "payload_bytes", "port, length and check value")
    if one is None or one.verdict not in (Verdict.PASS, Verdict.FAIL):
        return ""
    if one.verdict is Verdict.PASS:
        return "sound"
    known = (("no frame", "none"), ("port", "port"), ("CRC", "check value"), ("check", "check value"))
    return next((word for text, word in known if text in one.seen), "odd")


def _wakes_seen(checks: Mapping[str, CheckReport]) -> str:
    if not _judged(checks, "floor_current", "floor"):
        return ""
    return "some" if _judged(checks, "floor_current", "wake_period") else "none"


def _transmissions(checks: Mapping[str, CheckReport]) -> str:
    one = _fact(checks, "transmit", "transmits")
    if one is None:
        return ""
    return {"none": "none", "0": "none", "1": "one"}.get(one.seen, "several")


def _reset(checks: Mapping[str, CheckReport]) -> str:
    """In which part of the run the board reset by itself; 'none' once the end of the run says so."""
    for check, where in (("transmit", "in transmit"), ("battery_sweep", "in the sweep"), ("rail", "in the sweep")):
        if "the board reset" in _charged(checks, check, Verdict.FAIL):
            return where
    return _same(checks, "identity_end", "restarts", ("none", ""))


def _reset_cause(checks: Mapping[str, CheckReport], boot: str) -> str:
    """What the board's boot notice gives as the cause of that reset; '' for a word that is not known here."""
    check = next(
        (one for one in checks.values() if "the board reset" in _charged(checks, one.name, Verdict.FAIL)), None
    )
    match = re.search(boot, check.why) if check is not None and "(?P<reset>" in boot else None
    said = match["reset"].lower().replace("-", "").replace("_", "") if match else ""
    return next((cause for cause, words in _RESET_WORDS.items() if said in words), "")


def _console(checks: Mapping[str, CheckReport], report: BoardReport) -> str:
    """Damaged lines are events; one alone is a board that lost its power in the middle of a word."""
    damaged = sum(event.kind in _DAMAGE for event in report.events)
    if damaged >= _MUCH_DAMAGE:
        return "damaged"
    return "clean" if _judged(checks, "battery_sweep", "gain_error") else ""


def _bench(checks: Mapping[str, CheckReport]) -> str:
    failed = [check for check in checks.values() if check.verdict is Verdict.BENCH_ERROR]
    if not failed:
        return "sound" if any(check.verdict is not Verdict.NOT_RUN for check in checks.values()) else ""
    word = next((word for text, word in _BENCH_WORDS if text in failed[0].why), "failed")
    return "thermometer" if word == "meter" and failed[0].name == "temperature" else word


def _other_checks(checks: Mapping[str, CheckReport]) -> str:
    """Whether a check failed that no feature speaks for: then none of the known causes may be the one."""
    others = [check.verdict for name, check in checks.items() if name not in _KNOWN_CHECKS]
    said = {_frame(checks), _battery_bytes(checks), _temperature_byte(checks)} - {"", "sound", "same"}
    if _charged(checks, "payload_bytes", Verdict.FAIL) and not said:
        others.append(Verdict.FAIL)  # flags, for one
    return "failed" if Verdict.FAIL in others else "passed"


def _probes(checks: Mapping[str, CheckReport]) -> dict[str, str]:
    facts = [one for one in _all_judged(checks, "temperature") if not isinstance(one, LimitJudged)]
    return {
        f"probe {one.fact.removeprefix('probe_error ')}": "no probe"
        for one in facts
        if one.fact.startswith("probe_error ") and one.verdict is Verdict.FAIL
    }
