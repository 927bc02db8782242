"""What must outlast a run of the tool about a board on the air: nonces, counters, and what was spent on air.

Owns two small files: one for each board and identity, one for the gateways of the bench. Neither holds a key. A file
is replaced at one stroke (rename, POSIX.1-2017), so that a reader finds the old one or the new one and never a half.
An unreadable file is refused, never taken for an empty one: a forgotten nonce would let a replay pass.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, cast

import msgspec

from benchrig.errors import ConfigError, RecordError
from benchrig.protocol.airtime import AirtimeBudget
from benchrig.protocol.lorawan_crypto import cmac
from benchrig.protocol.lorawan_frame import eui_text
from benchrig.protocol.network_session import Joins

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from benchrig.protocol.network_session import Device
    from benchrig.protocol.region import Region

SCHEMA = 1
GATEWAYS = "gateways of the bench"
_CHECKED, _CHECK_BYTES = b"key check of the air", 4
_IS_CHECK = re.compile(rf"[0-9a-f]{{{2 * _CHECK_BYTES}}}")


@dataclass(slots=True)
class AirState:
    """What is known of a board and of the bench's gateways. `save` keeps it; nothing else does."""

    joins: Joins
    board: AirtimeBudget
    gateways: AirtimeBudget
    _board_path: Path
    _gateways_path: Path
    _other_keys: dict[str, object] = field(default_factory=dict)
    """What the board did under other keys, by their checks: who puts the right key back finds its nonces again."""

    @classmethod
    def load(cls, folder: Path, *, board: str, device: Device, region: Region) -> AirState:
        """What earlier runs kept below a folder, or a blank state. Raises ConfigError for a file it cannot use."""
        name = eui_text(device.dev_eui)
        board_path = folder / board / f"air-{name}.json"
        gateways_path = folder / f"gateway-airtime-{region.name}.json"
        kept, spent = _read(board_path), _read(gateways_path)
        try:
            joins, others = _joins(kept, device)
            own = _budget(kept, "airtime", name, region)
        except ValueError as wrong:
            raise _unusable(board_path, wrong) from wrong
        try:
            gateways = _budget(spent, "airtime", GATEWAYS, region)
        except ValueError as wrong:
            raise _unusable(gateways_path, wrong) from wrong
        return cls(joins, own, gateways, board_path, gateways_path, others)

    def save(self) -> None:
        """Bring it to the disk. Raises RecordError."""
        check, joins = _key_check(self.joins.device), self.joins.to_plain()
        own = {"schema": SCHEMA, "key_check": check, "joins": joins, "airtime": self.board.to_plain()}
        _write(self._board_path, {**own, "other_keys": self._other_keys})
        _write(self._gateways_path, {"schema": SCHEMA, "airtime": self.gateways.to_plain()})


def _joins(kept: Mapping[str, object] | None, device: Device) -> tuple[Joins, dict[str, object]]:
    """Those of the board under this key, and under others. A key that is new begins anew: nonces belong to a key."""
    if kept is None:
        return Joins(device), {}
    latest = _table(kept, "joins")
    Joins.from_plain(latest, device=device)  # refused if it cannot be read, whoever's it is
    check = kept.get("key_check")
    if not (isinstance(check, str) and _IS_CHECK.fullmatch(check)):
        raise ValueError(f"key_check {check!r:.40}; accepted: {2 * _CHECK_BYTES} hexadecimal digits")
    by_key = {**(_table(kept, "other_keys") if "other_keys" in kept else {}), check: latest}
    own = by_key.pop(_key_check(device), None)
    if own is None:
        return Joins(device), by_key
    if not isinstance(own, dict):
        raise ValueError(f"other_keys with {type(own).__name__}; accepted: a table of joins for each")
    return Joins.from_plain(cast("dict[str, object]", own), device=device), by_key


def _key_check(device: Device) -> str:
    """Tells one key from another and gives none away: the first bytes of a code (common practice, no source)."""
    return cmac(device.app_key, _CHECKED)[:_CHECK_BYTES].hex()


def _budget(kept: Mapping[str, object] | None, key: str, transmitter: str, region: Region) -> AirtimeBudget:
    if kept is None:
        return AirtimeBudget(transmitter=transmitter, region=region)
    plain = _table(kept, key)
    if plain.get("region") != region.name and transmitter != GATEWAYS:
        return AirtimeBudget(transmitter=transmitter, region=region)  # hours spent elsewhere bind nobody here
    return AirtimeBudget.from_plain(plain, region=region)


def _table(kept: Mapping[str, object], key: str) -> Mapping[str, object]:
    found = kept.get(key)
    if kept.get("schema") != SCHEMA or not isinstance(found, dict):
        raise ValueError(f"schema {kept.get('schema')!r} with {', '.join(map(str, kept))}; accepted: {SCHEMA}, {key}")
    return cast("dict[str, object]", found)


def _read(path: Path) -> Mapping[str, object] | None:
    try:
        found: object = msgspec.json.decode(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError) as wrong:
        raise _unusable(path, wrong) from wrong
    if not isinstance(found, dict):
        raise _unusable(path, ValueError(f"JSON of type {type(found).__name__}; accepted: an object"))
    return cast("dict[str, object]", found)


def _unusable(path: Path, wrong: Exception) -> ConfigError:
    return ConfigError(
        f"{path}: what earlier runs kept of the air cannot be used: {wrong}; repair it from a copy, or move it away "
        "and let the board join anew (nonces that it used before are not known then)"
    )


def _write(path: Path, content: Mapping[str, object]) -> None:
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with partial.open("wb") as file:
                file.write(msgspec.json.encode(content))
                file.flush()
                os.fsync(file.fileno())
            partial.replace(path)
        except OSError:
            with suppress(OSError):
                partial.unlink(missing_ok=True)
            raise
    except OSError as wrong:
        said = wrong.strerror or wrong
        raise RecordError(f"{path}: nonces and counters cannot be kept: {said}; check the disk") from wrong
