"""The layout of frames: round trips, an independent reader, and every malformed frame named."""

from __future__ import annotations

import loramsg
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.protocol.lorawan_frame import (
    DataFrame,
    JoinRequest,
    ProprietaryFrame,
    SealedJoinAccept,
    build_frame,
    eui_text,
    parse_frame,
    reversed_eui,
)
from benchrig.protocol.lorawan_join import ChannelMasks, ExtraChannels, JoinAccept, build_join_accept, parse_join_accept

MIC = bytes.fromhex("0a1b2c3d")
ADDRESS = 0x26011F05


@st.composite
def data_frames(draw: st.DrawFn) -> DataFrame:
    """Any data frame that may be."""
    port = draw(st.none() | st.integers(0, 255))
    options = b"" if port == 0 else draw(st.binary(max_size=15))
    return DataFrame(
        uplink=draw(st.booleans()),
        dev_addr=draw(st.integers(0, 0xFFFFFFFF)),
        counter16=draw(st.integers(0, 0xFFFF)),
        confirmed=draw(st.booleans()),
        adr=draw(st.booleans()),
        bit6=draw(st.booleans()),
        ack=draw(st.booleans()),
        bit4=draw(st.booleans()),
        options=options,
        port=port,
        payload=b"" if port is None else draw(st.binary(max_size=227)),
        mic=draw(st.binary(min_size=4, max_size=4)),
    )


@settings(deadline=None)
@given(data_frames())
def test_a_data_frame_comes_back(frame: DataFrame) -> None:
    """What is built is read as the same value."""
    assert parse_frame(build_frame(frame)) == frame


@settings(deadline=None)
@given(data_frames())
def test_an_independent_reader_finds_the_same(frame: DataFrame) -> None:
    """liblora reads the same fields out of our bytes."""
    data = build_frame(frame)

    loramsg.sanity_check_frame(data)
    theirs = loramsg.unpack_updf(data)

    assert theirs["DevAddr"] % (1 << 32) == frame.dev_addr
    assert (theirs["FCnt"], theirs["FOpts"]) == (frame.counter16, frame.options.hex())
    assert theirs["FPort"] == (-1 if frame.port is None else frame.port)
    assert theirs["FRMPayload"] == frame.payload.hex()
    flags = ((0x80, frame.adr), (0x40, frame.bit6), (0x20, frame.ack), (0x10, frame.bit4))
    assert all(bool(theirs["FCtrl"] & bit) is flag for bit, flag in flags)


@settings(deadline=None)
@given(st.integers(0, (1 << 64) - 1), st.integers(0, (1 << 64) - 1), st.integers(0, 0xFFFF))
def test_a_join_request_comes_back(join_eui: int, dev_eui: int, nonce: int) -> None:
    """Identifiers of 64 bits keep their order through bytes and back, and liblora reads the same."""
    request = JoinRequest(join_eui, dev_eui, nonce, MIC)

    data = build_frame(request)
    theirs = loramsg.unpack_jreq(data)

    assert parse_frame(data) == request
    assert [str(theirs[name]).replace("-", "") for name in ("JoinEUI", "DevEUI")] == [
        eui_text(join_eui),
        eui_text(dev_eui),
    ]
    assert theirs["DevNonce"] == nonce


@settings(deadline=None)
@given(st.binary(max_size=300))
def test_garbage_is_a_value_or_a_value_error(data: bytes) -> None:
    """No bytes whatever end in another exception, and what is read is written back bit for bit."""
    try:
        frame = parse_frame(data)
    except ValueError:
        return
    assert build_frame(frame) == data


@settings(deadline=None)
@given(st.sampled_from([0x40, 0x60, 0x80, 0xA0]), st.binary(min_size=7, max_size=260))
def test_damaged_data_frames_are_a_value_or_a_value_error(header: int, rest: bytes) -> None:
    """The same with a header that leads into the longest path."""
    try:
        frame = parse_frame(bytes((header,)) + rest)
    except ValueError:
        return
    assert build_frame(frame) == bytes((header,)) + rest


