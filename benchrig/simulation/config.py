"""Reading the bench file, as far as the simulation needs it.

Owns: the checks on that part of the file and the sentences that explain what is wrong with it.  Must not know the
runner's own reading of the same file.  The board profile is not read: it says what a board must be, while the
simulation says what its board is, and the one must not be copied from the other.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

SIMULATED: Final = "simulated"
NETS: Final = ("terminals", "rail", "temperature", "pin")
PORTS: Final = ("console", "modem_uart", "modem_reply")
DEFAULT_MODELS: Final = {
    "supply": "supply-channel-list",
    "meter": "meter-scan-list",
    "recorder": "recorder-block",
}
_SOCKET = re.compile(r"TCPIP\d*::(?:127\.0\.0\.1|localhost)::(\d+)::SOCKET\Z", re.IGNORECASE)
_LISTEN = re.compile(r"(127\.0\.0\.1|localhost|0\.0\.0\.0):(\d{1,5})")
_EUI = re.compile(r"[0-9A-Fa-f]{16}")
LAST_PORT: Final = 65535
SCALES: Final = (0.01, 100.0)
"""Bench seconds in one wall second, as the runner accepts them, too."""
DEFAULT_GATEWAY: Final = 0x02004842F0000001
NEAREST_DB: Final = 75.0
FURTHER_DB: Final = 12.0
"""Attenuation to the first gateway, and what each further one has more, unless [simulation.air] says it."""
_ABSENT: Final = object()
_Value = TypeVar("_Value")


class BenchFileError(Exception):
    """The bench file (or a fault name) cannot be used; the text is one sentence for people."""


@dataclass(frozen=True, slots=True)
class InstrumentEntry:
    """One instrument of the bench; port 0 means a free one."""

    name: str
    kind: str
    model: str
    maker: str
    device: str
    serial: str
    port: int

    def identity(self, *, reports_other_serial: bool = False) -> str:
        """The answer to *IDN?."""
        serial = f"{self.serial}-X" if reports_other_serial else self.serial
        return f"{self.maker},{self.device},{serial},1.0"


@dataclass(frozen=True, slots=True)
class Wire:
    """An input or output of an instrument."""

    instrument: str
    channel: int


@dataclass(frozen=True, slots=True)
class RadioEntry:
    """What the bench file says of the radio in a slot; a path of `keys` starts in `folder`."""

    keys: str
    join_eui: int | None
    folder: Path


@dataclass(frozen=True, slots=True)
class GatewayEntry:
    """Where the gateways find the network, and which there are; port 0 means a free one."""

    host: str
    port: int
    attenuation_db: Mapping[int, float]
    """By identity: what lies between each gateway and every board."""


@dataclass(frozen=True, slots=True)
class SlotEntry:
    """One place for a board, and what is connected to it."""

    name: str
    battery: Wire
    lead_ohm: float
    contact_ohm: float
    solar: Wire | None
    meters: Mapping[str, Wire]
    recorder: Wire | None
    ports: tuple[str, ...]
    radio: RadioEntry | None = None

    def instruments(self) -> set[str]:
        """The names of all instruments that serve this slot."""
        wires = [self.battery, self.solar, self.recorder, *self.meters.values()]
        return {wire.instrument for wire in wires if wire is not None}


@dataclass(frozen=True, slots=True)
class BenchFile:
    """The whole bench."""

    instruments: Mapping[str, InstrumentEntry]
    slots: Mapping[str, SlotEntry]
    scale: float = 1.0
    seed: int = 1
    ambient_c: float = 21.0
    faults: tuple[str, ...] = field(default=())
    gateways: GatewayEntry | None = None
    image: Path | None = None
    mcu_host: Path | None = None
    """A program that the boards' microcontrollers really run, and the program that runs it; None: the model."""


def nearest(name: str, known: Iterable[str]) -> str:
    """A clause that suggests the known name most like `name`."""
    names = sorted(known)
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.0)
    return f"did you mean {close[0]!r}?" if close else "there is nothing to choose from"


