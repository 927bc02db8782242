"""Sign-off runs as a user starts them: a sound board passes, and each board that a dark week would kill is found out.

The plan of points is a short one, so that a run takes seconds; the checks, the suite and the simulated bench are the
shipped ones. True voltages are those of the simulated converter, as its own files state them.
"""

from __future__ import annotations

import hashlib
import re
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from lxml import etree

from benchrig.journal import read_journal
from benchrig.records import Annex, CheckFinished, FileKept, LimitJudged, NotProven, ReadingTaken, Verdict

from .runs import environment, pytest_command
from .signoff_faults import SIGN_OFF

if TYPE_CHECKING:
    from benchrig.journal import Journal
    from benchrig.records import Record

ROOT = Path(__file__).parents[2]
PROFILE = ROOT / "fixtures" / "boards" / "hay-barn-probe.toml"
LONGEST_S = 400.0
POINTS = """
[coming_back]
from_v = 3.20
floors_v = [2.40, 1.80, 1.00]
slopes_v_per_s = [0.5, 0.25]
dwells_s = [0.5]
plateaus_v = [2.60]
plateau_s = 1.0
holes_s = [0.5]
floor_resolution_v = 0.35
most_points = 40
step_v = 0.02
largest_step_v = 0.30
least_made = 0.2
within_s = 1.5
alive_above_a = 0.002
sleep_below_a = 0.000060
"""
HOLES = """
[coming_back]
from_v = 3.20
floors_v = [2.60]
slopes_v_per_s = [2.0]
dwells_s = [0.1]
holes_s = [0.025, 0.030, 0.035, 0.040, 0.045, 0.5]
least_made = 0.2
within_s = 1.5
alive_above_a = 0.002
sleep_below_a = 0.000060
"""
SLOW = ("first_touch", "identity_start", "coming_back", "identity_end", "output_off")
BOTH = ("first_touch", "identity_start", "thresholds", "coming_back", "identity_end", "output_off")


@dataclass(frozen=True)
class Run:
    """A finished run: exit code, what it wrote on the terminal, its journal, its folder of reports."""

    code: int
    text: str
    journal: Journal
    reports: Path

    def ended(self, check: str) -> CheckFinished:
        """The end of a check."""
        (found,) = [one for one in self.journal.records if isinstance(one, CheckFinished) and one.check == check]
        return found

    def of(self, kind: type[Record], check: str) -> list[Record]:
        """The records of one kind that a check wrote."""
        return [one for one in self.journal.records if isinstance(one, kind) and getattr(one, "check", "") == check]


def _profile(folder: Path, points: str, checks: tuple[str, ...]) -> Path:
    """The demo profile with a short plan, and only some checks required."""
    text = PROFILE.read_text(encoding="utf-8")
    text = re.sub(r"\n\[coming_back\]\n.*?(?=\n\[)", points, text, flags=re.DOTALL)
    required = ", ".join(f'"{check}"' for check in checks)
    text = re.sub(r"\nsignoff = \[.*?\]", f"\nsignoff = [{required}]", text, flags=re.DOTALL)
    path = folder / "probe.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _run(folder: Path, fault: str) -> Run:
    is_hole = fault == "hangs_after_hole"
    checks = SLOW if is_hole else BOTH
    command = pytest_command("suites/signoff", "-p", "no:cacheprovider")
    command += ["-k", " or ".join(f"test_{check}" for check in checks)]
    command += ["--bench", "fixtures/benches/simulated.toml", "--board", "HB-0001"]
    command += ["--bench-profile", str(_profile(folder, HOLES if is_hole else POINTS, checks))]
    # a hole of milliseconds needs a bench whose commands take less than that: near to life, or they take bench seconds
    command += ["--bench-scale", "2" if is_hole else "16", "--bench-reports", str(folder / "reports")]
    command += ["--bench-fault", fault] if fault else []
    done = subprocess.run(
        command, cwd=ROOT, env=environment(), capture_output=True, text=True, timeout=LONGEST_S, check=False
    )
    (journal,) = (folder / "reports").rglob("*.jsonl")
    return Run(done.returncode, done.stdout + done.stderr, read_journal(journal), folder / "reports")


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """A run of a sound board."""
    return _run(tmp_path_factory.mktemp("sound"), "")


