"""Frames that differ from what the board said: which wrong encoders would have sent them.

Owns what is asked about the frames of a sweep, and the lines of the answer. Must not judge: the answer stands beside
the verdicts. Three things that the console does not tell are tried in turn: a sample between two frames, the part of
a step of its numbers, and what a probe measured whose bytes are far off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from benchrig.board.payload_points import PointPlan, point_plan, point_text
from benchrig.errors import ConfigError
from benchrig.payload.explain import Explanation, Seen, explain
from benchrig.payload.rough import likely_values
from benchrig.production.seen_frames import console_values, probe_margin_c, seen_frames

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.board.profile import BoardProfile
    from benchrig.procedures.sweep import SweepPoint
    from benchrig.production.seen_frames import SeenFrame

    Question = tuple[str, Sequence[Seen]]
    """What is taken for granted beside the console's numbers, in words, and the frames under it."""

_MOST_CAUSES: Final = 8
_MOST_ANSWERS: Final = 4
_CONSOLE_STEP_V: Final = 0.001
_QUARTER: Final = 0.25
_PARTS_OF_DEGREE: Final = (-0.4, 0.4)


@dataclass(frozen=True, kw_only=True)
class WrongBytes:
    """The answer: `first` is the simplest cause in words ("" for none), `lines` the whole of it."""

    first: str
    lines: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Answer:
    """An explanation, and what was taken for granted."""

    given: str
    explanation: Explanation

    @property
    def causes(self) -> tuple[str, ...]:
        """The simplest hypothesis of each class, the simplest class first."""
        return tuple(group.needed[0].text for group in self.explanation.classes)


def explain_frames(profile: BoardProfile, points: Sequence[SweepPoint]) -> WrongBytes | None:
    """Causes of the frames that differ from what the console said; None when none does, or no frame came."""
    frames = seen_frames(profile, points)
    if not frames:
        return None
    port = _wrong_port(profile, frames)
    try:
        answers = _answers(profile, frames)
    except ConfigError as wrong:
        return WrongBytes(first=port, lines=_known(port, f"the bytes cannot be explained: {wrong.message}"))
    if not port and answers[0].explanation.is_right:
        return None
    causes = _known(port, *(cause for one in answers for cause in one.causes))
    lines = (line for one in answers for line in _lines(profile, one))
    return WrongBytes(first=causes[0] if causes else "", lines=_known(port, *_far_lines(profile, frames), *lines))


def _far_lines(profile: BoardProfile, frames: Sequence[SeenFrame]) -> Iterator[str]:
    """Probes whose bytes say something far from the board's own temperature: that may be so."""
    said = {name: one for one in reversed(frames) for name in one.far_probes(profile)}
    for name, one in sorted(said.items()):
        value = one.said.get(name)
        told = f"{value:.4g} degC" if isinstance(value, int | float) else "nothing"
        own_c = one.point.frame.celsius
        itself = "nothing" if own_c is None else f"{own_c:.4g} degC"
        yield f"{name} says {told}, the board itself {itself}: the probe and its plug, or wrong bytes:"


def _known(*texts: str) -> tuple[str, ...]:
    return tuple(text for text in texts if text)


def _wrong_port(profile: BoardProfile, frames: Sequence[SeenFrame]) -> str:
    right = profile.field_map.port
    wrong = [one.point.frame.handed_port for one in frames if one.point.frame.handed_port != right]
    if not wrong:
        return ""
    which = "every frame" if len(wrong) == len(frames) else f"{len(wrong)} of {len(frames)} frames"
    return f"the port: {which} sent on port {' and '.join(map(str, sorted(set(map(str, wrong)))))} instead of {right}"


def _answers(profile: BoardProfile, frames: Sequence[SeenFrame]) -> list[_Answer]:
    """What explains the frames as they are; where nothing does, what would under a further assumption."""
    length = None if profile.field_map.open_group is None else len(frames[0].payload)
    plan = point_plan(profile, length_bytes=length)
    plain = _asked(profile, plan, ("", [one.as_seen for one in frames]))
    if plain.explanation.is_right:
        return [plain]
    if any(one.far_probes(profile) for one in frames):  # where the probes really were is not known to a tenth
        answers = (_asked(profile, plan, question) for question in _probe_values(profile, frames))
        return [answer for answer in answers if answer.causes] or [_far_off(plain)]
    found = [plain] if plain.causes else []
    if not found:
        answers = (_asked(profile, plan, question) for question in _samples_between(profile, frames))
        found = [answer for answer in answers if answer.causes]
    for question in _between_steps(profile, frames, plain.explanation.wrong_parts):
        found += _new_causes(found, _asked(profile, plan, question))
    return found or [plain]


def _asked(profile: BoardProfile, plan: PointPlan, question: Question) -> _Answer:
    given, seen = question
    return _Answer(given=given, explanation=explain(profile.field_map, seen, ranges=plan.ranges, follow=plan.follow))


def _far_off(plain: _Answer) -> _Answer:
    """No cause for what probes say: the value that they have is not known well enough to be sure of one."""
    note = "no wrong encoder of one field makes these bytes of a temperature near the board's own"
    return replace(plain, explanation=replace(plain.explanation, classes=(), next_point=None, omitted=0, note=note))