class Table:
    """A TOML table that knows where it stands in the file, for the sake of its errors."""

    def __init__(self, values: object, *, where: str) -> None:
        if not isinstance(values, dict):
            raise BenchFileError(f"[{where}] must be a table, not {values!r}")
        self._values: dict[str, object] = values
        self.where = where

    def __contains__(self, key: str) -> bool:
        return key in self._values

    def names(self) -> list[str]:
        """The keys in the order of the file."""
        return list(self._values)

    def table(self, key: str) -> Table:
        """A table inside; an absent one is empty."""
        return Table(self._values.get(key, {}), where=f"{self.where}.{key}" if self.where else key)

    def text(self, key: str, default: object = _ABSENT) -> str:
        """A string."""
        return self._typed(key, str, default, "a string")

    def number(self, key: str, default: object = _ABSENT) -> float:
        """A number, whole or not."""
        value = self._values.get(key, default)
        if isinstance(value, int) and not isinstance(value, bool):
            return float(value)
        return self._typed(key, float, default, "a number")

    def integer(self, key: str, default: object = _ABSENT) -> int:
        """A whole number."""
        return self._typed(key, int, default, "a whole number")

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of strings; an absent one is empty."""
        values = self._typed(key, list, [], "a list of strings")
        if not all(isinstance(value, str) for value in values):
            raise BenchFileError(f"[{self.where}] {key} must be a list of strings, not {values!r}")
        return tuple(str(value) for value in values)

    def numbers(self, key: str) -> tuple[float, ...]:
        """A list of numbers; an absent one is empty."""
        values = self._typed(key, list, [], "a list of numbers")
        if not all(isinstance(value, int | float) and not isinstance(value, bool) for value in values):
            raise BenchFileError(f"[{self.where}] {key} must be a list of numbers, not {values!r}")
        return tuple(float(value) for value in values)

    def _typed(self, key: str, kind: type[_Value], default: object, description: str) -> _Value:
        value = self._values.get(key, default)
        if value is _ABSENT:
            raise BenchFileError(f"[{self.where}] lacks {key!r} ({description})")
        if not isinstance(value, kind) or isinstance(value, bool):
            raise BenchFileError(f"[{self.where}] {key} must be {description}, not {value!r}")
        return value


def read_bench_file(path: Path) -> BenchFile:
    """Read and check a bench file.  Raises `BenchFileError` with one sentence."""
    root = Table(_parse(path), where="")
    simulation = root.table("simulation")
    models = simulation.table("models")
    instruments = {
        name: _instrument(name, root.table("instruments").table(name), models)
        for name in root.table("instruments").names()
    }
    slots_table = root.table("slots")
    slots = {
        name: _slot(name, slots_table.table(name), instruments, folder=path.parent) for name in slots_table.names()
    }
    if not slots:
        raise BenchFileError(f"{path} has no [slots.1]: a bench needs at least one slot")
    return BenchFile(
        instruments=instruments,
        slots=slots,
        scale=_scale(simulation),
        seed=simulation.integer("seed", 1),
        ambient_c=simulation.number("ambient_c", 21.0),
        faults=simulation.texts("faults"),
        gateways=_gateways(root.table("gateway"), simulation.table("air")) if "gateway" in root else None,
        image=_beside(path, simulation, "image"),
        mcu_host=_beside(path, simulation, "mcu_host"),
    )


def _beside(path: Path, simulation: Table, key: str) -> Path | None:
    """A path that starts in the folder of the bench file; None where it is not given."""
    if key not in simulation:
        return None
    if not {"image", "mcu_host"} <= set(simulation.names()):
        raise BenchFileError("[simulation] image and mcu_host go together: a program, and what runs it")
    return path.parent / simulation.text(key)


def _scale(simulation: Table) -> float:
    scale = simulation.number("scale", 1.0)
    if not SCALES[0] <= scale <= SCALES[1]:
        raise BenchFileError(f"[simulation] scale {scale:g}: accepted: a number from {SCALES[0]:g} to {SCALES[1]:g}")
    return scale


def _parse(path: Path) -> dict[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BenchFileError(f"cannot read the bench file {path}: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BenchFileError(f"{path} is not valid TOML: {error}") from error


def _instrument(name: str, table: Table, models: Table) -> InstrumentEntry:
    kind = table.text("kind")
    if kind not in DEFAULT_MODELS:
        raise BenchFileError(f"[{table.where}] kind {kind!r} cannot be simulated; {nearest(kind, DEFAULT_MODELS)}")
    return InstrumentEntry(
        name=name,
        kind=kind,
        model=models.text(name, DEFAULT_MODELS[kind]),
        maker=table.text("maker"),
        device=table.text("model"),
        serial=table.text("serial"),
        port=_port(table),
    )


def _port(table: Table) -> int:
    resource = table.text("resource")
    if resource == SIMULATED:
        return 0
    match = _SOCKET.match(resource)
    if match is None:
        raise BenchFileError(
            f"[{table.where}] resource {resource!r} cannot be simulated; write {SIMULATED!r}"
            " or 'TCPIP::127.0.0.1::<port>::SOCKET'"
        )
    return int(match[1])


def _gateways(table: Table, air: Table) -> GatewayEntry:
    listen = table.text("listen", "127.0.0.1:0")
    found = _LISTEN.fullmatch(listen)
    if found is None or int(found[2]) > LAST_PORT:
        raise BenchFileError(
            f"[{table.where}] listen {listen!r} cannot be simulated; write '127.0.0.1:<port>', port 0 for a free one"
        )
    euis = [_eui(table, "euis", text) for text in table.texts("euis")] or [DEFAULT_GATEWAY]
    losses_db = air.numbers("attenuation_db")
    return GatewayEntry(
        host="127.0.0.1",
        port=int(found[2]),
        attenuation_db={
            eui: losses_db[place] if place < len(losses_db) else NEAREST_DB + place * FURTHER_DB
            for place, eui in enumerate(euis)
        },
    )


def _eui(table: Table, key: str, text: str) -> int:
    if _EUI.fullmatch(text) is None:
        raise BenchFileError(f"[{table.where}] {key} {text!r} must be 16 hexadecimal digits")
    return int(text, 16)


def _radio(table: Table, folder: Path) -> RadioEntry:
    keys = table.text("keys", SIMULATED)
    if keys == "prompt":
        raise BenchFileError(
            f"[{table.where}] keys = 'prompt' cannot be simulated, nobody would type the board's own key;"
            f" write {SIMULATED!r}, a path or 'env:NAME'"
        )
    join_eui = table.text("join_eui", SIMULATED)
    return RadioEntry(keys, None if join_eui == SIMULATED else _eui(table, "join_eui", join_eui), folder)


def _slot(name: str, table: Table, instruments: Mapping[str, InstrumentEntry], *, folder: Path) -> SlotEntry:
    battery = table.table("battery")
    meters = table.table("meters")
    serial = table.table("serial")
    for known, found in ((NETS, meters), (PORTS, serial)):
        _refuse_unknown(found, known)
    return SlotEntry(
        name=name,
        battery=_wire(battery, instruments, kind="supply"),
        lead_ohm=battery.number("lead_ohm", 0.05),
        contact_ohm=battery.number("contact_ohm", 0.02),
        solar=_wire(table.table("solar"), instruments, kind="supply") if "solar" in table else None,
        meters={net: _wire(meters.table(net), instruments, kind="meter") for net in meters.names()},
        recorder=_wire(table.table("recorder"), instruments, kind="recorder") if "recorder" in table else None,
        ports=tuple(port for port in serial.names() if serial.table(port).text("port") == SIMULATED),
        radio=_radio(table.table("radio"), folder) if "radio" in table else None,
    )


def _refuse_unknown(table: Table, known: tuple[str, ...]) -> None:
    for key in table.names():
        if key not in known:
            raise BenchFileError(f"[{table.where}] has no {key!r}; {nearest(key, known)}")


def _wire(table: Table, instruments: Mapping[str, InstrumentEntry], *, kind: str) -> Wire:
    name = table.text("instrument")
    if name not in instruments:
        raise BenchFileError(f"[{table.where}] names the unknown instrument {name!r}; {nearest(name, instruments)}")
    if instruments[name].kind != kind:
        raise BenchFileError(f"[{table.where}] instrument {name!r} is a {instruments[name].kind}, not a {kind}")
    return Wire(name, table.integer("channel", 1))
