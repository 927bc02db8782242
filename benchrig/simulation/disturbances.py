"""What a bad connection does to the replies of an instrument.

Owns: counting replies and spoiling some of them.  Must not know what they say.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import random

    from benchrig.simulation.parts import LineTraits
    from benchrig.simulation.server import Transmitter


class DisturbedLine:
    """A connection with the given traits; healthy traits pass every reply on."""

    def __init__(self, traits: LineTraits, *, rng: random.Random) -> None:
        self._traits = traits
        self._rng = rng
        self._replies = 0

    async def __call__(self, reply: bytes, transmitter: Transmitter) -> None:
        """Treat one reply, counted over all clients of the instrument."""
        self._replies += 1
        traits, count = self._traits, self._replies
        if traits.silent_after and count > traits.silent_after:
            return
        if count == traits.dropped_at:
            transmitter.drop()
            return
        if traits.late_every and count % traits.late_every == 0:
            # Wall time on purpose: a client's time-out is what this is to provoke, at any scale.
            await asyncio.sleep(traits.late_wall_s)
        if traits.garbage_every and count % traits.garbage_every == 0:
            reply = self._noise(len(reply) - 1) + b"\n"
        transmitter.send(reply)

    def _noise(self, length: int) -> bytes:
        return bytes(self._rng.choice(range(0x80, 0x100)) for _ in range(length))
