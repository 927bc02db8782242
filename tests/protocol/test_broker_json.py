"""Messages of a broker: found by expression, refused by name, never half understood; and templates for the way down."""

from __future__ import annotations

import base64
import json
import re

import jmespath
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.protocol.broker_json import (
    DownlinkTemplate,
    UplinkMap,
    expression_problem,
    topic_for,
    topic_problem,
)

EUI = 0x02004842A0010001
EXPRESSIONS = {
    "identity": "board.eui",
    "port": "port",
    "counter": "count",
    "payload": "data",
    "time": "at",
    "rssi": "max(heard[].level)",
    "snr": "heard[0].ratio",
}
GOOD: dict[str, object] = {
    "board": {"eui": "02-00-48-42-a0-01-00-01"},
    "port": 2,
    "count": 70_000,
    "data": base64.b64encode(b"\x01\xff").decode(),
    "at": "2026-11-25T13:00:00Z",
    "heard": [{"level": -101.5, "ratio": -3}, {"level": -60}],
}


def message(**changes: object) -> bytes:
    """A good message with changes; None takes a key away."""
    return json.dumps({key: value for key, value in {**GOOD, **changes}.items() if value is not None}).encode()


def test_uplink_is_found_by_expressions() -> None:
    """Identity, port, counter, payload, time and levels come out of wherever the network puts them."""
    found = UplinkMap(EXPRESSIONS).read(message())

    assert (found.eui, found.port, found.counter, found.payload) == (EUI, 2, 70_000, b"\x01\xff")
    assert (found.time, found.rssi_dbm, found.snr_db) == ("2026-11-25T13:00:00Z", -60.0, -3.0)


def test_hexadecimal_payload_and_missing_levels() -> None:
    """Payloads may be written in hex; what a network does not tell is None."""
    short = {name: EXPRESSIONS[name] for name in ("identity", "port", "counter", "payload")}

    found = UplinkMap(short, "hex").read(message(data="01fF"))

    assert (found.payload, found.rssi_dbm, found.snr_db, found.time) == (b"\x01\xff", None, None, "")


def test_level_that_is_not_told_spoils_nothing() -> None:
    """A function over a list that this message lacks finds nothing, as a path does."""
    found = UplinkMap(EXPRESSIONS).read(message(heard=None))

    assert (found.rssi_dbm, found.snr_db) == (None, None)


@pytest.mark.parametrize(
    ("told", "expression"),
    [
        pytest.param({"rate": "SF7BW125"}, "rate", id="as it stands"),
        pytest.param({"sf": 7}, "join('', ['SF', to_string(sf), 'BW125'])", id="put together"),
    ],
)
def test_data_rate_is_told_as_a_text(told: dict[str, object], expression: str) -> None:
    """A network that tells the data rate lets its airtime be known; one that does not leaves it empty."""
    read = UplinkMap({**EXPRESSIONS, "rate": expression}).read

    assert read(message(**told)).rate == "SF7BW125"
    assert UplinkMap({**EXPRESSIONS, "rate": "rate"}).read(message()).rate == ""
    with pytest.raises(ValueError, match=r"rate \(expression .*accepted: a data rate such as 'SF7BW125'"):
        read(message(rate=7, sf=70))


BAD = [
    pytest.param(b"", "no JSON in a message of 0 bytes", id="empty"),
    pytest.param(b'{"port": 2', "no JSON in a message of 10 bytes", id="cut"),
    pytest.param(b"\xff\xfe", "no JSON in a message of 2 bytes", id="no text"),
    pytest.param(b"[" * 100_000, "no JSON in a message of 100000 bytes", id="deep"),
    pytest.param(b" " * 300_000, "a message of 300000 bytes; accepted: up to 262144", id="large"),
    pytest.param(b"[]", "identity (expression 'board.eui') found nothing; accepted: a text", id="list"),
    pytest.param(message(board=None), "identity (expression 'board.eui') found nothing", id="no identity"),
    pytest.param(message(board={"eui": 5}), "identity (expression 'board.eui') found 5; accepted: a text", id="number"),
    pytest.param(
        message(port=None), "port (expression 'port') found nothing; accepted: a whole number from 0", id="port"
    ),
    pytest.param(message(port="2"), "port (expression 'port') found '2'; accepted: a whole", id="port as text"),
    pytest.param(message(port=256), "port (expression 'port') found 256; accepted: a whole", id="port 256"),
    pytest.param(message(count=True), "counter (expression 'count') found True; accepted: a whole", id="boolean"),
    pytest.param(message(count=1.5), "counter (expression 'count') found 1.5; accepted: a whole", id="fraction"),
    pytest.param(message(count=-1), "counter (expression 'count') found -1; accepted: a whole", id="negative"),
    pytest.param(message(count=1 << 32), "counter (expression 'count') found 4294967296; accepted", id="33 bits"),
    pytest.param(message(data="?"), "payload (expression 'data') found '?', which is no base64", id="no base64"),
    pytest.param(message(data=[1]), "payload (expression 'data') found [1]; accepted: a text of base64", id="bytes"),
    pytest.param(
        message(data="A" * 400), "payload (expression 'data') found 300 bytes; accepted: up to 242", id="long"
    ),
    pytest.param(message(at=[1]), "time (expression 'at') found [1]; accepted: a text or a number", id="time"),
    pytest.param(message(heard=[{"level": "x"}]), "rssi (expression 'max(heard[].level)') found 'x'", id="level"),
    pytest.param(message(heard=[{"level": 1e9}]), "found 1000000000.0; accepted: a number of dBm", id="level too high"),
    pytest.param(
        message(heard=[{"level": [1]}]),
        "rssi (expression 'max(heard[].level)'): In function max()",
        id="function refuses",
    ),
]


