"""The one board that a bench's network accepts: its joins, its session, and which of its frames are good.

Owns nonces, keys and counters. Must not know gateways, windows or time. Of a session the numbers are kept outside
(`to_plain`), never its keys: they follow from the board's key and those numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal, NamedTuple, TypedDict, cast

from benchrig.protocol.lorawan_counter import LAST_COUNTER, MAX_GAP, Step, next_counter
from benchrig.protocol.lorawan_crypto import SessionKeys, data_mic, join_mic, same_mic, session_keys
from benchrig.protocol.lorawan_frame import DataFrame, JoinRequest, eui_text, reversed_eui
from benchrig.protocol.network_events import Why

if TYPE_CHECKING:
    from collections.abc import Mapping

    from benchrig.protocol.secret_key import Key

SCHEMA = 1
NonceRule = Literal["unused", "rising"]
_WRAP = 0x1_0000
_LAST_APP_NONCE = 0xFF_FFFF


class Refusal(NamedTuple):
    """Why a frame is not used, and what to look at."""

    why: Why
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """The board. `nonces`: "unused" up to LoRaWAN 1.0.3 (any that was not used), "rising" from 1.0.4 on."""

    dev_eui: int
    join_eui: int
    app_key: Key
    nonces: NonceRule = "unused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """What holds from one join to the next. `last_up` is None until a frame was heard."""

    dev_addr: int
    net_id: int
    app_nonce: int
    dev_nonce: int
    keys: SessionKeys
    last_up: int | None = None
    next_down: int = 0


class PlainSession(TypedDict):
    """The numbers of a session."""

    dev_addr: int
    net_id: int
    app_nonce: int
    dev_nonce: int
    last_up: int | None
    next_down: int


class PlainJoins(TypedDict):
    """What must outlast a restart of the tool, as plain data without a key."""

    schema: int
    dev_eui: str
    app_nonce: int
    dev_nonces: list[int]
    session: PlainSession | None


class Good(NamedTuple):
    """A frame with a good code: its whole counter, and whether it is new or repeats the last."""

    counter: int
    step: Step
    missed: int


def check_frame(frame: DataFrame, session: Session, *, max_gap: int = MAX_GAP) -> Good | Refusal:
    """Whether the frame is the board's, by its integrity code over the whole counter, and new.

    A code that fits an earlier counter gives away a replay, one far ahead a gap: neither looks like a wrong key.
    """
    step = next_counter(frame.counter16, last=session.last_up, max_gap=max_gap)
    if step.step is not Step.REFUSED and step.counter is not None and _fits(frame, session, step.counter):
        return Good(step.counter, step.step, step.missed)
    tried = None if step.step is Step.REFUSED else step.counter
    last = -1 if session.last_up is None else session.last_up
    epoch = max(last, 0) // _WRAP
    for counter in (frame.counter16 + one * _WRAP for one in (epoch, epoch - 1, epoch + 1)):
        if not 0 <= counter <= LAST_COUNTER or counter == tried or not _fits(frame, session, counter):
            continue
        if counter <= last:
            return Refusal(Why.REPLAY, f"counter {counter} after {last}: an old frame, or a board that counts anew")
        return Refusal(Why.GAP, f"counter {counter} after {last}; accepted: up to {max_gap} ahead")
    detail = f"the code of counter {frame.counter16} on air fits no counter near {last}: another key, or damaged bytes"
    return Refusal(Why.BAD_MIC, detail)


def _fits(frame: DataFrame, session: Session, counter: int) -> bool:
    code = data_mic(session.keys.network, frame.signed, uplink=frame.uplink, dev_addr=frame.dev_addr, counter=counter)
    return same_mic(code, frame.mic)


@dataclass(slots=True)
class Joins:
    """Which join-requests are accepted, and the sessions that they lead to.

    After a join the former session lives until a frame of the new one comes: the board may not have heard us.
    """

    device: Device
    app_nonce: int = 0
    dev_nonces: set[int] = field(default_factory=set)
    session: Session | None = None
    coming: Session | None = None

    def check(self, request: JoinRequest) -> Refusal | None:
        """Why a join-request is refused; None when it is this board's, with the right key and a nonce not used.

        A foreign identity under this board's key is this board's own, written wrong, where the rest of it fits.
        """
        is_own_key = same_mic(join_mic(self.device.app_key, request.signed), request.mic)
        wrong_board = _foreign(request, self.device)
        if wrong_board:
            is_own = is_own_key and request.dev_eui in (self.device.dev_eui, reversed_eui(self.device.dev_eui))
            return Refusal(Why.WRONG_IDENTITY if is_own else Why.FOREIGN_BOARD, wrong_board)
        if not is_own_key:
            return Refusal(Why.WRONG_KEY, self._wrong_key(request))
        if self.app_nonce >= _LAST_APP_NONCE:
            return Refusal(Why.EXHAUSTED, f"all {_LAST_APP_NONCE} AppNonces are used; give the board another key")
        return self._nonce(request.dev_nonce)

    def _wrong_key(self, request: JoinRequest) -> str:
        if same_mic(join_mic(self.device.app_key.reversed(), request.signed), request.mic):
            return "the board holds its key in the other byte order; write it again, most significant byte first"
        return f"the board {eui_text(request.dev_eui)} signs with another key; compare the label with what was written"

    def _nonce(self, nonce: int) -> Refusal | None:
        if nonce in self.dev_nonces:
            return Refusal(Why.NONCE_REUSED, f"DevNonce {nonce} was used before; a board must keep it over power cuts")
        last = max(self.dev_nonces, default=-1)
        if self.device.nonces == "rising" and nonce < last:
            return Refusal(Why.NONCE_REUSED, f"DevNonce {nonce} after {last}; accepted from LoRaWAN 1.0.4 on: rising")
        return None

    def ignore(self, request: JoinRequest) -> None:
        """A request that `check` found nothing against and that is not answered: its nonce is used all the same."""
        self.dev_nonces.add(request.dev_nonce)

    def accept(self, request: JoinRequest, *, net_id: int, dev_addr: int) -> Session:
        """The session that begins with a request that `check` found nothing against."""
        self.app_nonce += 1
        self.dev_nonces.add(request.dev_nonce)
        self.coming = _session(self.device, self.app_nonce, request.dev_nonce, net_id=net_id, dev_addr=dev_addr)
        return self.coming

    def check_data(self, frame: DataFrame, *, max_gap: int = MAX_GAP) -> Good | Refusal:
        """Whether a data frame is good, in the session that comes or in the one that is; moves on to the former."""
        if self.coming is None and self.session is None:
            return Refusal(Why.NOT_JOINED, f"data from address {frame.dev_addr:08X} before any join")
        found: Good | Refusal = Refusal(Why.FOREIGN_BOARD, f"address {frame.dev_addr:08X} is none that was given here")
        for session in (self.coming, self.session):
            if session is None or session.dev_addr != frame.dev_addr:
                continue
            found = check_frame(frame, session, max_gap=max_gap)
            if isinstance(found, Good):
                if session is self.coming:
                    self.session, self.coming = session, None
                return found
        return found

    def heard(self, counter: int) -> Session:
        """Keeps the counter of a good frame."""
        self.session = replace(self.running, last_up=counter)
        return self.session

    def next_down(self) -> int:
        """A counter for a downlink, never given twice. Raises ValueError when the session has none left."""
        session = self.running
        if session.next_down > LAST_COUNTER:
            raise ValueError("the session has used all of its downlink counters; join again")
        self.session = replace(session, next_down=session.next_down + 1)
        return session.next_down

    @property
    def running(self) -> Session:
        """The session that is in use. Raises ValueError before the first frame after a join."""
        if self.session is None:
            raise ValueError("no session is running; the board must join and be heard first")
        return self.session

    @property
    def secrets(self) -> tuple[Key, ...]:
        """Every key that is in use, for the redaction of texts."""
        sessions = (one for one in (self.session, self.coming) if one is not None)
        return (self.device.app_key, *(key for one in sessions for key in one.keys))

    def to_plain(self) -> PlainJoins:
        """As plain data without a key. A session that is coming is left out: the board joins again if need be."""
        session = self.session
        return {
            "schema": SCHEMA,
            "dev_eui": eui_text(self.device.dev_eui),
            "app_nonce": self.app_nonce,
            "dev_nonces": sorted(self.dev_nonces),
            "session": None
            if session is None
            else {
                "dev_addr": session.dev_addr,
                "net_id": session.net_id,
                "app_nonce": session.app_nonce,
                "dev_nonce": session.dev_nonce,
                "last_up": session.last_up,
                "next_down": session.next_down,
            },
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, object], *, device: Device) -> Joins:
        """The way back. Raises ValueError for what is not of this board, or cannot be read: no nonce is forgotten."""
        eui = eui_text(device.dev_eui)
        if plain.get("schema") != SCHEMA or plain.get("dev_eui") != eui:
            found = f"schema {plain.get('schema')!r} of {plain.get('dev_eui')!r}"
            raise ValueError(f"joins of {found}; accepted: schema {SCHEMA} of {eui!r}")
        nonces = plain.get("dev_nonces")
        if not isinstance(nonces, list):
            raise ValueError("joins without their list of dev_nonces")
        used = {_number(nonce, "dev_nonces", 0xFFFF) for nonce in cast("list[object]", nonces)}
        joins = cls(device, _number(plain.get("app_nonce"), "app_nonce", _LAST_APP_NONCE), used)
        stored = plain.get("session")
        if stored is not None:
            joins.session = _restored(device, stored)
        return joins


def _foreign(request: JoinRequest, device: Device) -> str:
    """In which way a request is not of this board; empty when it is."""
    for name, found, wanted in (
        ("DevEUI", request.dev_eui, device.dev_eui),
        ("JoinEUI", request.join_eui, device.join_eui),
    ):
        if found == wanted:
            continue
        turned = "; the same in the other byte order: write it again" if found == reversed_eui(wanted) else ""
        return f"{name} {eui_text(found)}; accepted: {eui_text(wanted)}{turned}"
    return ""


def _session(device: Device, app_nonce: int, dev_nonce: int, *, net_id: int, dev_addr: int) -> Session:
    keys = session_keys(device.app_key, app_nonce=app_nonce, net_id=net_id, dev_nonce=dev_nonce)
    return Session(dev_addr=dev_addr, net_id=net_id, app_nonce=app_nonce, dev_nonce=dev_nonce, keys=keys)


def _restored(device: Device, stored: object) -> Session:
    if not isinstance(stored, dict):
        raise ValueError(f"a session of type {type(stored).__name__}; accepted: a table of its numbers")
    table = cast("dict[str, object]", stored)
    most = {"dev_addr": 0xFFFF_FFFF, "net_id": 0xFF_FFFF, "app_nonce": _LAST_APP_NONCE, "dev_nonce": 0xFFFF}
    dev_addr, net_id, app_nonce, dev_nonce = (_number(table.get(name), name, top) for name, top in most.items())
    last_up = table.get("last_up")
    return replace(
        _session(device, app_nonce, dev_nonce, net_id=net_id, dev_addr=dev_addr),
        last_up=None if last_up is None else _number(last_up, "last_up", LAST_COUNTER),
        next_down=_number(table.get("next_down"), "next_down", LAST_COUNTER + 1),
    )


def _number(value: object, name: str, last: int) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= last:
        raise ValueError(f"{name} {value!r}; accepted: whole numbers from 0 to {last}")
    return value
