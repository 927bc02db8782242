"""A network for the simulated gateways, independent of them: datagrams by hand, frames by the codec liblora.

Datagrams: Semtech's `PROTOCOL.TXT` of its public packet forwarder, protocol version 2 (from memory).  Waits for events
with a time-out; knows nothing of the simulation's modules.
"""

from __future__ import annotations

import base64
import json
import socket
import time
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

import loracrypto
import loramsg

from .bench_process import TIMEOUT_S, Slot, fields
from .conftest import bench_text

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from .bench_process import BenchProcess

PUSH_DATA, PUSH_ACK, PULL_DATA, PULL_RESP, PULL_ACK, TX_ACK = range(6)
GATEWAYS = (0x02004842F0000001, 0x02004842F0000002)
RX2_HZ = 869_525_000
SCALE = 4.0
ON, OFF = b"\x01", b"\x00"
PIN_PORT = 10


def air_bench(path: Path, *, slots: int = 1, radio: str = "", scale: float = SCALE, head: str = "") -> Path:
    """A bench file whose slots have radios, two gateways, a meter on the pin and a tap on the modem's replies."""
    text = bench_text(slots=slots, scale=scale, head=head)
    text = text.replace("temperature = {", "pin = { instrument = 'meter', channel = 0, range = 10.0 }\ntemperature = {")
    for number in range(1, slots + 1):
        text = text.replace("channel = 0,", f"channel = {number}04,", 1)
        text += f"[slots.{number}.radio]\n{radio}\n"
    text = text.replace("modem_uart =", 'modem_reply = { port = "simulated" }\nmodem_uart =')
    euis = ", ".join(f'"{eui:016X}"' for eui in GATEWAYS)
    path.write_text(f'{text}[gateway]\nlisten = "127.0.0.1:0"\neuis = [{euis}]\n', encoding="utf-8")
    return path


@dataclass
class Packet:
    """A packet as one gateway handed it over."""

    gateway: int
    rxpk: dict[str, object]

    @property
    def data(self) -> bytes:
        return base64.b64decode(str(self.rxpk["data"]), validate=True)

    @property
    def counter_us(self) -> int:
        return int(str(self.rxpk["tmst"]))

    @property
    def frequency_hz(self) -> int:
        return round(float(str(self.rxpk["freq"])) * 1e6)

    @property
    def is_sound(self) -> bool:
        return self.rxpk["stat"] == 1


class Network:
    """The UDP end of a network; every call takes in what has arrived."""

    def __init__(self, bench: BenchProcess) -> None:
        host, port = bench.ready["gateway"]["listen"].split(":")
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind((host, int(port)))
        self.ways: dict[int, tuple[str, int]] = {}
        self.statuses: list[dict[str, object]] = []
        self._packets: deque[Packet] = deque()
        self._answers: dict[int, str] = {}
        self._token = 0

    def close(self) -> None:
        self._socket.close()

    def packet(self, *, gateway: int | None = None, timeout_s: float = TIMEOUT_S) -> Packet:
        """The next packet, of one gateway if it is named; others are dropped.  Raises TimeoutError."""
        deadline_s = time.monotonic() + timeout_s
        while True:
            while self._packets:
                packet = self._packets.popleft()
                if gateway in (None, packet.gateway):
                    return packet
            self._take(deadline_s)

    def wait_for_way(self, gateway: int) -> None:
        """Wait until the gateway has opened its way for downlinks."""
        deadline_s = time.monotonic() + TIMEOUT_S
        while gateway not in self.ways:
            self._take(deadline_s)

    def status(self) -> dict[str, object]:
        """A gateway's own figures, the first that came."""
        deadline_s = time.monotonic() + TIMEOUT_S
        while not self.statuses:
            self._take(deadline_s)
        return self.statuses[0]

    def order(self, txpk: dict[str, object], *, gateway: int = GATEWAYS[0]) -> str:
        """Order a transmission; the gateway's word for it, NONE if it took it."""
        self.wait_for_way(gateway)
        self._token += 1
        body = json.dumps({"txpk": txpk}).encode()
        self.send(b"\x02" + self._token.to_bytes(2, "big") + bytes([PULL_RESP]) + body, gateway=gateway)
        deadline_s = time.monotonic() + TIMEOUT_S
        while self._token not in self._answers:
            self._take(deadline_s)
        return self._answers.pop(self._token)

    def send(self, data: bytes, *, gateway: int = GATEWAYS[0]) -> None:
        """Raw bytes to a gateway."""
        self._socket.sendto(data, self.ways[gateway])

    def _take(self, deadline_s: float) -> None:
        self._socket.settimeout(max(0.001, deadline_s - time.monotonic()))
        data, sender = self._socket.recvfrom(65536)
        assert data[0] == 2
        token, kind, gateway = data[1:3], data[3], int.from_bytes(data[4:12], "big")
        if kind == PULL_DATA:
            assert len(data) == 12
            self.ways[gateway] = sender
            self._socket.sendto(b"\x02" + token + bytes([PULL_ACK]), sender)
        elif kind == PUSH_DATA:
            self._socket.sendto(b"\x02" + token + bytes([PUSH_ACK]), sender)
            content = json.loads(data[12:])
            self._packets.extend(Packet(gateway, one) for one in content.get("rxpk", []))
            self.statuses += [content["stat"]] if "stat" in content else []
        elif kind == TX_ACK:
            self._answers[int.from_bytes(token, "big")] = json.loads(data[12:])["txpk_ack"]["error"]