def _new_causes(known: Sequence[_Answer], answer: _Answer) -> list[_Answer]:
    """The answer without classes whose cause was named before; a next point that numbers all of them is left out."""
    named = {cause for one in known for cause in one.causes}
    pairs = zip(answer.explanation.classes, answer.causes, strict=True)
    classes = tuple(group for group, cause in pairs if cause not in named)
    if not classes:
        return []
    is_whole = len(classes) == len(answer.explanation.classes)
    point = answer.explanation.next_point if is_whole else None
    return [replace(answer, explanation=replace(answer.explanation, classes=classes, next_point=point))]


# ---- what the console does not tell --------------------------------------------------------------------


def _probe_values(profile: BoardProfile, frames: Sequence[SeenFrame]) -> Iterator[Question]:
    """What probes may have measured whose bytes are far from the temperature around them."""
    far = {name for one in frames for name in one.far_probes(profile)}
    lengths = {len(one.payload) for one in frames}
    if not far or len(lengths) > 1 or (not profile.field_map.open_group and {profile.field_map.least_bytes} != lengths):
        return
    margins = dict.fromkeys(sorted(far), probe_margin_c(profile))
    values, payloads = [one.values for one in frames], [one.payload for one in frames]
    for answer in likely_values(profile.field_map, values, payloads, margins=margins):
        told = ", ".join(f"{name} {value:.4g} degC" for name, value in sorted(answer[0].items()))
        seen = [
            Seen(values={**one.values, **mine}, payload=one.payload) for one, mine in zip(frames, answer, strict=True)
        ]
        yield f"taking for what the probes measured: {told}", seen


def _samples_between(profile: BoardProfile, frames: Sequence[SeenFrame]) -> Iterator[Question]:
    """Beside every frame the sample that the board took after it, for its console."""
    seen = []
    for one in frames:
        sample = console_values(profile, one.point, one.said, battery_v=one.point.battery.reported_v)
        probes = {name: one.values[name] for name in profile.roles.probes if name in one.values}
        seen += [one.as_seen, Seen(values={**sample, **probes}, payload=None)]
    yield "counting the samples for the console between the frames", seen


def _between_steps(profile: BoardProfile, frames: Sequence[SeenFrame], wrong: Sequence[str]) -> Iterator[Question]:
    """Values between two steps of the console's numbers, where such could turn a rounding."""
    battery, temperature = profile.roles.battery, profile.roles.temperature
    if battery in wrong:
        steps = [_steps_off(one, battery) for one in frames]
        side = next((side for side in (-1, 1) if set(steps) == {0, side}), 0)
        if side:
            parts = [_QUARTER * _CONSOLE_STEP_V * (side if step else -side) for step in steps]
            yield "taking parts of a millivolt that the console does not tell", _moved(frames, battery, parts)
    told_c = [one.point.frame.celsius for one in frames]
    if temperature is not None and temperature in wrong and all(one is not None and one % 1 == 0 for one in told_c):
        for part in _PARTS_OF_DEGREE:
            given = f"taking {part:+g} degC for the part of a degree that the console does not tell"
            yield given, _moved(frames, temperature, [part] * len(frames))


def _steps_off(frame: SeenFrame, field: str) -> int | None:
    said, told = frame.said.get(field), frame.values.get(field)
    if not isinstance(said, int | float) or not isinstance(told, int | float):
        return None
    steps = (said - told) / _CONSOLE_STEP_V
    return next((whole for whole in (-1, 0, 1) if abs(steps - whole) < _QUARTER), None)


def _moved(frames: Sequence[SeenFrame], field: str, parts: Sequence[float]) -> list[Seen]:
    return [
        Seen(values={**one.values, field: round(float(one.values[field]) + part, 9)}, payload=one.payload)
        for one, part in zip(frames, parts, strict=True)
    ]


# ---- the answer in lines -------------------------------------------------------------------------------


def _lines(profile: BoardProfile, answer: _Answer) -> Iterator[str]:
    found = answer.explanation
    if found.is_right:
        yield "the bytes themselves are as they should be"
        return
    yield f"wrong: {', '.join(found.wrong_parts)}{f', {answer.given}' if answer.given else ''}"
    for number, group in enumerate(found.classes[:_MOST_CAUSES], 1):
        yield f"{number}. {group.text}"
    left = len(found.classes) - _MOST_CAUSES
    if left > 0 or found.omitted:
        yield f"and {max(left, 0) + found.omitted} less simple ones"
    if found.note:
        yield found.note
    yield from _next_lines(profile, found)


def _next_lines(profile: BoardProfile, found: Explanation) -> Iterator[str]:
    """The point that would split the classes best, and which of them each payload would leave."""
    if found.next_point is None:
        return
    yield f"next point: {point_text(profile, found.next_point.values)}"
    for answer in found.next_point.answers[:_MOST_ANSWERS]:
        numbers = [index + 1 for index in answer.classes]
        told = ", ".join(map(str, numbers[:_MOST_CAUSES])) + (" and others" if len(numbers) > _MOST_CAUSES else "")
        yield f"  {answer.payload.hex(' ')} would leave {told}"
    if len(found.next_point.answers) > _MOST_ANSWERS:
        yield f"  and {len(found.next_point.answers) - _MOST_ANSWERS} other payloads for the rest"
