"""Makes a lot of simulated boards, each with its own spread of parts, by whole runs of the production check.

`python -m tests.lot.make_lot FOLDER` makes 40 boards, six of them faulty, one of which is tested again, and another
that the bench alone fails; then imports the journals and writes the lot report into the folder in both forms.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from benchrig.cli import main as benchrig
from tests.plugin.runs import PRODUCTION, Place

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

LOT = "BALE-41"
FIXTURE = "pin plate 1"
OPERATORS = ("anna", "ben")
SCALE = "16"
BENCH_ALONE = "contact_worn"
FAULTS = ("pull_up_leak", "rail_low", "transmit_weak", "pull_up_leak", "divider_top_high", "temperature_off")


def boards_of(count: int) -> list[str]:
    """Serial numbers of the lot."""
    return [f"HB-{2001 + number}" for number in range(count)]


def faults_of(boards: Sequence[str], faults: Sequence[str]) -> dict[str, str]:
    """Which board has which fault, spread over the lot."""
    step = len(boards) // max(1, len(faults))
    return {boards[number * step + step // 2]: fault for number, fault in enumerate(faults)}


def make_lot(
    folder: Path, boards: Sequence[str], *, faults: Mapping[str, str], again: Sequence[str] = (), together: int = 2
) -> Place:
    """One run for each board, `together` at once, then one more without its fault for each of `again`."""
    place = Place(folder)

    def run(board: str, fault: str) -> None:
        named = ["--bench-lot", LOT, "--bench-contact-fixture", FIXTURE, "--bench-plots", "no", "--bench-scale", SCALE]
        named += ["--bench-operator", OPERATORS[int(board[-1]) % len(OPERATORS)]]
        named += ["--bench-fault", fault] if fault else []
        place.run(PRODUCTION, *place.on_bench(*named, boards=(board,)))
        assert place.journals(board), f"board {board} left no journal"

    with ThreadPoolExecutor(together) as pool:
        list(pool.map(lambda board: run(board, faults.get(board, "")), boards))
        list(pool.map(lambda board: run(board, ""), again))
    return place


def _main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--boards", type=int, default=40)
    given = parser.parse_args(arguments)
    boards = boards_of(given.boards)
    faults = faults_of(boards, FAULTS)
    given.folder.mkdir(parents=True, exist_ok=True)
    bench_alone = boards_of(given.boards + 1)[-1]
    everything = faults | {bench_alone: BENCH_ALONE}
    place = make_lot(given.folder, [*boards, bench_alone], faults=everything, again=list(faults)[:1])
    history = str(given.folder / "history.sqlite")
    benchrig(["history", "import", str(place.reports), "--history", history])
    pages = ["--html", str(given.folder / "lot.html"), "--pdf", str(given.folder / "lot.pdf")]
    return benchrig(["history", "lot", LOT, "--history", history, "--built", str(len(boards) + 1), *pages])


if __name__ == "__main__":
    sys.exit(_main(sys.argv[1:]))
