"""EU868 and US915 against the published tables and an independent implementation of the regions."""

from __future__ import annotations

from fractions import Fraction
from typing import NamedTuple

import loradefs
import loramsg
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.protocol.region import DataRate, erp_dbm, longest_in
from benchrig.protocol.regions import EU868, REGIONS, US915, region_named


class Figure(NamedTuple):
    """A published value, as a failing test prints it."""

    id: str
    source: str
    mark: str
    found: object
    expected: object


RP002 = "LoRa Alliance RP002-1.0.1 (2020)"
BANDS = "ETSI EN 300 220-2 V3.2.1 Annex B, ERC/REC 70-03 annex 1, through LoRaMac-node RegionEU868"
EU_RATES = list(EU868.rates.values())
US_UP = [rate for rate in US915.rates.values() if rate.uplink]
US_DOWN = [rate for rate in US915.rates.values() if rate.downlink]

FIGURES = (
    Figure(
        "eu868.default_channels",
        f"{RP002} section 2.4.2 table 4",
        "seen",
        [(one.frequency_hz, one.least_rate, one.greatest_rate) for one in EU868.channels],
        [(868_100_000, 0, 5), (868_300_000, 0, 5), (868_500_000, 0, 5)],
    ),
    Figure(
        "eu868.data_rates",
        f"{RP002} table 6",
        "seen",
        [(one.number, one.spreading_factor, one.bit_rate) for one in EU_RATES],
        list(zip(range(8), (12, 11, 10, 9, 8, 7, 7, 0), (250, 440, 980, 1760, 3125, 5470, 11000, 50000), strict=True)),
    ),
    Figure(
        "eu868.max_payload",
        f"{RP002} tables 9 and 10; Lora-net/LoRaMac-node RegionEU868.h",
        "seen",
        ([one.longest_payload for one in EU_RATES], [one.behind_repeater for one in EU_RATES]),
        ([51, 51, 51, 115, 242, 242, 242, 242], [51, 51, 51, 115, 222, 222, 222, 222]),
    ),
    Figure(
        "eu868.rx_and_power",
        f"{RP002} recommended values, sections 2.4.3 and 2.4.7",
        "seen",
        (EU868.rx_delays_s, EU868.join_delays_s, EU868.rx2_frequency_hz, EU868.rx2_rate, EU868.max_eirp_dbm),
        ((1, 2), (5, 6), 869_525_000, 0, 16.0),
    ),
    Figure(
        "eu868.duty_cycle",
        BANDS,
        "seen-2nd; power of 863-865, 865-868 and 869.7-870 from memory",
        [(one.low_hz // 1000, one.high_hz // 1000, one.duty, one.max_erp_mw) for one in EU868.bands],
        [
            (863000, 865000, Fraction("0.001"), 25),
            (865000, 868000, Fraction("0.01"), 25),
            (868000, 868600, Fraction("0.01"), 25),
            (868700, 869200, Fraction("0.001"), 25),
            (869400, 869650, Fraction("0.1"), 500),
            (869700, 870000, Fraction("0.01"), 25),
        ],
    ),
    Figure(
        "us915.dwell_payload",
        f"{RP002} section 2.5.3, tables 13 and 17",
        "seen",
        (US915.dwell_s, [one.longest_payload for one in US_UP], [one.spreading_factor for one in US_UP]),
        (0.4, [11, 53, 125, 242, 242], [10, 9, 8, 7, 8]),
    ),
    Figure(
        "us915.rx2",
        f"{RP002} section 2.5",
        "seen",
        (US915.rx2_frequency_hz, US915.rx2_rate, US915.rates[8].text),
        (923_300_000, 8, "SF12BW500"),
    ),
    Figure(
        "eu868.names",
        "spelling of data rates in the packet-forwarder protocol",
        "memory",
        [one.text for one in EU_RATES],
        ["SF12BW125", "SF11BW125", "SF10BW125", "SF9BW125", "SF8BW125", "SF7BW125", "SF7BW250", "50000"],
    ),
)
THEIRS = {"EU868": loradefs.EU868, "US915": loradefs.US915}


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: figure.id)
def test_published_numbers_hold(figure: Figure) -> None:
    """Channels, rates, payloads, windows and bands are those of the tables."""
    assert figure.found == figure.expected, f"{figure.source} [{figure.mark}]"


@pytest.mark.parametrize("name", sorted(REGIONS))
def test_windows_agree_with_an_independent_implementation(name: str) -> None:
    """liblora finds the same first window after every channel, data rate and offset, and the same second one."""
    ours, theirs = REGIONS[name], THEIRS[name]

    for (number, offset), down in ours.rx1_rates.items():
        if number <= theirs.maxDR125:  # liblora leaves out those that no default channel carries
            assert theirs.get_dndr(number, offset) == down
        rate = ours.rate(number, uplink=True)
        for channel in ours.channels:
            if channel.least_rate <= number <= channel.greatest_rate:
                window = ours.first_window(channel.frequency_hz, rate, offset=offset)
                assert window.frequency_hz == theirs.get_dnfreq(channel.frequency_hz)
                assert window.rate.number == down
    assert ours.second_window().frequency_hz == theirs.RX2Freq
    assert ours.second_window().rate.number == theirs.RX2DR


@pytest.mark.parametrize("name", sorted(REGIONS))
def test_channels_and_rates_agree_with_an_independent_implementation(name: str) -> None:
    """liblora has the same uplink channels, spreading factors and bandwidths."""
    ours, theirs = REGIONS[name], THEIRS[name]

    assert [(one.frequency_hz, one.least_rate, one.greatest_rate) for one in ours.channels] == [
        tuple(one) for one in theirs.upchannels
    ]
    for rate in ours.rates.values():
        their_rate = theirs.DRs[rate.number]
        assert their_rate.sf == rate.spreading_factor
        assert their_rate.bw in (0, rate.bandwidth_hz // 1000)
    assert ours.max_eirp_dbm == theirs.max_eirp


def test_us915_payloads_agree_with_an_independent_implementation() -> None:
    """M is N and 8 bytes around it, with and without a repeater."""
    for rate in US915.rates.values():
        assert loradefs.US915.max_pdulens[rate.number] == rate.longest_payload + 8
        if rate.downlink:
            assert loradefs.US915.max_pdulens_R[rate.number] == rate.behind_repeater + 8


@pytest.mark.parametrize("rate", US_UP, ids=lambda rate: rate.text)
def test_the_payload_table_of_us915_is_its_dwell_time(rate: DataRate) -> None:
    """N of every uplink rate is what fits into 400 ms on air, computed from the airtime formula."""
    assert longest_in(rate, dwell_s=0.4, uplink=True) == rate.longest_payload


@pytest.mark.parametrize(
    ("phy_bytes", "milliseconds"),
    [pytest.param(24, 370.688, id="fits"), pytest.param(25, 411.648, id="does-not")],
)
def test_the_edge_of_the_dwell_time(phy_bytes: int, milliseconds: float) -> None:
    """SF10: 24 bytes stay below 400 ms, 25 do not (RP002-1.0.1 section 2.5.3 [seen], milliseconds recomputed)."""
    assert US915.rate(0, uplink=True).airtime_us(phy_bytes, uplink=True) == milliseconds * 1000


@pytest.mark.parametrize(
    ("frequency_hz", "rate", "band"),
    [
        pytest.param(868_100_000, 5, "868-868.6 MHz", id="default-channel"),
        pytest.param(868_300_000, 6, "868-868.6 MHz", id="250-kHz"),
        pytest.param(869_525_000, 0, "869.4-869.65 MHz", id="second-window"),
        pytest.param(867_900_000, 5, "865-868 MHz", id="extra-channel"),
        pytest.param(864_900_000, 5, "863-865 MHz", id="tenth-of-a-percent"),
        pytest.param(868_650_000, 5, None, id="alarm-band"),
        pytest.param(868_550_000, 6, None, id="reaches-over-the-edge"),
        pytest.param(868_000_000, 5, None, id="on-the-edge"),
        pytest.param(915_000_000, 5, None, id="elsewhere"),
    ],
)
def test_a_signal_lies_whole_in_one_band(frequency_hz: int, rate: int, band: str | None) -> None:
    """The width counts: a signal that reaches over an edge is in no band."""
    found = EU868.band_of(frequency_hz, EU868.rate(rate, uplink=True))

    assert (found.name if found else None) == band
    assert EU868.allows(frequency_hz, EU868.rate(rate, uplink=True)) is (band is not None)


def test_us915_has_edges_and_no_bands() -> None:
    """Without duty cycles a signal must only lie within the region."""
    rate = US915.rate(0, uplink=True)

    assert US915.band_of(902_300_000, rate) is None
    assert US915.allows(902_300_000, rate)
    assert not US915.allows(901_900_000, rate)
    assert not US915.allows(928_000_000, rate)


def test_power_steps() -> None:
    """Each step is 2 dB; 16 dBm all round are 13.85 dBm against a dipole (RP002-1.0.1 2.4.3 [seen])."""
    assert (EU868.eirp_dbm(0), EU868.eirp_dbm(7), US915.eirp_dbm(14)) == (16.0, 2.0, 2.0)
    assert erp_dbm(16.0) == pytest.approx(13.85)
    assert 10 ** (erp_dbm(16.0) / 10) == pytest.approx(24.3, abs=0.05)
    with pytest.raises(ValueError, match="power step 8 in EU868; accepted: 0 to 7"):
        EU868.eirp_dbm(8)


@pytest.mark.parametrize(
    ("call", "complaint"),
    [
        pytest.param(lambda: region_named("EU433"), "region 'EU433'; accepted: EU868, US915", id="region"),
        pytest.param(lambda: EU868.rate(8, uplink=True), "data rate 8 for uplinks in EU868; accepted: 0, 1", id="rate"),
        pytest.param(lambda: US915.rate(8, uplink=True), "accepted: 0, 1, 2, 3, 4$", id="down-only"),
        pytest.param(lambda: US915.rate(0, uplink=False), "accepted: 8, 9, 10, 11, 12, 13$", id="up-only"),
        pytest.param(
            lambda: US915.rate_of("SF12BW125", uplink=True),
            "'SF12BW125' for uplinks in US915; accepted: SF10",
            id="text",
        ),
        pytest.param(
            lambda: EU868.first_window(868_100_000, EU868.rate(5, uplink=True), offset=6),
            r"offset 6 after data rate 5 in EU868; accepted: \[0, 1, 2, 3, 4, 5\]",
            id="offset",
        ),
        pytest.param(
            lambda: US915.first_window(902_400_000, US915.rate(0, uplink=True)),
            "902.4 MHz at SF10BW125 is no uplink channel of US915",
            id="channel",
        ),
        pytest.param(
            lambda: EU868.rate(7, uplink=True).airtime_us(256, uplink=True), "256 bytes in a frame", id="too-long"
        ),
    ],
)
def test_what_a_region_does_not_have_is_refused(call: object, complaint: str) -> None:
    """The error names the region and what it has."""
    assert callable(call)
    with pytest.raises(ValueError, match=complaint):
        call()


@settings(deadline=None)
@given(st.sampled_from(sorted(REGIONS)), st.integers(0, 15), st.integers(0, 255), st.booleans())
def test_airtime_agrees_with_an_independent_implementation(name: str, number: int, size: int, uplink: bool) -> None:
    """liblora finds the same microseconds for every data rate; it rounds up by one where its floats do."""
    rate = REGIONS[name].rates.get(number)
    if rate is None:
        return

    theirs = loramsg.airtime(rate.bandwidth_hz, rate.spreading_factor, size, crc=int(uplink))

    assert 0 <= theirs - rate.airtime_us(size, uplink=uplink) <= 1
