"""Mutation score of a plan, and wrong bytes explained. Bounds: 1 s for 15 000 encoders at 9 points, 2 s an answer.

The score is that of `prove` from the plan to the sentences, over a map of nine fields of our own invention whose
family has more than 15 000 encoders; the bound grows with the family. The answers are those of `explain` for the
hay-barn probe's map, with ranges, for one wrong frame (which leaves most hypotheses) and for seven, two fields
wrong at once among them. Each time is the median of five, the worst of all answers counts. The peak memory of
one score, as Python's allocator counts it, is printed and has no bound.
"""

from __future__ import annotations

import statistics
import sys
import time
import tracemalloc
from pathlib import Path
from typing import TYPE_CHECKING

from benchrig.board.profile import read_board_profile
from benchrig.payload import Crc, Field, FieldMap, encode
from benchrig.payload.crc import compute_crc, find_crc
from benchrig.payload.explain import Seen, explain
from benchrig.payload.points import ValueRange
from benchrig.payload.proof import prove

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).parents[2]
ENCODERS, SCORE_BOUND_S, ANSWER_BOUND_S, REPEATS = 15_000, 1.0, 2.0, 5

Values = dict[str, float | str]


def _wide_map() -> FieldMap:
    numbers = [
        Field(
            name=f"n{index}",
            offset=2 * index,
            width_bits=16,
            kind="signed" if index % 2 else "unsigned",
            byte_order="little" if index % 3 else "big",
            scale="0.01",
            unit="degC" if index % 2 else "V",
            invalid={0x7FFF: "none"},
        )
        for index in range(8)
    ]
    state = Field(name="state", offset=16, width_bits=8, kind="flags", flags={0: "a", 1: "b", 2: "c", 3: "d"})
    crc = Crc(name="CRC-16/MODBUS", offset=17, covers=(0, 17), byte_order="little")
    return FieldMap(name="wide", port=9, length_bytes=19, fields=(*numbers, state), crc=crc)


def _wide_plan() -> list[Values]:
    plan = []
    for point in range(9):
        values: Values = {"state": point}
        for index in range(8):
            values[f"n{index}"] = round(17.03 * (point + 1) * (index + 1) % 100 - (30 if index % 2 else 0), 4)
        plan.append(values)
    return plan


def _seconds(call: Callable[[], object]) -> float:
    times = []
    for _ in range(REPEATS):
        began = time.perf_counter()
        call()
        times.append(time.perf_counter() - began)
    return statistics.median(times)


def _score() -> bool:
    field_map, plan = _wide_map(), _wide_plan()
    proof = prove(field_map, plan)
    taken_s = _seconds(lambda: prove(field_map, plan))
    tracemalloc.start()
    prove(field_map, plan)
    peak_mib = tracemalloc.get_traced_memory()[1] / 2**20
    tracemalloc.stop()
    bound_s = SCORE_BOUND_S * max(1.0, proof.encoders / ENCODERS)
    print(
        f"score of {proof.encoders} encoders at {len(plan)} points: {proof.score:.2%} in {taken_s:.3f} s "
        f"(bound {bound_s:.2f} s), peak {peak_mib:.0f} MiB"
    )
    return taken_s <= bound_s and proof.encoders >= ENCODERS


def _planted(body: bytes) -> dict[str, bytes]:
    swapped, off = body[1::-1] + body[2:], body[:2] + bytes([body[2] + 40 & 0xFF]) + body[3:]
    return {
        "bytes swapped": swapped,
        "off by 40": off,
        "both": swapped[:2] + off[2:],
        "bales exchanged": body[:4] + body[6:] + body[4:6],
        "bales swapped": body[:4] + body[5:3:-1] + body[7:5:-1],
        "noise": bytes(37 * byte + 11 & 0xFF for byte in body),
    }


def _answers() -> bool:
    field_map = read_board_profile(ROOT / "fixtures/boards/hay-barn-probe.toml").field_map
    crc = find_crc("CRC-8/SMBUS")
    ranges = {
        "battery": ValueRange(low="2.5", high="4.3", step="0.001"),
        "temperature": ValueRange(low=-40, high=85, step=1),
        "flags": ValueRange(low=0, high=7, step=1),
        "bale.temperature": ValueRange(low=-40, high=85, step="0.1", words=("no probe",)),
    }
    points = [
        {"battery": 3.3 + index * 0.117, "temperature": 20 - 5 * index, "flags": index, **_bales(index)}
        for index in range(7)
    ]
    worst_s = 0.0
    for name in _planted(bytes(8)):
        for count in (1, 7):
            seen = []
            for point in points[:count]:
                body = _planted(encode(field_map, point)[:8])[name]
                seen.append(Seen(values=point, payload=body + bytes([compute_crc(crc, body)])))
            found = explain(field_map, seen, ranges=ranges)
            taken_s = _seconds(lambda seen=seen: explain(field_map, seen, ranges=ranges))  # type: ignore[misc]
            worst_s = max(worst_s, taken_s)
            print(f"  {name}, {count} frames: {len(found.hypotheses)} hypotheses in {taken_s:.3f} s")
    print(f"worst answer: {worst_s:.3f} s (bound {ANSWER_BOUND_S:g} s)")
    return worst_s <= ANSWER_BOUND_S


def _bales(index: int) -> Values:
    return {"bale[0].temperature": 12.3 - 4 * index, "bale[1].temperature": "no probe" if index % 2 else 20.1 + index}


def main() -> int:
    """Both measurements; 1 when a bound is broken."""
    held = [_score(), _answers()]
    return 0 if all(held) else 1


if __name__ == "__main__":
    sys.exit(main())
