"""What the bench file says of the air: gateways that speak to the bench, a network's broker, the radio in a slot.

Owns the meaning of `[gateway]`, `[network]` and `[slots.N.radio]`. Must not know how they are used. No secret stands
in them: what would be one is the name of its source (`bench.keys`), and is refused unseen when it is a key itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast
from urllib.parse import urlsplit

from benchrig.bench.keys import PROMPT, eui_of, source_problem
from benchrig.protocol.broker_json import (
    ENCODINGS,
    FIELDS,
    REQUIRED_FIELDS,
    DownlinkTemplate,
    Encoding,
    UplinkMap,
    expression_problem,
    topic_problem,
)
from benchrig.protocol.regions import REGIONS
from benchrig.protocol.secret_key import is_pattern

if TYPE_CHECKING:
    from pathlib import Path

    from benchrig.toml_reader import Section

SIMULATED = "simulated"
_PORTS = {"mqtt": 1883, "mqtts": 8883}  # IANA: mqtt, secure-mqtt
_LAST_PORT = 65_535
_EUI_WORDS = "is not 16 hexadecimal digits, the most significant first"


@dataclass(frozen=True)
class GatewaySpec:
    """Where the bench listens for gateways. `euis` None takes any; port 0 is one that a simulated bench announces.

    `rx_delay_s` is the delay of the first receive window that boards are told at their join.
    """

    host: str
    port: int
    euis: frozenset[int] | None
    region: str
    rx_delay_s: int
    power_dbm: int


@dataclass(frozen=True)
class NetworkSpec:
    """A network's broker. `password` names a source; topics may hold {device_eui}."""

    host: str
    port: int
    tls: bool
    ca: Path | None
    user: str
    password: str
    uplink_topic: str
    uplink: UplinkMap
    downlink_topic: str
    downlink: DownlinkTemplate | None


@dataclass(frozen=True)
class RadioSpec:
    """The radio of the boards in a slot. An identity is None where the simulated bench, or the keys file, tells it.

    `keys` names a source, '' when a broker's network holds the keys.
    """

    device_eui: int | None
    join_eui: int | None
    keys: str
    nonces: str = "unused"


def read_gateway(top: Section, *, simulated: bool) -> GatewaySpec | None:
    """The table `[gateway]`, or None."""
    section = top.section("gateway", required=False)
    if section is None:
        return None
    host, port = _listen(section, simulated=simulated)
    euis = {eui for text in section.texts("euis", default=()) if (eui := _eui(section, "euis", text)) is not None}
    spec = GatewaySpec(
        host=host,
        port=port,
        euis=frozenset(euis) or None,
        region=section.text("region", default="EU868", accepted=tuple(REGIONS)),
        rx_delay_s=section.integer("rx_delay_s", default=1, at_least=1, at_most=15),
        power_dbm=section.integer("power_dbm", default=14, at_least=-10, at_most=30),
    )
    section.finish()
    return spec


def _listen(section: Section, *, simulated: bool) -> tuple[str, int]:
    text = section.text("listen", default="127.0.0.1:0") if simulated else section.text("listen")
    host, colon, digits = text.rpartition(":")
    port = int(digits) if digits.isascii() and digits.isdigit() and len(digits) <= 5 else -1
    if text and not (colon and host and 0 <= port <= _LAST_PORT):
        section.problem("listen", f"{text!r} is no address; accepted: 'host:port', such as '0.0.0.0:1700'")
    elif text and port == 0 and not simulated:
        section.problem("listen", "port 0 needs a [simulation] table; give the port that the gateways send to")
    return host, port


def read_radio(slot: Section, *, simulated: bool) -> RadioSpec | None:
    """The table `[slots.N.radio]`, or None."""
    section = slot.section("radio", required=False)
    if section is None:
        return None
    spec = RadioSpec(
        device_eui=_identity(section, "device_eui", simulated=simulated),
        join_eui=_identity(section, "join_eui", simulated=simulated),
        keys=_source(section, "keys", default=SIMULATED if simulated else "", simulated=simulated),
        nonces=section.text("nonces", default="unused", accepted=("unused", "rising")),
    )
    section.finish()
    return spec


