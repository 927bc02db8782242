"""Who a simulated radio is: its identities and its key.

Owns where the key comes from: made at random at each start, or the file or environment variable that the bench file
names.  Must not know what a key is for.  A random key is announced with the addresses; any other never is.
"""

from __future__ import annotations

import os
import secrets
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from benchrig.simulation.config import SIMULATED, BenchFileError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from benchrig.simulation.config import RadioEntry

KEY_DIGITS: Final = 32
DEFAULT_JOIN_EUI: Final = 0x02004842A0F00000
_ENVIRONMENT: Final = "env:"


@dataclass(frozen=True, slots=True)
class RadioIdentity:
    """Identities and key of one radio."""

    device_eui: int
    join_eui: int
    app_key: bytes = field(repr=False)
    is_key_announced: bool = False

    def announcement(self) -> dict[str, str]:
        """What a client may know of it."""
        known = {"device_eui": f"{self.device_eui:016X}", "join_eui": f"{self.join_eui:016X}"}
        return {**known, "app_key": self.app_key.hex()} if self.is_key_announced else known


def identity_of(
    radio: RadioEntry | None,
    *,
    device_eui: int,
    random_bytes: Callable[[int], bytes] = secrets.token_bytes,
) -> RadioIdentity:
    """The identity of a slot's radio; one without a table has a key that nobody knows.  Raises `BenchFileError`."""
    join_eui = DEFAULT_JOIN_EUI if radio is None or radio.join_eui is None else radio.join_eui
    if radio is None or radio.keys == SIMULATED:
        return RadioIdentity(device_eui, join_eui, random_bytes(KEY_DIGITS // 2), radio is not None)
    return RadioIdentity(device_eui, join_eui, _given_key(radio, device_eui))


def _given_key(radio: RadioEntry, device_eui: int) -> bytes:
    if radio.keys.startswith(_ENVIRONMENT):
        name = radio.keys.removeprefix(_ENVIRONMENT)
        return _key(os.environ.get(name, ""), f"the environment variable {name}")
    return _key(_in_file(radio.folder / radio.keys, device_eui), f"{radio.keys} for {device_eui:016X}")


def _in_file(path: Path, device_eui: int) -> str:
    try:
        devices: dict[str, dict[str, object]] = tomllib.loads(path.read_text(encoding="utf-8")).get("devices", {})
    except OSError as error:
        raise BenchFileError(f"cannot read the keys file {path}: {error.strerror}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError):
        raise BenchFileError(f"the keys file {path} is not valid TOML") from None  # its text may show a key
    wanted = f"{device_eui:016X}"
    return next((str(table.get("app_key", "")) for eui, table in devices.items() if eui.upper() == wanted), "")


def _key(digits: str, where: str) -> bytes:
    try:
        key = bytes.fromhex(digits)
    except ValueError:
        key = b""
    if len(key) != KEY_DIGITS // 2:
        raise BenchFileError(f"{where} holds no key of {KEY_DIGITS} hexadecimal digits")
    return key
