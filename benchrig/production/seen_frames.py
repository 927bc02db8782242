"""The frames of a sweep as evidence: what the console said at each, and the bytes that came.

Owns the values that are laid beside a frame's bytes. The board's console gives them, so that bytes are compared with
what the board itself says of the same sample; a probe of which the console says nothing counts as what its bytes say
where that is near the board's own temperature, and as that temperature where it is not. Must not judge.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchrig.board.payload_points import values_at
from benchrig.payload.codec import decode
from benchrig.payload.explain import Seen

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from benchrig.board.profile import BoardProfile
    from benchrig.judge.decision import Limit
    from benchrig.procedures.sweep import SweepPoint

    Values = Mapping[str, float | str]

_BOARD_MARGIN_C: Final = 5.0
"""How far a probe may be from the board's own sensor where the profile does not limit both. Own choice."""


@dataclass(frozen=True, kw_only=True)
class SeenFrame:
    """One frame: its point, its bytes, what these say by the field map, and what the console said instead."""

    point: SweepPoint
    payload: bytes
    said: Values
    values: Values

    @property
    def as_seen(self) -> Seen:
        """The frame for `explain`."""
        return Seen(values=self.values, payload=self.payload)

    def far_probes(self, profile: BoardProfile) -> tuple[str, ...]:
        """Probes whose bytes are far from what they can be."""
        return tuple(name for name in profile.roles.probes if name in self.values and not is_near(profile, self, name))


def seen_frames(profile: BoardProfile, points: Sequence[SweepPoint]) -> tuple[SeenFrame, ...]:
    """Every point at which a frame was seen, whatever port it came on."""
    return tuple(_frames(profile, points))


def _frames(profile: BoardProfile, points: Sequence[SweepPoint]) -> Iterator[SeenFrame]:
    field_map = profile.field_map
    for point in points:
        payload = point.frame.handed
        if payload is None:
            continue
        decoded = decode(field_map, payload, port=field_map.port).values
        told = {name: one.value if one.word is None else one.word for name, one in decoded.items()}
        said = {name: value for name, value in told.items() if value is not None}
        values = console_values(profile, point, said, battery_v=point.frame.reported_v)
        frame = SeenFrame(point=point, payload=payload, said=said, values=values)
        near = {name: said[name] for name in profile.roles.probes if name in said and is_near(profile, frame, name)}
        yield SeenFrame(point=point, payload=payload, said=said, values={**values, **near})


def console_values(profile: BoardProfile, point: SweepPoint, said: Values, *, battery_v: float) -> Values:
    """What the board said of itself at this point, at this battery voltage; probes at its own temperature."""
    length = None if profile.field_map.open_group is None else len(point.frame.handed or b"")
    return values_at(profile, battery_v=battery_v, celsius=point.frame.celsius, decoded=said, length_bytes=length)


def is_near(profile: BoardProfile, frame: SeenFrame, probe: str) -> bool:
    """Whether a probe's bytes are a word, or a temperature near the board's own."""
    value, own_c = frame.said.get(probe), frame.point.frame.celsius
    if value is None or isinstance(value, str):
        return value is not None
    return own_c is not None and abs(value - own_c) <= probe_margin_c(profile)


def probe_margin_c(profile: BoardProfile) -> float:
    """How far a probe may be from the board's own sensor when both are within their limits."""
    limits = profile.limits.get("temperature", {})
    sides = [_side(limits.get(name)) for name in ("error", "probe_error")]
    return sum(side for side in sides if side is not None) if None not in sides else _BOARD_MARGIN_C


def _side(limit: Limit | None) -> float | None:
    if limit is None or limit.low is None or limit.high is None:
        return None
    return max(abs(limit.low), abs(limit.high))
