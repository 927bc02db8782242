"""How fast gateways are answered: python tests/benchmarks/gateway_ack.py

Eight gateways in a process of their own send 100 datagrams a second each, packets and requests in turn, while this
process runs the whole way: socket, network, a file for nonces, and a check that waits. Told are the delays from
a datagram to its acknowledgement and their ratio to a bare echo over the same loopback, measured in the same run.
Exit status 1 when one in a hundred takes longer than 5 ms.
"""

from __future__ import annotations

import json
import os
import select
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

GATEWAYS, EACH_PER_S, SECONDS = 8, 100, 5.0
BOUND_S = 5e-3
_PATIENCE_S = 2.0


def talk(port: int, *, echo: bool) -> list[float]:
    """The gateways: the delay of every answer in seconds, in order; a lost one counts as the patience."""
    sockets = [socket.socket(socket.AF_INET, socket.SOCK_DGRAM) for _ in range(GATEWAYS)]
    for one in sockets:
        one.connect(("127.0.0.1", port))
    sent: dict[bytes, float] = {}
    delays: list[float] = []
    begun_s = time.monotonic()
    pause_s = 1.0 / (GATEWAYS * EACH_PER_S)
    for number in range(int(SECONDS * GATEWAYS * EACH_PER_S)):
        due_s = begun_s + number * pause_s
        while (left_s := due_s - time.monotonic()) > 0.0:
            _collect(sockets, left_s, sent, delays, echo=echo)
        token = number.to_bytes(2, "big")
        sent[token] = time.monotonic()
        sockets[number % GATEWAYS].send(_datagram(number, token))
    over_s = time.monotonic() + _PATIENCE_S
    while sent and time.monotonic() < over_s:
        _collect(sockets, 0.05, sent, delays, echo=echo)
    return sorted([*delays, *(_PATIENCE_S for _ in sent)])


def _datagram(number: int, token: bytes) -> bytes:
    gateway = (number % GATEWAYS).to_bytes(8, "big")
    if number // GATEWAYS % 2:
        return b"\x02" + token + b"\x02" + gateway
    packet = {
        "tmst": number, "chan": 0, "rfch": 0, "freq": 868.1, "stat": 1, "modu": "LORA", "datr": "SF7BW125",
        "codr": "4/5", "rssi": -60, "lsnr": 7.0, "size": 4, "data": "QAECAw==",
    }  # fmt: skip
    return b"\x02" + token + b"\x00" + gateway + json.dumps({"rxpk": [packet]}).encode()


def _collect(
    sockets: list[socket.socket], timeout_s: float, sent: dict[bytes, float], delays: list[float], *, echo: bool
) -> None:
    for one in select.select(sockets, [], [], timeout_s)[0]:
        answer = one.recv(65_535)
        if echo or len(answer) == 4:
            delays.append(time.monotonic() - sent.pop(answer[1:3]))


def _in_process(port: int, *, echo: bool) -> list[float]:
    command = [sys.executable, __file__, str(port), "echo" if echo else "gateway"]
    told: list[float] = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
    return told


def _bare() -> list[float]:
    """The floor: an endpoint that sends every datagram back."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as endpoint:
        endpoint.bind(("127.0.0.1", 0))
        over = threading.Event()

        def answer() -> None:
            endpoint.settimeout(0.1)
            while not over.is_set():
                try:
                    data, sender = endpoint.recvfrom(65_535)
                except TimeoutError:
                    continue
                endpoint.sendto(data, sender)

        thread = threading.Thread(target=answer)
        thread.start()
        found = _in_process(endpoint.getsockname()[1], echo=True)
        over.set()
        thread.join()
    return found


def _whole() -> tuple[list[float], int]:
    from benchrig.board.air_link import AirLink  # noqa: PLC0415 - the gateways' process needs none of it
    from benchrig.board.air_state import AirState  # noqa: PLC0415
    from benchrig.clock import ScaledClock  # noqa: PLC0415
    from benchrig.errors import BoardTimeout  # noqa: PLC0415
    from benchrig.protocol.network_session import Device  # noqa: PLC0415
    from benchrig.protocol.regions import EU868  # noqa: PLC0415
    from benchrig.protocol.secret_key import Key  # noqa: PLC0415
    from benchrig.wires.gateway_socket import GatewaySocket  # noqa: PLC0415

    device = Device(dev_eui=1, join_eui=2, app_key=Key(os.urandom(16)))
    with tempfile.TemporaryDirectory() as folder, GatewaySocket("127.0.0.1", 0) as endpoint:
        state = AirState.load(Path(folder), board="HB-1", device=device, region=EU868)
        link = AirLink(endpoint, region=EU868, state=state, clock=ScaledClock())

        def wait() -> None:
            try:
                link.wait_for_uplink(SECONDS, since=0)
            except BoardTimeout:
                return

        check = threading.Thread(target=wait)
        check.start()
        found = _in_process(endpoint.port, echo=False)
        check.join()
        link.close()
        return found, endpoint.counts.bad + endpoint.lost


def main() -> int:
    """Measure, print, and judge against the bound."""
    bare, (whole, spoilt) = _bare(), _whole()
    print(f"{len(whole)} datagrams of {GATEWAYS} gateways, {EACH_PER_S} a second each; bad or lost: {spoilt}")
    for name, share in (("median", 0.5), ("one in a hundred", 0.99), ("worst", 1.0)):
        place = min(int(share * len(whole)), len(whole) - 1)
        ratio = whole[place] / bare[place]
        print(f"  {name}: {whole[place] * 1e3:.2f} ms, {ratio:.1f} times a bare echo ({bare[place] * 1e3:.2f} ms)")
    print(f"  bound: one in a hundred within {BOUND_S * 1e3:g} ms")
    return int(whole[int(0.99 * len(whole))] > BOUND_S or spoilt > 0)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        print(json.dumps(talk(int(sys.argv[1]), echo=sys.argv[2] == "echo")))
        sys.exit(0)
    sys.exit(main())