@pytest.fixture(scope="module")
def after_dusk(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """A run of a board without a brown-out detector."""
    return _run(tmp_path_factory.mktemp("dusk"), "hangs_after_dusk")


def test_sound_board_passes(sound: Run) -> None:
    """Every way of losing the battery leaves it alive, and its restarts are not held against it at the end."""
    assert sound.code == 0, sound.text
    assert {sound.ended(check).verdict for check in BOTH} == {Verdict.PASS}


@pytest.mark.parametrize(
    ("name", "true_v"),
    [
        # the rail is 2 % below 3.3 V less 0.05 ohm at 49.5 mA; the converter needs 0.1 V and 0.3 ohm above it
        pytest.param("dropout", 0.98 * (3.3 - 0.05 * 0.0495) + 0.1 + 0.3 * 0.0495, id="dropout"),
        pytest.param("lockout_falling", 2.70, id="lockout"),
        pytest.param("reset", 2.70, id="reset, by the lockout"),
        pytest.param("restart_rising", 2.90, id="restart"),
        pytest.param("hysteresis", 0.20, id="hysteresis"),
    ],
)
def test_thresholds_are_found_within_5_mv_of_the_truth(sound: Run, name: str, true_v: float) -> None:
    """Measured at the terminals, with an uncertainty that covers what it is off."""
    judged = [one for one in sound.of(LimitJudged, "thresholds") if isinstance(one, LimitJudged)]
    (found,) = [one for one in judged if one.limit.split()[0] == name]

    assert found.value == pytest.approx(true_v, abs=0.005)
    assert found.expanded_uncertainty is not None
    assert 0.0005 < found.expanded_uncertainty < 0.006
    assert "bracket of the" in " ".join(part.name for part in found.parts)


def test_every_trial_is_measured_at_the_terminals(sound: Run) -> None:
    """The journal holds each trial's terminal voltage by the meter, never a set-point."""
    readings = [one for one in sound.of(ReadingTaken, "thresholds") if isinstance(one, ReadingTaken)]
    trials = [one for one in readings if ", trial " in one.name]

    assert len(trials) > 30
    assert all(one.source.startswith("meter at terminals") for one in trials)
    assert all(one.name.endswith((": holds", ": fails")) for one in trials)


def test_what_was_not_tried_is_in_the_report(sound: Run) -> None:
    """A pass says what it leaves open."""
    said = " | ".join(one.text for one in sound.of(NotProven, "coming_back") if isinstance(one, NotProven))

    assert "ramps slower than 0.25 V/s" in said
    assert "holes shorter than 0.5 s" in said


def test_dead_region_is_drawn(after_dusk: Run) -> None:
    """The map as text, and as a picture beside the journal with its hash."""
    (map_,) = [one for one in after_dusk.of(Annex, "coming_back") if isinstance(one, Annex)]
    (kept,) = [one for one in after_dusk.of(FileKept, "coming_back") if isinstance(one, FileKept)]
    picture = after_dusk.reports / kept.path
    root = etree.fromstring(picture.read_bytes())

    rows = {line.split(" V |")[0].strip(): line.split("|")[1].split() for line in map_.lines if " V |" in line}
    assert rows == {"2.40": ["+", "+"], "2.10": ["+", "+"], "1.80": ["X", "X"], "1.00": ["X", "X"]}
    assert (kept.kind, kept.title) == ("plot", "coming back")
    assert hashlib.sha256(picture.read_bytes()).hexdigest() == kept.sha256
    assert "did not come back" in " ".join(map(str, root.itertext()))


def test_board_is_lost_after_dusk_and_found(after_dusk: Run) -> None:
    """The region in words, with what it does come back from; its thresholds are as designed."""
    _holds(after_dusk, "hangs_after_dusk")


@pytest.mark.parametrize("fault", [name for name in SIGN_OFF if name != "hangs_after_dusk"])
def test_fault_is_found_out(tmp_path: Path, fault: str) -> None:
    """Each weakness is found by the check that looks for it, in the right words, and by no other."""
    _holds(_run(tmp_path, fault), fault)


def _holds(run: Run, fault: str) -> None:
    checks = SLOW if fault == "hangs_after_hole" else BOTH
    expected = {"thresholds": SIGN_OFF[fault].thresholds, "coming_back": SIGN_OFF[fault].coming_back}
    assert run.code == 10, run.text
    for check in checks:
        words, ended = expected.get(check, ""), run.ended(check)
        assert ended.verdict is (Verdict.FAIL if words else Verdict.PASS), run.text
        assert words in ended.why
