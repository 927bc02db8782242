"""Tables of the air in a bench file: every mistake is one sentence, and none shows a secret."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchrig.bench.bench_file import BenchSpec, read_bench_file
from benchrig.cautions import ANTENNA, DUMMY_LOAD, MAINS, RADIO, cautions
from benchrig.errors import ConfigError

BENCHES = Path(__file__).parents[2] / "fixtures" / "benches"
SHIPPED, REAL = (BENCHES / name for name in ("simulated-air.toml", "example.toml"))
DIGITS = "98929b92c49edba9676d646d3b612456"
GATEWAY = '[gateway]\nlisten = "0.0.0.0:1700"\neuis = ["02004842F0000001"]\n'
RADIO_TABLE = (
    '[slots.1.radio]\ndevice_eui = "02004842A0010001"\njoin_eui = "02004842A0F00000"\nkeys = "../../keys.toml"\n'
)
NETWORK = """[network]
url = "mqtts://broker.example:8884"
user = "bench"
password = "env:BROKER_PASSWORD"
ca = "authority.pem"
uplink_topic = "boards/{device_eui}/up"
downlink_topic = "boards/{DEVICE_EUI}/down"
downlink = '{"port": "{port}", "data": "{payload_base64}"}'

[network.uplink]
identity = "board.eui"
port = "port"
counter = "counter"
payload = "data"
payload_encoding = "hex"
rssi = "max(heard[].level)"

"""


def bench_of(tmp_path: Path, *tables: str, base: Path = REAL) -> BenchSpec:
    """The real example with further tables."""
    path = tmp_path / "bench.toml"
    profile = (base.parent / "../boards/hay-barn-probe.toml").resolve()
    text = base.read_text(encoding="utf-8").replace("../boards/hay-barn-probe.toml", str(profile))
    path.write_text("\n".join((text, *tables)), encoding="utf-8")
    return read_bench_file(path)


def test_shipped_bench_of_the_air_is_good() -> None:
    """The simulated bench with a radio is read without a problem."""
    bench = read_bench_file(SHIPPED)

    assert bench.gateway is not None
    assert (bench.gateway.host, bench.gateway.port) == ("127.0.0.1", 0)
    assert bench.gateway.euis == frozenset((0x02004842F0000001, 0x02004842F0000002))
    assert bench.slots["1"].radio is not None
    assert bench.slots["1"].radio.keys == "simulated"


def test_gateway_and_radio_are_read(tmp_path: Path) -> None:
    """Address, identities and the source of the key come out as they stand."""
    bench = bench_of(tmp_path, GATEWAY, RADIO_TABLE)
    gateway, radio = bench.gateway, bench.slots["1"].radio

    assert gateway is not None
    assert (gateway.host, gateway.port, gateway.euis, gateway.region) == (
        "0.0.0.0", 1700, frozenset((0x02004842F0000001,)), "EU868",
    )  # fmt: skip
    assert radio is not None
    assert (radio.device_eui, radio.join_eui, radio.keys) == (
        0x02004842A0010001, 0x02004842A0F00000, "../../keys.toml",
    )  # fmt: skip


def test_network_is_read(tmp_path: Path) -> None:
    """A broker's address, topics, expressions and template come out checked."""
    network = bench_of(tmp_path, NETWORK, RADIO_TABLE).network

    assert network is not None
    assert (network.host, network.port, network.tls, network.user) == ("broker.example", 8884, True, "bench")
    assert network.ca == tmp_path / "authority.pem"
    told = network.uplink.read(
        b'{"board":{"eui":"02004842A0010001"},"port":2,"counter":5,"data":"01","heard":[{"level":-3}]}'
    )
    assert (told.eui, told.payload, told.rssi_dbm) == (0x02004842A0010001, b"\x01", -3.0)


def test_plain_broker_has_the_registered_port(tmp_path: Path) -> None:
    """Without a port mqtt is 1883 and mqtts 8883 (IANA service names)."""
    plain = NETWORK.replace("mqtts://broker.example:8884", "mqtt://broker.example").replace(
        'ca = "authority.pem"\n', ""
    )
    secure = NETWORK.replace(":8884", "")

    found = [bench_of(tmp_path, text, RADIO_TABLE).network for text in (plain, secure)]

    assert [(one.port, one.tls) for one in found if one] == [(1883, False), (8883, True)]


BAD = [
    pytest.param(GATEWAY, '"0.0.0.0:1700"', '"1700"', "gateway.listen: '1700' is no address", id="no host"),
    pytest.param(GATEWAY, ":1700", ":70000", "gateway.listen: '0.0.0.0:70000' is no address", id="port too large"),
    pytest.param(GATEWAY, ":1700", ":0", "gateway.listen: port 0 needs a [simulation] table", id="free port"),
    pytest.param(GATEWAY, "F0000001", "F000001", "gateway.euis: '02004842F000001' is not 16 hexa", id="short EUI"),
    pytest.param(GATEWAY, "euis", "eui", "gateway.eui: unknown key (nearest known: euis)", id="unknown key"),
    pytest.param(GATEWAY, "euis =", 'region = "EU433"\neuis =', "gateway.region: 'EU433' is not one of", id="region"),
    pytest.param(RADIO_TABLE, "../../keys.toml", DIGITS, "radio.keys: a key must not stand in this file", id="key"),
    pytest.param(RADIO_TABLE, '"02004842A0010001"', f'"{DIGITS}"', "radio.device_eui: a text that is not 16", id="eui"),
    pytest.param(
        RADIO_TABLE, '"02004842A0010001"', '"0123456789ABCDEF"', "'0123456789ABCDEF' is a placeholder", id="typed eui"
    ),
    pytest.param(RADIO_TABLE, "keys =", f'app_key = "{DIGITS}"\nkeys =', "radio.app_key: unknown key", id="app_key"),
    pytest.param(RADIO_TABLE, "../../keys.toml", "simulated", "'simulated' needs a [simulation]", id="simulated key"),
    pytest.param(RADIO_TABLE, 'keys = "../../keys.toml"', "", "radio.keys: the bench's own gateway side", id="no keys"),
    pytest.param(RADIO_TABLE, 'join_eui = "02004842A0F00000"', "", "radio.join_eui: the bench's own", id="no join_eui"),
    pytest.param(RADIO_TABLE, "keys =", 'nonces = "falling"\nkeys =', "'falling' is not one of", id="nonces"),
]


