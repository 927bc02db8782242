"""A frame at every place it passes, from the volts at the terminals to the decoded value, and where it first differs.

Owns the order of the hops, what makes two neighbours the same, and the table. Must not know how a hop was seen, nor
how bytes are decoded: whoever saw a payload says what it says. Bytes, ports and counters must be the same exactly;
numbers within the rounding and uncertainty that `HopRules` allows. Volts, degrees Celsius, dBm and dB.

A hop is compared with the nearest one before it that was seen. Once a hop differs, a later one that carries on the
same difference only follows from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence


class Hop(StrEnum):
    """Where a frame can be looked at, in the order that it passes."""

    TERMINALS = "terminals"
    COUNTS = "converter counts"
    CONSOLE = "console"
    UART = "modem UART"
    ANSWER = "modem's answer"
    AIR = "frame on the air"
    NETWORK = "network payload"
    DECODED = "decoded value"


class Same(StrEnum):
    """How a hop stands to the one before."""

    YES = "same"
    NO = "DIFFERS"
    FOLLOWS = "follows"
    UNSEEN = "not seen"
    FIRST = "-"


@dataclass(frozen=True, slots=True, kw_only=True)
class Volts:
    """Volts at the terminals while the board converted, with their expanded uncertainty."""

    value_v: float
    expanded_u_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Announced:
    """What the console said that the frame holds; `port` and `length` None where it says none."""

    battery_v: float
    celsius: float | None
    port: int | None = None
    length: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a payload says by the field map. A value is None when its bytes are no number; then `problems` tells why."""

    battery_v: float | None
    celsius: float | None
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """Port and bytes of a frame, and what they say."""

    port: int | None
    payload: bytes
    said: Said


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A frame that was heard, in the clear. Levels are those of the gateway that hears best."""

    counter: int
    carried: Carried
    rssi_dbm: float | None = None
    snr_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """What the modem said to the frame. `accepted` None: bytes were lost, nobody knows."""

    accepted: bool | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameSeen:
    """One frame wherever it was seen. `watched` are the hops at which the bench has eyes: nothing there is a finding.

    A hop that is not watched is None, and says nothing.
    """

    name: str
    watched: frozenset[Hop]
    terminals: Volts | None = None
    counts: int | None = None
    console: Announced | None = None
    uart: Carried | None = None
    answer: Answered | None = None
    air: Heard | None = None
    network: Heard | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class HopRules:
    """How far neighbours may be apart.

    A count is `volts_per_count` at the terminals; the converter may be off by `converter_share` of the volts and by
    `converter_offset_v`. The board corrects by `gain` and `offset_v`, and rounds what it says to `console_step_v`. Two
    samples of the same volts may differ by `noise_v`. What a payload says may be `payload_v` and `payload_c` from what
    the console says of the same sample: the rounding of both.
    """

    volts_per_count: float
    converter_share: float
    converter_offset_v: float
    noise_v: float
    gain: float = 0.0
    offset_v: float = 0.0
    console_step_v: float = 0.001
    payload_v: float = 0.001
    payload_c: float = 1.0


class HopRow(NamedTuple):
    """One line of the table: a hop, what was there, and how it stands to the hop `before`; `why` when it differs."""

    hop: Hop
    seen: str
    same: Same
    before: Hop | None = None
    expected: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class FrameHops:
    """The rows of one frame."""

    name: str
    rows: tuple[HopRow, ...]

    @property
    def first(self) -> HopRow | None:
        """The first hop that differs from the one before it."""
        return next((row for row in self.rows if row.same is Same.NO), None)

    @property
    def text(self) -> str:
        """Where the frame first differs, with both values; or that it does not."""
        row = self.first
        if row is None:
            return f"{self.name}: the same at every hop"
        return f"{self.name}: {row.hop} differs first: {row.seen}; {row.before}: {row.expected} ({row.why})"

    def row(self, hop: Hop) -> HopRow:
        """The row of a hop; every frame has one for each."""
        return next(row for row in self.rows if row.hop is hop)


def compare_hops(frame: FrameSeen, rules: HopRules) -> FrameHops:
    """Hold every hop of a frame against the one before it."""
    walk = _Walk(frame, rules)
    walk.terminals()
    walk.counts()
    walk.console()
    walk.uart()
    walk.answer()
    walk.heard(Hop.AIR, frame.air)
    walk.heard(Hop.NETWORK, frame.network)
    walk.decoded()
    return FrameHops(frame.name, tuple(walk.rows))


@dataclass(slots=True)
class _Walk:
    """From hop to hop; remembers the last payload and where it was."""

    frame: FrameSeen
    rules: HopRules
    rows: list[HopRow] = field(default_factory=list)
    carried: Carried | None = None
    carried_at: Hop | None = None
    counter: int | None = None
    lost: bool = False

    def terminals(self) -> None:
        volts = self.frame.terminals
        if not self._is_absent(Hop.TERMINALS, volts, None, "volts"):
            assert volts is not None
            text = f"{volts.value_v:.4f} V ± {1e3 * volts.expanded_u_v:.2g} mV"
            self.rows.append(HopRow(Hop.TERMINALS, text, Same.FIRST))

    def counts(self) -> None:
        volts, counts, rules = self.frame.terminals, self.frame.counts, self.rules
        if self._is_absent(Hop.COUNTS, counts, Hop.TERMINALS, "a conversion"):
            return
        assert counts is not None
        reads_v = counts * rules.volts_per_count
        text = f"{counts} counts, {reads_v:.4f} V uncorrected"
        if volts is None:
            self.rows.append(HopRow(Hop.COUNTS, text, Same.FIRST))
            return
        allowed_v = volts.expanded_u_v + rules.noise_v + rules.volts_per_count / 2.0
        allowed_v += rules.converter_share * abs(volts.value_v) + rules.converter_offset_v
        why = _apart(reads_v, volts.value_v, allowed_v, "V")
        self._add(Hop.COUNTS, text, Hop.TERMINALS, f"{volts.value_v:.4f} V", why)

    def console(self) -> None:
        said, counts, rules = self.frame.console, self.frame.counts, self.rules
        before = Hop.TERMINALS if counts is None else Hop.COUNTS
        if self._is_absent(Hop.CONSOLE, said, before, "an announcement"):
            return
        assert said is not None
        text = f"{1e3 * said.battery_v:.0f} mV{_degrees(said.celsius)}"
        if counts is None:
            self.rows.append(HopRow(Hop.CONSOLE, text, Same.FIRST))
            return
        corrected_v = counts * rules.volts_per_count * (1.0 + rules.gain) + rules.offset_v
        allowed_v = rules.noise_v + (rules.volts_per_count + rules.console_step_v) / 2.0
        why = _apart(said.battery_v, corrected_v, allowed_v, "V")
        self._add(Hop.CONSOLE, text, Hop.COUNTS, f"{corrected_v:.4f} V corrected", why)

    def uart(self) -> None:
        carried = self.frame.uart
        if self._is_absent(Hop.UART, carried, Hop.CONSOLE, "a frame"):
            return
        assert carried is not None
        self._carry(carried, Hop.UART)
        self._against_console(Hop.UART, _bytes(carried), carried)

    def answer(self) -> None:
        answer = self.frame.answer
        if self._is_absent(Hop.ANSWER, answer, Hop.UART, "an answer"):
            return
        assert answer is not None
        if answer.accepted is None:
            self.rows.append(HopRow(Hop.ANSWER, answer.text, Same.UNSEEN))
            return
        why = "" if answer.accepted else f"the modem did not take the frame: {answer.text}"
        self._add(Hop.ANSWER, answer.text, Hop.UART, "accepted", why)

    def heard(self, hop: Hop, heard: Heard | None) -> None:
        """The air, or the network: port, bytes and counter as before."""
        if self._is_absent(hop, heard, self.carried_at or Hop.CONSOLE, "a frame"):
            return
        assert heard is not None
        before, at, counter = self.carried, self.carried_at, self.counter
        self._carry(heard.carried, hop)
        self.counter = heard.counter
        text = f"counter {heard.counter}, {_bytes(heard.carried)}{_levels(heard)}"
        if before is None or at is None:
            self._against_console(hop, text, heard.carried)
            return
        why = "; ".join(_not_carried(before, heard.carried, counter, heard.counter))
        expected = _bytes(before) if counter is None else f"counter {counter}, {_bytes(before)}"
        self._add(hop, text, at, expected, why)

    def decoded(self) -> None:
        """What the last payload that was seen says, against the console. It can only follow from what was wrong."""
        if self.carried is None or self.lost:
            self.rows.append(HopRow(Hop.DECODED, "nothing", Same.FOLLOWS if self._has_differed else Same.UNSEEN))
            return
        self._against_console(Hop.DECODED, _said(self.carried.said), self.carried)

    # ---- one row

    @property
    def _has_differed(self) -> bool:
        return any(row.same is Same.NO for row in self.rows)

    def _carry(self, carried: Carried, at: Hop) -> None:
        self.carried, self.carried_at, self.lost = carried, at, False

    def _is_absent(self, hop: Hop, value: object, before: Hop | None, what: str) -> bool:
        """Whether there is nothing to compare; a watched hop without anything differs, unless it follows."""
        if value is not None:
            return False
        if hop not in self.frame.watched:
            self.rows.append(HopRow(hop, "", Same.UNSEEN))
            return True
        self.lost = self.lost or hop in (Hop.UART, Hop.AIR, Hop.NETWORK)
        same = Same.FOLLOWS if self._has_differed else Same.NO
        self.rows.append(
            HopRow(hop, "nothing", same, before, what, "" if same is Same.FOLLOWS else "nothing came here")
        )
        return True

    def _against_console(self, hop: Hop, seen: str, carried: Carried) -> None:
        """A payload with nothing before it that could hold the same bytes."""
        said = self.frame.console
        why = "; ".join(_not_as_announced(carried, said, self.rules))
        self._add(hop, seen, Hop.CONSOLE, _announced(said) if said else "a sound payload", why)

    def _add(self, hop: Hop, seen: str, before: Hop, expected: str, why: str) -> None:
        """A row that was compared. What the decoded value shows of an earlier difference follows from that."""
        same = Same.NO if why else Same.YES
        if why and hop is Hop.DECODED and self._has_differed:
            same, why = Same.FOLLOWS, ""
        self.rows.append(HopRow(hop, seen, same, before, expected, why))


# ---- neighbours


def _apart(value: float, expected: float, allowed: float, unit: str) -> str:
    """Why a number is not the expected one; '' when it is. What is no number is never the same."""
    distance = abs(value - expected)
    if distance <= allowed + 1e-9:
        return ""
    if not math.isfinite(distance):
        return "no number"
    return f"{distance:.4g} {unit} apart, {allowed:.4g} {unit} allowed"


def _not_as_announced(carried: Carried, said: Announced | None, rules: HopRules) -> Iterator[str]:
    """In what a payload is not what the console said, and what is wrong with it by itself."""
    yield from carried.said.problems
    if said is None:
        return
    if said.port is not None and carried.port != said.port:
        yield f"port {carried.port} instead of {said.port}"
    if said.length is not None and len(carried.payload) != said.length:
        yield f"{len(carried.payload)} bytes instead of {said.length}"
    for name, value, expected, allowed, unit in (
        ("battery", carried.said.battery_v, said.battery_v, rules.payload_v, "V"),
        ("temperature", carried.said.celsius, said.celsius, rules.payload_c, "°C"),
    ):
        if value is not None and expected is not None and (why := _apart(value, expected, allowed, unit)):
            yield f"{name}: {why}"


def _not_carried(before: Carried, after: Carried, counter: int | None, now: int) -> Iterator[str]:
    if counter is not None and now != counter:
        yield f"counter {now} instead of {counter}"
    if after.port != before.port:
        yield f"port {after.port} instead of {before.port}"
    if after.payload != before.payload:
        places = [place for place, (a, b) in enumerate(zip(before.payload, after.payload, strict=False)) if a != b]
        lengths = len(after.payload), len(before.payload)
        yield f"{lengths[0]} bytes instead of {lengths[1]}" if lengths[0] != lengths[1] else _counted(places)


def _counted(places: Sequence[int]) -> str:
    return f"byte {places[0]} differs" if len(places) == 1 else f"{len(places)} bytes differ, the first is {places[0]}"


# ---- in words


def _bytes(carried: Carried) -> str:
    port = "no port" if carried.port is None else f"port {carried.port}"
    return f"{port}: {carried.payload.hex(' ').upper() or 'no bytes'}"


def _announced(said: Announced) -> str:
    port = "" if said.port is None else f", port {said.port}"
    length = "" if said.length is None else f", {said.length} bytes"
    return f"{1e3 * said.battery_v:.0f} mV{_degrees(said.celsius)}{port}{length}"


def _degrees(celsius: float | None) -> str:
    """A board that has no temperature says none."""
    return "" if celsius is None else f", {celsius:g} °C"


def _said(said: Said) -> str:
    if said.battery_v is None and said.celsius is None:
        return "no value"
    volts = "no voltage" if said.battery_v is None else f"{1e3 * said.battery_v:.0f} mV"
    return f"{volts}, {'no temperature' if said.celsius is None else f'{said.celsius:g} °C'}"


def _levels(heard: Heard) -> str:
    level = "" if heard.rssi_dbm is None else f", {heard.rssi_dbm:.0f} dBm"
    return level + ("" if heard.snr_db is None else f", SNR {heard.snr_db:.1f} dB")


def hop_lines(frames: Sequence[FrameHops]) -> list[str]:
    """The table of all frames: frame, hop, what was there, and whether it is the same as before."""
    rows = [
        (frame.name, row.hop.value, row.seen or "-", row.same.value, row.why) for frame in frames for row in frame.rows
    ]
    widths = [max((len(row[column]) for row in rows), default=0) for column in range(3)]
    lines: list[str] = []
    last = ""
    for name, hop, seen, same, why in rows:
        shown = "" if name == last else name
        last = name
        cells = (text.ljust(width) for text, width in zip((shown, hop, seen), widths, strict=True))
        lines.append("  ".join((*cells, f"{same}: {why}" if why else same)).rstrip())
    return lines
