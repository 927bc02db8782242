"""The simulated radio: real frames over a real gateway protocol, checked by an independent codec (liblora)."""

from __future__ import annotations

import json
import stat
import subprocess
import sys
from typing import TYPE_CHECKING

import loramsg
import pytest

from .bench_process import BenchProcess
from .radio_network import GATEWAYS, OFF, ON, RX2_HZ, Network, Radio, air_bench, channel_list

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

HIGH_V = pytest.approx(3.3, abs=0.05)
LOW_V = pytest.approx(0.0, abs=0.01)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[BenchProcess]:
    """A bench with one healthy board, switched off, and two gateways."""
    bench = BenchProcess([air_bench(tmp_path / "bench.toml"), "--board", "1=HB-0042"])
    yield bench
    assert bench.end() == (0, "")


@pytest.fixture
def radio(bench: BenchProcess) -> Iterator[Radio]:
    """The board of that bench, running, and a network that its gateways find."""
    network = Network(bench)
    radio = Radio(bench, network)
    radio.power_up()
    yield radio
    radio.close()
    network.close()


@pytest.fixture
def joined(radio: Radio) -> Radio:
    """The board in a session."""
    assert radio.join() == f"JOIN accepted addr={radio.address:08X} nonce={radio.nonce}"
    return radio


def test_uplink_carries_the_bytes_of_the_uart(joined: Radio) -> None:
    """An independent codec verifies join and uplink, and finds the bytes that went over the UART, on their port."""
    handed = joined.report()
    first = joined.uplink()
    joined.reported()
    joined.report()
    second = joined.uplink()

    assert joined.device_eui == 0x02004842A0010042
    assert (first.payload, first.port, first.counter, first.is_confirmed) == (handed, 2, 0, False)
    assert second.counter == 1
    rxpk = first.packet.rxpk
    assert (rxpk["stat"], rxpk["modu"], rxpk["datr"], rxpk["codr"], rxpk["size"]) == (1, "LORA", "SF7BW125", "4/5", 22)
    assert first.packet.frequency_hz in {868_100_000, 868_300_000, 868_500_000}


def test_nonce_grows_over_a_power_cut_and_the_session_lasts(joined: Radio) -> None:
    """After a power cut the frame counter goes on in the same session, and the next join has the next nonce."""
    first_nonce = joined.nonce
    joined.report()
    before = joined.uplink().counter
    joined.slot.power_down()
    joined.power_up()
    joined.report()
    after = joined.uplink().counter
    joined.reported()
    joined.join()

    assert (before, after) == (0, 1)
    assert joined.nonce == first_nonce + 1


def test_board_without_a_session_is_unknown_to_the_network(radio: Radio) -> None:
    """Before its first join the board sends under an address that no network gave."""
    radio.report()

    assert loramsg.peek_dataframe(radio.network.packet().data)[0] not in (radio.address, 0)


WINDOWS: dict[str, tuple[dict[str, object], bool]] = {
    "first window": ({"delay_s": 1.0}, True),
    "second window": ({"delay_s": 2.0, "frequency_hz": RX2_HZ, "rate": "SF12BW125"}, True),
    "before the first": ({"delay_s": 0.95}, False),
    "after the first": ({"delay_s": 1.02}, False),
    "first, other frequency": ({"frequency_hz": 868_900_000}, False),
    "first, other rate": ({"rate": "SF9BW125"}, False),
    "first, polarity of an uplink": ({"inverted": False}, False),
    "second, after it": ({"delay_s": 2.05, "frequency_hz": RX2_HZ, "rate": "SF12BW125"}, False),
}


def test_windows_open_when_and_where_they_should(joined: Radio) -> None:
    """A downlink is heard 1 s after the uplink on its channel, and 2 s after it on 869.525 MHz at SF12; not beside.

    Delays, frequency and data rate: RP002-1.0.1, EU868.
    """
    heard = {}
    for name, (how, _) in WINDOWS.items():
        before = joined.switched()
        joined.send_down(joined.downlink(ON), **how)
        heard[name] = joined.switched() > before

    assert heard == {name: is_heard for name, (_, is_heard) in WINDOWS.items()}


def test_windows_follow_the_join_accept(radio: Radio) -> None:
    """Delay, data rate offset, second data rate and extra channels of the join-accept are obeyed."""
    extra_hz = (867_100_000, 867_300_000, 867_500_000, 867_700_000, 867_900_000)
    radio.join(settings=2 << 4 | 3, delay=2, channels=channel_list(extra_hz))
    before = radio.switched()

    radio.send_down(radio.downlink(ON), delay_s=2.0, rate="SF9BW125")
    in_first = radio.switched() - before
    radio.send_down(radio.downlink(ON), delay_s=3.0, frequency_hz=RX2_HZ, rate="SF9BW125")
    in_second = radio.switched() - before - in_first
    used_hz = {radio.send_down(radio.downlink(ON), delay_s=2.0).packet.frequency_hz for _ in range(8)}

    assert (in_first, in_second) == (1, 1)
    assert used_hz & set(extra_hz)