@pytest.mark.parametrize(("data", "said"), BAD)
def test_unusable_message_is_one_sentence(data: bytes, said: str) -> None:
    """Which expression found what, and what is accepted."""
    with pytest.raises(ValueError, match=re.escape(said)):
        UplinkMap(EXPRESSIONS).read(data)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(list(GOOD)) | st.text(), inner),
    max_leaves=20,
)


@given(st.one_of(st.binary(max_size=200), JSON.map(lambda content: json.dumps(content).encode())))
def test_no_message_ends_in_another_error(data: bytes) -> None:
    """Whatever a broker hands over is an uplink or a ValueError."""
    try:
        found = UplinkMap(EXPRESSIONS).read(data)
    except ValueError:
        return
    assert found.identity


@given(st.binary(max_size=242), st.integers(1, 223), st.booleans())
def test_downlink_is_read_back_by_a_foreign_reader(payload: bytes, port: int, confirmed: bool) -> None:
    """A filled template is JSON in which port and confirmation have their own types."""
    template = DownlinkTemplate(
        '{"to": "board-{device_eui}", "items": [{"port": "{port}", "ack": "{confirmed}", "b": "{payload_base64}", '
        '"h": "{payload_hex}"}]}'
    )

    found = json.loads(template.fill(payload, port=port, confirmed=confirmed, device_eui=EUI))

    assert jmespath.search("items[0].[port, ack]", found) == [port, confirmed]
    assert base64.b64decode(found["items"][0]["b"]) == bytes.fromhex(found["items"][0]["h"]) == payload
    assert found["to"] == "board-02004842a0010001"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        pytest.param("{", "no JSON in a template", id="no JSON"),
        pytest.param('{"a": "{colour}", "b": "{payload_hex}"}', "places ['colour'] in the template", id="place"),
        pytest.param('{"port": "{port}"}', "sends no payload", id="no payload"),
    ],
)
def test_bad_template_is_one_sentence(text: str, said: str) -> None:
    """Found when the bench file is read, not when the first downlink is due."""
    with pytest.raises(ValueError, match=re.escape(said)):
        DownlinkTemplate(text)


@pytest.mark.parametrize(("port", "size"), [(0, 1), (224, 1), (1, 243)])
def test_downlink_that_cannot_be_is_refused(port: int, size: int) -> None:
    """Ports of the application are 1 to 223 (LoRaWAN 1.0.x section 4.3.2, from memory)."""
    with pytest.raises(ValueError, match=rf"{size} bytes on port {port}; accepted: up to 242 on ports 1 to 223"):
        DownlinkTemplate('"{payload_hex}"').fill(bytes(size), port=port, confirmed=False, device_eui=EUI)


def test_map_without_a_needed_field_is_refused() -> None:
    """Identity, port, counter and payload must be told."""
    with pytest.raises(ValueError, match=r"expressions missing: \['identity', 'payload'\], unknown: \['colour'\]"):
        UplinkMap({"port": "a", "counter": "b", "colour": "c"})


@pytest.mark.parametrize("expression", ["a..b", "a[", "", "`", "foo("])
def test_text_that_is_no_expression_is_told(expression: str) -> None:
    """What JMESPath cannot read is said with its own words, in one line."""
    problem = expression_problem(expression)

    assert problem.startswith(f"{expression!r} is no JMESPath expression: ")
    assert "\n" not in problem


@pytest.mark.parametrize(
    ("topic", "wildcards", "good"),
    [
        ("a/b", False, True),
        ("a/+/c", True, True),
        ("a/#", True, True),
        ("#", True, True),
        ("a/+/c", False, False),
        ("a/b+", True, False),
        ("a/#/c", True, False),
        ("", True, False),
        ("a\0b", True, False),
        ("{device_eui}/{DEVICE_EUI}", True, True),
        ("{port}", True, False),
    ],
)
def test_topic_is_checked(topic: str, *, wildcards: bool, good: bool) -> None:
    """Wildcards are whole levels and stand only where they are read (MQTT 3.1.1 section 4.7, from memory)."""
    assert (topic_problem(topic, wildcards=wildcards) == "") is good


def test_topic_names_the_board_in_both_cases() -> None:
    """Networks differ in how they spell an EUI."""
    assert topic_for("x/{device_eui}/{DEVICE_EUI}/up", EUI) == "x/02004842a0010001/02004842A0010001/up"
