"""Production runs on a bench with gateways, as a user starts them: frames followed hop by hop, and each fault found.

The simulated modem speaks real encrypted frames over a real gateway protocol; what a run says is read from its journal,
its JUnit report and its terminal. The runs are made once for the whole file, two at a time.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest
from lxml import etree

from benchrig.journal import read_journal
from benchrig.records import Verdict
from benchrig.report.board_report import BoardReport, board_report

from .air_faults import AIR, HARMLESS, PULLED_OUT, WHEN_LEFT_ALONE

ROOT = Path(__file__).parents[2]
AT_ONCE = 2
LONGEST_S = 120.0
WHOLE = ("", *PULLED_OUT)
"""Runs of the whole suite; the others leave out what does not touch the air."""
ON_AIR = ("first_touch", "identity_start", "join", "uplink_hops", "downlink", "identity_end", "output_off")
BACKOFF = ("first_touch", "identity_start", "join_backoff", "output_off")
OWN_REPORTS = ("first_touch", "identity_start", "report_period", "identity_end", "output_off")
AIR_CHECKS = ("join", "uplink_hops", "downlink")
HOPS = (
    "converter counts",
    "console",
    "modem UART",
    "modem's answer",
    "frame on the air",
    "decoded value",
)


@dataclass(frozen=True)
class Run:
    """A finished run."""

    exit_code: int
    report: BoardReport
    text: str
    junit: Path

    def verdict(self, check: str) -> Verdict:
        """The verdict of a check."""
        return next(one.verdict for one in self.report.checks if one.name == check)

    def words(self, check: str) -> str:
        """Everything that a check said against somebody, and why it was not run."""
        (found,) = (one for one in self.report.checks if one.name == check)
        return " | ".join(
            [
                found.why,
                *(f"{getattr(one, 'limit', '')}{getattr(one, 'fact', '')}: {one.why}" for one in found.violated),
            ]
        )

    def annex(self, title: str) -> tuple[str, ...]:
        """The lines of an annex, () when there is none."""
        return next((annex.lines for annex in self.report.annexes if annex.title == title), ())


def _run(
    folder: Path, fault: str, *, suite: str = "production", bench: str = "simulated-air", is_whole: bool = False,
    chosen: tuple[str, ...] = ON_AIR,
) -> Run:  # fmt: skip
    reports = folder / (fault or "healthy")
    command = [sys.executable, "-m", "pytest", f"suites/{suite}", "-p", "no:cacheprovider"]
    command += ["--bench", f"fixtures/benches/{bench}.toml", "--board", "HB-0001", "--bench-reports", str(reports)]
    command += [] if is_whole else ["-k", " or ".join(f"test_{check}" for check in chosen)]
    command += ["--bench-fault", fault] if fault else []
    environment = {key: value for key, value in os.environ.items() if not key.startswith(("PYTEST_", "BENCHRIG_"))}
    done = subprocess.run(
        command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=LONGEST_S, check=False
    )
    (journal,) = reports.rglob("*.jsonl")
    text = done.stdout + done.stderr
    return Run(done.returncode, board_report(read_journal(journal)), text, reports / "HB-0001.xml")


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Run]:
    """One run for each fault, and one without any ('')."""
    folder = tmp_path_factory.mktemp("air")
    names = ("", *AIR, *HARMLESS, *PULLED_OUT)
    with ThreadPoolExecutor(AT_ONCE) as pool:
        return dict(zip(names, pool.map(lambda name: _run(folder, name, is_whole=name in WHOLE), names), strict=True))


@pytest.fixture(scope="module")
def healthy(runs: dict[str, Run]) -> Run:
    """The run without a fault."""
    return runs[""]


def test_healthy_board_passes_with_its_air(healthy: Run) -> None:
    """Every check passes, those of the air among them, though production requires none of these."""
    assert healthy.exit_code == 0, healthy.text
    assert {healthy.verdict(check) for check in AIR_CHECKS} == {Verdict.PASS}
    assert not set(AIR_CHECKS) & set(healthy.report.required)


def test_table_follows_every_frame_over_every_hop(healthy: Run) -> None:
    """Eight hops for each of six uplinks, matched by counter, in the journal and on the terminal."""
    lines = healthy.annex("uplinks hop by hop")

    assert lines[-1] == (
        "6 reports, 6 matched by counter, bytes and time, 0 not heard, 0 counters left out, 0 duplicates, 0 replays"
    )
    assert len(lines) == 6 * 8 + 1
    assert [re.findall(r"counter (\d+), port 2", line) for line in lines if "frame on the air" in line] == [
        [str(counter)] for counter in range(6)
    ]
    assert not any("DIFFERS" in line for line in lines)
    assert "uplinks hop by hop" in healthy.text
    assert all(f"hop: {hop}" in healthy.text for hop in HOPS)


def test_hops_carry_one_and_the_same_volts(healthy: Run) -> None:
    """Terminals, console and decoded value agree within a step, and the UART holds these millivolts, low byte first."""
    lines = healthy.annex("uplinks hop by hop")[:8]
    terminals_v = float(re.findall(r"([\d.]+) V ±", lines[0])[0])
    console_mv, decoded_mv = (int(re.findall(r"(\d+) mV", lines[place])[0]) for place in (2, 7))
    (uart,) = re.findall(r"port 2: ([0-9A-F ]+?)  ", lines[3] + "  ")

    assert console_mv == decoded_mv == int.from_bytes(bytes.fromhex(uart)[:2], "little")
    assert abs(console_mv / 1e3 - terminals_v) < 0.02


def test_led_story(healthy: Run) -> None:
    """'On' goes down in the first window and the meter sees the pin; 'off' ends it; a repeated frame is dropped."""
    (check,) = (one for one in healthy.report.checks if one.name == "downlink")
    judged = {str(getattr(one, "fact", "") or getattr(one, "limit", "")): one for one in check.judged}

    assert getattr(judged["window of 'on'"], "seen", "").startswith("receive window 1, SF7")
    assert getattr(judged["window of 'off'"], "seen", "").startswith("receive window 2, SF12")
    assert (getattr(judged["pin_on"], "value", 0.0), getattr(judged["pin_off"], "value", 9.0)) == (
        pytest.approx(3.3, abs=0.05),
        pytest.approx(0.0, abs=0.05),
    )
    assert getattr(judged["a repeated frame switches nothing"], "seen", "").startswith("off")
    assert getattr(judged["commands obeyed"], "seen", "") == "2"


def test_joins_are_answered_in_both_windows(healthy: Run) -> None:
    """The join after the first power cut is answered in the second window, and nonces rise over every cut."""
    (check,) = (one for one in healthy.report.checks if one.name == "join")
    judged = {str(getattr(one, "fact", "")): getattr(one, "seen", "") for one in check.judged}
    nonces = [int(one) for one in judged["nonce grows over a power cut"].split(", ")]

    assert [judged[f"window of the answer to the join{cut}"] for cut in ("", " after power cut 1")] == [
        "receive window 1",
        "receive window 2",
    ]
    assert len(nonces) == 3
    assert nonces == sorted(set(nonces))


def test_run_is_priced_before_power_as_it_came_out(healthy: Run) -> None:
    """The line at the start names airtime, bands and nonces; the board sent the frames that it counts, and no other."""
    (line,) = (line for line in healthy.text.splitlines() if line.startswith("slot 1: air: "))
    lines = healthy.annex("airtime, priced before power")
    (told,) = (
        float(re.findall(r"([\d.]+) s of the", line)[0]) for line in lines if line.startswith("02004842A0010001")
    )
    joins, uplinks = (len(re.findall(rf"air: {what} ", healthy.text)) for what in ("join nonce", "uplink \\d+ port"))

    assert line == f"slot 1: air: {'; '.join(lines)}"
    assert lines[-1] == "3 joins, 65533 nonces left afterwards"
    # and one uplink of the check of the current, which no network knows yet
    assert told == pytest.approx((joins * 61_696 + (uplinks + 1) * 56_576) / 1e6, rel=0.005)  # AN1200.13


def test_table_stands_in_the_report_for_machines(healthy: Run) -> None:
    """JUnit's text of the check holds the hop table, line by line."""
    text = etree.tostring(etree.parse(str(healthy.junit)), method="text", encoding="unicode")

    assert all(line in text for line in healthy.annex("uplinks hop by hop"))


