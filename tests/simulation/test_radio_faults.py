"""Every fault of the air is visible at the wire, and a healthy board or bench does not show it.

One process with a slot for each fault of a board and a healthy one; a process of its own for each fault of the bench,
since all slots share the air and the gateways.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import loramsg
import pytest

from .bench_process import BenchProcess
from .radio_network import GATEWAYS, OFF, ON, PIN_PORT, RX2_HZ, Network, Radio, air_bench

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

BOARD_CHECKS: dict[str, Callable[[Radio], bool]] = {}
BENCH_CHECKS: dict[str, Callable[[Radio], bool]] = {}


def board(check: Callable[[Radio], bool]) -> Callable[[Radio], bool]:
    """Register a check of a board fault under its name; the board is running."""
    BOARD_CHECKS[check.__name__] = check
    return check


def bench(check: Callable[[Radio], bool]) -> Callable[[Radio], bool]:
    """Register a check of a bench fault under its name; the board is running."""
    BENCH_CHECKS[check.__name__] = check
    return check


def restart(radio: Radio) -> None:
    """Take the board's power away, and give it back."""
    radio.slot.power_down()
    radio.power_up()


def sent(radio: Radio) -> tuple[bytes, int, bytes]:
    """Bytes on the UART, and port and bytes on the air, of one report in a new session."""
    radio.join()
    handed = radio.report()
    heard = radio.uplink()
    radio.reported()
    return handed, heard.port, heard.payload


@board
def air_wrong_key(radio: Radio) -> bool:
    packet = radio.ask_to_join()
    try:
        radio.verify_join(packet)
    except loramsg.VerifyError:
        return radio.slot.console.text() == f"JOIN failed nonce={radio.nonce}"
    return False


@board
def nonce_reset(radio: Radio) -> bool:
    nonces = []
    for _ in range(2):
        radio.join()
        nonces.append(radio.nonce)
        restart(radio)
    return nonces[0] == nonces[1]


@board
def counter_reset(radio: Radio) -> bool:
    radio.join()
    counters = []
    for _ in range(2):
        radio.report()
        counters.append(radio.uplink().counter)
        radio.reported()
        restart(radio)
    return counters == [0, 0]


@board
def air_wrong_port(radio: Radio) -> bool:
    handed, port, payload = sent(radio)
    return (port, payload) == (3, handed)


@board
def modem_swaps_bytes(radio: Radio) -> bool:
    handed, port, payload = sent(radio)
    turned = b"".join(handed[at : at + 2][::-1] for at in range(0, len(handed), 2))
    return (port, payload) == (2, turned) and payload != handed


@board
def downlink_twice(radio: Radio) -> bool:
    radio.join()
    on, off = radio.downlink(ON), radio.downlink(OFF)
    for frame in (on, off, on):
        radio.send_down(frame)
    return radio.switched() == 3 and radio.pin() > 3.0


@board
def air_identity_reversed(radio: Radio) -> bool:
    request = loramsg.unpack_jreq(radio.ask_to_join().data)
    said = int(request["DevEUI"].as_int()) & (1 << 64) - 1
    radio.slot.console.text()
    return said == int.from_bytes(radio.device_eui.to_bytes(8, "big"), "little")


def requests(radio: Radio, count: int) -> list[float]:
    """When the first gateway heard so many join-requests in a row, none of them answered, by its own clock."""
    assert radio.slot.console.ask("join keep") == "JOIN keeps trying"
    heard: list[float] = []
    while len(heard) < count:
        packet = radio.network.packet(gateway=GATEWAYS[0])
        heard += [packet.counter_us / 1e6] if packet.data[:1] == b"\x00" else []
    return heard


@board
def join_hammers(radio: Radio) -> bool:
    first, second, third = requests(radio, 3)
    return third - second < 1.1 * (second - first)


@board
def backoff_forgotten(radio: Radio) -> bool:
    """After a power cut the first request comes at once; a sound board keeps the pause that it had reached, 4 s."""
    before = requests(radio, 2)
    radio.slot.power_down()
    said = radio.power_up()
    while not said.startswith("BOOT"):  # what the board said of its requests before
        said = radio.slot.console.text()
    (after,) = requests(radio, 1)
    return after - before[-1] < 3.0


@board
def reports_too_often(radio: Radio) -> bool:
    """Told to report every 5 s, and left alone."""
    radio.join()
    assert radio.slot.console.ask("report every 5") == "REPORT every 5 s"
    heard = [radio.uplink().packet.counter_us for _ in range(3)]
    return (heard[-1] - heard[0]) % (1 << 32) < 9_000_000


@board
def air_confirmed(radio: Radio) -> bool:
    radio.join()
    radio.report()
    heard = radio.uplink()
    radio.reported()
    return heard.is_confirmed


@board
def second_window_wrong(radio: Radio) -> bool:
    """A command in the second window, 2 s after the uplink at 869.525 MHz and SF12 (RP002-1.0.1), is not heard."""
    radio.join()
    radio.send_down(radio.downlink(ON), delay_s=2.0, frequency_hz=RX2_HZ, rate="SF12BW125")
    return radio.switched() == 0


