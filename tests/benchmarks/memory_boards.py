"""Memory of the runner over 100 boards in one process. Bound: it stays flat, within 2 MiB from board 20 to board 100.

Each board is a whole run with its journal, readings, a current trace of 26 000 samples and its report, without
wires: what could pile up in the runner is built and let go as the plugin does it.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

from benchrig.board.profile import read_board_profile
from benchrig.check import Check
from benchrig.clock import ScaledClock
from benchrig.journal import JournalWriter, read_journal
from benchrig.judge.recording import Recording
from benchrig.judge.uplink import cut_uplink, read_uplink
from benchrig.reading import Reading
from benchrig.records import RunFinished, RunStarted, RunState
from benchrig.report.board_report import board_report
from benchrig.report.junit import write_report
from benchrig.report.table import board_table

ROOT = Path(__file__).parents[2]
BOARDS, WARM, BOUND_MIB = 100, 20, 2.0


def _resident_mib() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * 4096 / 2**20


def _samples() -> np.ndarray[tuple[int], np.dtype[np.float32]]:
    current = np.full(26_000, 4.5e-3, np.float32)
    current[1000:1566] = 48e-3
    current[11_500:11_650] = 11e-3
    return current


def _board(folder: Path, number: int) -> None:
    profile = read_board_profile(ROOT / "fixtures/boards/hay-barn-probe.toml")
    clock = ScaledClock()
    with JournalWriter(folder / f"HB-{number:04d}" / "run.jsonl") as journal:
        journal.append(
            RunStarted(
                run=str(number), use="production", board=f"HB-{number:04d}", slot="1", bench="none",
                profile=profile.name, simulated=True, required=profile.required["production"], sha256={},
                tool_version="0", python="3", host="none", utc=clock.utc().isoformat(),
            )
        )  # fmt: skip
        for name in profile.required["production"]:
            check = Check(name, profile.limits.get(name, {}), write=journal.append, now_s=clock.now_s)
            for count in range(40):
                check.reading(f"volts {count}", Reading(3.7, "V", 1e-4, "meter", "+3.70000000E+00", clock.now_s()))
            for limit, found in check.limits.items():
                check(limit, found.low if found.low is not None else found.high, unit=found.unit)
            uplink = read_uplink(cut_uplink(Recording(_samples(), interval_s=1e-4), least_plateau_a=38e-3))
            check.fact("transmits", expected="1", seen=str(uplink.transmissions), holds=uplink.transmissions == 1)
            check.finish({})
            journal.sync()
        journal.append(
            RunFinished(
                state=RunState.COMPLETE, output_off="off", duration_s=1.0, utc=clock.utc().isoformat(), at_s=1.0
            )
        )
    report = board_report(read_journal(folder / f"HB-{number:04d}" / "run.jsonl"))
    write_report(report, folder / f"HB-{number:04d}.xml")
    board_table(report)


def main() -> int:
    """One hundred boards, resident memory after 20 and after 100."""
    with tempfile.TemporaryDirectory() as name:
        warm_mib = 0.0
        for number in range(1, BOARDS + 1):
            _board(Path(name), number)
            if number == WARM:
                warm_mib = _resident_mib()
        grown_mib = _resident_mib() - warm_mib
    print(f"resident after {WARM} boards {warm_mib:.1f} MiB; after {BOARDS} {grown_mib:+.2f} MiB (bound {BOUND_MIB:g})")
    return 0 if grown_mib <= BOUND_MIB else 1


if __name__ == "__main__":
    sys.exit(main())