def test_airtime_is_that_of_the_formula_and_of_the_current(healthy: Run) -> None:
    """22 bytes at SF7 and 125 kHz are 56.6 ms on air (AN1200.13), and so long the current shows the radio on."""
    (check,) = (one for one in healthy.report.checks if one.name == "uplink_hops")
    judged = {str(getattr(one, "fact", "") or getattr(one, "limit", "")): one for one in check.judged}

    assert getattr(judged["airtime"], "value", 0.0) == pytest.approx(0.056576, abs=1e-6)
    assert judged["time on air in the current"].verdict is Verdict.PASS


@pytest.mark.parametrize("fault", AIR)
def test_fault_is_found_at_the_right_hop(runs: dict[str, Run], fault: str) -> None:
    """The check that is right says so in the right words, charged to the right party, and no other one does."""
    run, expected = runs[fault], AIR[fault]
    found = {one.name: one.verdict for one in run.report.checks if one.verdict not in (Verdict.PASS, Verdict.NOT_RUN)}

    assert found.pop(expected.check, None) is expected.verdict, run.text
    assert all(words in run.words(expected.check) for words in expected.says), run.words(expected.check)
    assert set(found) <= set(expected.also), run.text
    assert run.exit_code == (10 if expected.verdict is Verdict.FAIL else 12)
    assert all(run.verdict(check) is Verdict.NOT_RUN for check in expected.cannot)
    assert "Traceback" not in run.text