def test_downlink_switches_the_pin_that_the_meter_sees(joined: Radio) -> None:
    """Pin on: the meter sees the rail's level and the load draws its current; pin off: nothing; a repeat: nothing."""
    on, off = joined.downlink(ON), joined.downlink(OFF)
    levels, currents = [joined.pin()], [joined.slot.read_current()]
    for frame in (on, off, on):
        joined.send_down(frame)
        levels.append(joined.pin())
        currents.append(joined.slot.read_current())

    assert levels == [LOW_V, HIGH_V, LOW_V, LOW_V]
    assert currents[1] - currents[0] == pytest.approx(45e-3 * 3.3 / (0.9 * 3.7), rel=0.05)
    assert joined.switched() == 2
    assert joined.wait_for_reply("+REFUSED") == "+REFUSED: counter"


def test_frames_that_are_not_the_boards_are_dropped(joined: Radio) -> None:
    """A frame with a damaged code, another address or the direction of an uplink switches nothing."""
    good = joined.downlink(ON)
    other_address = good[:1] + bytes([good[1] ^ 2]) + good[2:]
    frames = [good[:-1] + bytes([good[-1] ^ 1]), other_address, b"\x40" + good[1:], good[:8]]

    for frame in frames:
        joined.send_down(frame)
    dropped = joined.switched()
    joined.send_down(good)

    assert (dropped, joined.switched()) == (0, 1)


def test_confirmed_uplink_is_repeated_until_it_is_acknowledged(joined: Radio) -> None:
    """The same bytes come three times at most; an acknowledgement ends it."""
    assert joined.slot.console.ask("confirm on") == "CONFIRM on"
    joined.report()
    packets = [joined.uplink().packet for _ in range(3)]
    joined.reported()
    joined.report()
    answered = joined.uplink()
    ack = joined.downlink(b"", port=1, acknowledges=True)
    assert joined.network.order(joined.txpk(ack, after=answered.packet)) == "NONE"
    joined.reported()

    assert answered.is_confirmed
    assert len({packet.data for packet in packets}) == 1
    assert joined.wait_for_reply("+ACK: r") == "+ACK: received"
    with pytest.raises(TimeoutError, match="timed out"):
        joined.network.packet(gateway=GATEWAYS[0], timeout_s=0.1)


def test_confirmed_downlink_is_acknowledged_by_the_next_uplink(joined: Radio) -> None:
    """The uplink after a confirmed downlink says so, the one after that does not."""
    flags = [joined.send_down(joined.downlink(ON, confirmed=True)).acknowledges]
    flags += [joined.send_down(joined.downlink(ON)).acknowledges for _ in range(2)]

    assert flags == [False, True, False]


def test_gateway_refuses_what_it_cannot_send_in_time(joined: Radio) -> None:
    """Each order is answered by the protocol's own word for why it cannot be taken."""
    joined.report()
    after = joined.uplink().packet
    data = joined.downlink(ON)
    taken = joined.txpk(data, after=after, delay_s=20.0)
    orders: dict[str, Callable[[], dict[str, object]]] = {
        "TOO_LATE": lambda: joined.txpk(data, after=after, delay_s=-0.5),
        "TOO_EARLY": lambda: joined.txpk(data, after=after, delay_s=200.0),
        "NONE": lambda: taken,
        "COLLISION_PACKET": lambda: taken,
        "TX_FREQ": lambda: joined.txpk(data, after=after, delay_s=25.0, frequency_hz=915_000_000),
        "TX_POWER": lambda: {**joined.txpk(data, after=after, delay_s=25.0), "powe": 30},
    }

    assert {name: joined.network.order(order()) for name, order in orders.items()} == {name: name for name in orders}


def order_text(inside: str) -> bytes:
    """A PULL_RESP with this in its order."""
    return b'\x02\x00\x01\x03{"txpk": {"modu": "LORA", ' + inside.encode() + b"}}"


NO_ORDERS = {
    "empty": b"",
    "other version": b"\x01\x00\x01\x03{}",
    "unknown kind": b"\x02\x00\x01\x09{}",
    "no JSON": b"\x02\x00\x01\x03{",
    "no order": b'\x02\x00\x01\x03{"txpk": 5}',
    "no UTF-8": b"\x02\x00\x01\x03\xff\xfe",
    "deep": b"\x02\x00\x01\x03" + b"[" * 5000,
    "no base64": order_text('"imme": true, "freq": 868.1, "datr": "SF7BW125", "data": "*"'),
    "rate": order_text('"imme": true, "freq": 868.1, "datr": "SF6BW125", "data": ""'),
    "infinite": order_text('"tmst": Infinity, "freq": 868.1, "datr": "SF7BW125", "data": ""'),
    "no number": order_text('"tmst": 1, "freq": NaN, "datr": "SF7BW125", "data": ""'),
}


