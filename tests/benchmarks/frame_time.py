"""What reading a LoRaWAN data frame costs: parsing, verifying and decrypting it, over the bare AES and CMAC calls.

Bound: 3 times the bare calls, a budget of this project's own. Bare are one CMAC over the block that the specification
puts before the frame and the frame itself, and AES in counter mode over the payload, by the same library and with
blocks made ready beforehand. Both are timed in turns, and the fastest round of each counts: what else runs on the
machine is not what a frame costs. Run it alone: `python tests/benchmarks/frame_time.py`; it ends with 1 when the
bound is broken.
"""

from __future__ import annotations

import math
import struct
import sys
import time
from typing import TYPE_CHECKING

from cryptography.hazmat.primitives.ciphers import Cipher
from cryptography.hazmat.primitives.ciphers.algorithms import AES
from cryptography.hazmat.primitives.ciphers.modes import CTR
from cryptography.hazmat.primitives.cmac import CMAC

from benchrig.protocol.lorawan_crypto import crypt_payload, data_mic, same_mic
from benchrig.protocol.lorawan_frame import DataFrame, parse_frame
from benchrig.protocol.secret_key import Key

if TYPE_CHECKING:
    from collections.abc import Callable

BOUND = 3.0
ROUNDS, FRAMES = 60, 300
NETWORK, APPLICATION = bytes(range(16)), bytes(range(16, 32))
ADDRESS = 0x26011F05


def made(payload_bytes: int, counter: int) -> bytes:
    """A frame on air, no two the same."""
    plain = counter.to_bytes(4, "big") * (payload_bytes // 4 + 1)
    where = (ADDRESS, counter)
    payload = crypt_payload(Key(APPLICATION), plain[:payload_bytes], uplink=True, dev_addr=where[0], counter=where[1])
    frame = DataFrame(uplink=True, dev_addr=ADDRESS, counter16=counter, port=2, payload=payload)
    return frame.signed + data_mic(Key(NETWORK), frame.signed, uplink=True, dev_addr=ADDRESS, counter=counter)


def reader(frames: list[bytes]) -> Callable[[], bytes]:
    """Our way, over all frames; the last payload is given back."""
    network, application = Key(NETWORK), Key(APPLICATION)

    def read() -> bytes:
        clear = b""
        for data in frames:
            frame = parse_frame(data)
            assert isinstance(frame, DataFrame)
            where = frame.counter16
            code = data_mic(network, frame.signed, uplink=True, dev_addr=frame.dev_addr, counter=where)
            if not same_mic(code, frame.mic):
                raise ValueError("the benchmark's own frame is not verified")
            clear = crypt_payload(application, frame.payload, uplink=True, dev_addr=frame.dev_addr, counter=where)
        return clear

    return read


def bare(frames: list[bytes]) -> Callable[[], bytes]:
    """The calls alone, with everything that they take made beforehand."""
    blocks = []
    for data in frames:
        counter = int.from_bytes(data[6:8], "little")
        first = struct.pack("<BxxxxBIIxB", 0x49, 0, ADDRESS, counter, len(data) - 4)
        blocks.append((first + data[:-4], struct.pack("<BxxxxBIIxB", 1, 0, ADDRESS, counter, 1), data[9:-4]))

    def call() -> bytes:
        clear = b""
        for signed, first, payload in blocks:
            code = CMAC(AES(NETWORK))
            code.update(signed)
            code.finalize()
            clear = Cipher(AES(APPLICATION), CTR(first)).encryptor().update(payload)
        return clear

    return call


def ratio(payload_bytes: int) -> float:
    """Ours over bare, for frames of one length."""
    frames = [made(payload_bytes, counter) for counter in range(FRAMES)]
    ours, calls = reader(frames), bare(frames)
    if ours() != calls():
        raise ValueError("both ways must decrypt to the same bytes")
    ours_s = bare_s = math.inf
    for _ in range(ROUNDS):
        start_s = time.perf_counter()
        ours()
        between_s = time.perf_counter()
        calls()
        ours_s = min(ours_s, between_s - start_s)
        bare_s = min(bare_s, time.perf_counter() - between_s)
    found = ours_s / bare_s
    print(
        f"{payload_bytes} bytes of payload: {ours_s / FRAMES * 1e6:.1f} us a frame / bare calls "
        f"{bare_s / FRAMES * 1e6:.1f} us = {found:.2f}, bound {BOUND:g}"
    )
    return found


def main() -> int:
    """Measure, print, and say whether the bound holds for short and long frames."""
    return 0 if max(ratio(size) for size in (1, 9, 51, 242)) <= BOUND else 1


if __name__ == "__main__":
    sys.exit(main())
