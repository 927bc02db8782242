"""After a run on the air no key stands anywhere: not in a file, not on the terminal, in no form of writing."""

from __future__ import annotations

import base64
import secrets
from typing import TYPE_CHECKING

import pytest

from benchrig.records import Happening

from .runs import PRODUCTION, ROOT

if TYPE_CHECKING:
    from pathlib import Path

    from .runs import Finished, Place

AIR_BENCH = ROOT / "fixtures" / "benches" / "simulated-air.toml"
EUI = "02004842A0010001"  # of the simulated board HB-0001

LEAKS = """
import base64, logging, os, sys
from benchrig.errors import BoardProtocolError

KEY = bytes.fromhex(os.environ["LEAKED"])
FORMS = [
    KEY.hex(), KEY.hex().upper(), KEY[::-1].hex(), KEY.hex(":"), base64.b64encode(KEY).decode(),
    base64.b64encode(b"x" + KEY).decode(), base64.b64encode(b"xy" + KEY + b"z").decode(), str(list(KEY)),
]
TEXT = " | ".join(FORMS)

@pytest.mark.check("echo", needs=[])
def test_echo(measure, board_run):
    print("out", TEXT)
    print("err", TEXT, file=sys.stderr)
    logging.getLogger("board").warning("log %s", TEXT)
    board_run.note("last console lines", TEXT, charged_to="board")
    measure.annex(TEXT, [TEXT])
    measure.undecided(TEXT, next_action=TEXT)

@pytest.mark.check("garbled", needs=[])
def test_garbled(measure):
    raise BoardProtocolError("the board says " + TEXT)

@pytest.mark.check("broken", needs=[])
def test_broken(measure):
    held = TEXT
    assert held == "nothing", f"held {held}"

@pytest.mark.check("crashed", needs=[])
def test_crashed(measure):
    raise RuntimeError("crashed with " + TEXT)
"""
CHECKS = ("echo", "garbled", "broken", "crashed")


def forms_of(key: bytes) -> list[bytes]:
    """How a key may stand in a file: written here by hand, not by the redaction under test.

    Of base64 those characters that are the same whatever stands before and behind (RFC 4648 section 4).
    """
    forms: list[bytes] = []
    for data in (key, key[::-1]):
        forms += [
            data,
            data.hex().encode(),
            data.hex().upper().encode(),
            data.hex(":").encode(),
            str(list(data)).encode(),
        ]
        forms += [
            base64.b64encode(data)[:21],
            base64.b64encode(b"\0" + data)[2:22],
            base64.b64encode(b"\0\0" + data)[3:24],
        ]
    return forms


def bench_with_key(place: Place, key: bytes) -> Path:
    """The bench of the air with a keys file of its owner alone beside it."""
    keys = place.write("keys.toml", f'[devices."{EUI}"]\napp_key = "{key.hex()}"\n')
    keys.chmod(0o600)
    text = AIR_BENCH.read_text(encoding="utf-8")
    assert text.count('keys = "simulated"') == 1
    profile = ROOT / "fixtures" / "boards" / "hay-barn-probe.toml"
    text = text.replace('keys = "simulated"', 'keys = "keys.toml"').replace(
        "../boards/hay-barn-probe.toml", str(profile)
    )
    return place.write("bench.toml", text)


def assert_nowhere(place: Place, key: bytes, *texts: str) -> None:
    """Scans every file that the run left, and what it printed."""
    files = [path for path in place.folder.rglob("*") if path.is_file() and path.name != "keys.toml"]
    assert any(path.suffix == ".jsonl" for path in files)
    assert any(path.suffix == ".xml" for path in files)
    contents = {str(path): path.read_bytes() for path in files}
    contents |= {f"text {number}": text.encode() for number, text in enumerate(texts)}
    found = [(where, form[:6]) for where, data in contents.items() for form in forms_of(key) if form in data]
    assert not found


@pytest.fixture
def key() -> bytes:
    """A fresh key."""
    return secrets.token_bytes(16)


def test_run_on_the_air_leaves_no_key(place: Place, key: bytes) -> None:
    """A board joins and reports under a key from a private file: the run's files and output hold it in no form."""
    chosen = "first_touch or identity_start or join or uplink_hops"
    written = place.folder / "own.xml"

    found = place.run(
        PRODUCTION, "-k", chosen, *place.on_bench("--junitxml", written, "-rA", bench=bench_with_key(place, key))
    )

    told = [one.text for one in place.records() if isinstance(one, Happening) and one.kind == "air"]
    assert any(text.startswith("join nonce") for text in told), found.text
    assert any(text.startswith("uplink ") for text in told), found.text
    assert_nowhere(place, key, found.out, found.err)


def test_key_that_a_board_echoes_is_taken_out_everywhere(place: Place, key: bytes) -> None:
    """Printed, logged, noted, annexed, raised or asserted: what holds the key is shown without it."""
    found = run_leaks(place, key)

    assert "[secret removed]" in found.out
    assert "the board says [secret removed]" in (place.reports / "HB-0001.xml").read_text()
    notes = [one.text for one in place.records() if isinstance(one, Happening) and one.kind == "last console lines"]
    assert notes[0].startswith("[secret removed] | [secret removed]")
    assert_nowhere(place, key, found.out, found.err)


def run_leaks(place: Place, key: bytes) -> Finished:
    """A run whose checks do what no check should do."""
    profile = place.profile(required=CHECKS)
    return place.run(
        place.suite(LEAKS),
        *place.on_bench(
            "--bench-profile", profile, "--junitxml", place.folder / "own.xml", "-rA", bench=bench_with_key(place, key)
        ),
        env={"LEAKED": key.hex()},
    )


def test_scan_finds_a_key_that_nobody_took_out(place: Place, key: bytes) -> None:
    """The scan of these tests is no check that cannot fail: it finds each form of another key, which nobody knows."""
    other = secrets.token_bytes(16)
    bench = bench_with_key(place, key)
    place.run(
        place.suite(LEAKS),
        *place.on_bench("--bench-profile", place.profile(required=CHECKS), bench=bench),
        env={"LEAKED": other.hex()},
    )

    with pytest.raises(AssertionError, match=r"HB-0001\.xml"):
        assert_nowhere(place, other)


def test_keys_file_that_others_can_read_is_refused_before_power(place: Place, key: bytes) -> None:
    """Usage error with the command to mend it; nothing was switched on."""
    bench = bench_with_key(place, key)
    (place.folder / "keys.toml").chmod(0o644)

    found = place.run(
        place.suite(LEAKS), *place.on_bench("--bench-profile", place.profile(required=CHECKS), bench=bench),
        env={"LEAKED": key.hex()},
    )  # fmt: skip

    assert found.code == pytest.ExitCode.USAGE_ERROR, found.text
    assert "chmod 600" in found.text
    assert key.hex() not in found.text
