"""A link to the air on real loopback, for the tests: its socket, a gateway of the tests, a board that has joined.

The fixtures `air` and `gateway` that hand these out are in conftest.
"""

from __future__ import annotations

import threading
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from benchrig.board.air_link import AirLink, settings_for
from benchrig.board.air_state import AirState
from benchrig.clock import ScaledClock
from benchrig.protocol.network_session import Device
from benchrig.protocol.regions import EU868
from benchrig.protocol.secret_key import Key
from tests.protocol.lorawan_board import APP_KEY, DEV_EUI, JOIN_EUI, Board
from tests.wires.udp_gateway import PULL_DATA, UdpGateway

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from benchrig.board.air import AirEvent
    from benchrig.wires.gateway_socket import GatewaySocket

NEAR, FAR = 0xA84041FFFE1E2D3C, 0x0016C001FF10A235
DEVICE = Device(dev_eui=DEV_EUI, join_eui=JOIN_EUI, app_key=Key(APP_KEY))
SCALE = 4.0
SHORT_S, LONG_S = 0.4, 20.0


@dataclass
class Air:
    """A link on real loopback, a gateway that it hears, and all that it wrote down."""

    folder: Path
    endpoint: GatewaySocket
    clock: ScaledClock = field(default_factory=lambda: ScaledClock(SCALE))
    notes: list[str] = field(default_factory=list)
    known: set[Key] = field(default_factory=set)
    links: list[AirLink] = field(default_factory=list)

    def link(self, device: Device = DEVICE) -> AirLink:
        """A link with what earlier ones kept."""
        state = AirState.load(self.folder, board="HB-1", device=device, region=EU868)
        made = AirLink(
            self.endpoint, region=EU868, state=state, clock=self.clock, settings=settings_for(self.clock),
            note=lambda _kind, text: self.notes.append(text), know=self.known.update,
        )  # fmt: skip
        self.links.append(made)
        return made


def joined(link: AirLink, gateway: UdpGateway, board: Board | None = None) -> Board:
    """A board that has joined."""
    board = board or Board()
    mark = link.mark()
    gateway.push(board.join_request(), counter_us=2_000_000)
    board.take_accept(gateway.order().data)
    link.wait_for_join(LONG_S, since=mark)
    return board


@contextmanager
def gateway_that_lives(gateway: UdpGateway) -> Iterator[None]:
    """It asks for downlinks again and again, as gateways do."""
    over = threading.Event()

    def ask() -> None:
        while not over.wait(0.05):
            gateway.say(PULL_DATA)

    asking = threading.Thread(target=ask)
    asking.start()
    try:
        yield
    finally:
        over.set()
        asking.join()


def kinds(link: AirLink, kind: type[AirEvent], since: int = 0) -> list[AirEvent]:
    """All events of a kind."""
    return [event for event in link.events_since(since) if isinstance(event, kind)]