@pytest.mark.parametrize(
    ("data", "complaint"),
    [
        pytest.param("", "a frame of 0 bytes; accepted: 1 to 255", id="empty"),
        pytest.param("00" * 256, "a frame of 256 bytes", id="too-long"),
        pytest.param("41" + "00" * 11, "byte 0: major version 1 in header 0x41; accepted: 0", id="version"),
        pytest.param("44" + "00" * 11, "byte 0: reserved bits set in header 0x44", id="reserved-bits"),
        pytest.param("c0" + "00" * 22, "byte 0: frame type 6", id="reserved-type"),
        pytest.param("00" * 22, "a join-request of 22 bytes; accepted: 23", id="join-request"),
        pytest.param("20" + "00" * 17, "a join-accept of 18 bytes; accepted: 17, or 33", id="join-accept"),
        pytest.param("40" + "00" * 10, "a data frame of 11 bytes; accepted: from 12 up", id="short"),
        pytest.param(
            "40 051f0126 03 0100 0203" + "00" * 4, "byte 5: 3 bytes of frame options in a frame with room for 2",
            id="options",
        ),
        pytest.param(
            "40 051f0126 01 0100 02 00 aa" + "00" * 4, "port 0 beside 1 bytes of frame options", id="port-0-and-options"
        ),
    ],
)  # fmt: skip
def test_a_malformed_frame_is_named(data: str, complaint: str) -> None:
    """The error says what is wrong, where, and what is accepted."""
    with pytest.raises(ValueError, match=complaint):
        parse_frame(bytes.fromhex(data))


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        pytest.param({"port": 256}, "port 256; accepted: 0 to 255", id="port"),
        pytest.param({"payload": b"x"}, "1 bytes of payload without a port", id="no-port"),
        pytest.param({"options": bytes(16)}, "16 bytes of frame options; accepted: up to 15", id="options"),
        pytest.param({"counter16": 1 << 16}, "FCnt 65536; accepted: 16 bits", id="counter"),
        pytest.param({"dev_addr": -1}, "DevAddr -1; accepted: 32 bits", id="address"),
    ],
)
def test_a_frame_that_cannot_be_is_not_made(make: dict[str, object], complaint: str) -> None:
    """A value outside of its field is refused when the frame is made."""
    fields: dict[str, object] = {"uplink": True, "dev_addr": ADDRESS, "counter16": 1, **make}
    with pytest.raises(ValueError, match=complaint):
        DataFrame(**fields)  # type: ignore[arg-type]


def test_a_frame_needs_its_code() -> None:
    """A frame without an integrity code, or longer than the radio takes, is not built."""
    bare = DataFrame(uplink=True, dev_addr=ADDRESS, counter16=1)
    with pytest.raises(ValueError, match="an integrity code of 0 bytes; accepted: 4"):
        build_frame(bare)
    long = DataFrame(uplink=True, dev_addr=ADDRESS, counter16=1, port=1, payload=bytes(243), mic=MIC)
    with pytest.raises(ValueError, match="a frame of 256 bytes; accepted: up to 255"):
        build_frame(long)


def test_flags_have_a_meaning_each_way() -> None:
    """The same bit asks for an answer upwards, and tells of waiting frames downwards."""
    up = DataFrame(uplink=True, dev_addr=ADDRESS, counter16=1, bit6=True, bit4=True)
    down = DataFrame(uplink=False, dev_addr=ADDRESS, counter16=1, bit6=True, bit4=True)

    assert (up.adr_ack_request, up.frames_wait) == (True, False)
    assert (down.adr_ack_request, down.frames_wait) == (False, True)


def test_other_frames_keep_their_bytes() -> None:
    """A sealed join-accept and a maker's own frame come back as they were."""
    for data in (b"\x20" + bytes(range(16)), b"\x20" + bytes(range(32)), b"\xe0anything"):
        frame = parse_frame(data)
        assert isinstance(frame, SealedJoinAccept | ProprietaryFrame)
        assert build_frame(frame) == data


