"""No record holds a secret, in whatever form a board or a tool wrote it, and nothing else is changed."""

from __future__ import annotations

import base64
import threading
from typing import TYPE_CHECKING

import pytest

from benchrig.journal import JournalWriter, read_journal
from benchrig.known_secrets import KnownSecrets
from benchrig.protocol.redaction import REDACTED, Redactor
from benchrig.protocol.secret_key import Key
from benchrig.records import Annex, CheckFinished, Happening, Verdict

if TYPE_CHECKING:
    from pathlib import Path

RAW = bytes.fromhex("98929b92c49edba9676d646d3b612456")
KEY = Key(RAW)
FORMS = [
    pytest.param(RAW.hex(), id="hex"),
    pytest.param(RAW.hex().upper(), id="HEX"),
    pytest.param(RAW[::-1].hex(" "), id="reversed hex with blanks"),
    *(pytest.param(base64.b64encode(bytes(skip) + RAW).decode(), id=f"base64 at {skip}") for skip in range(3)),
    pytest.param(base64.urlsafe_b64encode(RAW[::-1]).decode(), id="reversed base64, other alphabet"),
    pytest.param(str(list(RAW)), id="numbers"),
]


@pytest.mark.parametrize("form", FORMS)
def test_journal_holds_no_key_that_a_board_echoed(tmp_path: Path, form: str) -> None:
    """A line of the board that repeats its key is written without it, and the rest of it stays."""
    secrets = KnownSecrets((KEY,))
    path = tmp_path / "run.jsonl"
    with JournalWriter(path, redact=secrets.record) as journal:
        journal.append(Happening(kind="last console lines", text=f"key={form} ok", at_s=1.0))

    (found,) = read_journal(path).records
    assert isinstance(found, Happening)
    assert not Redactor((KEY,)).find(path.read_bytes())
    assert found.text.startswith("key=") or REDACTED in found.text
    assert found.text.endswith("ok")


def test_every_text_of_a_record_is_cleaned() -> None:
    """Lists, why and next action alike; numbers and verdict stay."""
    secrets = KnownSecrets((KEY,))
    annex = Annex(title=f"t {RAW.hex()}", lines=("a", RAW.hex()), at_s=1.5)
    finished = CheckFinished(
        check="join", verdict=Verdict.FAIL, why=f"said {RAW.hex()}", duration_s=2.0, at_s=3.0, phases_s={"board": 1.0}
    )

    assert secrets.record(annex) == Annex(title=f"t {REDACTED}", lines=("a", REDACTED), at_s=1.5)
    clean = secrets.record(finished)
    assert isinstance(clean, CheckFinished)
    assert (clean.why, clean.verdict, clean.phases_s) == (f"said {REDACTED}", Verdict.FAIL, {"board": 1.0})


def test_record_without_a_secret_is_the_same_object() -> None:
    """What holds nothing is not touched."""
    record = Happening(kind="note", text="ok \udc80", at_s=1.0)

    assert KnownSecrets((KEY,)).record(record) is record
    assert KnownSecrets().record(record) is record


def test_secret_learnt_later_is_taken_out_from_then_on() -> None:
    """Keys of a session join the set with the join, from another thread; a second time changes nothing."""
    secrets = KnownSecrets()
    text = RAW.hex()
    assert secrets.text(text) == text

    learner = threading.Thread(target=secrets.add, args=((KEY, KEY),))
    learner.start()
    learner.join()
    secrets.add((KEY,))

    assert secrets.text(text) == REDACTED


def test_password_is_a_secret_as_well() -> None:
    """Bytes of eight or more can be taken out; fewer would be found by chance."""
    assert KnownSecrets((b"correct horse",)).text("user bench, correct horse") == f"user bench, {REDACTED}"
    with pytest.raises(ValueError, match="a secret of 5 bytes; accepted: from 8 up"):
        KnownSecrets((b"short",))
