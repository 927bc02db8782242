"""The cryptography of LoRaWAN 1.0.x: integrity codes, payload encryption, join-accept, session keys.

Owns which bytes go into AES and CMAC. Must not know what a frame's fields mean, nor hold a state.
Source: LoRaWAN 1.0.x, sections 4.3.3 (encryption), 4.4 (integrity code), 6.2.4 and 6.2.5 (join), numbers from
memory; AES is FIPS 197, AES-CMAC is RFC 4493. All numbers go into the ciphers least significant byte first.
"""

from __future__ import annotations

import hmac
import struct
from typing import NamedTuple

from cryptography.hazmat.primitives.ciphers import Cipher
from cryptography.hazmat.primitives.ciphers.algorithms import AES
from cryptography.hazmat.primitives.ciphers.modes import CTR, ECB
from cryptography.hazmat.primitives.cmac import CMAC

from benchrig.protocol.secret_key import Key

MIC_BYTES = 4

_BLOCK_BYTES = 16
_LONGEST_BYTES = 255  # more than a radio frame holds; the last byte of the counter block cannot run over below it

# Section 4.4: 0x49, four zeros, direction, address, 32-bit counter, zero, length of the message.
_MIC_BLOCK = struct.Struct("<BxxxxBIIxB")
# Section 4.3.3: 0x01, four zeros, direction, address, 32-bit counter, zero, number of the block from 1 on.
_CIPHER_BLOCK = struct.Struct("<BxxxxBIIxB")
# Section 6.2.5: which key, AppNonce and NetID of 3 bytes each, DevNonce, zeros.
_NONCES = struct.Struct("<B3s3sH7x")


class SessionKeys(NamedTuple):
    """The keys of one session: `network` for integrity codes and port 0, `application` for every other port."""

    network: Key
    application: Key


def cmac(key: Key, message: bytes) -> bytes:
    """The whole AES-CMAC of 16 bytes (RFC 4493)."""
    code = CMAC(AES(key.reveal()))
    code.update(message)
    return code.finalize()


def encrypt_blocks(key: Key, blocks: bytes) -> bytes:
    """Each block of 16 bytes by AES-128 (FIPS 197). Raises ValueError for a part of a block."""
    _whole_blocks(blocks)
    return Cipher(AES(key.reveal()), ECB()).encryptor().update(blocks)


def decrypt_blocks(key: Key, blocks: bytes) -> bytes:
    """The way back from `encrypt_blocks`."""
    _whole_blocks(blocks)
    return Cipher(AES(key.reveal()), ECB()).decryptor().update(blocks)


def _whole_blocks(blocks: bytes) -> None:
    if len(blocks) % _BLOCK_BYTES:
        raise ValueError(f"{len(blocks)} bytes to a block cipher; accepted: a multiple of {_BLOCK_BYTES}")


def data_mic(key: Key, signed: bytes, *, uplink: bool, dev_addr: int, counter: int) -> bytes:
    """The integrity code of a data frame; `signed` is all of it but the code, `counter` has all 32 bits."""
    head = _MIC_BLOCK.pack(0x49, not uplink, dev_addr, counter, len(signed))
    return cmac(key, head + signed)[:MIC_BYTES]


def join_mic(key: Key, signed: bytes) -> bytes:
    """The integrity code of a join-request, or of a join-accept in the clear."""
    return cmac(key, signed)[:MIC_BYTES]


def same_mic(one: bytes, other: bytes) -> bool:
    """Whether two codes are equal, in a time that does not tell where they differ."""
    return hmac.compare_digest(one, other)


def crypt_payload(key: Key, payload: bytes, *, uplink: bool, dev_addr: int, counter: int) -> bytes:
    """Encrypts the payload of a data frame, and decrypts it: the same step both ways.

    The specification lists the blocks A1, A2 ... that are encrypted and added to the payload. They differ in the
    last byte alone, which counts from 1: counter mode, so that one call does what the list says.
    Raises ValueError above 255 bytes.
    """
    if len(payload) > _LONGEST_BYTES:
        raise ValueError(f"a payload of {len(payload)} bytes; accepted: up to {_LONGEST_BYTES}")
    first = _CIPHER_BLOCK.pack(0x01, not uplink, dev_addr, counter, 1)
    return Cipher(AES(key.reveal()), CTR(first)).encryptor().update(payload)


def seal_join_accept(key: Key, clear: bytes) -> bytes:
    """A join-accept as it goes on air, from its header byte and fields in the clear.

    The network decrypts in order to encrypt, so that a board needs the encrypting half of AES alone.
    """
    body = clear[1:] + join_mic(key, clear)
    return clear[:1] + decrypt_blocks(key, body)


def open_join_accept(key: Key, sealed: bytes) -> bytes:
    """Header byte and fields in the clear, without the code. Raises ValueError when the code is wrong."""
    clear = sealed[:1] + encrypt_blocks(key, sealed[1:])
    signed, mic = clear[:-MIC_BYTES], clear[-MIC_BYTES:]
    if not same_mic(mic, join_mic(key, signed)):
        raise ValueError("the integrity code of the join-accept does not fit: another key, or damaged bytes")
    return signed


def session_keys(app_key: Key, *, app_nonce: int, net_id: int, dev_nonce: int) -> SessionKeys:
    """The two keys that a join yields. Raises ValueError for numbers of more than 24, 24 and 16 bits."""
    for name, number, bits in (("AppNonce", app_nonce, 24), ("NetID", net_id, 24), ("DevNonce", dev_nonce, 16)):
        if not 0 <= number < 1 << bits:
            raise ValueError(f"{name} {number!r}; accepted: {bits} bits")
    nonces = app_nonce.to_bytes(3, "little"), net_id.to_bytes(3, "little"), dev_nonce
    network, application = (Key(encrypt_blocks(app_key, _NONCES.pack(which, *nonces))) for which in (1, 2))
    return SessionKeys(network, application)
