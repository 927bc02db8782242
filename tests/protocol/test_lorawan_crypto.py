"""AES, CMAC, integrity codes, payloads and joins against published vectors and an independent codec.

Marks: seen = read in the source itself, seen-2nd = read in somebody's transcription, memory = nothing read,
recomputed = own computation agrees.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import NamedTuple

import loracrypto
import loramsg
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.protocol.lorawan_crypto import (
    cmac,
    crypt_payload,
    data_mic,
    decrypt_blocks,
    encrypt_blocks,
    join_mic,
    open_join_accept,
    same_mic,
    seal_join_accept,
    session_keys,
)
from benchrig.protocol.lorawan_frame import DataFrame, JoinRequest, parse_frame
from benchrig.protocol.lorawan_join import JoinAccept, build_join_accept, parse_join_accept
from benchrig.protocol.secret_key import Key

HERE = Path(__file__).parent


class Figure(NamedTuple):
    """A published value, as a failing test prints it."""

    id: str
    source: str
    mark: str
    inputs: tuple[str, ...]
    expected: str

    def holds(self, found: bytes) -> None:
        """Fail with the source when `found` is not the published value."""
        assert found.hex() == self.expected, (
            f"{self.id}: {found.hex()}, published {self.expected}; {self.source} [{self.mark}]"
        )


RFC4493_KEY = "2b7e151628aed2a6abf7158809cf4f3c"
RFC4493_TEXT = (
    "6bc1bee22e409f96e93d7e117393172aae2d8a571e03ac9c9eb76fac45af8e51"
    "30c81c46a35ce411e5fbc1191a0a52eff69f2445df4f9b17ad2b417be66c3710"
)
CMAC = tuple(
    Figure(
        f"cmac-{size}-bytes", "RFC 4493 section 4", "seen-2nd+recomputed", (RFC4493_KEY, RFC4493_TEXT[: 2 * size]), tag
    )
    for size, tag in (
        (0, "bb1d6929e95937287fa37d129b756746"),
        (16, "070a16b46b4d4144f79bdd9dd04a287c"),
        (40, "dfa66747de9ae63030ca32611497c827"),
        (64, "51f0bebf7e3b9d92fc49741779363cfe"),
    )
)
AES = (
    Figure(
        "fips197-c1",
        "FIPS 197 appendix C.1",
        "seen+recomputed",
        ("000102030405060708090a0b0c0d0e0f", "00112233445566778899aabbccddeeff"),
        "69c4e0d86a7b0430d8cdb78070b4c55a",
    ),
    Figure(
        "fips197-b",
        "FIPS 197 appendix B",
        "memory+recomputed",
        (RFC4493_KEY, "3243f6a8885a308d313198a2e0370734"),
        "3925841d02dc09fbdc118597196a0b32",
    ),
    Figure(
        "sp800-38a-f11",
        "NIST SP 800-38A F.1.1, first block",
        "memory+recomputed",
        (RFC4493_KEY, "6bc1bee22e409f96e93d7e117393172a"),
        "3ad77bb40d7a3660a89ecaf32466ef97",
    ),
)
JOIN_REQUESTS = (
    Figure(
        "join-request-1",
        "anthonykirby/lora-packet __tests__/mic_test.ts",
        "seen+recomputed",
        ("0039363463336913aa05693574323831330489c65b1304", "98929b92c49edba9676d646d3b612456"),
        "aa13693363343639 3331383274356905 8904 c65b1304",
    ),
    Figure(
        "join-request-2",
        "brocaar/lorawan phypayload_test.go TestPHYPayloadJoinRequest",
        "seen+recomputed",
        ("00040302010403020105040302050403022d106a990e12", "01010101010101010101010101010101"),
        "0102030401020304 0203040502030405 102d 6a990e12",
    ),
)
JOIN_ACCEPT = Figure(
    "join-accept",
    "brocaar/lorawan phypayload_test.go TestPHYPayloadJoinAccept",
    "seen+recomputed",
    ("20493eeb51fba2116f810edb3742975142", "00112233445566778899aabbccddeeff"),
    "20c70b57011122801903020000",
)
SESSION_KEYS = Figure(
    "session-keys",
    "anthonykirby/lora-packet __tests__/key_gen_test.ts (LoRaWAN 1.0)",
    "seen+recomputed",
    ("98929b92c49edba9676d646d3b612456", "376338", "aabbcc", "f18e"),
    "4e3d6e6afbcc67af2ba3c8e8ec4acf4b" + "610897aa6f1460623443b527d3ac6a9d",
)


class Row(NamedTuple):
    """A data frame with its keys and content, published or computed by three implementations."""

    id: str
    source: str
    mark: str
    phy: bytes
    network: Key
    application: Key | None
    dev_addr: int
    counter: int
    port: int
    options: bytes
    expected: bytes
    expected_mic: bytes


def _rows() -> list[Row]:
    with (HERE / "lorawan_frames.csv").open(encoding="utf-8") as file:
        next(file)  # the source of the whole table; each row has its own as well
        return [
            Row(
                row["name"],
                row["row_source"],
                row["seen"],
                bytes.fromhex(row["phy_payload_hex"]),
                Key.from_hex(row["nwkskey"]),
                Key.from_hex(row["appskey"]) if row["appskey"] else None,
                int(row["devaddr_big_endian"], 16),
                int(row["fcnt32"]),
                int(row["fport"]),
                bytes.fromhex(row["fopts_hex"]),
                bytes.fromhex(row["plaintext_hex"]),
                bytes.fromhex(row["mic_hex"]),
            )
            for row in csv.DictReader(file)
        ]


ROWS = _rows()


def by_id(one: Figure | Row) -> str:
    """The name of a case."""
    return one.id


keys = st.binary(min_size=16, max_size=16)
addresses = st.integers(0, 0xFFFFFFFF)
counters = st.integers(0, 0xFFFFFFFF)


def signed(number: int) -> int:
    """A 32-bit number as liblora packs it."""
    return number - (1 << 32) if number >> 31 else number


@pytest.mark.parametrize("figure", CMAC, ids=by_id)
def test_cmac_is_that_of_the_rfc(figure: Figure) -> None:
    """AES-CMAC gives the tags that RFC 4493 prints."""
    figure.holds(cmac(Key.from_hex(figure.inputs[0]), bytes.fromhex(figure.inputs[1])))


@pytest.mark.parametrize("figure", AES, ids=by_id)
def test_aes_is_that_of_the_standard(figure: Figure) -> None:
    """A block encrypts to what FIPS 197 prints, and decrypts back."""
    key = Key.from_hex(figure.inputs[0])

    figure.holds(encrypt_blocks(key, bytes.fromhex(figure.inputs[1])))
    assert decrypt_blocks(key, bytes.fromhex(figure.expected)).hex() == figure.inputs[1]


@pytest.mark.parametrize("row", ROWS, ids=by_id)
def test_every_published_frame_is_read(row: Row) -> None:
    """Address, counter, port, options, code and plaintext of each row come out of its bytes."""
    frame = parse_frame(row.phy)
    assert isinstance(frame, DataFrame)
    where = f"{row.id}; {row.source} [{row.mark}]"
    key = row.network if row.port == 0 else row.application

    assert (frame.dev_addr, frame.counter16, frame.port, frame.options) == (
        row.dev_addr, row.counter & 0xFFFF, row.port, row.options,
    ), where  # fmt: skip
    assert frame.mic == row.expected_mic, where
    code = data_mic(row.network, frame.signed, uplink=frame.uplink, dev_addr=frame.dev_addr, counter=row.counter)
    assert code == row.expected_mic, where
    if key is not None:
        clear = crypt_payload(key, frame.payload, uplink=frame.uplink, dev_addr=frame.dev_addr, counter=row.counter)
        assert clear == row.expected, where


def test_there_are_ten_frames() -> None:
    """The table is whole: seven published frames and three about the 32-bit counter."""
    assert len(ROWS) == 10


def test_a_counter_of_16_bits_is_not_enough() -> None:
    """After 65535 frames the upper half counts in the code and in the encryption."""
    row = next(one for one in ROWS if one.counter == 0x10000)
    frame = parse_frame(row.phy)
    assert isinstance(frame, DataFrame)
    assert row.application is not None

    code = data_mic(row.network, frame.signed, uplink=True, dev_addr=frame.dev_addr, counter=0)
    clear = crypt_payload(row.application, frame.payload, uplink=True, dev_addr=frame.dev_addr, counter=0)

    assert not same_mic(code, frame.mic)
    assert clear.hex() == "fb789e2438"  # own vector, three implementations agree


@pytest.mark.parametrize("figure", JOIN_REQUESTS, ids=by_id)
def test_published_join_requests_are_read(figure: Figure) -> None:
    """Identifiers are read most significant byte first, and the code fits."""
    request = parse_frame(bytes.fromhex(figure.inputs[0]))
    assert isinstance(request, JoinRequest)

    found = f"{request.join_eui:016x} {request.dev_eui:016x} {request.dev_nonce:04x} {request.mic.hex()}"

    assert found == figure.expected, f"{figure.source} [{figure.mark}]"
    assert join_mic(Key.from_hex(figure.inputs[1]), request.signed) == request.mic


def test_the_published_join_accept_opens() -> None:
    """A join-accept in the clear has the fields that its source names, and is sealed to the same bytes."""
    sealed, key = bytes.fromhex(JOIN_ACCEPT.inputs[0]), Key.from_hex(JOIN_ACCEPT.inputs[1])

    clear = open_join_accept(key, sealed)
    accept = parse_join_accept(clear)

    JOIN_ACCEPT.holds(clear)
    assert (accept.app_nonce, accept.net_id, accept.dev_addr) == (0x570BC7, 0x221101, 0x02031980)
    assert build_join_accept(accept) == clear
    assert seal_join_accept(key, clear) == sealed


def test_the_published_session_keys_come_out() -> None:
    """Both session keys are those of the source, most significant byte first."""
    key, app_nonce, net_id, dev_nonce = SESSION_KEYS.inputs

    found = session_keys(
        Key.from_hex(key), app_nonce=int(app_nonce, 16), net_id=int(net_id, 16), dev_nonce=int(dev_nonce, 16)
    )

    SESSION_KEYS.holds(found.network.reveal() + found.application.reveal())


@settings(deadline=None)
@given(keys, addresses, counters, st.booleans(), st.binary(max_size=242))
def test_payloads_and_codes_agree_with_an_independent_codec(
    key: bytes, address: int, counter: int, uplink: bool, payload: bytes
) -> None:
    """Every payload encrypts, and every frame is signed, as liblora does it."""
    ours = crypt_payload(Key(key), payload, uplink=uplink, dev_addr=address, counter=counter)
    theirs = loracrypto.crypto.cipher(key, signed(address), counter, int(not uplink), payload)
    code = data_mic(Key(key), payload, uplink=uplink, dev_addr=address, counter=counter)
    their_code = loracrypto.crypto.calcMic(key, signed(address), counter, int(not uplink), payload + bytes(4))

    assert ours == theirs
    assert int.from_bytes(code, "little", signed=True) == their_code


@settings(deadline=None)
@given(
    keys,
    st.builds(
        JoinAccept,
        app_nonce=st.integers(0, 0xFFFFFF),
        net_id=st.integers(0, 0xFFFFFF),
        dev_addr=addresses,
        rx1_offset=st.integers(0, 7),
        rx2_data_rate=st.integers(0, 15),
        rx_delay_s=st.integers(1, 15),
    ),
)
def test_join_accepts_agree_with_an_independent_codec(key: bytes, accept: JoinAccept) -> None:
    """liblora opens what we seal and finds the same fields."""
    theirs = loramsg.unpack_jacc(key, seal_join_accept(Key(key), build_join_accept(accept)), 0)

    assert (theirs["AppNonce"], theirs["NetID"]) == (accept.app_nonce, accept.net_id)
    assert theirs["DevAddr"] == signed(accept.dev_addr)
    assert loramsg.DLSettings.unpack(theirs["DLSettings"])[:2] == (accept.rx1_offset, accept.rx2_data_rate)
    assert theirs["RxDelay"] in ({0, 1} if accept.rx_delay_s == 1 else {accept.rx_delay_s})


@pytest.mark.parametrize(
    ("call", "complaint"),
    [
        pytest.param(lambda key: encrypt_blocks(key, bytes(15)), "15 bytes to a block cipher", id="part-of-a-block"),
        pytest.param(
            lambda key: crypt_payload(key, bytes(256), uplink=True, dev_addr=0, counter=0),
            "a payload of 256 bytes; accepted: up to 255",
            id="too-long",
        ),
        pytest.param(
            lambda key: session_keys(key, app_nonce=1 << 24, net_id=0, dev_nonce=0),
            "AppNonce 16777216; accepted: 24 bits",
            id="nonce",
        ),
        pytest.param(lambda key: open_join_accept(key, bytes(17)), "the integrity code of the join-accept", id="code"),
        pytest.param(lambda key: open_join_accept(key, bytes(16)), "15 bytes to a block cipher", id="short-accept"),
    ],
)
def test_what_cannot_be_is_refused(call: object, complaint: str) -> None:
    """A cipher is never given what its frame cannot hold."""
    assert callable(call)
    with pytest.raises(ValueError, match=complaint):
        call(Key(bytes(16)))