def _identity(section: Section, key: str, *, simulated: bool) -> int | None:
    text = section.text(key, default="")
    if not text or (text == SIMULATED and simulated):
        return None
    return _eui(section, key, text)


def _eui(section: Section, key: str, text: str) -> int | None:
    eui = eui_of(text)
    if eui is None:
        section.problem(key, f"{text[:40]!r} {_EUI_WORDS}" if len(text) < 32 else f"a text that {_EUI_WORDS}")
    elif key == "device_eui" and is_pattern(eui.to_bytes(8, "big")):
        section.problem(key, f"{text!r} is a placeholder, which no board has for its own; copy the one from its label")
    return eui


def _source(section: Section, key: str, *, default: str, simulated: bool = False) -> str:
    source = section.text(key, default=default)
    problem = source_problem(source)
    if source == SIMULATED and not simulated:
        problem = f"{SIMULATED!r} needs a [simulation] table; name a source of the board's own key"
    if problem:
        section.problem(key, problem)
        return PROMPT  # stands in: a spec with a problem leaves nobody
    return source


def read_network(top: Section, folder: Path) -> NetworkSpec | None:
    """The table `[network]`, or None."""
    section = top.section("network", required=False)
    if section is None:
        return None
    scheme, host, port = _url(section)
    ca = section.text("ca", default="")
    if ca and scheme == "mqtt":
        section.problem("ca", "nothing is encrypted to mqtt://; give an mqtts:// url, or leave ca out")
    uplink, downlink = _uplink(section), _downlink(section)
    spec = NetworkSpec(
        host=host,
        port=port,
        tls=scheme == "mqtts",
        ca=folder / ca if ca else None,
        user=section.text("user", default=""),
        password=_source(section, "password", default=""),
        uplink_topic=_topic(section, "uplink_topic", wildcards=True),
        uplink=uplink,  # type: ignore[arg-type]  # a missing map is a problem: no spec with it leaves this file
        downlink_topic=_topic(section, "downlink_topic", wildcards=False),
        downlink=downlink,
    )
    if spec.password and not spec.user:
        section.problem("password", "a password without a user; give user, too")
    if bool(spec.downlink_topic) != section.has("downlink"):
        section.problem("downlink", "a topic and a template go together: give both downlink_topic and downlink")
    section.finish()
    return spec


def _url(section: Section) -> tuple[str, str, int]:
    text = section.text("url")
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        parts, port = urlsplit(""), None
    if parts.username is not None or parts.password is not None:
        section.problem("url", "user and password do not belong into the url; give user, and a source as password")
    elif text and (parts.scheme not in _PORTS or not parts.hostname or parts.path not in ("", "/") or parts.query):
        section.problem("url", f"{text!r} is no broker's address; accepted: mqtt://host:port or mqtts://host:port")
    return parts.scheme, parts.hostname or "", port or _PORTS.get(parts.scheme, 0)


def _topic(section: Section, key: str, *, wildcards: bool) -> str:
    text = section.text(key) if wildcards else section.text(key, default="")
    if text and (problem := topic_problem(text, wildcards=wildcards)):
        section.problem(key, problem)
    return text


def _uplink(section: Section) -> UplinkMap | None:
    table = section.section("uplink")
    if table is None:
        return None
    expressions: dict[str, str] = {}
    for name in FIELDS:
        text = table.text(name) if name in REQUIRED_FIELDS else table.text(name, default="")
        if text and (problem := expression_problem(text)):
            table.problem(name, problem)
        elif text:
            expressions[name] = text
    encoding = table.text("payload_encoding", default="base64", accepted=ENCODINGS)
    table.finish()
    if any(name not in expressions for name in REQUIRED_FIELDS) or not encoding:
        return None
    return UplinkMap(expressions, cast("Encoding", encoding))


def _downlink(section: Section) -> DownlinkTemplate | None:
    text = section.text("downlink", default="")
    if not text:
        return None
    try:
        return DownlinkTemplate(text)
    except ValueError as wrong:
        section.problem("downlink", str(wrong))
        return None
