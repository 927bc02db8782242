"""Requests to join without an answer against the published caps: kept, broken, or nobody watched for long enough."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.protocol.join_backoff import CAPS, Asked, State, across_cuts, read_backoff
from tests.published import Figure

if TYPE_CHECKING:
    from collections.abc import Sequence

SF7_S, SF12_S = 0.061696, 1.482752  # 23 bytes at 125 kHz (AN1200.13), as in test_airtime
HOUR_S = 3600.0
KEPT, BROKEN, OPEN = State.KEPT, State.BROKEN, State.OPEN


def row(gaps_s: Sequence[float], airtime_s: float = SF7_S, *, first_s: float = 1.0) -> list[Asked]:
    """Requests with these gaps."""
    asked = [Asked(first_s, airtime_s)]
    for gap_s in gaps_s:
        asked.append(Asked(asked[-1].at_s + gap_s, airtime_s))
    return asked


def states(asked: list[Asked], *, watched_s: float) -> list[State]:
    """What is known of each cap, watched for so long from power-up on."""
    return [one.state for one in read_backoff(asked, began_s=0.0, ended_s=watched_s).caps]


SECTION_7 = "LoRaWAN link layer 1.0.4, section 7, retransmissions back-off: seconds on air between hours after reset"
PUBLISHED = (
    Figure("back-off-first-hour", SECTION_7, "memory", (0, 1), 36.0),
    Figure("back-off-next-ten-hours", SECTION_7, "memory", (1, 11), 36.0),
    Figure("back-off-any-day-after", SECTION_7, "memory", (11, 35), 8.7),
)


@pytest.mark.parametrize("figure", PUBLISHED, ids=lambda figure: figure.id)
def test_caps_are_those_of_the_standard(figure: Figure[tuple[int, int], float]) -> None:
    """Each stretch of time after a reset has its seconds on air, and there are no others."""
    caps = {(round(one.from_s / HOUR_S), round(one.to_s / HOUR_S)): one.limit_s for one in CAPS}

    assert caps[figure.inputs] == figure.expected
    assert len(caps) == len(PUBLISHED)


@pytest.mark.parametrize(
    ("gaps_s", "airtime_s", "watched_s", "expected"),
    [
        # 3600 / 6.5 * 0.0617 = 34.2 s are allowed in the first hour alone
        pytest.param([6.5] * 8, SF7_S, 60.0, [KEPT, BROKEN, BROKEN], id="ever the same at SF7"),
        pytest.param([6.5] * 8, SF12_S, 60.0, [BROKEN, BROKEN, BROKEN], id="ever the same at SF12"),
        pytest.param([10.0, 20.0, 40.0], SF7_S, 80.0, [KEPT, OPEN, OPEN], id="growing, not watched for long"),
        # 36000 / 62 * 0.0617 = 35.8 s; 86400 / 620 * 0.0617 = 8.6 s
        pytest.param([10.0, 62.0], SF7_S, 80.0, [KEPT, KEPT, OPEN], id="a minute is enough for ten hours"),
        pytest.param([10.0, 620.0], SF7_S, 700.0, [KEPT, KEPT, KEPT], id="ten minutes are enough for a day"),
        pytest.param([10.0, 60.0, 9.0], SF7_S, 90.0, [KEPT, BROKEN, BROKEN], id="shorter again"),
        pytest.param([], SF7_S, 60.0, [OPEN, OPEN, OPEN], id="one request"),
        pytest.param([150.0] * 23, SF12_S, HOUR_S, [KEPT, BROKEN, BROKEN], id="24 in the first hour: 35.6 s"),
        pytest.param([140.0] * 24, SF12_S, HOUR_S, [BROKEN, BROKEN, BROKEN], id="25 in the first hour: 37.1 s"),
    ],
)
def test_requests_are_held_against_each_cap(
    gaps_s: list[float], airtime_s: float, watched_s: float, expected: list[State]
) -> None:
    """What was on air counts, carried on at the last gap; a row that still becomes rarer is not condemned for it."""
    assert states(row(gaps_s, airtime_s), watched_s=watched_s) == expected


def test_gap_that_would_keep_a_cap_is_told() -> None:
    """At SF7 an hour needs 6.2 s, ten hours 61.7 s and a day 613 s between requests, by hand."""
    found = read_backoff(row([7.0]), began_s=0.0, ended_s=0.0).caps

    assert [one.needed_gap_s for one in found[1:]] == [
        pytest.approx(36_000 * SF7_S / 36.0),
        pytest.approx(86_400 * SF7_S / 8.7),
    ]


@pytest.mark.parametrize(
    ("at_s", "cuts_s", "expected"),
    [
        pytest.param([0.0, 10.0, 30.0, 55.0], [31.0], [(25.0, True)], id="goes on"),
        pytest.param([0.0, 10.0, 30.0, 32.0], [31.0], [(2.0, False)], id="hurries"),
        pytest.param([0.0, 10.0, 30.0, 46.0], [31.0], [(16.0, True)], id="by a fifth sooner"),
        pytest.param([0.0, 10.0, 30.0, 45.9], [31.0], [(15.9, False)], id="sooner than that"),
        pytest.param([0.0, 10.0, 30.0, 55.0, 57.0], [31.0, 56.0], [(25.0, True), (2.0, False)], id="the second time"),
        pytest.param([0.0, 10.0], [5.0], [], id="nothing to compare with"),
        pytest.param([0.0, 10.0, 30.0], [31.0], [], id="nothing came after it"),
    ],
)
def test_a_power_cut_makes_no_board_hurry(
    at_s: list[float], cuts_s: list[float], expected: list[tuple[float, bool]]
) -> None:
    """From the last request before a cut to the first after it passes four fifths of the longest gap until then."""
    found = across_cuts([Asked(one, SF7_S) for one in at_s], cuts_s)

    assert [(round(one.gap_s, 6), one.holds) for one in found] == expected


def test_without_a_request_nothing_is_read() -> None:
    """Silence is for whoever waited for it."""
    with pytest.raises(ValueError, match="no request; accepted: one at least"):
        read_backoff([], began_s=0.0, ended_s=1.0)
