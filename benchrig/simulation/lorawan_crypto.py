"""AES as a LoRaWAN 1.0.x board uses it: integrity codes, payload encryption, join-accept, session keys.

Owns which bytes go into the cipher, written from the board's side, block by block as the specification lists them.
Must not know frames or sessions.  Source: LoRaWAN 1.0.x sections 4.3.3, 4.4, 6.2.4 and 6.2.5, from memory; AES is
FIPS 197, AES-CMAC is RFC 4493.
"""

from __future__ import annotations

from typing import Final

KEY_BYTES: Final = 16
CODE_BYTES: Final = 4
UPLINK: Final = 0
DOWNLINK: Final = 1


def warm_up() -> None:
    """Load the cipher now, so that the first frame is not late."""
    code(bytes(KEY_BYTES), b"")
    encrypt(bytes(KEY_BYTES), b"")


def encrypt(key: bytes, blocks: bytes) -> bytes:
    """Each block of 16 bytes by AES-128."""
    # Loaded at the first frame: a bench without a radio is ready sooner.
    from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes  # noqa: PLC0415

    return Cipher(algorithms.AES(key), modes.ECB()).encryptor().update(blocks)


def code(key: bytes, message: bytes) -> bytes:
    """The integrity code of a message: the first four bytes of its AES-CMAC."""
    from cryptography.hazmat.primitives.ciphers.algorithms import AES  # noqa: PLC0415 - as above
    from cryptography.hazmat.primitives.cmac import CMAC  # noqa: PLC0415

    mac = CMAC(AES(key))
    mac.update(message)
    return mac.finalize()[:CODE_BYTES]


def data_code(key: bytes, message: bytes, *, direction: int, address: int, counter: int) -> bytes:
    """The integrity code of a data frame; block B0 goes before the message (section 4.4)."""
    return code(key, _block(0x49, direction, address, counter, len(message)) + message)


def crypt(key: bytes, payload: bytes, *, direction: int, address: int, counter: int) -> bytes:
    """The payload encrypted, or decrypted: combined with the encrypted blocks A1, A2, ... (section 4.3.3)."""
    count = -(-len(payload) // KEY_BYTES)
    blocks = b"".join(_block(0x01, direction, address, counter, number + 1) for number in range(count))
    return bytes(one ^ other for one, other in zip(payload, encrypt(key, blocks), strict=False))


def open_accept(key: bytes, sealed: bytes) -> bytes:
    """A join-accept in the clear, without its code.  Raises ValueError if the code is wrong (section 6.2.5).

    The network has decrypted it, so that a board needs the encrypting half of AES alone.
    """
    clear = sealed[:1] + encrypt(key, sealed[1:])
    if code(key, clear[:-CODE_BYTES]) != clear[-CODE_BYTES:]:
        raise ValueError("the code of the join-accept does not fit")
    return clear[:-CODE_BYTES]


def session_keys(app_key: bytes, *, nonce_and_network: bytes, dev_nonce: int) -> tuple[bytes, bytes]:
    """The keys of network and application; `nonce_and_network` are six bytes as they stand in the join-accept."""
    tail = nonce_and_network + dev_nonce.to_bytes(2, "little") + bytes(7)
    return encrypt(app_key, b"\x01" + tail), encrypt(app_key, b"\x02" + tail)


def _block(first: int, direction: int, address: int, counter: int, last: int) -> bytes:
    middle = bytes([direction]) + address.to_bytes(4, "little") + counter.to_bytes(4, "little")
    return bytes([first, 0, 0, 0, 0]) + middle + bytes([0, last])
