"""MAC commands of LoRaWAN 1.0.x, both ways, as frozen values.

Owns identifiers, lengths and bit fields. Must not know what a command does to a board. Layouts: LoRaWAN 1.0.x
chapter 5, bit places from memory; identifiers and lengths also in two public implementations (brocaar/lorawan
`mac_commands.go`, Lora-net/LoRaMac-node `LoRaMacTypes.h`). Frequencies in hertz, delays in seconds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, NamedTuple, TypeAlias, cast

import msgspec

if TYPE_CHECKING:
    from collections.abc import Iterable

_FREQUENCY_STEP_HZ = 100


class Field(NamedTuple):
    """Where a number stands among the bits of a command, counted from its least significant one."""

    name: str
    first_bit: int
    bits: int
    signed: bool = False
    step: int = 1

    def accepted(self) -> tuple[int, int]:
        """Least and greatest value."""
        low = -(1 << self.bits - 1) if self.signed else 0
        return low * self.step, (low + (1 << self.bits) - 1) * self.step

    def pack(self, value: int) -> int:
        """The bits of a value at their place. Raises ValueError outside `accepted`, or between its steps."""
        low, high = self.accepted()
        units, rest = divmod(value, self.step)
        if rest or not low <= value <= high:
            raise ValueError(f"{self.name} {value!r}; accepted: {low} to {high} in steps of {self.step}")
        return (units & (1 << self.bits) - 1) << self.first_bit

    def unpack(self, packed: int) -> int:
        """The value out of all bits of a command."""
        units = packed >> self.first_bit & (1 << self.bits) - 1
        if self.signed and units >> self.bits - 1:
            units -= 1 << self.bits
        return units * self.step


class _Command(msgspec.Struct, frozen=True):
    """What all commands have in common: a place in the table. Fields are numbers, checked when it is made."""

    CID: ClassVar[int]
    UPLINK: ClassVar[bool]
    SIZE: ClassVar[int] = 0
    FIELDS: ClassVar[tuple[Field, ...]] = ()

    def __post_init__(self) -> None:
        self.to_bytes()

    def to_bytes(self) -> bytes:
        """Identifier and fields. Raises ValueError for a value that its field cannot hold."""
        packed = sum(field.pack(int(getattr(self, field.name))) for field in self.FIELDS)
        return bytes((self.CID,)) + packed.to_bytes(self.SIZE, "little")


class LinkCheckReq(_Command, frozen=True):
    """The board asks how well it is heard."""

    CID, UPLINK = 0x02, True


class LinkCheckAns(_Command, frozen=True):
    """`margin_db` above the least level that can be demodulated, and by how many gateways."""

    CID, UPLINK, SIZE = 0x02, False, 2
    FIELDS = (Field("margin_db", 0, 8), Field("gateways", 8, 8))
    margin_db: int
    gateways: int


class LinkAdrReq(_Command, frozen=True):
    """Data rate, power step, channels and repetitions for the board to use."""

    CID, UPLINK, SIZE = 0x03, False, 4
    FIELDS = (
        Field("power_step", 0, 4),
        Field("data_rate", 4, 4),
        Field("channel_mask", 8, 16),
        Field("transmissions", 24, 4),
        Field("mask_control", 28, 3),
    )
    data_rate: int
    power_step: int
    channel_mask: int
    mask_control: int = 0
    transmissions: int = 1


class LinkAdrAns(_Command, frozen=True):
    """Which parts of the request the board took; unless all, it changed nothing."""

    CID, UPLINK, SIZE = 0x03, True, 1
    FIELDS = (Field("channel_mask_taken", 0, 1), Field("data_rate_taken", 1, 1), Field("power_taken", 2, 1))
    channel_mask_taken: int
    data_rate_taken: int
    power_taken: int


class DutyCycleReq(_Command, frozen=True):
    """The board may be on air for one part in 2 to the power of `exponent`, over all channels."""

    CID, UPLINK, SIZE = 0x04, False, 1
    FIELDS = (Field("exponent", 0, 4),)
    exponent: int


class DutyCycleAns(_Command, frozen=True):
    """Taken."""

    CID, UPLINK = 0x04, True


class RxParamSetupReq(_Command, frozen=True):
    """Frequency and data rate of the second window, offset of the first one's data rate."""

    CID, UPLINK, SIZE = 0x05, False, 4
    FIELDS = (
        Field("rx2_data_rate", 0, 4),
        Field("rx1_offset", 4, 3),
        Field("frequency_hz", 8, 24, step=_FREQUENCY_STEP_HZ),
    )
    rx2_data_rate: int
    rx1_offset: int
    frequency_hz: int


class RxParamSetupAns(_Command, frozen=True):
    """Which parts the board took; unless all, it changed nothing."""

    CID, UPLINK, SIZE = 0x05, True, 1
    FIELDS = (Field("frequency_taken", 0, 1), Field("rx2_data_rate_taken", 1, 1), Field("rx1_offset_taken", 2, 1))
    frequency_taken: int
    rx2_data_rate_taken: int
    rx1_offset_taken: int


class DevStatusReq(_Command, frozen=True):
    """The network asks for battery and margin."""

    CID, UPLINK = 0x06, False


class DevStatusAns(_Command, frozen=True):
    """`battery`: 0 on external power, 1 to 254 from empty to full, 255 unknown. `margin_db` of the last downlink."""

    CID, UPLINK, SIZE = 0x06, True, 2
    FIELDS = (Field("battery", 0, 8), Field("margin_db", 8, 6, signed=True))
    battery: int
    margin_db: int


