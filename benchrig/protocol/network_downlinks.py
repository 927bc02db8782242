"""What waits for the board, and the data frame that carries the next of it down.

Owns the queue of class A downlinks and how a frame is filled: options first, then the head of the queue if it fits.
Must not know gateways, windows' times or budgets. Source: LoRaWAN 1.0.x section 4.3 (acknowledgement, "more waits",
a confirmed frame keeps its counter until it is acknowledged), from memory.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

from benchrig.protocol.lorawan_crypto import crypt_payload, data_mic
from benchrig.protocol.lorawan_frame import MAX_OPTIONS_BYTES, DataFrame
from benchrig.protocol.lorawan_mac import (
    DlChannelReq,
    DownlinkCommand,
    RxParamSetupReq,
    RxTimingSetupReq,
)
from benchrig.protocol.network_events import Acknowledged, GivenUp

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from benchrig.protocol.network_session import Session

_MOVE_WINDOWS = (RxParamSetupReq, RxTimingSetupReq, DlChannelReq)
_FIRST_PORT, _LAST_PORT = 1, 223
_LONGEST_PAYLOAD = 242


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """A downlink that waits. `counter` is None until it was sent for the first time."""

    number: int
    port: int
    payload: bytes
    confirmed: bool
    counter: int | None = None
    tries: int = 0


class Filled(NamedTuple):
    """A frame that is ready, the item that it carries as that was before, and the commands that went along."""

    data: bytes
    counter: int
    item: Item | None
    commands: tuple[DownlinkCommand, ...] = ()

    @property
    def number(self) -> int | None:
        """That of the item."""
        return self.item.number if self.item else None


@dataclass(slots=True)
class DownlinkQueue:
    """Items in the order in which they were given, and MAC commands to go along. `most_tries` of a confirmed item."""

    most_tries: int = 8
    _items: deque[Item] = field(default_factory=deque)
    _commands: deque[DownlinkCommand] = field(default_factory=deque)
    _given: int = 0

    def __len__(self) -> int:
        return len(self._items)

    @property
    def waits(self) -> bool:
        """Whether there is anything to send."""
        return bool(self._items or self._commands)

    def add(self, payload: bytes, *, port: int, confirmed: bool) -> int:
        """A number for the item. Raises ValueError for a port that is not the application's, or too many bytes."""
        if not _FIRST_PORT <= port <= _LAST_PORT:
            raise ValueError(f"port {port!r}; accepted: {_FIRST_PORT} to {_LAST_PORT} (0 carries MAC commands)")
        if len(payload) > _LONGEST_PAYLOAD:
            raise ValueError(f"{len(payload)} bytes; accepted: up to {_LONGEST_PAYLOAD}, fewer at slow data rates")
        self._given += 1
        self._items.append(Item(number=self._given, port=port, payload=payload, confirmed=confirmed))
        return self._given

    def add_command(self, command: DownlinkCommand) -> None:
        """A MAC command for the options of the next downlink.

        Raises ValueError for one that moves the windows: the bench sets those in the join-accept, and would else
        have to guess whether the board followed.
        """
        if isinstance(command, _MOVE_WINDOWS):
            raise ValueError(f"{type(command).__name__} moves the windows; set them for the next join instead")
        self._commands.append(command)

    def acknowledge(self) -> Acknowledged | None:
        """The board acknowledged: the item that was sent confirmed is done."""
        head = self._items[0] if self._items else None
        if head is None or not head.confirmed or not head.tries:
            return None
        self._items.popleft()
        return Acknowledged(head.number, head.tries)

    def give_up(self) -> GivenUp | None:
        """The head of the queue, if it was sent too often without an answer."""
        head = self._items[0] if self._items else None
        if head is None or not head.confirmed or head.tries < self.most_tries:
            return None
        self._items.popleft()
        return GivenUp(head.number, head.tries)

    def forget_counters(self) -> None:
        """After a join: what was sent in the session before begins anew."""
        self._items = deque(replace(item, counter=None, tries=0) for item in self._items)

    def put_back(self, filled: Filled) -> None:
        """A frame that was not sent after all: what it carried comes first again."""
        self._commands.extendleft(reversed(filled.commands))
        item = filled.item
        if item is None:
            return
        if self._items and self._items[0].number == item.number:
            self._items.popleft()
        self._items.appendleft(item)

    def fits(self, longest: int) -> bool:
        """Whether the head of the queue fits into a frame of so many bytes; true when nothing waits."""
        return not self._items or len(self._items[0].payload) <= longest

    def fill(
        self,
        session: Session,
        *,
        longest: int,
        ack: bool,
        answers: Sequence[DownlinkCommand],
        next_counter: Callable[[], int],
    ) -> Filled:
        """The next frame. `longest` is what payload and options may have together at the window's data rate."""
        options = b"".join(answer.to_bytes() for answer in answers)
        item = self._head_within(longest - len(options))
        commands = self._take_commands(longest - len(options) - (len(item.payload) if item else 0), used=len(options))
        options += b"".join(command.to_bytes() for command in commands)
        counter = next_counter() if item is None or item.counter is None else item.counter
        stays = self._count_try(item, counter)
        more = len(self._items) > stays or bool(self._commands)
        return Filled(_seal(session, counter, item, ack, options, more=more), counter, item, commands)

    def past_the_queue(self, session: Session, payload: bytes, *, port: int, next_counter: Callable[[], int]) -> Filled:
        """A frame that carries this alone, ahead of all that waits. Raises ValueError as `add`."""
        self.add(payload, port=port, confirmed=False)
        counter = next_counter()
        item = self._items.pop()
        return Filled(_seal(session, counter, item, False, b"", more=False), counter, item)

    def _head_within(self, room: int) -> Item | None:
        """The head of the queue if it fits. One that does not loses its counter: a later one overtakes it."""
        if not self._items:
            return None
        head = self._items[0]
        if len(head.payload) <= room:
            return head
        self._items[0] = replace(head, counter=None)
        return None

    def _count_try(self, item: Item | None, counter: int) -> bool:
        """Whether the item stays in the queue until the board acknowledges it."""
        if item is None:
            return False
        if item.confirmed:
            self._items[0] = replace(item, counter=counter, tries=item.tries + 1)
        else:
            self._items.popleft()
        return item.confirmed

    def _take_commands(self, room: int, *, used: int) -> tuple[DownlinkCommand, ...]:
        taken: list[DownlinkCommand] = []
        left = min(room, MAX_OPTIONS_BYTES - used)
        while self._commands and len(self._commands[0].to_bytes()) <= left:
            left -= len(self._commands[0].to_bytes())
            taken.append(self._commands.popleft())
        return tuple(taken)


def _seal(session: Session, counter: int, item: Item | None, ack: bool, options: bytes, *, more: bool) -> bytes:
    """The frame of an item, or one that carries nothing but flags and options, with its code."""
    address = session.dev_addr
    payload = b""
    if item is not None:
        payload = crypt_payload(session.keys.application, item.payload, uplink=False, dev_addr=address, counter=counter)
    frame = DataFrame(
        uplink=False,
        dev_addr=address,
        counter16=counter & 0xFFFF,
        confirmed=item is not None and item.confirmed,
        ack=ack,
        bit4=more,
        options=options,
        port=item.port if item else None,
        payload=payload,
    )
    signed = frame.signed
    return signed + data_mic(session.keys.network, signed, uplink=False, dev_addr=address, counter=counter)
