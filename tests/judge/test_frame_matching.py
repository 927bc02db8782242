"""Which uplink carried which frame. The rule of the highest sum is held against trying every way to match."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.judge.frame_matching import HandedFrame, HeardFrame, Pair, match_frames

WITHIN_S = 5.0


def handed(at_s: float, payload: bytes, *, port: int = 2) -> HandedFrame:
    """A frame given to the modem."""
    return HandedFrame(at_s=at_s, port=port, payload=payload)


def heard(at_s: float, counter: int, payload: bytes, *, port: int = 2, session: int = 0) -> HeardFrame:
    """A frame heard on the air."""
    return HeardFrame(at_s=at_s, counter=counter, port=port, payload=payload, session=session)


def test_frames_in_order_are_matched_one_to_one() -> None:
    """Every frame has its uplink, and nothing is left over."""
    found = match_frames(
        [handed(0.0, b"a"), handed(3.0, b"b")], [heard(0.1, 7, b"a"), heard(3.1, 8, b"b")], within_s=WITHIN_S
    )

    assert found.pairs == (Pair(0, 0), Pair(1, 1))
    assert (found.lost, found.strange, found.duplicates, found.replays, found.missing) == ((), (), (), (), 0)


def test_a_lost_frame_does_not_shift_its_successors() -> None:
    """The frame after the lost one is matched by its bytes, though the lost one was in the window, too."""
    sent = [handed(0.0, b"a"), handed(1.0, b"b"), handed(2.0, b"c")]

    found = match_frames(sent, [heard(0.1, 7, b"a"), heard(2.1, 9, b"c")], within_s=WITHIN_S)

    assert found.pairs == (Pair(0, 0), Pair(2, 1))
    assert found.lost == (1,)
    assert found.missing == 1


def test_frames_of_the_same_bytes_are_told_apart_by_their_counters() -> None:
    """Three equal frames, the middle one lost: the counter says which one is missing."""
    sent = [handed(0.0, b"a"), handed(1.0, b"a"), handed(2.0, b"a")]

    found = match_frames(sent, [heard(0.1, 7, b"a"), heard(2.6, 9, b"a")], within_s=WITHIN_S)

    assert found.lost == (1,)


def test_counters_of_another_session_tell_nothing() -> None:
    """After a join the counter begins anew: that it goes on by chance does not outweigh the time."""
    sent = [handed(0.0, b"a"), handed(1.0, b"a"), handed(2.0, b"a")]

    same, other = (
        match_frames(sent, [heard(0.1, 7, b"a"), heard(2.1, 8, b"a", session=session)], within_s=WITHIN_S)
        for session in (0, 1)
    )

    assert (same.lost, other.lost) == ((2,), (1,))


def test_spoilt_bytes_are_matched_by_time_and_counter() -> None:
    """A modem that spoils every frame does not look like one that sends nothing."""
    sent = [handed(0.0, b"ab"), handed(3.0, b"cd")]

    found = match_frames(sent, [heard(0.1, 1, b"ba"), heard(3.1, 2, b"dc")], within_s=WITHIN_S)

    assert found.pairs == (Pair(0, 0), Pair(1, 1))


@pytest.mark.parametrize(
    ("at_s", "is_matched"),
    [
        pytest.param(-0.1, False, id="before it was handed over"),
        pytest.param(0.0, True, id="at once"),
        pytest.param(5.0, True, id="at the end of the window"),
        pytest.param(5.1, False, id="too late"),
    ],
)
def test_an_uplink_outside_the_window_belongs_to_no_frame(at_s: float, *, is_matched: bool) -> None:
    """However equal the bytes, a frame cannot be heard before it exists, nor long after."""
    found = match_frames([handed(10.0, b"a")], [heard(10.0 + at_s, 1, b"a")], within_s=WITHIN_S)

    assert bool(found.pairs) is is_matched
    assert found.strange == (() if is_matched else (0,))


def test_copies_replays_and_used_counters_are_told_apart() -> None:
    """A copy is no second uplink; another frame under a used counter, or a lower one, is a replay."""
    frames = [
        heard(0.1, 5, b"a"),
        heard(0.2, 5, b"a"),
        heard(0.3, 5, b"x"),
        heard(0.4, 3, b"y"),
        heard(0.5, 0, b"z", session=1),
    ]

    found = match_frames([handed(0.0, b"a")], frames, within_s=WITHIN_S)

    assert found.duplicates == (1,)
    assert found.replays == (2, 3)
    assert found.strange == (4,)


def test_a_window_of_no_length_is_refused() -> None:
    """Nothing could be matched in it."""
    with pytest.raises(ValueError, match=r"within_s 0\.0; accepted: seconds above 0"):
        match_frames([], [], within_s=0.0)


@given(
    payloads=st.lists(st.binary(min_size=1, max_size=2), min_size=1, max_size=12, unique=True),
    gone=st.sets(st.integers(0, 11)),
)
@settings(max_examples=100, deadline=None)
def test_what_was_not_lost_is_found_whatever_was(payloads: list[bytes], gone: set[int]) -> None:
    """Different frames, any of them lost: each of the others is matched with its own uplink."""
    sent = [handed(float(number), payload) for number, payload in enumerate(payloads)]
    kept = [number for number in range(len(payloads)) if number not in gone]

    found = match_frames(sent, [heard(n + 0.1, n, payloads[n]) for n in kept], within_s=WITHIN_S)

    assert [pair.handed for pair in found.pairs] == kept
    assert found.lost == tuple(sorted(gone & set(range(len(payloads)))))


times = st.lists(st.floats(0.0, 10.0), min_size=1, max_size=4).map(sorted)


@given(given_at=times, heard_at=times, data=st.data())
@settings(max_examples=60, deadline=None)
def test_no_other_way_to_match_has_a_higher_sum(
    given_at: list[float], heard_at: list[float], data: st.DataObject
) -> None:
    """Every way to match in order is tried; none is better than the one that was taken."""
    few = st.sampled_from([b"a", b"b"])
    steps = data.draw(st.lists(st.integers(1, 3), min_size=len(heard_at), max_size=len(heard_at)))
    sent = [handed(at_s, data.draw(few)) for at_s in given_at]
    came = [heard(at_s, sum(steps[: n + 1]), data.draw(few)) for n, at_s in enumerate(heard_at)]

    found = match_frames(sent, came, within_s=WITHIN_S)

    best = max(_sum(way, sent, came) for way in _ways(len(sent), len(came)))
    assert _sum([(pair.handed, pair.heard) for pair in found.pairs], sent, came) == pytest.approx(best)


def _ways(ours: int, theirs: int) -> list[list[tuple[int, int]]]:
    return [
        list(zip(one, other, strict=True))
        for size in range(min(ours, theirs) + 1)
        for one in itertools.combinations(range(ours), size)
        for other in itertools.combinations(range(theirs), size)
    ]


def _sum(way: list[tuple[int, int]], sent: list[HandedFrame], came: list[HeardFrame]) -> float:
    """The rule of the module's docstring, written down again for a whole way."""
    total = 0.0
    for one, other in way:
        late_s = came[other].at_s - sent[one].at_s
        if not 0.0 <= late_s <= WITHIN_S:
            return -1.0
        total += 1.0 + 2.0 * (sent[one].payload == came[other].payload) - 0.5 * late_s / WITHIN_S
    for (one, other), (two, another) in itertools.pairwise(way):
        total += 1.0 * (came[another].counter - came[other].counter == two - one)
    return total
