"""From the bench file to a way to the board: keys, addresses and brokers come together, each mistake has an owner."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pytest
from paho.mqtt import publish

from benchrig.bench.bench_file import read_bench_file
from benchrig.bench_air import BenchAir
from benchrig.board.air_link import AirLink
from benchrig.board.broker_link import BrokerLink
from benchrig.clock import ScaledClock
from benchrig.errors import BenchError, BrokerError, ConfigError, GatewayError
from benchrig.known_secrets import KnownSecrets
from benchrig.protocol.redaction import REDACTED
from benchrig.protocol.secret_key import Key
from tests.bench.test_air_tables import GATEWAY, NETWORK, RADIO_TABLE, REAL, SHIPPED
from tests.wires.brokers import free_port, mosquitto, password_file
from tests.wires.udp_gateway import UdpGateway

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

DIGITS = "98929b92c49edba9676d646d3b612456"
PASSWORD = "correct horse battery"


@dataclass(frozen=True)
class Radio:
    """What a simulated bench announces of a radio."""

    device_eui: int = 0x02004842A0010001
    join_eui: int = 0x02004842A0F00000
    key: Key | None = None


class Place:
    """A folder with a bench file, and what was opened by it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.secrets = KnownSecrets()
        self.opened: list[BenchAir] = []

    def air(
        self, *tables: str, base: Path = REAL, listen: str = "", radios: Mapping[str, Radio] | None = None
    ) -> BenchAir:
        """The air of a bench with these further tables."""
        path = self.folder / "bench.toml"
        profile = (base.parent / "../boards/hay-barn-probe.toml").resolve()
        text = base.read_text(encoding="utf-8").replace("../boards/hay-barn-probe.toml", str(profile))
        path.write_text("\n".join((text, *tables)), encoding="utf-8")
        made = BenchAir(
            read_bench_file(path), listen=listen, radios=radios or {}, clock=ScaledClock(), reports=self.folder / "r",
            secrets=self.secrets,
        )  # fmt: skip
        self.opened.append(made)
        return made

    def keys(self) -> None:
        """A private file with the board's key."""
        path = self.folder / "keys.toml"
        path.write_text(f'[devices."02004842A0010001"]\napp_key = "{DIGITS}"\n', encoding="utf-8")
        path.chmod(0o600)


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """Nothing opened yet."""
    made = Place(tmp_path)
    yield made
    for air in made.opened:
        air.close()


def quiet(kind: str, text: str) -> None:
    """Nobody reads the notes."""


def test_key_from_a_private_file_opens_the_way_by_gateways(place: Place) -> None:
    """The socket listens where the bench file says, the board's key is known before anything is written."""
    place.keys()
    port = free_port()
    air = place.air(GATEWAY.replace("0.0.0.0:1700", f"127.0.0.1:{port}"), RADIO_TABLE.replace("../../keys", "keys"))

    link = air.link("1", board="HB-0001", note=quiet)

    assert isinstance(link, AirLink)
    assert place.secrets.text(DIGITS) == REDACTED
    gateway = UdpGateway(("127.0.0.1", port), 0x02004842F0000001)
    gateway.pull()
    gateway.close()
    link.close()


def test_one_socket_serves_board_after_board(place: Place) -> None:
    """The second board's link uses the socket of the first: gateways need not find it again."""
    place.keys()
    air = place.air(
        GATEWAY.replace("0.0.0.0:1700", f"127.0.0.1:{free_port()}"), RADIO_TABLE.replace("../../keys", "keys")
    )
    for board in ("HB-0001", "HB-0002"):
        link = air.link("1", board=board, note=quiet)
        assert link is not None
        link.close()


def test_simulated_radio_is_the_announced_one(place: Place) -> None:
    """A random key of the simulation, and the port that it announced, are used."""
    port = free_port()
    air = place.air(base=SHIPPED, listen=f"127.0.0.1:{port}", radios={"1": Radio(key=Key.from_hex(DIGITS))})

    link = air.link("1", board="HB-0001", note=quiet)

    assert isinstance(link, AirLink)
    assert link.name == f"board 02004842A0010001 by gateways at 127.0.0.1:{port}"
    link.close()


@pytest.mark.parametrize(
    ("listen", "radios", "kind", "said"),
    [
        pytest.param("127.0.0.1:9", {}, BenchError, "announced no key", id="no radio"),
        pytest.param("127.0.0.1:9", {"1": Radio()}, BenchError, "announced no key", id="no key"),
        pytest.param("", {"1": Radio(key=Key.from_hex(DIGITS))}, GatewayError, "announced no address", id="no port"),
    ],
)
def test_simulated_bench_that_tells_too_little_is_a_bench_error(
    place: Place, listen: str, radios: dict[str, Radio], kind: type[BenchError], said: str
) -> None:
    """A simulation of another bench file: said with what to do."""
    with pytest.raises(kind, match=rf"{said}.*start it with the bench file of this run"):
        place.air(base=SHIPPED, listen=listen, radios=radios).link("1", board="HB-0001", note=quiet)


def test_missing_key_is_a_mistake_of_the_configuration(place: Place) -> None:
    """Nothing is opened for a board whose key is nowhere."""
    with pytest.raises(ConfigError, match=r"keys\.toml cannot be read"):
        place.air(GATEWAY, RADIO_TABLE).link("1", board="HB-0001", note=quiet)


def test_bench_without_ears_has_no_way(place: Place) -> None:
    """Neither gateway nor network, or no radio in the slot: there is none, and no error."""
    place.keys()

    assert place.air(RADIO_TABLE).link("1", board="HB-0001", note=quiet) is None
    assert place.air(GATEWAY).link("1", board="HB-0001", note=quiet) is None


def test_network_is_reached_with_its_password(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker with a password tells of the board's uplink; the password is taken out of every text."""
    monkeypatch.setenv("BROKER_PASSWORD", PASSWORD)
    users = password_file(place.folder, "bench", PASSWORD)
    broker = mosquitto(place.folder, "allow_anonymous false", f"password_file {users}")
    broker.start()
    try:
        link = place.air(network(broker.port), RADIO_TABLE).link("1", board="HB-0001", note=quiet)
        assert isinstance(link, BrokerLink)
        link.wait_until_open()
        told = {"board": {"eui": "02004842A0010001"}, "port": 2, "counter": 5, "data": "0102"}
        publish.single(
            "boards/02004842a0010001/up", json.dumps(told), qos=1, hostname="127.0.0.1", port=broker.port,
            auth={"username": "bench", "password": PASSWORD},
        )  # fmt: skip
        assert link.wait_for_uplink(20.0, since=0).payload == b"\x01\x02"
        assert place.secrets.text(f"as {PASSWORD}") == f"as {REDACTED}"
    finally:
        broker.kill()


def network(port: int) -> str:
    """The table of a broker on this machine, without TLS."""
    return NETWORK.replace("mqtts://broker.example:8884", f"mqtt://127.0.0.1:{port}").replace(
        'ca = "authority.pem"\n', ""
    )


def test_broker_that_is_away_is_an_error_of_the_bench(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """No board is blamed for it; it is said when the air is needed, so that all else can be checked."""
    monkeypatch.setenv("BROKER_PASSWORD", PASSWORD)
    monkeypatch.setattr("benchrig.board.broker_link._CONNECT_WALL_S", 0.3)
    link = place.air(network(free_port()), RADIO_TABLE).link("1", board="HB-0001", note=quiet)

    assert link is not None
    with pytest.raises(BrokerError, match=r"no connection within 0\.3 s: Connection refused; check that the broker"):
        link.wait_until_open()
