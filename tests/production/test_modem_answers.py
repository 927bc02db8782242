"""Whether the modem took every frame of a sweep, where its own line is listened to."""

from __future__ import annotations

import pytest

from benchrig.production.payload import check_payload_bytes
from benchrig.protocol.at_events import HandOver
from benchrig.protocol.at_rules import Outcome
from benchrig.records import Annex, FactJudged, NotProven, Verdict

from .fake_bench import Table


def handed(payload: str, outcome: Outcome, answer: str = "", *, attempt: int = 1) -> HandOver:
    """A frame with its answer."""
    return HandOver(1.0, 2, bytes.fromhex(payload), "AT+BUF", attempt, attempt > 1, outcome, answer, None)


def judged(*frames: HandOver) -> FactJudged:
    """What the check says of these frames."""
    table = Table("payload_bytes").powered()
    table.board.handed_over = frames
    table.do(check_payload_bytes)
    fact = table.judged("answers of the modem")
    assert isinstance(fact, FactJudged)
    return fact


OK, BUSY = handed("AA", Outcome.ACCEPTED, "OK"), handed("BB", Outcome.BUSY, "BUSY")


@pytest.mark.parametrize(
    ("frames", "verdict", "words"),
    [
        pytest.param((OK,), Verdict.PASS, "so all 1 frames", id="accepted"),
        pytest.param((OK, BUSY), Verdict.FAIL, "BB: busy by BUSY", id="busy"),
        pytest.param(
            (BUSY, handed("BB", Outcome.ACCEPTED, "OK", attempt=2)), Verdict.PASS, "so all 1 frames", id="then accepted"
        ),
        pytest.param((handed("CC", Outcome.UNANSWERED),), Verdict.FAIL, "CC: unanswered", id="silent"),
        pytest.param((handed("CC", Outcome.UNKNOWN), OK), Verdict.UNDECIDED, "CC: unknown", id="bytes lost"),
        pytest.param((handed("CC", Outcome.UNKNOWN), BUSY), Verdict.FAIL, "BB: busy", id="busy besides"),
        pytest.param((), Verdict.FAIL, "no frame was handed over", id="none"),
    ],
)
def test_answers_are_judged(frames: tuple[HandOver, ...], verdict: Verdict, words: str) -> None:
    """A frame counts by its last attempt: refused, busy or silent fails, lost bytes leave it undecided."""
    fact = judged(*frames)

    assert fact.verdict is verdict
    assert words in f"{fact.seen} {fact.why}"


def test_frames_stand_in_the_report() -> None:
    """Every frame stands in an annex with port, bytes, answer and attempt."""
    table = Table("payload_bytes").powered()
    table.board.handed_over = (BUSY, handed("BB", Outcome.ACCEPTED, "OK", attempt=2))
    table.do(check_payload_bytes)

    (annex,) = [one for one in table.records if isinstance(one, Annex) and one.title == "frames handed to the modem"]
    assert annex.lines == (
        "at 1.000 s, port 2: BB: busy by BUSY",
        "at 1.000 s, port 2: BB: accepted by OK, attempt 2, first character lost",
    )


def test_lost_bytes_are_told() -> None:
    """What the bench lost on the line is a gap of the record, told as not proven; without a loss nothing is said."""
    for lost in ("3 bytes of the modem", ""):
        table = Table("payload_bytes").powered()
        table.board.lost = lost
        table.do(check_payload_bytes)

        told = [one.text for one in table.records if isinstance(one, NotProven) and "modem UART" in one.text]
        assert [lost in text for text in told] == ([True] if lost else [])


def test_nothing_is_said_where_nobody_listens() -> None:
    """Without the modem's line there is no such fact."""
    table = Table("payload_bytes").powered()
    table.do(check_payload_bytes)

    assert "answers of the modem" not in [getattr(one, "fact", "") for one in table.records]
