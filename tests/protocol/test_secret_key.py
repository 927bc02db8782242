"""A key never shows itself: not in text, not in a pickle, not in the frames of a traceback."""

from __future__ import annotations

import copy
import pickle
import re

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchrig.protocol.lorawan_crypto import SessionKeys
from benchrig.protocol.network_session import Device
from benchrig.protocol.secret_key import Key

RAW = bytes.fromhex("98929b92c49edba9676d646d3b612456")
FORMS = (RAW.hex(), repr(RAW), str(list(RAW)))


@pytest.mark.parametrize(
    "shown",
    [
        pytest.param(repr, id="repr"),
        pytest.param(str, id="str"),
        pytest.param(lambda key: f"{key:>40}", id="format"),
        pytest.param(lambda key: f"{[key]!r}", id="in-a-list"),
        pytest.param(lambda key: f"{SessionKeys(key, key)}", id="session-keys"),
        pytest.param(lambda key: f"{Device(dev_eui=1, join_eui=2, app_key=key)}", id="device"),
    ],
)
def test_no_text_shows_a_key(shown: object) -> None:
    """Whatever turns a key into text, or a value that holds one, gives none of its bytes away."""
    assert callable(shown)
    text = shown(Key(RAW))

    assert "Key(hidden)" in text
    assert not any(form in text for form in FORMS)


def test_a_key_is_written_nowhere() -> None:
    """Neither a pickle nor JSON takes a key, so that no file holds one by mistake."""
    with pytest.raises(TypeError, match="a key is not pickled"):
        pickle.dumps(Key(RAW))
    with pytest.raises(TypeError, match="unsupported"):
        msgspec.json.encode(Key(RAW))


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        pytest.param(lambda: Key(RAW[:-1]), "a key of 15 bytes; accepted: 16", id="short"),
        pytest.param(lambda: Key(RAW + b"x"), "a key of 17 bytes; accepted: 16", id="long"),
        pytest.param(lambda: Key.from_hex(RAW.hex()[:-1]), "a key of 31 characters, 0 of them", id="31-digits"),
        pytest.param(lambda: Key.from_hex(RAW.hex()[:-1] + "g"), "32 characters, 1 of them no hex", id="no-digit"),
        pytest.param(lambda: Key.from_hex(RAW.hex()[:-1] + "³"), "32 characters, 1 of them no hex", id="superscript"),
    ],
)
def test_a_bad_key_is_refused_without_showing_it(make: object, complaint: str) -> None:
    """The error tells the length, and no frame of the module keeps the key for a traceback that shows arguments."""
    assert callable(make)
    with pytest.raises(ValueError, match=complaint) as caught:
        make()

    ours = [entry for entry in caught.traceback if "secret_key" in str(entry.path)]
    assert ours
    kept = " ".join(repr(entry.frame.f_locals) for entry in ours)
    assert RAW.hex()[:20] not in str(caught.value) + kept
    assert repr(RAW)[2:20] not in kept


@settings(deadline=None)
@given(st.binary(min_size=16, max_size=16), st.sampled_from(["", " ", ":", "-"]), st.booleans())
def test_a_key_is_read_as_labels_print_it(raw: bytes, mark: str, upper: bool) -> None:
    """Case and usual marks between bytes make no difference."""
    text = mark.join(f"{byte:02x}" for byte in raw)

    key = Key.from_hex(text.upper() if upper else text)

    assert key.reveal() == raw
    assert key == Key(raw)
    assert hash(key) == hash(Key(raw))
    assert key.reversed().reveal() == raw[::-1]


def test_a_key_does_not_change() -> None:
    """A copy is the key itself, and nothing can be set on it."""
    key = Key(RAW)

    assert copy.copy(key) is key
    assert copy.deepcopy(key) is key
    assert key != Key(RAW[::-1])
    assert key != RAW
    with pytest.raises(AttributeError, match=re.escape("a key does not change")):
        key.name = "board"
