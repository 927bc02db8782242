"""Benches that lack eyes: what is lost is named before power, and no board passes on them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.records import Annex, CheckFinished, LimitJudged, ReadingTaken, Verdict

from .runs import BENCH, BOARD, PRODUCTION

if TYPE_CHECKING:
    from .runs import Place

CASES = [
    pytest.param("simulated-no-recorder.toml", {"floor_current", "transmit"}, set(), 11, id="no recorder"),
    pytest.param(
        "simulated-supply-only.toml",
        {"rail", "temperature", "floor_current", "transmit"},
        {"error", "gain_error", "offset", "counts_offset"},
        10,
        id="a coarse read-back alone",
    ),
]


@pytest.mark.parametrize(("bench", "lost", "vain", "code"), CASES)
def test_lost_checks_are_named_before_power(
    bench: str, lost: set[str], vain: set[str], code: int, place: Place
) -> None:
    """Each lost check is named before the first reading, does not run, and leaves the board incomplete."""
    found = place.run(PRODUCTION, *place.on_bench("--bench-scale", "16", bench=BENCH.with_name(bench)))
    records = place.records()
    first_reading = next(number for number, one in enumerate(records) if isinstance(one, ReadingTaken))
    told = next(one for one in records[:first_reading] if isinstance(one, Annex))
    ended = {one.check: one for one in records if isinstance(one, CheckFinished)}

    assert found.code == code, found.text
    assert found.out.index("this bench cannot do it") < found.out.index("collected")
    for check in lost:
        assert any(line.startswith(f"{check}: this bench cannot do it") for line in told.lines)
        assert ended[check].verdict is Verdict.NOT_RUN
        assert check in found.out.rpartition(f"{BOARD}: ")[2].partition("(simulated")[0]
    undecided = {one.limit.split()[0] for one in records if isinstance(one, LimitJudged) and one.check in ended}
    for value in vain:
        assert value in undecided
        verdicts = {one.verdict for one in records if isinstance(one, LimitJudged) and one.limit.split()[0] == value}
        assert verdicts == {Verdict.UNDECIDED}
    assert place.report().failures >= len(lost)
