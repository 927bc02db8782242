"""MAC commands against published lengths, an independent codec, and garbage."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import loraopts
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.protocol import lorawan_mac as mac
from benchrig.protocol.lorawan_mac import UnknownCommand, build_commands, parse_commands

if TYPE_CHECKING:
    from collections.abc import Mapping

    import msgspec


class Figure(NamedTuple):
    """Identifier and lengths of a command, as a failing test prints them."""

    id: str
    cid: int
    up_bytes: int | None
    down_bytes: int | None
    source: str = "brocaar/lorawan mac_commands.go; Lora-net/LoRaMac-node src/mac/LoRaMacTypes.h"
    mark: str = "seen"


# The two sources list the lengths of commands with content; those without are by the specification, from memory.
FIGURES = (
    Figure("LinkCheck", 0x02, 0, 2),
    Figure("LinkAdr", 0x03, 1, 4),
    Figure("DutyCycle", 0x04, 0, 1),
    Figure("RxParamSetup", 0x05, 1, 4),
    Figure("DevStatus", 0x06, 2, 0),
    Figure("NewChannel", 0x07, 1, 5),
    Figure("RxTimingSetup", 0x08, 0, 1),
    Figure("TxParamSetup", 0x09, 0, 1),
    Figure("DlChannel", 0x0A, 1, 4),
    Figure("DeviceTime", 0x0D, 0, 5),
)

# liblora's own name of each command and field, for the same bits.
TWINS: Mapping[str, tuple[str, Mapping[str, str]]] = {
    "LinkCheckReq": ("LinkCheckReq", {}),
    "LinkCheckAns": ("LinkCheckAns", {"margin_db": "Margin", "gateways": "GwCnt"}),
    "LinkAdrReq": (
        "LinkADRReq",
        {
            "power_step": "TXPow",
            "data_rate": "DR",
            "channel_mask": "ChMask",
            "transmissions": "NbTrans",
            "mask_control": "ChMaskCntl",
        },
    ),
    "LinkAdrAns": (
        "LinkADRAns",
        {"channel_mask_taken": "ChAck", "data_rate_taken": "DRAck", "power_taken": "TXPowAck"},
    ),
    "DutyCycleAns": ("DutyCycleAns", {}),
    "RxParamSetupReq": (
        "RXParamSetupReq",
        {"rx2_data_rate": "RX2DR", "rx1_offset": "RX1DRoff", "frequency_hz": "Freq"},
    ),
    "RxParamSetupAns": (
        "RXParamSetupAns",
        {"frequency_taken": "FreqAck", "rx2_data_rate_taken": "RX2DRAck", "rx1_offset_taken": "RX1DRoffAck"},
    ),
    "DevStatusReq": ("DevStatusReq", {}),
    "DevStatusAns": ("DevStatusAns", {"battery": "Batt", "margin_db": "Margin"}),
    "NewChannelReq": (
        "NewChannelReq",
        {"channel": "Chnl", "frequency_hz": "Freq", "least_data_rate": "MinDR", "greatest_data_rate": "MaxDR"},
    ),
    "RxTimingSetupReq": ("RXTimingSetupReq", {"delay_s": "Delay"}),
    "RxTimingSetupAns": ("RXTimingSetupAns", {}),
    "TxParamSetupReq": (
        "TXParamSetupReq",
        {"power_index": "MaxEIRP", "uplink_dwell": "UpDwell", "downlink_dwell": "DnDwell"},
    ),
    "TxParamSetupAns": ("TXParamSetupAns", {}),
    "DlChannelAns": ("DlChannelAns", {"frequency_taken": "FreqAck", "channel_exists": "ChnlAck"}),
    "DeviceTimeReq": ("DeviceTimeReq", {}),
}
# Left out: DutyCycleReq and NewChannelAns carry slips in liblora 0.0.3 (a bracket; the second bit's name says nothing
# of which part), DlChannelReq reads nine bits, DeviceTimeAns splits the fraction otherwise. They have cases below.
KNOWN_BYTES = (
    pytest.param(mac.DutyCycleReq(7), "0407", id="duty-cycle"),
    pytest.param(mac.DlChannelReq(3, 868_300_000), "0a03f87d84", id="dl-channel"),
    pytest.param(mac.DeviceTimeAns(1_400_000_000, 128), "0d004e725380", id="device-time"),
    pytest.param(mac.NewChannelAns(1, 0), "0701", id="new-channel-ans"),
    pytest.param(mac.LinkAdrReq(5, 1, 0x00FF, 0, 3), "0351ff0003", id="link-adr"),
    pytest.param(mac.DevStatusAns(255, -20), "06ff2c", id="dev-status"),
    pytest.param(mac.NewChannelReq(3, 867_100_000, 0, 5), "0703184f8450", id="new-channel"),
)
NAMES = [name for name in dir(mac) if name.endswith(("Req", "Ans"))]


def _value(field: mac.Field) -> st.SearchStrategy[int]:
    low, high = field.accepted()
    return st.integers(low // field.step, high // field.step).map(lambda units: units * field.step)


def _values(kind: type[msgspec.Struct]) -> st.SearchStrategy[dict[str, int]]:
    fields: tuple[mac.Field, ...] = vars(kind).get("FIELDS", ())
    return st.fixed_dictionaries({field.name: _value(field) for field in fields})


commands = st.sampled_from(NAMES).flatmap(
    lambda name: _values(getattr(mac, name)).map(lambda values: getattr(mac, name)(**values))
)


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_identifiers_and_lengths_are_the_published_ones(figure: Figure) -> None:
    """Every command has the identifier and length of its source, each way."""
    for uplink, size in ((True, figure.up_bytes), (False, figure.down_bytes)):
        if size is None:
            continue
        found = parse_commands(bytes((figure.cid,)) + bytes(size), uplink=uplink)
        assert [type(one).__name__[:-3] for one in found] == [figure.id], f"{figure.source} [{figure.mark}]"
        if size:
            with pytest.raises(ValueError, match=f"accepted: {size} after its identifier"):
                parse_commands(bytes((figure.cid,)) + bytes(size - 1), uplink=uplink)


@settings(deadline=None)
@given(st.lists(commands, max_size=6))
def test_commands_come_back(found: list[mac.MacCommand]) -> None:
    """A row of commands of one way is read as it was written."""
    for uplink in (True, False):
        one_way = tuple(one for one in found if getattr(one, "UPLINK") is uplink)  # noqa: B009 - a class variable
        assert parse_commands(build_commands(one_way), uplink=uplink) == one_way


@pytest.mark.parametrize("name", sorted(TWINS))
def test_an_independent_codec_writes_the_same_bytes(name: str) -> None:
    """liblora puts every field at the same bits."""
    their_name, fields = TWINS[name]
    kind = getattr(mac, name)

    @settings(deadline=None)
    @given(_values(kind))
    def agree(values: dict[str, int]) -> None:
        steps = {field.name: field.step for field in kind.FIELDS}
        theirs = getattr(loraopts, their_name)(**{fields[field]: n // steps[field] for field, n in values.items()})
        assert loraopts.pack_opts([theirs]) == kind(**values).to_bytes()

    agree()


@pytest.mark.parametrize(("command", "data"), KNOWN_BYTES)
def test_known_bytes(command: mac.DownlinkCommand | mac.UplinkCommand, data: str) -> None:
    """Bytes worked out by hand from the bit places of the specification (from memory)."""
    assert command.to_bytes().hex() == data
    assert parse_commands(bytes.fromhex(data), uplink=command.UPLINK) == (command,)


@settings(deadline=None)
@given(st.binary(max_size=40), st.booleans())
def test_garbage_is_commands_or_a_value_error(data: bytes, uplink: bool) -> None:
    """No bytes whatever end in another exception."""
    try:
        found = parse_commands(data, uplink=uplink)
    except ValueError:
        return
    assert len(build_commands(found)) == len(data)


def test_an_unknown_command_ends_the_reading() -> None:
    """What stands before it is kept, and what follows cannot be read."""
    found = parse_commands(bytes.fromhex("02 80 01 02"), uplink=True)

    assert found == (mac.LinkCheckReq(), UnknownCommand(0x80, b"\x01\x02"))


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        pytest.param(lambda: mac.LinkAdrReq(16, 0, 0), "data_rate 16; accepted: 0 to 15", id="too-large"),
        pytest.param(lambda: mac.DevStatusAns(0, 32), "margin_db 32; accepted: -32 to 31", id="signed"),
        pytest.param(
            lambda: mac.NewChannelReq(3, 867_100_050, 0, 5), "frequency_hz 867100050; .* steps of 100", id="between"
        ),
    ],
)
def test_a_command_that_cannot_be_is_not_made(make: object, complaint: str) -> None:
    """A value outside of its bits is refused when the command is made."""
    assert callable(make)
    with pytest.raises(ValueError, match=complaint):
        make()
