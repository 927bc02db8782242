"""Progress on a terminal: seen through a pseudo-terminal, as a person sees it; nothing of it elsewhere."""

from __future__ import annotations

import os
import pty
import re
import select
import time
from typing import TYPE_CHECKING

import pytest

from .runs import BOARD, PATIENCE_S, PRODUCTION

if TYPE_CHECKING:
    from .production_runs import ProductionRuns
    from .runs import Place

ESCAPES = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")
SCALE = ("--bench-scale", "8")
CHECKS = (
    "first_touch", "identity_start", "rail", "battery_sweep", "correction", "payload_bytes", "temperature",
    "floor_current", "transmit", "energy", "identity_end", "output_off",
)  # fmt: skip


def seen_on_a_terminal(place: Place, *arguments: str) -> tuple[int, str]:
    """Run pytest on a pseudo-terminal; exit code and everything that was written to it."""
    ours, theirs = pty.openpty()
    try:
        process = place.start(*arguments, env={"TERM": "xterm", "COLUMNS": "120"}, stdout=theirs)
        os.close(theirs)
        written = b""
        deadline_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline_s:
            if not select.select([ours], [], [], 0.5)[0]:
                continue
            try:
                chunk = os.read(ours, 65536)
            except OSError:  # how Linux says that the other side was closed
                break
            if not chunk:
                break
            written += chunk
        return process.wait(timeout=PATIENCE_S), written.decode()
    finally:
        os.close(ours)


def test_lines_of_a_run(place: Place) -> None:
    """Each check leaves a line with its number, board, verdict and time, in order; the long ones show what is left."""
    code, written = seen_on_a_terminal(place, str(PRODUCTION), *place.on_bench(*SCALE))

    text = ESCAPES.sub("", written)
    done = re.findall(rf"(\d+)/12  {BOARD}  (\w+): pass, \d+\.\d s", text)
    assert code == 0, text
    assert done == [(str(number + 1), name) for number, name in enumerate(CHECKS)]
    left = [int(s) for s in re.findall(rf"8/12  {BOARD}  floor_current \.\.\. \d+ s, about (\d+) s left", text)]
    assert len(left) >= 2
    assert left == sorted(left, reverse=True)
    assert 0 < left[0] <= 11
    assert f"{BOARD}: PASS" in text
    said = text.split("what this bench can decide, said before power: ")[1]
    assert max(map(len, said.partition("\r\n\r\n")[0].splitlines()[1:])) <= 120  # sentences fit the terminal


def test_time_left_is_not_captured(place: Place) -> None:
    """The line that changes goes to the terminal alone, never into the captured output of a check that fails."""
    _, written = seen_on_a_terminal(place, str(PRODUCTION), *place.on_bench(*SCALE, "--bench-fault", "sleep_leak"))

    text = ESCAPES.sub("", written)
    assert "floor_current ... " in text.split("= FAILURES =")[0]
    assert "floor_current ... " not in text.split("= FAILURES =")[1]


def test_lines_of_a_failed_run(place: Place) -> None:
    """A check that fails shows so in its line, at once, and the checks after it go on."""
    code, written = seen_on_a_terminal(place, str(PRODUCTION), *place.on_bench(*SCALE, "--bench-fault", "rail_low"))

    text = ESCAPES.sub("", written)
    assert code == 10, text
    assert re.search(rf" 3/12  {BOARD}  rail: fail, \d", text)
    assert re.search(rf"12/12  {BOARD}  output_off: pass, \d", text)
    assert text.index("rail: fail") < text.index("output_off: pass")


@pytest.mark.parametrize("option", ["-q", "-v"])
def test_other_outputs_on_a_terminal(place: Place, option: str) -> None:
    """Under -q and -v pytest's own lines are left alone."""
    _, written = seen_on_a_terminal(place, str(PRODUCTION), option, *place.on_bench("--bench-scale", "16"))

    assert "/12  " not in written
    assert f"{BOARD}: PASS" in written


def test_no_terminal(production_runs: ProductionRuns) -> None:
    """Into a pipe or a file goes no progress line and no control character."""
    found = production_runs.of("").found

    assert found.code == 0, found.text
    assert "/12  " not in found.out
    assert not re.search(r"[\x00-\x08\x0b-\x1f\x7f]", found.text)
