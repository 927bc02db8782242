"""Airtime budgets: published rows, a model that slides an hour by hand, restarts, and the price of a suite."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.protocol.airtime import AirtimeBudget, Price, price
from benchrig.protocol.airtime_plan import NONCES, PlannedFrames, planned_joins, price_plan
from benchrig.protocol.regions import EU868, US915
from tests.published import Figure

if TYPE_CHECKING:
    from benchrig.protocol.region import Band

NOON_S = 1_800_000_000.0
SF7, SF10, SF12 = (EU868.rate(number, uplink=True) for number in (5, 2, 0))
ONE_PERCENT = EU868.bands[2]
CHANNELS = tuple(one.frequency_hz for one in EU868.channels)


def request(rate: object = SF12, frequency_hz: int = 868_100_000) -> Price:
    """A join-request: 23 bytes."""
    assert rate in (SF7, SF10, SF12)
    return price(EU868, frequency_hz=frequency_hz, rate=rate, phy_bytes=23, uplink=True)


def empty() -> AirtimeBudget:
    """A board that was never on air."""
    return AirtimeBudget(transmitter="board", region=EU868)


def filled(cost: Price, *, at_s: float) -> tuple[AirtimeBudget, int]:
    """A budget that refuses this frame at last, and how many it took, one a second."""
    budget = empty()
    for sent in range(1000):
        if budget.refuses(cost, at_s=at_s + sent):
            return budget, sent
        budget = budget.spend(cost, at_s=at_s + sent)
    raise AssertionError("a thousand frames within an hour, and none refused")


HOUR = "floor(3600 s x duty / time on air): arithmetic on LoRa Alliance RP002 and ETSI EN 300 220-2"
FIGURES = [
    Figure("join-requests in an hour, sf7", HOUR, "recomputed", (5, 61_696), 583),
    Figure("join-requests in an hour, sf10", HOUR, "recomputed", (2, 370_688), 97),
    Figure("join-requests in an hour, sf12", HOUR, "recomputed", (0, 1_482_752), 24),
]
"""Of data rate and time on air in microseconds, at a duty of 1 %."""


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_an_hour_holds_as_many_as_published(figure: Figure[tuple[int, int], int]) -> None:
    """Messages of 23 bytes in an hour are as many as the duty of the band leaves room for."""
    number, microseconds = figure.inputs
    cost = price(EU868, frequency_hz=868_100_000, rate=EU868.rate(number, uplink=True), phy_bytes=23, uplink=True)

    _, sent = filled(cost, at_s=NOON_S)

    assert cost.airtime_us == microseconds, figure
    assert sent == figure.expected, figure


def test_bands_have_budgets_of_their_own() -> None:
    """What fills one band leaves another as it was."""
    budget, sent = filled(request(), at_s=NOON_S)

    refusal = budget.refuses(request(), at_s=NOON_S + sent)
    assert refusal is not None
    assert "1482.75 ms on air in 868-868.6 MHz: 413.952 ms left of 36 s in an hour (1 %)" in refusal.reason
    assert budget.refuses(request(frequency_hz=869_525_000), at_s=NOON_S + sent) is None
    assert budget.refuses(request(frequency_hz=867_100_000), at_s=NOON_S + sent) is None


def test_a_refusal_says_when() -> None:
    """The time it names is the first at which the frame fits: a moment earlier it does not."""
    budget = empty()
    for number in range(24):
        budget = budget.spend(request(), at_s=NOON_S + 60.0 * number)

    refusal = budget.refuses(request(), at_s=NOON_S + 1500.0)

    assert refusal is not None
    assert refusal.from_s == pytest.approx(NOON_S + 3600.0)  # when the end of the first leaves the hour of the new one
    assert budget.refuses(request(), at_s=refusal.from_s - 0.01) is not None
    assert budget.refuses(request(), at_s=refusal.from_s + 0.01) is None


frames = st.lists(
    st.tuples(st.floats(0.0, 9000.0), st.sampled_from([5, 2, 0]), st.sampled_from([868_100_000, 869_525_000])),
    max_size=60,
)


@settings(deadline=None)
@given(frames)
def test_no_hour_ever_holds_more_than_its_share(wishes: list[tuple[float, int, int]]) -> None:
    """Whatever is asked for in whatever order, a model that slides the hour by hand finds no band over its limit."""
    budget = AirtimeBudget(transmitter="board", region=EU868)
    sent: list[tuple[float, float, Band]] = []
    for at_s, number, frequency_hz in sorted(wishes):
        cost = price(EU868, frequency_hz=frequency_hz, rate=EU868.rate(number, uplink=True), phy_bytes=64, uplink=True)
        if budget.refuses(cost, at_s=at_s) is None:
            budget = budget.spend(cost, at_s=at_s)
            assert cost.band is not None
            sent.append((at_s, at_s + cost.airtime_us / 1e6, cost.band))

    for _, end_s, band in sent:  # the fullest hour ends with a frame
        on_air_s = sum(
            min(e, end_s) - max(b, end_s - 3600.0)
            for b, e, one in sent
            if one is band and e > end_s - 3600.0 and b < end_s
        )
        assert on_air_s <= float(band.duty) * 3600.0 + 1e-6


@settings(deadline=None)
@given(frames)
def test_a_budget_survives_a_restart(wishes: list[tuple[float, int, int]]) -> None:
    """Through plain data and JSON it comes back as it was."""
    budget = empty()
    for at_s, number, frequency_hz in wishes:
        rate = EU868.rate(number, uplink=True)
        cost = price(EU868, frequency_hz=frequency_hz, rate=rate, phy_bytes=64, uplink=True)
        budget = budget.record(cost, at_s=at_s)

    assert AirtimeBudget.from_plain(json.loads(json.dumps(budget.to_plain())), region=EU868) == budget


def test_a_clock_that_was_set_back_frees_nothing() -> None:
    """What was spent at a time that now lies ahead still counts."""
    budget, _ = filled(request(), at_s=NOON_S)

    assert budget.refuses(request(), at_s=NOON_S - 7200.0) is not None


def test_what_was_heard_counts_even_if_it_was_too_much() -> None:
    """A board that breaks the rule is recorded, and nothing is left."""
    budget = empty()
    for number in range(40):
        budget = budget.record(request(), at_s=NOON_S + 2.0 * number)

    assert budget.remaining_us(ONE_PERCENT, at_s=NOON_S + 80.0) == 36_000_000 - 40 * 1_482_752
    with pytest.raises(ValueError, match=r"board: .* 0 ms left of 36 s"):
        budget.spend(request(), at_s=NOON_S + 80.0)


@pytest.mark.parametrize(
    ("cost", "complaint"),
    [
        pytest.param(
            price(EU868, frequency_hz=868_650_000, rate=SF7, phy_bytes=23, uplink=True),
            "868.65 MHz at SF7BW125 lies in no band of EU868",
            id="alarm-band",
        ),
        pytest.param(
            price(EU868, frequency_hz=868_100_000, rate=SF12, phy_bytes=65, uplink=True),
            r"65 bytes at SF12BW125: EU868 allows 64 \(N = 51\)",
            id="too-long",
        ),
        pytest.param(
            price(US915, frequency_hz=902_300_000, rate=US915.rate(0, uplink=True), phy_bytes=25, uplink=True),
            r"25 bytes at SF10BW125: US915 allows 24 \(N = 11\)",
            id="us915",
        ),
    ],
)
def test_what_is_never_allowed_is_refused_for_good(cost: Price, complaint: str) -> None:
    """Frequency and length are refused at any time."""
    region = US915 if "US915" in complaint else EU868
    refusal = AirtimeBudget(transmitter="board", region=region).refuses(cost, at_s=NOON_S)

    assert refusal is not None
    assert refusal.from_s == math.inf
    with pytest.raises(ValueError, match=complaint):
        raise ValueError(refusal.reason)


def test_a_region_without_duty_cycles_has_no_budget() -> None:
    """In US915 the dwell time alone limits, and nothing is spent."""
    rate = US915.rate(3, uplink=True)
    cost = price(US915, frequency_hz=902_300_000, rate=rate, phy_bytes=255, uplink=True)
    budget = AirtimeBudget(transmitter="board", region=US915).spend(cost, at_s=NOON_S)

    assert cost.why_not == ""
    assert budget.spent == ()


PLAIN = {"schema": 1, "transmitter": "board", "region": "EU868", "spent": []}


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        pytest.param({"schema": 2}, "a budget of schema 2 for 'EU868'; accepted: 1 for 'EU868'", id="schema"),
        pytest.param({"region": "US915"}, "a budget of schema 1 for 'US915'", id="region"),
        pytest.param({"spent": None}, "a budget without its transmitter or its list", id="no-list"),
        pytest.param({"spent": [1]}, "1 in a budget; accepted: a table", id="no-table"),
        pytest.param({"spent": [{"at_s": "noon", "band": "x", "airtime_us": 1}]}, "at_s 'noon'", id="no-time"),
        pytest.param(
            {"spent": [{"at_s": math.nan, "band": ONE_PERCENT.name, "airtime_us": 1}]}, "a time of nan s", id="nan"
        ),
        pytest.param({"spent": [{"at_s": 1.0, "band": "x", "airtime_us": 1}]}, "band 'x' in a budget", id="band"),
        pytest.param(
            {"spent": [{"at_s": 1.0, "band": ONE_PERCENT.name, "airtime_us": -1}]}, "airtime_us -1 in", id="negative"
        ),
    ],
)
def test_an_unreadable_budget_is_no_empty_one(change: dict[str, object], complaint: str) -> None:
    """What cannot be read is refused, since an empty hour would let too much go out."""
    with pytest.raises(ValueError, match=complaint):
        AirtimeBudget.from_plain({**PLAIN, **change}, region=EU868)


# ---- a suite, priced before it starts


def uplinks(count: int, *, every_s: float = 0.0, frequencies_hz: tuple[int, ...] = CHANNELS) -> PlannedFrames:
    """Reports of the board at SF12."""
    return PlannedFrames(
        what="reports",
        transmitter="board",
        count=count,
        rate=SF12,
        phy_bytes=23,
        uplink=True,
        frequencies_hz=frequencies_hz,
        every_s=every_s,
    )


BOTH = {"board": empty(), "gateway": AirtimeBudget(transmitter="gateway", region=EU868)}


def test_a_plan_that_fits_may_start() -> None:
    """24 frames of SF12 are just within 1 % of an hour."""
    found = price_plan([uplinks(24)], budgets=BOTH, at_s=NOON_S)

    assert found.refusals == ()
    assert found.airtime_us == 24 * 1_482_752
    assert [(one.transmitter, one.band, one.hour_us) for one in found.lines] == [("board", ONE_PERCENT, 35_586_048)]


@pytest.mark.parametrize(
    ("frames", "complaint"),
    [
        pytest.param([uplinks(25)], "board in 868-868.6 MHz: 37.0688 s on air in the worst hour, 36 s left", id="25"),
        pytest.param([uplinks(100, every_s=149.0)], "37.0688 s on air in the worst hour", id="spaced-too-close"),
        pytest.param([uplinks(12), uplinks(13)], "37.0688 s on air in the worst hour", id="two-kinds-together"),
        pytest.param([uplinks(1, frequencies_hz=(868_650_000,))], "reports: 868.65 MHz .* in no band", id="alarm-band"),
    ],
)
def test_a_plan_that_breaks_a_limit_is_refused(frames: list[PlannedFrames], complaint: str) -> None:
    """The refusal names transmitter, band, need and rest before anything is sent."""
    found = price_plan(frames, budgets=BOTH, at_s=NOON_S)

    assert len(found.refusals) == 1
    with pytest.raises(ValueError, match=complaint):
        raise ValueError(found.refusals[0])


def test_a_plan_that_is_spaced_fits_for_days() -> None:
    """One frame in 151 s never has more than 24 in an hour."""
    assert price_plan([uplinks(10_000, every_s=151.0)], budgets=BOTH, at_s=NOON_S).refusals == ()


def test_what_was_sent_before_the_plan_counts() -> None:
    """The same plan is refused after a run that spent half of the hour."""
    spent = empty()
    for number in range(12):
        spent = spent.spend(request(), at_s=NOON_S - 600.0 + 2.0 * number)

    assert price_plan([uplinks(13)], budgets={"board": spent}, at_s=NOON_S).refusals
    assert not price_plan([uplinks(13)], budgets={"board": spent}, at_s=NOON_S + 3700.0).refusals


def test_channels_in_several_bands_are_all_charged() -> None:
    """A board that may choose could choose the same band each time."""
    found = price_plan([uplinks(5, frequencies_hz=(868_100_000, 867_100_000))], budgets=BOTH, at_s=NOON_S)

    assert [one.hour_us for one in found.lines] == [5 * 1_482_752] * 2
    assert found.airtime_us == 5 * 1_482_752


def test_joins_are_priced_with_their_answers() -> None:
    """Requests on the default channels, accepts of 33 bytes from the gateway, and a nonce for each."""
    frames = planned_joins(EU868, board="board", gateway="gateway", count=6, rate=SF7)

    found = price_plan(frames, budgets=BOTH, at_s=NOON_S, joins=6, nonces_used=NONCES - 6)

    assert [(one.transmitter, one.hour_us) for one in found.lines] == [
        ("board", 6 * 61_696),
        ("gateway", 6 * SF7.airtime_us(33, uplink=False)),
    ]
    assert (found.nonces_left, found.refusals) == (0, ())


def test_joins_without_nonces_are_refused() -> None:
    """A board whose nonces are used up cannot join, however much airtime is left."""
    found = price_plan([], budgets={}, at_s=NOON_S, joins=7, nonces_used=NONCES - 6)

    assert found.refusals == ("7 joins with 6 nonces left of 65536: give the board new keys",)


def test_a_transmitter_without_a_budget_is_an_error() -> None:
    """Nothing can be promised for somebody whose hour nobody kept."""
    with pytest.raises(ValueError, match="no airtime budget of 'board'; accepted: none"):
        price_plan([uplinks(1)], budgets={}, at_s=NOON_S)
    with pytest.raises(ValueError, match="no default channel of EU868 carries SF7BW250"):
        planned_joins(EU868, board="b", gateway="g", count=1, rate=EU868.rate(6, uplink=True))
    with pytest.raises(ValueError, match="reports: -1 frames every"):
        uplinks(-1)