def test_an_eui_reads_as_its_label() -> None:
    """Text and reversal of an identifier go by bytes."""
    assert eui_text(0x70B3D57ED00000DC) == "70B3D57ED00000DC"
    assert eui_text(reversed_eui(0x70B3D57ED00000DC)) == "DC0000D07ED5B370"


# ---- channel lists of a join-accept


@settings(deadline=None)
@given(st.lists(st.integers(0, 0xFFFFFF).map(lambda units: units * 100), max_size=5))
def test_extra_channels_come_back(frequencies_hz: list[int]) -> None:
    """Up to five frequencies go into a list of type 0; places left free read as 0 Hz."""
    accept = JoinAccept(app_nonce=1, net_id=2, dev_addr=3, channels=ExtraChannels(tuple(frequencies_hz)))

    channels = parse_join_accept(build_join_accept(accept)).channels

    assert isinstance(channels, ExtraChannels)
    assert list(channels.frequencies_hz) == frequencies_hz + [0] * (5 - len(frequencies_hz))


@settings(deadline=None)
@given(st.lists(st.integers(0, 0xFFFF), max_size=5))
def test_channel_masks_come_back(masks: list[int]) -> None:
    """Up to five masks go into a list of type 1."""
    accept = JoinAccept(app_nonce=1, net_id=2, dev_addr=3, channels=ChannelMasks(tuple(masks)))

    channels = parse_join_accept(build_join_accept(accept)).channels

    assert isinstance(channels, ChannelMasks)
    assert list(channels.masks) == masks + [0] * (5 - len(masks))


@settings(deadline=None)
@given(st.binary(min_size=12, max_size=30))
def test_garbage_for_a_join_accept_is_a_value_or_a_value_error(data: bytes) -> None:
    """No bytes whatever end in another exception."""
    try:
        accept = parse_join_accept(data)
    except ValueError:
        return
    assert build_join_accept(accept)[:11] == data[:11]


@pytest.mark.parametrize(
    ("data", "complaint"),
    [
        pytest.param("20" + "00" * 12 + "00" * 15 + "02", "byte 28: channel list of type 2", id="list-type"),
        pytest.param("20" + "00" * 10 + "8000", "byte 11: reserved bit set in settings 0x80", id="settings"),
        pytest.param("20" + "00" * 10 + "0010", "byte 12: reserved bits set in delay 0x10", id="delay"),
        pytest.param("40" + "00" * 12, "byte 0: header 0x40; accepted: 0x20", id="header"),
        pytest.param("20" + "00" * 11, "a join-accept of 12 bytes in the clear", id="length"),
    ],
)
def test_a_malformed_join_accept_is_named(data: str, complaint: str) -> None:
    """The error says what is wrong, where, and what is accepted."""
    with pytest.raises(ValueError, match=complaint):
        parse_join_accept(bytes.fromhex(data))


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        pytest.param(lambda: ExtraChannels((867_100_050,)), "867100050 Hz; accepted: multiples of 100", id="between"),
        pytest.param(lambda: ExtraChannels((0,) * 6), "6 extra channels; accepted: up to 5", id="six"),
        pytest.param(lambda: ChannelMasks((1 << 16,)), "channel masks .*; accepted: up to 5 of 16 bits", id="mask"),
        pytest.param(
            lambda: JoinAccept(app_nonce=1, net_id=2, dev_addr=3, rx_delay_s=0),
            "delay of the first window in seconds: 0; accepted: 1 to 15",
            id="delay",
        ),
        pytest.param(
            lambda: JoinAccept(app_nonce=1 << 24, net_id=2, dev_addr=3), "AppNonce: 16777216; accepted", id="nonce"
        ),
    ],
)
def test_a_join_accept_that_cannot_be_is_not_made(make: object, complaint: str) -> None:
    """A value outside of its field is refused when the join-accept is made."""
    assert callable(make)
    with pytest.raises(ValueError, match=complaint):
        make()
