"""Opens what a bench hears its boards by, once, and gives each run the way to its own board.

Owns the gateways' socket or the broker's client for the length of a session, and brings together what the bench file
says, what a simulated bench announced, the key's source and what earlier runs kept. Must not know checks.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, cast

from benchrig.bench.keys import SIMULATED, board_key, secret_text
from benchrig.board.air_link import AirLink, settings_for
from benchrig.board.air_state import AirState
from benchrig.board.broker_link import BrokerLink
from benchrig.errors import BenchError, ConfigError, GatewayError
from benchrig.protocol.broker_json import topic_for
from benchrig.protocol.network_session import Device, NonceRule
from benchrig.protocol.regions import region_named
from benchrig.wires.gateway_socket import GatewaySocket
from benchrig.wires.mqtt import BrokerAddress, BrokerClient

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from benchrig.bench.air_tables import GatewaySpec, NetworkSpec, RadioSpec
    from benchrig.bench.bench_file import BenchSpec
    from benchrig.board.air import AirPath
    from benchrig.clock import Clock
    from benchrig.known_secrets import KnownSecrets
    from benchrig.protocol.secret_key import Key

_SHORTEST_REDACTED = 8
"""A shorter password would be found by chance in ordinary text, and cannot be taken out of it."""


class Announced(Protocol):
    """The radio of a simulated board, as its bench announced it."""

    @property
    def device_eui(self) -> int: ...
    @property
    def join_eui(self) -> int: ...
    @property
    def key(self) -> Key | None: ...


class BenchAir:
    """Everything of the air that a session has open. `listen` and `radios` are what a simulated bench announced."""

    def __init__(
        self,
        spec: BenchSpec,
        *,
        listen: str,
        radios: Mapping[str, Announced],
        clock: Clock,
        reports: Path,
        secrets: KnownSecrets,
    ) -> None:
        self._spec = spec
        self._listen = listen
        self._radios = radios
        self._clock = clock
        self._reports = reports
        self._secrets = secrets
        self._socket: GatewaySocket | None = None
        self._brokers: dict[str, BrokerClient] = {}

    def link(self, slot: str, *, board: str, note: Callable[[str, str], None]) -> AirPath | None:
        """The way to a board in a slot; None where nothing of the bench hears it. Raises ConfigError, BenchError."""
        radio = self._spec.slots[slot].radio
        if radio is None:
            return None
        if self._spec.gateway is not None:
            return self._by_gateway(self._spec.gateway, radio, slot=slot, board=board, note=note)
        if self._spec.network is not None:
            return self._by_broker(self._spec.network, radio, note=note)
        return None

    def close(self) -> None:
        """Close what is open; a second call does nothing."""
        if self._socket is not None:
            self._socket.close()
        for broker in self._brokers.values():
            broker.close()

    def _by_gateway(
        self, gateway: GatewaySpec, radio: RadioSpec, *, slot: str, board: str, note: Callable[[str, str], None]
    ) -> AirLink:
        device = self._device(radio, slot=slot, board=board)
        self._secrets.add((device.app_key,))
        region = region_named(gateway.region)
        state = AirState.load(self._reports, board=board, device=device, region=region)
        return AirLink(
            self._gateways(gateway),
            region=region,
            state=state,
            clock=self._clock,
            settings=settings_for(self._clock, rx_delay_s=gateway.rx_delay_s, power_dbm=gateway.power_dbm),
            note=note,
            know=self._secrets.add,
        )

    def _gateways(self, gateway: GatewaySpec) -> GatewaySocket:
        if self._socket is None:
            host, port = gateway.host, gateway.port
            if port == 0:
                host, port = self._announced_address()
            self._socket = GatewaySocket(host, port, accepted=gateway.euis)
        return self._socket

    def _announced_address(self) -> tuple[str, int]:
        host, _, port = self._listen.rpartition(":")
        if not host or not port.isdigit():
            raise GatewayError(
                f"[gateway] listen: the simulated bench announced no address for its gateways ({self._listen!r}); "
                "start it with the bench file of this run"
            )
        return host, int(port)

    def _device(self, radio: RadioSpec, *, slot: str, board: str) -> Device:
        told = self._radios.get(slot)
        rule = cast("NonceRule", radio.nonces)
        device_eui = radio.device_eui if told is None else told.device_eui
        join_eui = radio.join_eui if told is None else told.join_eui
        if radio.keys == SIMULATED:
            if told is None or told.key is None:
                raise BenchError(
                    f"slots.{slot}.radio: the simulated bench announced no key for it; start it with the bench file of "
                    "this run"
                )
            return Device(dev_eui=told.device_eui, join_eui=told.join_eui, app_key=told.key, nonces=rule)
        eui, key = board_key(radio.keys, folder=self._spec.path.parent, device_eui=device_eui, board=board)
        if join_eui is None:
            raise ConfigError(f"{self._spec.path}: slots.{slot}.radio.join_eui: this key is missing")
        return Device(dev_eui=eui, join_eui=join_eui, app_key=key, nonces=rule)

    def _by_broker(self, network: NetworkSpec, radio: RadioSpec, *, note: Callable[[str, str], None]) -> BrokerLink:
        if radio.device_eui is None:
            raise ConfigError(f"{self._spec.path}: a radio behind a [network] needs its device_eui")
        return BrokerLink(
            self._client(network, radio.device_eui),
            uplink=network.uplink,
            device_eui=radio.device_eui,
            clock=self._clock,
            downlink_topic=network.downlink_topic,
            downlink=network.downlink,
            note=note,
        )

    def _client(self, network: NetworkSpec, device_eui: int) -> BrokerClient:
        """One for each topic: it may be that of a single board."""
        topic = topic_for(network.uplink_topic, device_eui)
        if topic not in self._brokers:
            address = BrokerAddress(
                host=network.host,
                port=network.port,
                tls=network.tls,
                ca=network.ca,
                user=network.user,
                password=self._password(network),
            )
            self._brokers[topic] = BrokerClient(address, topic=topic)
        return self._brokers[topic]

    def _password(self, network: NetworkSpec) -> str:
        if not network.password:
            return ""
        what = f"password of user {network.user} at broker {network.host}"
        password = secret_text(network.password, folder=self._spec.path.parent, what=what)
        if len(password.encode()) >= _SHORTEST_REDACTED:
            self._secrets.add((password.encode(),))
        return password