def test_wrong_bytes_of_the_modem_are_explained(runs: dict[str, Run]) -> None:
    """What the modem did to the bytes stands in words, and the UART is not blamed."""
    run = runs["modem_swaps_bytes"]

    assert run.annex("wrong bytes explained")[0] == "between modem UART and air: each pair of bytes is turned round"
    assert all(" same" in line for line in run.annex("uplinks hop by hop") if "modem UART" in line)


@pytest.mark.parametrize("fault", HARMLESS)
def test_foreign_boards_are_heard_and_never_counted(runs: dict[str, Run], fault: str) -> None:
    """Another board's frames change nothing, and the run tells how often it heard them."""
    run = runs[fault]

    assert {run.verdict(check) for check in AIR_CHECKS} == {Verdict.PASS}, run.text
    assert any(HARMLESS[fault] in line for line in run.annex("heard and not used"))
    assert run.annex("uplinks hop by hop")[-1].startswith("6 reports, 6 matched")


@pytest.mark.parametrize("fault", PULLED_OUT)
def test_gateway_pulled_out_costs_the_air_alone(runs: dict[str, Run], fault: str) -> None:
    """All that does not need the air is checked and passes; the rest is named as not run, and the bench is charged."""
    run = runs[fault]
    verdicts = {one.name: one.verdict for one in run.report.checks}
    air = {check: verdicts.pop(check) for check in AIR_CHECKS}

    assert set(verdicts.values()) == {Verdict.PASS}, run.text
    assert list(air.values()).count(Verdict.BENCH_ERROR) == 1
    assert any("no gateway says a word" in run.words(check) for check in ("join", "uplink_hops"))
    assert air["downlink"] is Verdict.NOT_RUN
    assert "the air failed in" in run.words("downlink")


def test_sign_off_requires_the_air(tmp_path: Path) -> None:
    """The same checks pass in a sign-off, which requires them."""
    run = _run(tmp_path, "", suite="signoff")

    assert {run.verdict(check) for check in AIR_CHECKS} == {Verdict.PASS}, run.text
    assert {*AIR_CHECKS, "report_period", "join_backoff"} < set(run.report.required)


