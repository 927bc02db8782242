"""Every wrong payload builder of the simulated board is wrong in the way that its name says, and only so.

Two processes with the same seed in a cold barn: one with a bug in each slot, one without. A slot and its twin are the
same board, so that what differs between their frames is the bug alone.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING

import pytest

from .bench_process import BenchProcess, Slot, fields
from .conftest import bench_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    Frames = Sequence[tuple[int, int, bytes]]
    """Millivolts and degrees as the console says, and the bytes."""

VOLTS = (3.30, 3.45, 3.60, 3.75, 3.90, 4.05, 4.15, 4.20)
COLD_C = -10.0
BUGS: dict[str, Callable[[Frames, Frames], bool]] = {}


def shows(check: Callable[[Frames, Frames], bool]) -> Callable[[Frames, Frames], bool]:
    """Register a check of a bug's frames beside the twin's under the bug's name."""
    BUGS[check.__name__] = check
    return check


def sent_mv(frames: Frames) -> list[int]:
    return [int(struct.unpack_from("<H", payload)[0]) for _, _, payload in frames]


def sent_c(frames: Frames) -> list[int]:
    return [int(struct.unpack_from("b", payload, 2)[0]) for _, _, payload in frames]


def bales(frames: Frames, *, order: str = ">") -> list[tuple[int, ...]]:
    return [struct.unpack_from(f"{order}hh", payload, 4) for _, _, payload in frames]


def has_sound_end(frames: Frames) -> bool:
    return all(len(payload) == 9 and remainder(payload) == 0 for _, _, payload in frames)


def remainder(payload: bytes) -> int:
    """Remainder by the polynomial x^8 + x^2 + x + 1, as long division: 0 if the check value fits (CRC-8/SMBUS)."""
    dividend = int.from_bytes(payload, "big")
    while dividend.bit_length() > 8:
        dividend ^= 0x107 << (dividend.bit_length() - 9)
    return dividend


@shows
def battery_truncated(frames: Frames, twin: Frames) -> bool:
    steps = {sent - said for sent, (said, _, _) in zip(sent_mv(frames), frames, strict=True)}
    return steps == {-1, 0} and sent_c(frames) == sent_c(twin) and has_sound_end(frames)


@shows
def battery_in_10_mv(frames: Frames, twin: Frames) -> bool:
    return sent_mv(frames) == [said // 10 for said, _, _ in frames] and has_sound_end(frames)


@shows
def battery_12_bits(frames: Frames, twin: Frames) -> bool:
    return sent_mv(frames) == [said % 4096 for said, _, _ in frames] != sent_mv(twin) and has_sound_end(frames)


@shows
def temperature_sign_magnitude(frames: Frames, twin: Frames) -> bool:
    return [payload[2] for _, _, payload in frames] == [128 - said for _, said, _ in frames] and has_sound_end(frames)


@shows
def temperature_clamped(frames: Frames, twin: Frames) -> bool:
    return set(sent_c(frames)) == {0} and has_sound_end(frames)


@shows
def temperature_fahrenheit(frames: Frames, twin: Frames) -> bool:
    return all(abs(sent - (said * 1.8 + 32)) <= 1.4 for sent, (_, said, _) in zip(sent_c(frames), frames, strict=True))


@shows
def bale_swapped(frames: Frames, twin: Frames) -> bool:
    ours, theirs = bales(frames), bales(twin)
    return ours == [(second, first) for first, second in theirs] != theirs and has_sound_end(frames)


@shows
def bale_little_endian(frames: Frames, twin: Frames) -> bool:
    return bales(frames, order="<") == bales(twin) != bales(frames) and has_sound_end(frames)


@shows
def flags_reversed(frames: Frames, twin: Frames) -> bool:
    low = [said < 3400 for said, _, _ in frames]
    return [payload[3] for _, _, payload in frames] == low != [payload[3] for _, _, payload in twin]


@shows
def payload_short(frames: Frames, twin: Frames) -> bool:
    return {len(payload) for _, _, payload in frames} == {8} and bales(frames) == bales(twin)


@shows
def payload_crc_range(frames: Frames, twin: Frames) -> bool:
    return all(remainder(payload[1:]) == 0 != remainder(payload) for _, _, payload in frames)


NAMES = list(BUGS)


@pytest.fixture(scope="module")
def benches(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[BenchProcess, BenchProcess]]:
    """The bench with the bugs, one in each slot, and its sound twin."""
    path = tmp_path_factory.mktemp("bugs") / "bench.toml"
    path.write_text(bench_text(slots=len(NAMES), head=f"seed = 7\nambient_c = {COLD_C}\n"), encoding="utf-8")
    faults = [f"{number}:{name}" for number, name in enumerate(NAMES, 1)]
    pair = BenchProcess([path, "--fault", *faults]), BenchProcess([path])
    yield pair
    for bench in pair:
        assert bench.end() == (0, "")


def frames_of(bench: BenchProcess, number: int) -> Frames:
    """A frame at each voltage."""
    slot, frames = Slot(bench, number=number), []
    slot.power_up(volts=VOLTS[0])
    for volts in VOLTS:
        slot.set_voltage(volts)
        slot.wait_for_voltage(volts)
        said = fields(slot.console.ask("frame"))
        frames.append((int(said["mv"]), int(said["c"]), bytes.fromhex(slot.modem.line().split(",")[1])))
    slot.power_down()
    slot.close()
    return frames


@pytest.mark.parametrize("name", NAMES)
def test_payload_bug_shows_and_its_twin_does_not(benches: tuple[BenchProcess, BenchProcess], name: str) -> None:
    """The board with the bug sends frames that are wrong as the name says; the same board without it does not."""
    number = NAMES.index(name) + 1
    frames, twin = (frames_of(bench, number) for bench in benches)

    assert BUGS[name](frames, twin)
    assert not BUGS[name](twin, twin)
    assert sent_mv(twin) == [said for said, _, _ in twin]
    assert sent_c(twin) == [said for _, said, _ in twin]
    assert has_sound_end(twin)
