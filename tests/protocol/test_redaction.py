"""No form of a key stays in a text: planted by general libraries, searched by a plain count of its bits."""

from __future__ import annotations

import base64
import json
import urllib.parse
from typing import TYPE_CHECKING

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchrig.protocol.redaction import REDACTED, Redactor
from benchrig.protocol.secret_key import Key

if TYPE_CHECKING:
    from collections.abc import Callable

RAW = bytes.fromhex("98929b92c49edba9676d646d3b612456")
keys = st.binary(min_size=16, max_size=16).filter(lambda raw: len(set(raw)) > 4)
ways = st.sampled_from([1, -1])


def _hex_forms(raw: bytes) -> list[str]:
    plain = raw.hex()
    spaced = [raw.hex(mark) for mark in " :-_.,"] + [raw.hex(" ", 4), raw.hex("\n", 8)]
    prefixed = ["".join(f"\\x{byte:02x}" for byte in raw), ", ".join(f"0x{byte:02X}" for byte in raw), f"0x{plain}"]
    return [plain, plain.upper(), *spaced, *prefixed]


def _forms(raw: bytes) -> list[str]:
    return [*_hex_forms(raw), repr(raw), str(list(raw)), json.dumps(list(raw)), repr(bytearray(raw))]


@settings(deadline=None)
@given(keys, ways, st.integers(0, 15))
def test_no_written_form_stays(raw: bytes, way: int, number: int) -> None:
    """Hexadecimal of either case with any usual marks, escapes and lists, in both byte orders."""
    redactor = Redactor([Key(raw)])
    forms = _forms(raw[::way])
    form = forms[number % len(forms)]

    text = redactor.text(f"key={form}; done")

    assert REDACTED in text
    assert text.startswith("key=")
    assert text.endswith("; done")
    left = text.replace(REDACTED, "").lower()
    assert raw[::way].hex()[:8] not in "".join(digit for digit in left if digit in "0123456789abcdef")
    assert redactor.find(text) == ()


def _wrapped(data: bytes) -> str:
    """Base64 in lines of 76, as mail has it."""
    return base64.encodebytes(data).decode("ascii")


def _plain(data: bytes) -> str:
    return base64.b64encode(data).decode("ascii")


def _for_addresses(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode("ascii")


@settings(deadline=None)
@given(keys, ways, st.binary(max_size=40), st.binary(max_size=40), st.sampled_from([_plain, _for_addresses, _wrapped]))
def test_no_alignment_of_base64_stays(
    raw: bytes, way: int, before: bytes, after: bytes, encode: Callable[[bytes], str]
) -> None:
    """Inside of whatever bytes a key is encoded, no letter that holds nothing but its bits is left."""
    secret = raw[::way]
    assume(all(one not in before + after for one in (raw, raw[::-1])))

    clean = Redactor([raw]).text(encode(before + secret + after))

    head, _, tail = (part.replace("\n", "") for part in clean.partition(REDACTED))
    assert REDACTED in clean
    assert len(head) <= 8 * len(before) // 6  # no more letters than what stands around the key has bits for
    assert len(tail.rstrip("=")) <= -(-8 * len(after) // 6)


def test_keys_beside_each_other_all_go() -> None:
    """Two keys share a letter of base64 where they meet; both are found."""
    other = bytes(range(100, 116))

    for lead in range(3):
        clean = Redactor([RAW, other]).text(_plain(bytes(lead) + RAW + other + RAW[::-1]))
        assert clean.count(REDACTED) == 3
        assert len(clean.replace(REDACTED, "")) <= 2 * lead + 2


@settings(deadline=None)
@given(keys, ways, st.binary(max_size=40), st.binary(max_size=40))
def test_no_raw_bytes_stay(raw: bytes, way: int, before: bytes, after: bytes) -> None:
    """In a binary file the key itself is found, and what is around it stays as it was."""
    data = before + raw[::way] + after
    assume(raw not in before + after and raw[::-1] not in before + after and data.find(raw[::way]) == len(before))

    clean = Redactor([Key(raw)]).data(data)

    assert clean == before + REDACTED.encode() + after


def test_a_percent_encoded_base64_is_decoded_first_by_its_reader() -> None:
    """What is not covered is known: a second encoding over the first is for whoever decodes it."""
    text = urllib.parse.quote(base64.b64encode(RAW).decode("ascii"))

    assert REDACTED in Redactor([RAW]).text(
        text
    )  # this key has no letter that percent encoding changes but the padding


@settings(deadline=None)
@given(st.text(max_size=300))
def test_other_text_stays_as_it_is(text: str) -> None:
    """Nothing but the secret is touched."""
    assert Redactor([RAW]).text(text) == text


def test_every_secret_goes() -> None:
    """Several keys, several times, on one line."""
    other = RAW[::-1][:8] + bytes(range(8))
    line = f"{RAW.hex()} {other.hex()} {RAW[::-1].hex()}{RAW.hex()}"

    assert Redactor([Key(RAW), Key(other)]).text(line) == f"{REDACTED} {REDACTED} {REDACTED}{REDACTED}"


@pytest.mark.parametrize(
    ("content", "form"),
    [
        pytest.param(f"a {RAW.hex()}", "hex", id="hex"),
        pytest.param(f"a {RAW[::-1].hex()}", "hex_reversed", id="hex-reversed"),
        pytest.param("a " + base64.b64encode(b"x" + RAW).decode("ascii"), "base64_1", id="base64"),
        pytest.param(b"a " + RAW, "raw", id="raw"),
        pytest.param(f"a [{str(list(RAW))[1:-1]}]", "numbers", id="numbers"),
    ],
)
def test_a_scan_names_form_and_place(content: str | bytes, form: str) -> None:
    """For a scan of what a run wrote: which secret, how it was written, and where, but never what it is."""
    (found,) = Redactor([RAW]).find(content)

    assert (found.secret, found.form) == (0, form)
    assert 2 <= found.offset <= 3
    assert RAW.hex() not in repr(found)


def test_a_short_secret_is_refused() -> None:
    """It would be found by chance, and is not shown by the error."""
    with pytest.raises(ValueError, match="a secret of 7 bytes; accepted: from 8 up"):
        Redactor([RAW[:7]])
    assert repr(Redactor([RAW])) == "Redactor(1 secrets)"