@board
def listens_always(radio: Radio) -> bool:
    """A command that comes long after the windows is obeyed."""
    radio.join()
    radio.report()
    heard = radio.uplink()
    radio.reported()
    order = radio.txpk(radio.downlink(ON), after=heard.packet, frequency_hz=RX2_HZ, rate="SF12BW125")
    del order["tmst"]
    assert radio.network.order({**order, "imme": True}) == "NONE"
    for _ in range(3):  # a frame of SF12 takes more than a second; each report takes two
        radio.report()
        radio.reported()
    return radio.switched() == 1


@board
def unknown_command_obeyed(radio: Radio) -> bool:
    radio.join()
    radio.send_down(radio.downlink(ON))
    radio.send_down(radio.downlink(b"\x7f"))
    return radio.pin() < 0.5


@board
def any_port_obeyed(radio: Radio) -> bool:
    radio.join()
    radio.send_down(radio.downlink(ON, port=PIN_PORT + 1))
    return radio.pin() > 3.0


@board
def pin_outlasts_power(radio: Radio) -> bool:
    radio.join()
    radio.send_down(radio.downlink(ON))
    restart(radio)
    return radio.pin() > 3.0


@board
def late_window(radio: Radio) -> bool:
    """The join-accept in the first window, 5 s after the request, is not heard."""
    return radio.join() == f"JOIN failed nonce={radio.nonce}"


@board
def antenna_detached(radio: Radio) -> bool:
    radio.report()
    packet = radio.network.packet(gateway=GATEWAYS[0])
    radio.reported()
    return int(str(packet.rxpk["rssi"])) < -90


@bench
def air_frames_lost(radio: Radio) -> bool:
    """Of 24 reports some are never heard: none lost by a healthy bench, with 30 % fewer than 2 in one of 450 runs."""
    for _ in range(24):
        radio.report()
        radio.reported()
    counters = set()
    try:
        while True:
            packet = radio.network.packet(gateway=GATEWAYS[0], timeout_s=0.3)
            counters.add(loramsg.peek_dataframe(packet.data)[1])
    except TimeoutError:
        return len(counters) <= 22


@bench
def foreign_device(radio: Radio) -> bool:
    try:
        packet = radio.network.packet(timeout_s=1.5)
    except TimeoutError:
        return False
    return packet.is_sound and loramsg.sanity_check_frame(packet.data) == loramsg.FrmType.DAUP


@bench
def gateway_mute(radio: Radio) -> bool:
    try:
        radio.report()
        radio.network.packet(timeout_s=1.5)
    except TimeoutError:
        return not radio.network.ways
    return False


@bench
def gateway_vanishes(radio: Radio) -> bool:
    for heard in range(17):
        radio.report()
        try:
            radio.network.packet(gateway=GATEWAYS[0], timeout_s=1.5)
        except TimeoutError:
            return heard > 0
        radio.reported()
    return False


@bench
def crc_failed_frames(radio: Radio) -> bool:
    packets = []
    for _ in range(4):
        radio.report()
        packets.append(radio.network.packet(gateway=GATEWAYS[0]))
        radio.reported()
    damaged = [packet for packet in packets if not packet.is_sound]
    return [packet.is_sound for packet in packets] == [True, False, True, False] and all(
        packet.data[0] != 0x40 for packet in damaged
    )


NAMES = list(BOARD_CHECKS)
HEALTHY = len(NAMES) + 1


@pytest.fixture(scope="module")
def boards(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[BenchProcess, Network]]:
    """One board per fault, and a healthy one."""
    path = air_bench(tmp_path_factory.mktemp("air") / "bench.toml", slots=HEALTHY)
    bench = BenchProcess([path, "--fault", *(f"{NAMES.index(name) + 1}:{name}" for name in NAMES)])
    network = Network(bench)
    yield bench, network
    network.close()
    assert bench.end() == (0, "")


def shown_by(check: Callable[[Radio], bool], bench: BenchProcess, network: Network, *, number: int) -> bool:
    """Whether the running board in a slot shows it; it is off at the end."""
    radio = Radio(bench, network, number=number)
    radio.power_up()
    try:
        return check(radio)
    finally:
        radio.slot.power_down()
        radio.close()


@pytest.mark.parametrize("name", NAMES)
def test_board_fault_is_visible_and_health_is_not(boards: tuple[BenchProcess, Network], name: str) -> None:
    """The faulty board shows the fault's effect on the air; the healthy board does not."""
    check = BOARD_CHECKS[name]

    shown = [shown_by(check, *boards, number=number) for number in (NAMES.index(name) + 1, HEALTHY)]

    assert shown == [True, False]


@pytest.mark.parametrize("is_faulty", [True, False], ids=["faulty", "healthy"])
@pytest.mark.parametrize("name", BENCH_CHECKS)
def test_bench_fault_is_visible_and_health_is_not(tmp_path: Path, name: str, is_faulty: bool) -> None:
    """The faulty bench shows the fault's effect on the air; the healthy bench does not."""
    scale = {"air_frames_lost": 20.0, "gateway_vanishes": 8.0}.get(name, 4.0)
    path = air_bench(tmp_path / "bench.toml", scale=scale)
    bench = BenchProcess([path, *(["--fault", name] if is_faulty else [])])
    network = Network(bench)

    assert shown_by(BENCH_CHECKS[name], bench, network, number=1) is is_faulty

    network.close()
    assert bench.end() == (0, "")