@dataclass
class Uplink:
    """A data frame in the clear."""

    counter: int
    port: int
    payload: bytes
    is_confirmed: bool
    acknowledges: bool
    packet: Packet


class Radio:
    """The network's view of one board: its key as announced, its session, the clients of its slot."""

    def __init__(self, bench: BenchProcess, network: Network, *, number: int = 1) -> None:
        self.slot = Slot(bench, number=number)
        self.network = network
        told = bench.ready["radio"][str(number)]
        self.device_eui, self.join_eui = int(told["device_eui"], 16), int(told["join_eui"], 16)
        self.key = bytes.fromhex(told.get("app_key", ""))
        self.reply = bench.port(f"{number}.modem_reply")
        self._pin = f"(@{number}04)"
        self.nonce = 0
        self.address = 0x0100_0000 + number
        self.app_nonce = 0
        self.last_up = 0
        self.down = 0

    def power_up(self) -> str:
        """On, with enough current for the transmitter; the BOOT line."""
        return self.slot.power_up(limit_a=0.3)

    def pin(self) -> float:
        """Volts that the meter sees at the pin."""
        return self.slot.meter.ask_number(f"MEAS:VOLT? 10,{self._pin}")

    def close(self) -> None:
        self.slot.close()
        self.reply.close()

    def wait_for_reply(self, start: str) -> str:
        """The next line of the modem that begins so."""
        while not (line := self.reply.line()).startswith(start):
            pass
        return line

    # Joining.

    def ask_to_join(self) -> Packet:
        """Have the board send a join-request; the packet as the first gateway hands it over, not yet verified."""
        assert self.slot.console.ask("join") == "JOIN begun"
        while (packet := self.network.packet(gateway=GATEWAYS[0])).data[:1] != b"\x00":
            pass
        return packet

    def verify_join(self, packet: Packet) -> None:
        """Check identities and code with the independent codec, and keep the nonce.  Raises loramsg.VerifyError."""
        loramsg.sanity_check_frame(packet.data)
        request = loramsg.unpack_jreq(packet.data)
        assert (request["JoinEUI"].as_int(), request["DevEUI"].as_int()) == (self.join_eui, self.device_eui)
        self.nonce = int(request["DevNonce"])
        loramsg.verify_jreq(self.key, packet.data)

    def join(self, *, settings: int = 0, delay: int = 0, channels: bytes | None = None) -> str:
        """The whole join; what the console says at its end."""
        packet = self.ask_to_join()
        self.verify_join(packet)
        self.app_nonce += 1
        accept = loramsg.pack_jacc(self.key, self.app_nonce, 0, self.address, settings, delay, channels)
        assert self.network.order(self.txpk(accept, after=packet, delay_s=5.0)) == "NONE"
        said = self.slot.console.text()
        self.network_key, self.application_key = (
            loracrypto.crypto.derive(self.key, self.nonce, self.app_nonce, 0, which) for which in (1, 2)
        )
        self.last_up = self.down = 0
        return said

    # Data.

    def report(self) -> bytes:
        """Have the board send a report; the bytes that went over the UART, which may be sent any time now."""
        self.slot.console.send("report")
        assert self.slot.console.text().startswith("REPORT n=")
        while not (line := self.slot.modem.line()).startswith("AT+BUF="):
            pass
        return bytes.fromhex(line.split(",")[1])

    def reported(self) -> None:
        """Wait until the windows of a report are over."""
        assert self.slot.console.text().startswith("REPORT done")

    def uplink(self, *, gateway: int = GATEWAYS[0]) -> Uplink:
        """The next data frame of this board, verified.  Raises loramsg.VerifyError."""
        while loramsg.peek_dataframe((packet := self.network.packet(gateway=gateway)).data)[0] != self.address:
            pass
        return self.opened(packet)

    def opened(self, packet: Packet) -> Uplink:
        """A data frame verified and decrypted by the independent codec.  Raises loramsg.VerifyError."""
        loramsg.sanity_check_frame(packet.data)
        found = loramsg.unpack_dataframe(packet.data, self.last_up, self.network_key, self.application_key)
        self.last_up = int(found["FCnt"])
        return Uplink(
            self.last_up,
            int(found["FPort"]),
            bytes(found["FRMPayload"]),
            found["MHdr"] & 0xE0 == loramsg.FrmType.DCUP,
            bool(found["FCtrl"] & loramsg.FCtrl.ACK),
            packet,
        )

    def downlink(
        self, payload: bytes, *, port: int = PIN_PORT, confirmed: bool = False, acknowledges: bool = False
    ) -> bytes:
        """The next frame down."""
        kind = loramsg.FrmType.DCDN if confirmed else loramsg.FrmType.DADN
        flags = loramsg.FCtrl.ACK if acknowledges else 0
        self.down += 1
        return bytes(
            loramsg.pack_dataframe(
                kind, self.address, flags, self.down - 1, b"", port, payload, self.network_key, self.application_key
            )
        )

    def txpk(
        self,
        data: bytes,
        *,
        after: Packet,
        delay_s: float = 1.0,
        frequency_hz: int = 0,
        rate: str = "SF7BW125",
        inverted: bool = True,
    ) -> dict[str, object]:
        """An order for `delay_s` after the end of an uplink; on the uplink's own frequency unless given."""
        return {
            "tmst": (after.counter_us + round(delay_s * 1e6)) % (1 << 32),
            "freq": (frequency_hz or after.frequency_hz) / 1e6,
            "rfch": 0,
            "powe": 14,
            "modu": "LORA",
            "datr": rate,
            "codr": "4/5",
            "ipol": inverted,
            "size": len(data),
            "ncrc": True,
            "data": base64.b64encode(data).decode(),
        }

    def send_down(self, data: bytes, **how: object) -> Uplink:
        """A report, and `data` ordered in the window after it; returns when the windows are over."""
        self.report()
        heard = self.uplink()
        assert self.network.order(self.txpk(data, after=heard.packet, **how)) == "NONE"  # type: ignore[arg-type]  # passed on
        self.reported()
        return heard

    def switched(self) -> int:
        """How often the board says that a downlink has switched the pin."""
        return int(fields(self.slot.console.ask("pin?"))["switched"])


def channel_list(frequencies_hz: Sequence[int]) -> bytes:
    """A channel list of type 0: five frequencies of 24 bits in hundreds of hertz (RP002-1.0.1)."""
    packed = b"".join((one // 100).to_bytes(3, "little") for one in frequencies_hz)
    return packed.ljust(16, b"\x00")
