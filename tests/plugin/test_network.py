"""Production runs behind a network's broker: mosquitto with password, TLS and an authority of its own.

A small network server of the tests stands between the simulated gateways and the broker. What a broker may do to a run
- keep old messages, tell twice, tell of others, be away or die - is done to it here.
"""

from __future__ import annotations

import json
import re
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest
from paho.mqtt import publish

from benchrig.journal import read_journal
from benchrig.records import Verdict
from benchrig.report.board_report import BoardReport, board_report
from tests.wires.brokers import Broker, certificates, free_port, mosquitto, password_file

from .runs import PRODUCTION, ROOT, Place
from .small_network import UP, Login, SmallNetwork

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tests.conftest import StartBench

    from .runs import Finished

AIR_BENCH = ROOT / "fixtures" / "benches" / "simulated-air.toml"
ON_AIR = "first_touch or identity or join or uplink_hops or downlink or output_off"
PASSWORD = "correct horse battery"
NETWORK = """
[network]
url = "mqtts://127.0.0.1:{port}"
user = "bench"
password = "env:BARN_PASSWORD"
ca = "own/authority.pem"
uplink_topic = "application/+/device/+/event/up"
downlink_topic = "application/barn/device/{{device_eui}}/command/down"
downlink = '{{"port": "{{port}}", "confirmed": "{{confirmed}}", "data": "{{payload_base64}}"}}'

[network.uplink]
identity = "device.eui"
port = "port"
counter = "counter"
payload = "data"
rssi = "max(heard[].rssi)"
snr = "max(heard[].snr)"
rate = "rate"
"""


@dataclass
class Barn:
    """A simulated bench that runs, a broker, and the network between them."""

    place: Place
    broker: Broker
    network: SmallNetwork
    addresses: Path
    done: Finished | None = None
    texts: list[str] = field(default_factory=list)

    def run(self, *chosen: str, password: str = PASSWORD) -> BoardReport:
        """The production suite, to its end."""
        bench = self.place.folder / "bench.toml"
        self.done = self.place.run(
            PRODUCTION, *chosen, *self.place.on_bench("--bench-simulation", self.addresses, bench=bench),
            env={"BARN_PASSWORD": password},
        )  # fmt: skip
        return board_report(read_journal(self.place.journals()[-1]))

    @property
    def text(self) -> str:
        assert self.done is not None
        return self.done.text


@pytest.fixture
def barn(place: Place, simulated_bench: StartBench, request: pytest.FixtureRequest) -> Iterator[Barn]:
    """Everything is up; the board has no power yet. The parameter is the scale of the simulation."""
    addresses, scale = place.folder / "addresses.json", getattr(request, "param", 4.0)
    simulated_bench(AIR_BENCH, "--board", "1=HB-0001", "--scale", str(scale), "--addresses", str(addresses))
    told = json.loads(addresses.read_text(encoding="utf-8"))
    own = certificates(place.folder / "own")
    users = password_file(place.folder, "bench", PASSWORD)
    inside = free_port()
    broker = mosquitto(
        place.folder, f"certfile {own.certificate}", f"keyfile {own.key}", "allow_anonymous false",
        f"password_file {users}", f"listener {inside} 127.0.0.1",
    )  # fmt: skip
    host, _, port = told["gateway"]["listen"].rpartition(":")
    radio = told["radio"]["1"]
    login = Login(inside, "bench", PASSWORD)
    network = SmallNetwork((host, int(port)), int(radio["device_eui"], 16), bytes.fromhex(radio["app_key"]), login)
    place.write("bench.toml", _behind_a_network(broker.port))
    broker.start()
    with _running(network):
        yield Barn(place, broker, network, addresses)
    broker.kill()


@contextmanager
def _running(network: SmallNetwork) -> Iterator[None]:
    network.start()
    try:
        yield
    finally:
        network.close()


def _behind_a_network(port: int) -> str:
    """The shipped bench of the air, which reads a broker in place of its gateways."""
    text = AIR_BENCH.read_text(encoding="utf-8")
    text = re.sub(r"\[gateway\]\n.*?\n\n", "", text, flags=re.DOTALL)
    text = text.replace("../boards", str(ROOT / "fixtures" / "boards"))
    assert "gateway" not in text.replace("two gateways", "")
    return text + NETWORK.format(port=port)


def verdicts(report: BoardReport) -> dict[str, Verdict]:
    """The verdict of each check."""
    return {one.name: one.verdict for one in report.checks}


def words(report: BoardReport, check: str) -> str:
    """Everything that a check said."""
    (found,) = (one for one in report.checks if one.name == check)
    return found.why


def annex(report: BoardReport, title: str) -> tuple[str, ...]:
    """The lines of an annex, () when there is none."""
    return next((annex.lines for annex in report.annexes if annex.title == title), ())