class NewChannelReq(_Command, frozen=True):
    """A further channel, or another use of one; a frequency of 0 switches it off."""

    CID, UPLINK, SIZE = 0x07, False, 5
    FIELDS = (
        Field("channel", 0, 8),
        Field("frequency_hz", 8, 24, step=_FREQUENCY_STEP_HZ),
        Field("least_data_rate", 32, 4),
        Field("greatest_data_rate", 36, 4),
    )
    channel: int
    frequency_hz: int
    least_data_rate: int
    greatest_data_rate: int


class NewChannelAns(_Command, frozen=True):
    """Which parts the board took."""

    CID, UPLINK, SIZE = 0x07, True, 1
    FIELDS = (Field("frequency_taken", 0, 1), Field("data_rates_taken", 1, 1))
    frequency_taken: int
    data_rates_taken: int


class RxTimingSetupReq(_Command, frozen=True):
    """Delay of the first window, in seconds; 0 means 1."""

    CID, UPLINK, SIZE = 0x08, False, 1
    FIELDS = (Field("delay_s", 0, 4),)
    delay_s: int


class RxTimingSetupAns(_Command, frozen=True):
    """Taken."""

    CID, UPLINK = 0x08, True


class TxParamSetupReq(_Command, frozen=True):
    """Greatest radiated power by its index, and whether a frame is limited to 400 ms on air each way."""

    CID, UPLINK, SIZE = 0x09, False, 1
    FIELDS = (Field("power_index", 0, 4), Field("uplink_dwell", 4, 1), Field("downlink_dwell", 5, 1))
    power_index: int
    uplink_dwell: int
    downlink_dwell: int


class TxParamSetupAns(_Command, frozen=True):
    """Taken; a board in a region without this command does not answer."""

    CID, UPLINK = 0x09, True


class DlChannelReq(_Command, frozen=True):
    """Another frequency for the first window after an uplink on this channel."""

    CID, UPLINK, SIZE = 0x0A, False, 4
    FIELDS = (Field("channel", 0, 8), Field("frequency_hz", 8, 24, step=_FREQUENCY_STEP_HZ))
    channel: int
    frequency_hz: int


class DlChannelAns(_Command, frozen=True):
    """Which parts the board took."""

    CID, UPLINK, SIZE = 0x0A, True, 1
    FIELDS = (Field("frequency_taken", 0, 1), Field("channel_exists", 1, 1))
    frequency_taken: int
    channel_exists: int


class DeviceTimeReq(_Command, frozen=True):
    """The board asks for the time."""

    CID, UPLINK = 0x0D, True


class DeviceTimeAns(_Command, frozen=True):
    """Seconds since the GPS epoch (6 January 1980, no leap seconds) at the end of the uplink, and 256ths of one."""

    CID, UPLINK, SIZE = 0x0D, False, 5
    FIELDS = (Field("gps_s", 0, 32), Field("parts_256", 32, 8))
    gps_s: int
    parts_256: int = 0


class UnknownCommand(msgspec.Struct, frozen=True):
    """An identifier that 1.0.x does not list this way, and all bytes after it: its length is unknown."""

    cid: int
    rest: bytes = b""

    def to_bytes(self) -> bytes:
        """As it was read."""
        return bytes((self.cid,)) + self.rest


UplinkCommand: TypeAlias = (
    LinkCheckReq
    | LinkAdrAns
    | DutyCycleAns
    | RxParamSetupAns
    | DevStatusAns
    | NewChannelAns
    | RxTimingSetupAns
    | TxParamSetupAns
    | DlChannelAns
    | DeviceTimeReq
)
DownlinkCommand: TypeAlias = (
    LinkCheckAns
    | LinkAdrReq
    | DutyCycleReq
    | RxParamSetupReq
    | DevStatusReq
    | NewChannelReq
    | RxTimingSetupReq
    | TxParamSetupReq
    | DlChannelReq
    | DeviceTimeAns
)
MacCommand: TypeAlias = UplinkCommand | DownlinkCommand | UnknownCommand

_COMMANDS: dict[tuple[bool, int], type[_Command]] = {(one.UPLINK, one.CID): one for one in _Command.__subclasses__()}


def parse_commands(data: bytes, *, uplink: bool) -> tuple[MacCommand, ...]:
    """The commands in frame options, or in a decrypted payload of port 0.

    An unknown identifier ends the reading, since nobody knows its length: it and what follows are one value, the
    last. Raises ValueError for a command that is cut off.
    """
    found: list[MacCommand] = []
    at = 0
    while at < len(data):
        kind = _COMMANDS.get((uplink, data[at]))
        if kind is None:
            return (*found, UnknownCommand(data[at], data[at + 1 :]))
        end = at + 1 + kind.SIZE
        if end > len(data):
            raise ValueError(
                f"byte {at}: {kind.__name__} has {len(data) - at - 1} bytes; accepted: {kind.SIZE} after its identifier"
            )
        packed = int.from_bytes(data[at + 1 : end], "little")
        values = {field.name: field.unpack(packed) for field in kind.FIELDS}
        found.append(cast("MacCommand", kind(**values)))
        at = end
    return tuple(found)


def build_commands(commands: Iterable[MacCommand]) -> bytes:
    """The bytes of these commands, one after the other."""
    return b"".join(command.to_bytes() for command in commands)