@pytest.mark.parametrize(("table", "old", "new", "said"), BAD)
def test_mistake_of_gateway_or_radio_is_one_sentence(tmp_path: Path, table: str, old: str, new: str, said: str) -> None:
    """The key path, what stands there unless it may be a secret, and what is accepted."""
    assert table.count(old) == 1
    tables = [one.replace(old, new) if one is table else one for one in (GATEWAY, RADIO_TABLE)]

    with pytest.raises(ConfigError, match=re.escape(said)) as refused:
        bench_of(tmp_path, *tables)
    assert len(refused.value.problems) == 1
    assert DIGITS not in refused.value.message


BAD_NETWORK = [
    pytest.param("mqtts://", "https://", "network.url: 'https://broker.example:8884' is no broker's", id="scheme"),
    pytest.param("mqtts://", f"mqtts://bench:{DIGITS}@", "network.url: user and password do not belong", id="userinfo"),
    pytest.param(":8884", ":port", "network.url: 'mqtts://broker.example:port' is no broker's", id="port"),
    pytest.param("env:BROKER_PASSWORD", DIGITS, "network.password: a key must not stand", id="password"),
    pytest.param('user = "bench"\n', "", "network.password: a password without a user", id="no user"),
    pytest.param("mqtts", "mqtt", "network.ca: nothing is encrypted to mqtt://", id="ca without tls"),
    pytest.param("{device_eui}/up", "{board}/up", "network.uplink_topic: places ['board']", id="place in topic"),
    pytest.param(
        "/up", "/up#", "network.uplink_topic: 'boards/{device_eui}/up#': a wildcard is a whole", id="wildcard"
    ),
    pytest.param(
        "/down", "/+", "network.downlink_topic: 'boards/{DEVICE_EUI}/+' has a wildcard", id="publish wildcard"
    ),
    pytest.param("{payload_base64}", "{payload}", "network.downlink: places ['payload'] in the template", id="place"),
    pytest.param("{payload_base64}", "x", "network.downlink: a template without {payload_base64}", id="no payload"),
    pytest.param("\"}'", "\"'", "network.downlink: no JSON in a template", id="template is no JSON"),
    pytest.param('downlink_topic = "boards/{DEVICE_EUI}/down"\n', "", "network.downlink: a topic and a", id="no topic"),
    pytest.param(
        '"board.eui"', '"board..eui"', "network.uplink.identity: 'board..eui' is no JMESPath", id="expression"
    ),
    pytest.param('counter = "counter"\n', "", "network.uplink.counter: this key is missing", id="no counter"),
    pytest.param('"hex"', '"base32"', "network.uplink.payload_encoding: 'base32' is not one of", id="encoding"),
]


@pytest.mark.parametrize(("old", "new", "said"), BAD_NETWORK)
def test_mistake_of_a_network_is_one_sentence(tmp_path: Path, old: str, new: str, said: str) -> None:
    """The key path, what stands there unless it may be a secret, and what is accepted."""
    assert NETWORK.count(old) == 1

    with pytest.raises(ConfigError, match=re.escape(said)) as refused:
        bench_of(tmp_path, NETWORK.replace(old, new), RADIO_TABLE)
    assert len(refused.value.problems) == 1
    assert DIGITS not in refused.value.message


def test_bench_hears_one_way(tmp_path: Path) -> None:
    """Gateways and a broker together would hear every uplink twice."""
    with pytest.raises(ConfigError, match=r"network: a bench hears its boards by its own \[gateway\] or through"):
        bench_of(tmp_path, GATEWAY, NETWORK, RADIO_TABLE)


def test_board_behind_a_network_needs_its_identity(tmp_path: Path) -> None:
    """A network tells of many boards."""
    with pytest.raises(ConfigError, match=r"slots\.1\.radio\.device_eui: a network tells of many boards"):
        bench_of(tmp_path, NETWORK, "[slots.1.radio]\n")


@pytest.mark.parametrize(
    ("tables", "shown"),
    [
        pytest.param((GATEWAY,), True, id="gateway"),
        pytest.param((RADIO_TABLE,), True, id="radio"),
        pytest.param((NETWORK,), True, id="network"),
        pytest.param((), False, id="neither"),
    ],
)
def test_radio_is_cautioned_of(tmp_path: Path, tables: tuple[str, ...], *, shown: bool) -> None:
    """A bench that makes boards transmit says what radio work asks for, beside the caution for its load."""
    found = cautions(bench_of(tmp_path, *tables))

    assert (RADIO in found) is shown
    assert MAINS in found
    assert DUMMY_LOAD in found or ANTENNA in found


def test_simulated_radio_needs_no_caution() -> None:
    """Nothing is on the air of a bench without hardware."""
    assert cautions(read_bench_file(SHIPPED)) == ()
