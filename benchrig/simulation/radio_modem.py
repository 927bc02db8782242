"""The modem beside the microcontroller: AT text in, frames out, downlinks back as text.

Owns the AT commands, the session, and what survives a power cut.  Must not know currents or when a frame is sent: the
radio program asks for the next order and hands over what was received.  The commands are invented for the demo board;
OK and ERROR are result codes of ITU-T V.250 (from memory).

Until its first join the modem sends under the session that it left the factory with, which no network knows.
"""

from __future__ import annotations

import re
import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchrig.simulation import lorawan_frames as frames
from benchrig.simulation.lorawan_crypto import KEY_BYTES

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

    from benchrig.simulation.parts import ModemTraits, Timing
    from benchrig.simulation.radio_identity import RadioIdentity

JOIN_DELAY_S: Final = 5
"""Of the first window after a join-request (RP002-1.0.1); the second is a second later, as after data."""

MOST_ATTEMPTS: Final = 3
"""Transmissions of one confirmed uplink; own choice."""

FIRST_PAUSE_S: Final = 4.0
LONGEST_PAUSE_S: Final = 1800.0
"""Between join-requests without an answer; own choice. At SF7 the longest keeps to 8.7 s on air in 24 hours."""

_BUFFER = re.compile(r"AT\+BUF=(\d{1,3}),((?:[0-9A-Fa-f]{2}){0,51})")
"""51 bytes fit at every data rate of EU868 (RP002-1.0.1)."""
_NONCE = re.compile(r"AT\+NONCE=(\d{1,5})")
_LAST_NONCE: Final = 0xFFFF


@dataclass(frozen=True, slots=True)
class Window:
    """When and where the radio listens after the end of an uplink."""

    delay_s: float
    length_s: float
    frequency_hz: int
    spreading_factor: int


@dataclass(frozen=True, slots=True)
class Order:
    """A frame to send, and where its answer is awaited."""

    frame: bytes
    frequency_hz: int
    spreading_factor: int
    windows: tuple[Window, Window]
    attempts: int = 1


@dataclass(slots=True)
class ModemMemory:
    """What the modem keeps without power."""

    nonce: int
    """Of the next join-request; it only ever grows."""
    first_nonce: int
    session: frames.Session
    unanswered: int = 0
    """Join-requests in a row without an answer."""


