"""Where a frame first differs. What counts as the same is the project's own rule: exact bytes, numbers within steps."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchrig.judge.hops import (
    Announced,
    Answered,
    Carried,
    FrameSeen,
    Heard,
    Hop,
    HopRules,
    Said,
    Same,
    Volts,
    compare_hops,
    hop_lines,
)

LSB_V = 4 * 1.1 / 4096
RULES = HopRules(volts_per_count=LSB_V, converter_share=0.03, converter_offset_v=0.03, noise_v=0.005)
PAYLOAD = bytes.fromhex("7A0D15")
SAID = Said(battery_v=3.450, celsius=21.0)
ALL = frozenset(Hop)


def carried(payload: bytes = PAYLOAD, *, port: int = 2, said: Said = SAID) -> Carried:
    """A payload, and what it says."""
    return Carried(port=port, payload=payload, said=said)


def heard(payload: bytes = PAYLOAD, *, counter: int = 7, port: int = 2, said: Said = SAID) -> Heard:
    """A payload on the air, or at the network."""
    return Heard(counter=counter, carried=carried(payload, port=port, said=said), rssi_dbm=-61.6, snr_db=9.87)


GOOD = FrameSeen(
    name="at 3.45 V",
    watched=ALL,
    terminals=Volts(value_v=3.4502, expanded_u_v=0.0003),
    counts=3212,
    console=Announced(battery_v=3.450, celsius=21.0, port=2, length=3),
    uart=carried(),
    answer=Answered(accepted=True, text="accepted by OK"),
    air=heard(),
    network=heard(),
)


def everywhere(payload: bytes = PAYLOAD, *, port: int = 2, said: Said = SAID) -> FrameSeen:
    """The good frame with other bytes from the microcontroller on."""
    after = heard(payload, port=port, said=said)
    return replace(GOOD, uart=carried(payload, port=port, said=said), air=after, network=after)


HIGH = Said(battery_v=3.760, celsius=21.0)
SPOILT = Said(battery_v=31.245, celsius=21.0, problems=("CRC-8/SMBUS wrong",))


def test_a_healthy_frame_is_the_same_everywhere() -> None:
    """Every hop says so, and no first difference is named."""
    found = compare_hops(GOOD, RULES)

    assert [row.hop for row in found.rows] == list(Hop)
    assert [row.same for row in found.rows] == [Same.FIRST] + [Same.YES] * 7
    assert found.first is None
    assert found.text == "at 3.45 V: the same at every hop"


@pytest.mark.parametrize(
    ("frame", "hop", "why"),
    [
        pytest.param(
            replace(everywhere(said=HIGH), counts=3500, console=Announced(battery_v=3.760, celsius=21.0)),
            Hop.COUNTS,
            "0.3096 V apart, 0.1393 V allowed",
            id="converter off by a tenth",
        ),
        pytest.param(
            replace(everywhere(said=HIGH), console=Announced(battery_v=3.760, celsius=21.0)),
            Hop.CONSOLE,
            "0.3096 V apart, 0.006037 V allowed",
            id="console makes other volts of the counts",
        ),
        pytest.param(
            everywhere(b"\x0d\x7a\x15", said=SPOILT),
            Hop.UART,
            "CRC-8/SMBUS wrong; battery: 27.8 V apart, 0.001 V allowed",
            id="firmware swaps bytes",
        ),
        pytest.param(everywhere(port=3), Hop.UART, "port 3 instead of 2", id="firmware, port"),
        pytest.param(everywhere(PAYLOAD[:2]), Hop.UART, "2 bytes instead of 3", id="firmware, a byte short"),
        pytest.param(
            everywhere(said=Said(battery_v=3.450, celsius=22.5)),
            Hop.UART,
            "temperature: 1.5 °C apart, 1 °C allowed",
            id="firmware, temperature",
        ),
        pytest.param(replace(GOOD, uart=None), Hop.UART, "nothing came here", id="nothing handed over"),
        pytest.param(
            replace(GOOD, answer=Answered(accepted=False, text="refused by ERROR")),
            Hop.ANSWER,
            "the modem did not take the frame: refused by ERROR",
            id="modem refuses",
        ),
        pytest.param(
            replace(GOOD, air=heard(b"\x0d\x7a\x15", said=SPOILT), network=heard(b"\x0d\x7a\x15", said=SPOILT)),
            Hop.AIR,
            "2 bytes differ, the first is 0",
            id="modem swaps bytes",
        ),
        pytest.param(
            replace(GOOD, air=heard(port=3), network=heard(port=3)), Hop.AIR, "port 3 instead of 2", id="modem, port"
        ),
        pytest.param(replace(GOOD, air=None, network=None), Hop.AIR, "nothing came here", id="lost on the air"),
        pytest.param(replace(GOOD, network=None), Hop.NETWORK, "nothing came here", id="lost in the network"),
        pytest.param(
            replace(GOOD, network=heard(counter=8)), Hop.NETWORK, "counter 8 instead of 7", id="another frame's counter"
        ),
        pytest.param(
            replace(GOOD, network=heard(PAYLOAD[:2])), Hop.NETWORK, "2 bytes instead of 3", id="network cuts it"
        ),
        pytest.param(
            replace(GOOD, network=heard(b"\x7a\x0d\x16")), Hop.NETWORK, "byte 2 differs", id="network spoils it"
        ),
        pytest.param(
            replace(GOOD, network=heard(said=replace(SAID, battery_v=3.40))),
            Hop.DECODED,
            "battery: 0.05 V apart, 0.001 V allowed",
            id="read by another map",
        ),
    ],
)
def test_the_first_hop_that_differs_is_named(frame: FrameSeen, hop: Hop, why: str) -> None:
    """One fault at one place: that place is named, with the reason, and nothing before it."""
    found = compare_hops(frame, RULES)

    assert found.first is not None
    assert (found.first.hop, found.first.why) == (hop, why)
    assert [row.hop for row in found.rows if row.same is Same.NO] == [hop]


def test_the_sentence_holds_both_values() -> None:
    """A reader sees what was there and what should have been, without the table."""
    found = compare_hops(replace(GOOD, air=heard(b"\x0d\x7a\x15", said=SPOILT), network=None), RULES)

    assert found.text == (
        "at 3.45 V: frame on the air differs first: counter 7, port 2: 0D 7A 15, -62 dBm, SNR 9.9 dB; "
        "modem UART: port 2: 7A 0D 15 (2 bytes differ, the first is 0)"
    )


def test_the_first_numbers_allowed_and_refused_are_those_of_the_rules() -> None:
    """Half a step of each number and the noise: on the border it is the same, beyond it is not."""
    exact_v = 3212 * LSB_V
    border_v = 0.005 + (LSB_V + 0.001) / 2.0
    at = [
        replace(GOOD, console=Announced(battery_v=exact_v + off_v, celsius=21.0))
        for off_v in (border_v, border_v + 1e-6)
    ]

    assert [compare_hops(one, RULES).row(Hop.CONSOLE).same for one in at] == [Same.YES, Same.NO]


def test_corrected_counts_are_held_against_the_console() -> None:
    """Constants that the board holds are part of what its console should say."""
    corrected_v = 3212 * LSB_V * 1.02 - 0.010
    frame = replace(GOOD, console=Announced(battery_v=corrected_v, celsius=21.0))

    assert compare_hops(frame, RULES).row(Hop.CONSOLE).same is Same.NO
    assert compare_hops(frame, replace(RULES, gain=0.02, offset_v=-0.010)).row(Hop.CONSOLE).same is Same.YES


def test_hops_without_eyes_are_not_seen_and_prove_nothing() -> None:
    """No tap, no gateway: the volts go on to the decoded value without a word about what lies between."""
    eyes = frozenset({Hop.TERMINALS, Hop.COUNTS, Hop.CONSOLE, Hop.NETWORK})
    frame = replace(GOOD, watched=eyes, uart=None, answer=None, air=None)

    found = compare_hops(frame, RULES)

    assert [row.hop for row in found.rows if row.same is Same.UNSEEN] == [Hop.UART, Hop.ANSWER, Hop.AIR]
    assert found.row(Hop.NETWORK).same is Same.YES
    assert found.row(Hop.NETWORK).before is Hop.CONSOLE


def test_what_never_arrived_is_not_decoded() -> None:
    """A frame that was lost on the air says nothing at the end, though the UART's bytes are known."""
    row = compare_hops(replace(GOOD, air=None, network=None), RULES).row(Hop.DECODED)

    assert (row.same, row.seen) == (Same.FOLLOWS, "nothing")