def test_requests_without_an_answer_become_rarer(tmp_path: Path) -> None:
    """A sound board doubles its pauses and keeps them over power cuts, with a rising nonce; sign-off watches it."""
    run = _run(tmp_path, "", suite="signoff", chosen=BACKOFF)
    lines = run.annex("requests to join without an answer")
    asked_s = [float(line.split()[0]) for line in lines if "request, nonce" in line]
    gaps_s = [after - before for before, after in pairwise(asked_s)]

    assert run.verdict("join_backoff") is Verdict.PASS, run.text
    # 5 s and 6 s after the request are its windows (RP002-1.0.1), then come 4 s, 8 s, 16 s
    assert gaps_s[:3] == [pytest.approx(6.1 + pause_s, abs=0.5) for pause_s in (4.0, 8.0, 16.0)]
    assert all(gap_s > 30.0 for gap_s in gaps_s[-2:])  # over the cuts: the pause of 32 s that it had reached
    assert sum("power cut" in line for line in lines) == 2


def test_reports_of_a_board_that_is_left_alone_keep_their_period(tmp_path: Path) -> None:
    """Five seconds by the gateway's own clock, to some milliseconds; the board is switched off at the end."""
    run = _run(tmp_path, "", suite="signoff", chosen=OWN_REPORTS)
    (check,) = (one for one in run.report.checks if one.name == "report_period")
    (period,) = (one for one in check.judged if getattr(one, "limit", "") == "period")

    assert {run.verdict(one) for one in ("report_period", "output_off")} == {Verdict.PASS}, run.text
    assert getattr(period, "value", 0.0) == pytest.approx(5.0, abs=0.02)


@pytest.mark.parametrize("fault", WHEN_LEFT_ALONE)
def test_board_that_is_left_alone_is_watched(tmp_path: Path, fault: str) -> None:
    """By the published cap on its airtime, by the pause that it forgot, or by its period."""
    expected = WHEN_LEFT_ALONE[fault]
    run = _run(tmp_path, fault, suite="signoff", chosen=("first_touch", "identity_start", expected.check, "output_off"))

    assert run.verdict(expected.check) is expected.verdict, run.text
    assert all(words in run.words(expected.check) for words in expected.says), run.words(expected.check)


def test_suite_beyond_the_duty_cycle_stays_off_the_air(tmp_path: Path) -> None:
    """An hour that an earlier run used up: the air is refused with the numbers before power, all else is checked."""
    spent = {"at_s": time.time() - 60.0, "band": "868-868.6 MHz", "airtime_us": 35_900_000}
    airtime = {"schema": 1, "transmitter": "gateways of the bench", "region": "EU868", "spent": [spent]}
    folder = tmp_path / "healthy"
    folder.mkdir()
    (folder / "gateway-airtime-EU868.json").write_text(json.dumps({"schema": 1, "airtime": airtime}), encoding="utf-8")

    run = _run(tmp_path, "")

    verdicts = {one.name: one.verdict for one in run.report.checks if one.name in ON_AIR}
    assert {name for name, verdict in verdicts.items() if verdict is Verdict.NOT_RUN} == set(AIR_CHECKS), run.text
    assert {verdicts[name] for name in set(ON_AIR) - set(AIR_CHECKS)} == {Verdict.PASS}
    assert "0.1 s left of 36 s (1 %)" in run.words("join")
    assert "slot 1: air: refused: gateways of the bench in 868-868.6 MHz" in run.text
    assert "air: join nonce" not in run.text


@pytest.mark.parametrize("suite", ["production", "signoff"])
def test_bench_without_a_gateway_says_what_it_cannot_do(tmp_path: Path, suite: str) -> None:
    """Before power, by name; a sign-off is incomplete without them, a production check leaves them out."""
    run = _run(tmp_path, "", suite=suite, bench="simulated")
    verdicts = {one.name: one.verdict for one in run.report.checks}

    assert run.exit_code == 11  # only some checks were chosen
    assert all(f"{check}: this bench cannot do it: nothing hears the board's radio" in run.text for check in AIR_CHECKS)
    assert {verdicts.get(check) for check in AIR_CHECKS} == {None if suite == "production" else Verdict.NOT_RUN}
