"""What a network's broker tells of an uplink, taken out of its JSON by expressions, and a downlink put into JSON.

Owns the mapping alone: JMESPath expressions (the JMESPath specification) for what a network names as it likes, and a
template for what goes down. Must not know MQTT, keys or time. Every message that cannot be used is a ValueError that
says which expression found what, and what is accepted.
"""

from __future__ import annotations

import base64
import binascii
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, TypeAlias, cast

import jmespath
import msgspec
from jmespath.exceptions import JMESPathError

if TYPE_CHECKING:
    from collections.abc import Mapping

Encoding = Literal["base64", "hex"]
ENCODINGS: Final = ("base64", "hex")
FIELDS: Final = ("identity", "port", "counter", "payload", "time", "rssi", "snr", "rate")
REQUIRED_FIELDS: Final = FIELDS[:4]
PLACEHOLDERS: Final = ("device_eui", "DEVICE_EUI", "port", "confirmed", "payload_base64", "payload_hex")

LARGEST_BYTES = 1 << 18
"""A message of an uplink holds a few kilobytes (own choice)."""

_LAST_COUNTER, _LAST_PORT = 0xFFFF_FFFF, 223
_LONGEST_PAYLOAD = 242
_EUI = re.compile(r"(?:[0-9A-Fa-f]{2}[:-]?){7}[0-9A-Fa-f]{2}")
RATE = re.compile(r"SF(1[0-2]|[5-9])BW(125|250|500)")
_PLACE = re.compile(r"\{([A-Za-z_0-9]+)\}")
_SHOWN = 40
Json: TypeAlias = "dict[str, Json] | list[Json] | str | int | float | bool | None"


class BrokerUplink(msgspec.Struct, frozen=True, kw_only=True):
    """An uplink as the network tells it. `time` is its text as it stands; levels in dBm and dB, None if not told.

    `rate` is a data rate of LoRa such as SF7BW125, '' if not told.
    """

    identity: str
    counter: int
    port: int
    payload: bytes
    time: str = ""
    rssi_dbm: float | None = None
    snr_db: float | None = None
    rate: str = ""

    @property
    def eui(self) -> int | None:
        """The identity as an EUI, None when it is none."""
        return int(re.sub("[:-]", "", self.identity), 16) if _EUI.fullmatch(self.identity) else None


@dataclass(frozen=True, slots=True)
class UplinkMap:
    """Where in a message everything stands. Raises ValueError for an expression that is none."""

    expressions: Mapping[str, str]
    encoding: Encoding = "base64"

    def __post_init__(self) -> None:
        missing = [name for name in REQUIRED_FIELDS if name not in self.expressions]
        unknown = [name for name in self.expressions if name not in FIELDS]
        if missing or unknown:
            raise ValueError(f"expressions missing: {missing}, unknown: {unknown}; accepted: {', '.join(FIELDS)}")
        if self.encoding not in ENCODINGS:
            raise ValueError(f"payload encoding {self.encoding!r}; accepted: {', '.join(ENCODINGS)}")
        for name, expression in self.expressions.items():
            problem = expression_problem(expression)
            if problem:
                raise ValueError(f"{name}: {problem}")

    def read(self, message: bytes) -> BrokerUplink:
        """The uplink in a message."""
        content = _decoded(message)
        return BrokerUplink(
            identity=_text(self._found(content, "identity"), self._where("identity")),
            counter=_whole(self._found(content, "counter"), self._where("counter"), first=0, last=_LAST_COUNTER),
            port=_whole(self._found(content, "port"), self._where("port"), first=0, last=255),
            payload=_payload(self._found(content, "payload"), self._where("payload"), self.encoding),
            time=_time(self._found(content, "time"), self._where("time")),
            rssi_dbm=_level(self._found(content, "rssi"), self._where("rssi")),
            snr_db=_level(self._found(content, "snr"), self._where("snr")),
            rate=_rate(self._found(content, "rate"), self._where("rate")),
        )

    def _found(self, content: object, name: str) -> object:
        expression = self.expressions.get(name)
        if expression is None:
            return None
        try:
            return cast("object", jmespath.search(expression, content))
        except (JMESPathError, RecursionError, TypeError) as wrong:  # a function given what it does not take
            if name not in REQUIRED_FIELDS and getattr(wrong, "actual_type", "") == "null":
                return None  # the function was given nothing, since the message tells nothing
            raise ValueError(f"{self._where(name)}: {wrong}; correct the expression") from None

    def _where(self, name: str) -> str:
        return f"{name} (expression {self.expressions.get(name)!r})"


def expression_problem(expression: str) -> str:
    """Why a text is no JMESPath expression, '' when it is one."""
    try:
        jmespath.compile(expression)
    except (JMESPathError, RecursionError) as wrong:
        return f"{expression!r} is no JMESPath expression: {' '.join(str(wrong).split())}"
    return ""