def new_memory(device_eui: int) -> ModemMemory:
    """A modem as it comes to the bench: a nonce from anywhere, so that two starts of the simulation differ, and the
    session of the factory."""
    nonce = secrets.randbelow(_LAST_NONCE // 2)
    keys = secrets.token_bytes(KEY_BYTES), secrets.token_bytes(KEY_BYTES)
    return ModemMemory(nonce, nonce, frames.Session(0x0200_0000 | device_eui & 0xFFFF, *keys))


class Modem:
    """One modem; `reply` sends a line to the microcontroller."""

    def __init__(
        self,
        *,
        identity: RadioIdentity,
        memory: ModemMemory,
        traits: ModemTraits,
        timing: Timing,
        spreading_factor: int,
        reply: Callable[[bytes], None],
        rng: random.Random,
    ) -> None:
        self._identity = identity
        self._app_key = _other_key(identity.app_key) if traits.has_wrong_key else identity.app_key
        self._memory = memory
        self._traits = traits
        self._timing = timing
        self._spreading_factor = spreading_factor
        self._reply = reply
        self._rng = rng
        self.power_off()

    def power_on(self) -> None:
        """Start; what a faulty modem forgets is gone."""
        self.power_off()
        if self._traits.forgets_nonce:
            self._memory.nonce = self._memory.first_nonce
        if self._traits.forgets_counter:
            self._memory.session.up = 0
        if self._traits.forgets_backoff:
            self._memory.unanswered = 0

    def power_off(self) -> None:
        """Forget all but the memory."""
        self._received = b""
        self._buffer: tuple[int, bytes] | None = None
        self._is_joining = False
        self._is_sending = False
        self._is_confirming = self._traits.confirms_always
        self._awaits_answer = False
        self._must_acknowledge = False
        self._joined_nonce = 0

    # The microcontroller's side.

    def receive(self, data: bytes) -> None:
        """Bytes arrive on the UART."""
        *lines, self._received = (self._received + data).replace(b"\n", b"\r").split(b"\r")
        for line in lines:
            if line:
                self._say("OK" if self._carry_out(line.decode("latin-1")) else "ERROR")

    def _carry_out(self, command: str) -> bool:
        if command in ("AT+CFM=0", "AT+CFM=1"):
            self._is_confirming = command.endswith("1")
        elif command == "AT+JOIN":
            self._is_joining = True
        elif command == "AT+TX" and self._buffer is not None:
            self._is_sending = True
        else:
            return command == "AT" or self._take_buffer(command) or self._take_nonce(command)
        return True

    def _take_buffer(self, command: str) -> bool:
        found = _BUFFER.fullmatch(command)
        if found is None or not 1 <= int(found[1]) <= 223:
            return False
        self._buffer = int(found[1]), bytes.fromhex(found[2])
        return True

    def _take_nonce(self, command: str) -> bool:
        """For whoever makes the board; a firmware that says it in the field repeats what it must never repeat."""
        found = _NONCE.fullmatch(command)
        if found is None or int(found[1]) > _LAST_NONCE:
            return False
        self._memory.nonce = int(found[1])
        return True

    def _say(self, text: str) -> None:
        self._reply(text.encode("ascii") + b"\r\n")

    # The radio's side.

    @property
    def has_order(self) -> bool:
        """Whether it was told to send something and has not finished with it."""
        return self._is_joining or (self._is_sending and self._buffer is not None)

    @property
    def awaits_answer(self) -> bool:
        """Whether the last order wants an answer that has not come."""
        return self._awaits_answer

    @property
    def pause_s(self) -> float:
        """How long to wait before the next join-request: nothing at first, then ever longer, up to half an hour."""
        unanswered = self._memory.unanswered
        if not unanswered:
            return 0.0
        return FIRST_PAUSE_S / 8 if self._traits.retries_ever_the_same else pause_after_s(unanswered)

    def take_order(self) -> Order | None:
        """What is to be sent now; None if nothing was ordered."""
        if self._is_joining:
            return self._join_order()
        if self._is_sending and self._buffer is not None:
            return self._data_order(*self._buffer)
        return None

    def received(self, data: bytes) -> bool:
        """A frame came down; whether it was one for this board."""
        try:
            self._accept(data) if self._is_joining else self._take_data(data)
        except frames.NotForUs:
            return False
        except frames.RepeatedFrame:
            self._say("+REFUSED: counter")
        return True

    def overheard(self, data: bytes) -> None:
        """A frame came down while no window was open: data of this board are taken, if it has power."""
        if not self._is_joining:
            self.received(data)

    def finish(self) -> None:
        """The windows of the last transmission are over."""
        if self._is_joining and self._awaits_answer:
            self._memory.unanswered += 1
            self._say(f"+JOIN: failed nonce={self._joined_nonce}")
        elif self._is_sending and self._awaits_answer:
            self._say("+ACK: none")
        self._is_joining = self._is_sending = self._awaits_answer = False

    def _join_order(self) -> Order:
        memory = self._memory
        self._joined_nonce, memory.nonce = memory.nonce, min(memory.nonce + 1, _LAST_NONCE)
        self._awaits_answer = True
        frame = frames.join_request(
            self._app_key,
            join_eui=self._identity.join_eui,
            device_eui=_reversed(self._identity.device_eui)
            if self._traits.reverses_identity
            else self._identity.device_eui,
            nonce=self._joined_nonce,
        )
        first_hz = self._rng.choice(frames.DEFAULT_CHANNELS_HZ)
        windows = self._windows(first_hz, delay_s=JOIN_DELAY_S, offset=0, second_factor=frames.SLOWEST_FACTOR)
        return Order(frame, first_hz, self._spreading_factor, windows)

    def _data_order(self, port: int, payload: bytes) -> Order:
        session = self._memory.session
        if self._traits.swaps_bytes:
            payload = _swapped(payload)
        frame = frames.data_frame(
            session,
            port=port + self._traits.port_offset,
            payload=payload,
            is_confirmed=self._is_confirming,
            acknowledges=self._must_acknowledge,
        )
        session.up += 1
        self._must_acknowledge = False
        self._awaits_answer = self._is_confirming
        first_hz = self._rng.choice(session.channels_hz)
        windows = self._windows(
            first_hz, delay_s=session.delay_s, offset=session.rate_offset, second_factor=session.second_factor
        )
        attempts = MOST_ATTEMPTS if self._is_confirming else 1
        return Order(frame, first_hz, self._spreading_factor, windows, attempts)

    def _windows(self, first_hz: int, *, delay_s: int, offset: int, second_factor: int) -> tuple[Window, Window]:
        timing, later_s = self._timing, delay_s - 1
        second_factor = self._traits.second_window_factor or second_factor
        factor = min(self._spreading_factor + offset, frames.SLOWEST_FACTOR)
        return (
            Window(timing.listen1_delay_s + later_s, timing.listen1_s, first_hz, factor),
            Window(timing.listen2_delay_s + later_s, timing.listen2_s, frames.SECOND_WINDOW_HZ, second_factor),
        )

    def _accept(self, data: bytes) -> None:
        session = frames.open_join_accept(self._app_key, data, nonce=self._joined_nonce)
        self._memory.session = session
        self._memory.unanswered = 0
        self._awaits_answer = False
        self._say(f"+JOIN: accepted addr={session.address:08X} nonce={self._joined_nonce}")

    def _take_data(self, data: bytes) -> None:
        downlink = frames.open_downlink(self._memory.session, data, takes_repeated=self._traits.executes_repeated)
        self._must_acknowledge = downlink.is_confirmed
        if downlink.acknowledges:
            self._awaits_answer = False
            self._say("+ACK: received")
        if downlink.port:
            self._say(f"+RECV: {downlink.port},{downlink.payload.hex().upper()}")


def pause_after_s(unanswered: int) -> float:
    """After so many requests without an answer: 4 s, 8 s, 16 s and so on."""
    return float(min(FIRST_PAUSE_S * 2 ** (unanswered - 1), LONGEST_PAUSE_S))


def _reversed(eui: int) -> int:
    return int.from_bytes(eui.to_bytes(8, "big"), "little")


def _other_key(key: bytes) -> bytes:
    return key[:-1] + bytes([key[-1] ^ 0x01])


def _swapped(payload: bytes) -> bytes:
    """Each pair of bytes turned round; an odd last one stays."""
    even = len(payload) // 2 * 2
    turned = b"".join(payload[place : place + 2][::-1] for place in range(0, even, 2))
    return turned + payload[even:]
