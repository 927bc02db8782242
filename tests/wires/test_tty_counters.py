"""What the kernel counts of a serial line, and that a port without counters says so."""

from __future__ import annotations

import os
import struct

from benchrig.wires.tty_counters import TtyCounters, parse_counters, read_counters


def test_structure_of_the_kernel() -> None:
    """The fields stand where <linux/serial.h> has them: cts dsr rng dcd rx tx frame overrun parity brk buf_overrun."""
    data = struct.pack("20i", 1, 2, 3, 4, 50, 60, 7, 8, 9, 10, 11, *[99] * 9)  # from memory

    assert parse_counters(data) == TtyCounters(received=50, framing=7, parity=9, breaks=10, overruns=8 + 11)


def test_difference_follows_a_count_that_went_round() -> None:
    """What was added since is right where a count of 32 bits began anew."""
    before = parse_counters(struct.pack("20i", 0, 0, 0, 0, 2**31 - 1, 0, 0, 0, 0, 0, 0, *[0] * 9))
    now = parse_counters(struct.pack("20i", 0, 0, 0, 0, -(2**31) + 4, 0, 1, 2, 3, 4, 5, *[0] * 9))

    assert now.since(before) == TtyCounters(received=5, framing=1, parity=3, breaks=4, overruns=7)


def test_terminal_without_counters() -> None:
    """A pseudo terminal counts nothing: that is told apart from nothing lost."""
    far, near = os.openpty()
    try:
        assert read_counters(near) is None
    finally:
        os.close(far)
        os.close(near)


def test_descriptor_that_is_not_open() -> None:
    """What is not open has no counters."""
    far, near = os.openpty()
    os.close(far)
    os.close(near)

    assert read_counters(near) is None
