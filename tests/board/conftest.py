"""Fixtures of the board's tests: a terminal to play the board on, and links on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.board.console_link import ConsoleLink
from benchrig.clock import ScaledClock
from benchrig.protocol.console import Checksum, Grammar
from benchrig.wires.gateway_socket import GatewaySocket
from tests.wires.udp_gateway import UdpGateway

from .air_on_loopback import NEAR, Air
from .far_end import FarEnd
from .hay_barn_console import GRAMMAR, MakeLink, Notes

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

CHECKSUM = Checksum()


@pytest.fixture
def far_end() -> Iterator[FarEnd]:
    """A fresh terminal."""
    made = FarEnd()
    yield made
    made.close()


@pytest.fixture
def notes() -> Notes:
    """Nothing noted yet."""
    return Notes()


@pytest.fixture
def make_link(far_end: FarEnd, notes: Notes) -> Iterator[MakeLink]:
    """Makes a link on the terminal; closes it afterwards."""
    links: list[ConsoleLink] = []

    def make(
        grammar: Grammar = GRAMMAR, checksum: Checksum | None = CHECKSUM, attempts: int = 3, scale: float = 1.0
    ) -> ConsoleLink:
        clock = ScaledClock(scale)
        links.append(ConsoleLink(far_end.open(), grammar, checksum, clock, notes, attempts=attempts))
        return links[-1]

    yield make
    for link in links:
        link.close()


@pytest.fixture
def link(make_link: MakeLink) -> ConsoleLink:
    """A link with the hay-barn probe's grammar and checksum."""
    return make_link()


@pytest.fixture
def air(tmp_path: Path) -> Iterator[Air]:
    """Nothing joined yet."""
    with GatewaySocket("127.0.0.1", 0) as endpoint:
        made = Air(tmp_path, endpoint)
        yield made
        for link in made.links:
            link.close()


@pytest.fixture
def gateway(air: Air) -> Iterator[UdpGateway]:
    """A gateway with its way open."""
    made = UdpGateway((air.endpoint.host, air.endpoint.port), NEAR)
    made.pull()
    yield made
    made.close()