@dataclass(frozen=True, slots=True)
class DownlinkTemplate:
    """JSON whose texts hold places such as "{port}". One that is a whole text becomes a number or a boolean.

    Raises ValueError for a text that is no JSON, or a place that nobody fills.
    """

    text: str

    def __post_init__(self) -> None:
        content = self._content()
        unknown = sorted({name for name in _PLACE.findall(self.text) if name not in PLACEHOLDERS})
        if unknown:
            raise ValueError(f"places {unknown} in the template; accepted: {', '.join(PLACEHOLDERS)}")
        if not {"payload_base64", "payload_hex"} & set(_places(content)):
            raise ValueError("a template without {payload_base64} or {payload_hex} sends no payload")

    def _content(self) -> Json:
        return _decoded(self.text.encode(), what="template")

    def fill(self, payload: bytes, *, port: int, confirmed: bool, device_eui: int) -> bytes:
        """The message that sends a payload down. Raises ValueError for a port or length that cannot be."""
        if not 1 <= port <= _LAST_PORT or len(payload) > _LONGEST_PAYLOAD:
            raise ValueError(
                f"{len(payload)} bytes on port {port}; accepted: up to {_LONGEST_PAYLOAD} on ports 1 to {_LAST_PORT}"
            )
        values: dict[str, str | int | bool] = {
            **_names(device_eui),
            "port": port,
            "confirmed": confirmed,
            "payload_base64": base64.b64encode(payload).decode(),
            "payload_hex": payload.hex(),
        }
        return msgspec.json.encode(_filled(self._content(), values))


def topic_for(topic: str, device_eui: int) -> str:
    """A topic with the board's identity in its place, in the case of letters that the place has."""
    names = _names(device_eui)
    return _PLACE.sub(lambda place: names.get(place[1], place[0]), topic)


def topic_problem(topic: str, *, wildcards: bool) -> str:
    """What is wrong with a topic, '' when nothing is. MQTT 3.1.1 sections 4.7.1 and 4.7.3 (from memory)."""
    unknown = [name for name in _PLACE.findall(topic) if name not in PLACEHOLDERS[:2]]
    if unknown:
        return f"places {unknown} in the topic {topic!r}; accepted: {', '.join(PLACEHOLDERS[:2])}"
    if not topic or "\0" in topic or len(topic.encode("utf-8", "replace")) > 0xFFFF:
        return f"{topic[:_SHOWN]!r} is no topic; accepted: 1 to 65535 bytes without a zero"
    levels = topic.split("/")
    if not wildcards and any(mark in topic for mark in "+#"):
        return f"{topic!r} has a wildcard; accepted here: the one topic that is published to"
    if any(mark in level and level != mark for level in levels for mark in "+#") or "#" in levels[:-1]:
        return f"{topic!r}: a wildcard is a whole level, and # the last one"
    return ""


def _names(device_eui: int) -> dict[str, str]:
    return {"device_eui": f"{device_eui:016x}", "DEVICE_EUI": f"{device_eui:016X}"}


def _decoded(message: bytes, *, what: str = "message") -> Json:
    if len(message) > LARGEST_BYTES:
        raise ValueError(f"a {what} of {len(message)} bytes; accepted: up to {LARGEST_BYTES}")
    try:
        return cast("Json", msgspec.json.decode(message))
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as wrong:
        raise ValueError(f"no JSON in a {what} of {len(message)} bytes: {wrong}") from None


def _text(value: object, where: str) -> str:
    if not isinstance(value, str) or not value:
        raise ValueError(f"{where} found {_shown(value)}; accepted: a text")
    return value


def _whole(value: object, where: str, *, first: int, last: int) -> int:
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int) or not first <= value <= last:
        raise ValueError(f"{where} found {_shown(value)}; accepted: a whole number from {first} to {last}")
    return value


def _payload(value: object, where: str, encoding: Encoding) -> bytes:
    if not isinstance(value, str):
        raise ValueError(f"{where} found {_shown(value)}; accepted: a text of {encoding}")
    try:
        data = base64.b64decode(value, validate=True) if encoding == "base64" else bytes.fromhex(value)
    except (binascii.Error, ValueError) as wrong:
        raise ValueError(f"{where} found {_shown(value)}, which is no {encoding}: {wrong}") from None
    if len(data) > _LONGEST_PAYLOAD:
        raise ValueError(f"{where} found {len(data)} bytes; accepted: up to {_LONGEST_PAYLOAD}")
    return data


def _time(value: object, where: str) -> str:
    if value is None:
        return ""
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError(f"{where} found {_shown(value)}; accepted: a text or a number")
    return str(value)


def _rate(value: object, where: str) -> str:
    if value is None:
        return ""
    if not isinstance(value, str) or not RATE.fullmatch(value):
        raise ValueError(f"{where} found {_shown(value)}; accepted: a data rate such as 'SF7BW125'")
    return value


def _level(value: object, where: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1000 or math.isnan(value):
        raise ValueError(f"{where} found {_shown(value)}; accepted: a number of dBm or dB")
    return float(value)


def _shown(value: object) -> str:
    """What was found, as far as it is short."""
    if value is None:
        return "nothing"
    text = repr(value)
    return text if len(text) <= _SHOWN else f"{text[:_SHOWN]}..."


def _places(content: Json) -> list[str]:
    """The places in the texts of a template, keys included."""
    if isinstance(content, str):
        return _PLACE.findall(content)
    if isinstance(content, dict):
        return [name for key, value in content.items() for part in (key, value) for name in _places(part)]
    return [name for value in content for name in _places(value)] if isinstance(content, list) else []


def _filled(content: Json, values: Mapping[str, str | int | bool]) -> Json:
    if isinstance(content, str):
        whole = _PLACE.fullmatch(content)
        return values[whole[1]] if whole else _PLACE.sub(lambda place: _as_text(values[place[1]]), content)
    if isinstance(content, dict):
        return {key: _filled(value, values) for key, value in content.items()}
    return [_filled(value, values) for value in content] if isinstance(content, list) else content


def _as_text(value: str | int | bool) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)