def test_bad_datagrams_do_the_gateway_no_harm(joined: Radio) -> None:
    """What is no datagram of a network is dropped, and the next order is taken."""
    joined.network.wait_for_way(GATEWAYS[0])
    for data in NO_ORDERS.values():
        joined.network.send(data)

    joined.send_down(joined.downlink(ON))

    assert joined.pin() == HIGH_V


def test_order_without_a_time_is_sent_at_once(joined: Radio) -> None:
    """An immediate order takes up the gateway from this moment: a second one collides with it."""
    joined.report()
    heard = joined.uplink().packet
    slow = {**joined.txpk(joined.downlink(bytes(51)), after=heard, rate="SF12BW125"), "imme": True}
    del slow["tmst"]

    assert [joined.network.order(slow) for _ in range(2)] == ["NONE", "COLLISION_PACKET"]


def test_second_gateway_hears_the_same_more_faintly(joined: Radio) -> None:
    """Both gateways hand over the same bytes, each by its own clock, 12 dB apart."""
    joined.report()
    near = joined.uplink().packet
    far = joined.network.packet(gateway=GATEWAYS[1])
    while far.data != near.data:
        far = joined.network.packet(gateway=GATEWAYS[1])

    assert near.counter_us != far.counter_us
    assert int(str(near.rxpk["rssi"])) - int(str(far.rxpk["rssi"])) == pytest.approx(12, abs=4)
    assert int(str(near.rxpk["rssi"])) == pytest.approx(14 - 75, abs=3)


def test_gateway_tells_how_it_does(radio: Radio) -> None:
    """Each gateway opens its way, and reports its own figures under the protocol's names."""
    for gateway in GATEWAYS:
        radio.network.wait_for_way(gateway)

    assert set(radio.network.status()) == {"rxnb", "rxok", "rxfw", "ackr", "dwnb", "txnb"}


def test_each_start_has_another_random_key(tmp_path: Path) -> None:
    """The key of a simulated radio is announced, in a file for its owner alone, and differs from start to start."""
    path, told = air_bench(tmp_path / "bench.toml"), tmp_path / "addresses.json"
    keys, modes = set(), set()
    for _ in range(2):
        bench = BenchProcess([path, "--addresses", told])
        keys.add(bench.ready["radio"]["1"]["app_key"])
        modes.add(stat.S_IMODE(told.stat().st_mode))
        assert json.loads(told.read_text(encoding="utf-8")) == bench.ready
        assert bench.end() == (0, "")

    assert len(keys) == 2
    assert {len(bytes.fromhex(key)) for key in keys} == {16}
    assert modes == {0o600}


KEY = "0f1e2d3c4b5a69788796a5b4c3d2e1f0"
GIVEN_KEYS = {
    "file": ('keys = "keys.toml"', {}),
    "environment": ('keys = "env:BARN_KEY"', {"BARN_KEY": KEY}),
}


@pytest.mark.parametrize(("radio_table", "environment"), GIVEN_KEYS.values(), ids=GIVEN_KEYS)
def test_given_key_is_used_and_never_announced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, radio_table: str, environment: dict[str, str]
) -> None:
    """A key from a file or from the environment signs the join-request, and stands in no announcement."""
    (tmp_path / "keys.toml").write_text(f'[devices."02004842a0010001"]\napp_key = "{KEY}"\n', encoding="utf-8")
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    bench = BenchProcess([air_bench(tmp_path / "bench.toml", radio=f'{radio_table}\njoin_eui = "00000000000000AB"')])
    network = Network(bench)
    radio = Radio(bench, network)
    radio.key = bytes.fromhex(KEY)
    radio.power_up()

    radio.verify_join(radio.ask_to_join())

    assert radio.join_eui == 0xAB
    assert "app_key" not in bench.ready["radio"]["1"]
    network.close()
    radio.close()
    assert bench.end() == (0, "")


REFUSED = {
    "prompt": ('keys = "prompt"', "cannot be simulated"),
    "no file": ('keys = "nowhere.toml"', "cannot read the keys file"),
    "no variable": ('keys = "env:NOT_THERE_AT_ALL"', "NOT_THERE_AT_ALL holds no key of 32"),
    "short EUI": ('join_eui = "12"', "must be 16 hexadecimal digits"),
    "fault": ("", "shows on the air alone"),
}


@pytest.mark.parametrize(("radio_table", "sentence"), REFUSED.values(), ids=REFUSED)
def test_unusable_radio_is_refused_in_one_sentence(tmp_path: Path, radio_table: str, sentence: str) -> None:
    """A key that cannot be had, or a fault that nobody could see, gives one line and exit code 4."""
    path = air_bench(tmp_path / "bench.toml", radio=radio_table)
    if not radio_table:
        path.write_text(path.read_text(encoding="utf-8").replace("[gateway]", "[without_gateway]"), encoding="utf-8")
    command = [sys.executable, "-m", "benchrig.simulation", str(path), "--fault", "air_wrong_key"]

    result = subprocess.run(command, check=False, capture_output=True, text=True, timeout=20)

    assert (result.returncode, result.stdout) == (4, "")
    assert result.stderr.count("\n") == 1
    assert sentence in result.stderr