def test_whole_production_run_behind_a_broker(barn: Barn) -> None:
    """Every required check passes, and uplinks and downlinks with them: the hop at the network in place of the air.

    What a network does by itself is named: the check of joins before power, windows and repetitions as not proven.
    """
    report = barn.run()

    assert barn.done is not None
    assert barn.done.code == 0, barn.text
    assert set(verdicts(report).values()) == {Verdict.PASS}
    assert {"uplink_hops", "downlink"} <= set(verdicts(report))
    assert "join: this bench cannot do it: a network behind a broker answers joins by itself" in barn.text
    lines = annex(report, "uplinks hop by hop")
    assert lines[-1].startswith("6 reports, 6 matched by counter, bytes and time, 0 not heard")
    assert sum("network payload" in line and line.endswith(" same") for line in lines) == 6
    assert "that a repeated frame switches nothing: a network behind a broker repeats none" in barn.text
    assert barn.network.sent_down == [b"\x01", b"\x7f", b"\x00", b"\x7f", b"\x01", b"\x01"]
    assert PASSWORD not in barn.text


def test_noise_on_the_broker_is_told_apart(barn: Barn) -> None:
    """An old uplink that the broker kept, every message twice, another board, and no JSON: nothing of it counts."""
    topic = UP.format(eui=barn.network.eui)
    old = {"device": {"eui": barn.network.eui}, "port": 2, "counter": 0, "data": "AAAA", "heard": []}
    barn.network.say(topic, old, retain=True)

    def tell(network: SmallNetwork, _topic: str, told: dict[str, object]) -> None:
        network.say(UP.format(eui="02004842a0010077"), {**told, "device": {"eui": "02004842A0010077"}})
        network.say(topic, b'{"device": {"eui": ')
        for _ in range(2):
            network.say(topic, told)

    barn.network.tell = tell

    report = barn.run("-k", ON_AIR)

    found = verdicts(report)
    assert (found["uplink_hops"], found["downlink"]) == (Verdict.PASS, Verdict.PASS), barn.text
    assert "6 duplicates, 0 replays" in annex(report, "uplinks hop by hop")[-1]
    heard = "\n".join(annex(report, "heard and not used"))
    assert "6 times: foreign board: '02004842A0010077'; accepted: 02004842A0010001" in heard
    assert "6 times: unusable message: no JSON in a message of 19 bytes" in heard
    assert "uplink 0 was kept by the broker from before" in barn.text


@pytest.mark.parametrize("barn", [2.0], indirect=True, ids=["an uplink is awaited 2.5 s"])
def test_broker_killed_in_a_wait_that_comes_back_in_time(barn: Barn) -> None:
    """It dies while an uplink is awaited and is started again: the run connects anew, and the uplink is found.

    The network publishes until the run must have subscribed again; whatever comes twice of it is a repetition.
    """
    deaths: list[int] = []

    def tell(network: SmallNetwork, topic: str, told: dict[str, object]) -> None:
        if told["counter"] == 2 and not deaths:
            deaths.append(2)
            barn.broker.kill()
            barn.broker.start()
            _publish_for_a_while(network, topic, told)
        else:
            network.say(topic, told)

    barn.network.tell = tell

    report = barn.run("-k", ON_AIR)

    assert deaths == [2]
    found = verdicts(report)
    assert (found["uplink_hops"], found["downlink"]) == (Verdict.PASS, Verdict.PASS), barn.text
    assert annex(report, "uplinks hop by hop")[-1].startswith("6 reports, 6 matched by counter, bytes and time")


def _publish_for_a_while(network: SmallNetwork, topic: str, told: dict[str, object]) -> None:
    """Again and again for as long as a client's first pauses between attempts may last."""
    login = network.login
    deadline_s = time.monotonic() + 1.2
    while time.monotonic() < deadline_s:
        publish.single(
            topic, json.dumps(told), qos=1, hostname="127.0.0.1", port=login.port,
            auth={"username": login.user, "password": login.password},
        )  # fmt: skip
        time.sleep(0.05)  # the pace of the network, no wait for a condition


@pytest.mark.parametrize("when", ["start", "middle"])
def test_broker_that_is_away_costs_the_air_alone(barn: Barn, when: str) -> None:
    """Down at the start, or dead for good in the middle: a bench error with what to check, and all else is checked."""
    if when == "start":
        barn.broker.kill()
    else:
        barn.network.tell = _killer(barn.broker)

    report = barn.run("-k", ON_AIR)

    found = verdicts(report)
    assert barn.done is not None
    assert barn.done.code == 12, barn.text
    assert (found["uplink_hops"], found["downlink"]) == (Verdict.BENCH_ERROR, Verdict.NOT_RUN)
    assert {found[name] for name in ("first_touch", "identity_start", "identity_end", "output_off")} == {Verdict.PASS}
    said = words(report, "uplink_hops")
    assert re.search(r"no connection within 10 s: .*check that the broker|the connection was away meanwhile", said)
    assert "the air failed in uplink_hops" in words(report, "downlink")


def _killer(broker: Broker) -> Callable[[SmallNetwork, str, dict[str, object]], None]:
    def tell(network: SmallNetwork, topic: str, told: dict[str, object]) -> None:
        if told["counter"] == 2:
            broker.kill()
        elif int(str(told["counter"])) < 2:
            network.say(topic, told)

    return tell


def test_wrong_password_is_a_bench_error_that_does_not_show_it(barn: Barn) -> None:
    """Refused once and for all: the user is named, the password stands nowhere."""
    report = barn.run("-k", ON_AIR, password="wrong horse battery")

    assert verdicts(report)["uplink_hops"] is Verdict.BENCH_ERROR
    assert "to user 'bench'; check user and password" in words(report, "uplink_hops")
    assert "wrong horse" not in barn.text