def test_without_a_tap_a_wrong_payload_is_found_at_the_network() -> None:
    """The nearest hop before it that was seen is the console."""
    eyes = frozenset({Hop.TERMINALS, Hop.COUNTS, Hop.CONSOLE, Hop.NETWORK})
    frame = replace(GOOD, watched=eyes, uart=None, answer=None, air=None, network=heard(said=SPOILT))

    first = compare_hops(frame, RULES).first

    assert first is not None
    assert (first.hop, first.before) == (Hop.NETWORK, Hop.CONSOLE)


def test_an_answer_that_nobody_knows_is_no_difference() -> None:
    """Bytes of the reply line were lost: the hop is not seen, whatever the frame did."""
    frame = replace(GOOD, answer=Answered(accepted=None, text="unknown: bytes were lost"))

    assert compare_hops(frame, RULES).row(Hop.ANSWER).same is Same.UNSEEN


@pytest.mark.parametrize("value", [float("nan"), float("inf")], ids=["not a number", "infinite"])
def test_what_is_no_number_is_never_the_same(value: float) -> None:
    """A payload that says NaN for the battery differs."""
    frame = replace(GOOD, uart=carried(said=replace(SAID, battery_v=value)))

    assert compare_hops(frame, RULES).row(Hop.UART).same is Same.NO


@given(places=st.sets(st.integers(0, 2), min_size=1), hop=st.sampled_from([Hop.AIR, Hop.NETWORK]))
def test_any_changed_byte_is_seen(places: set[int], hop: Hop) -> None:
    """Whichever bytes change on the way, that hop differs, and the ones behind only follow."""
    changed = bytes(byte ^ (place in places) for place, byte in enumerate(PAYLOAD))
    air = heard(changed) if hop is Hop.AIR else heard()

    found = compare_hops(replace(GOOD, air=air, network=heard(changed)), RULES)

    assert [row.hop for row in found.rows if row.same is Same.NO] == [hop]


def test_the_table_has_a_line_for_every_hop() -> None:
    """Frame, hop, what was there, and whether it is the same, in columns; the frame's name once."""
    lines = hop_lines([compare_hops(GOOD, RULES), compare_hops(replace(GOOD, name="at 4.05 V", air=None), RULES)])

    assert len(lines) == 2 * len(Hop)
    assert lines[0].split("  ")[:2] == ["at 3.45 V", "terminals"]
    assert " ".join(lines[5].split()) == "frame on the air counter 7, port 2: 7A 0D 15, -62 dBm, SNR 9.9 dB same"
    assert {line.rfind("  ") for line in lines[:8]} == {lines[0].rfind("  ")}
    assert lines[13].split() == ["frame", "on", "the", "air", "nothing", "DIFFERS:", "nothing", "came", "here"]
