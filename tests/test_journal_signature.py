"""Signatures of journals, made and verified here and by openssl, and every key that is refused."""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING

import msgspec
import pytest

from benchrig.cli import main
from benchrig.errors import ConfigError, RecordError
from benchrig.journal_signature import (
    read_public_key,
    read_signing_key,
    sign_journal,
    signature_path,
    signature_problem,
)
from benchrig.record_chain import read_chain

from .test_record_chain import JOURNAL, LINES

if TYPE_CHECKING:
    from pathlib import Path


def openssl(*arguments: str | Path) -> None:
    """Another program that knows keys and signatures."""
    subprocess.run(["openssl", *map(str, arguments)], check=True, capture_output=True)


@pytest.fixture
def key(tmp_path: Path) -> Path:
    """A private key as openssl makes it, and its public one beside it."""
    path = tmp_path / "key.pem"
    openssl("genpkey", "-algorithm", "ed25519", "-out", path)
    path.chmod(0o600)
    openssl("pkey", "-in", path, "-pubout", "-out", tmp_path / "key.pub")
    return path


@pytest.fixture
def signed(tmp_path: Path, key: Path) -> Path:
    """A journal with its signature."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(JOURNAL)
    sign_journal(path, read_signing_key(key))
    return path


def problem(path: Path, key: Path | None = None) -> str:
    """What is wrong with the signature of a journal."""
    public = read_public_key(key.with_suffix(".pub")) if key else None
    return signature_problem(path, read_chain(path.read_bytes()), public)


def test_openssl_verifies_the_signature(signed: Path, key: Path, tmp_path: Path) -> None:
    """The signature is plain Ed25519 (RFC 8032) over three lines that anybody can write down."""
    found = msgspec.json.decode(signature_path(signed).read_bytes())
    (tmp_path / "sig").write_bytes(bytes.fromhex(found["signature"]))
    (tmp_path / "text").write_text(f"benchrig journal 1\n{len(LINES)}\n{found['last_hash']}\n", encoding="ascii")

    openssl(
        *("pkeyutl", "-verify", "-pubin", "-inkey", key.with_suffix(".pub"), "-rawin"),
        *("-in", tmp_path / "text", "-sigfile", tmp_path / "sig"),
    )

    assert problem(signed, key) == ""
    assert problem(signed) == ""


def test_chain_made_anew_does_not_fit_the_signature(signed: Path, key: Path) -> None:
    """Who makes the whole chain anew after a change is found by the signature, which needs the key."""
    from .test_record_chain import chained  # noqa: PLC0415

    plain = b"".join(line.split(b',"before":')[0] + b"}\n" for line in LINES)
    signed.write_bytes(chained(plain.replace(b"3.6011", b"3.6012")))

    assert read_chain(signed.read_bytes()).why == f"all {len(LINES)} records are as they were written"
    assert "stands for 21 records that end in" in problem(signed, key)


def test_cut_journal_does_not_fit_the_signature(signed: Path, key: Path) -> None:
    """An end that was cut off cleanly shows against the signature."""
    signed.write_bytes(b"".join(LINES[:-3]))

    assert "the journal now has 18 that end in" in problem(signed, key)


def test_signature_of_another_key(signed: Path, tmp_path: Path) -> None:
    """A signature by whom you do not know is not good."""
    openssl("genpkey", "-algorithm", "ed25519", "-out", tmp_path / "other.pem")
    openssl("pkey", "-in", tmp_path / "other.pem", "-pubout", "-out", tmp_path / "other.pub")

    assert "was not made by your key, or was changed" in problem(signed, tmp_path / "other.pem")


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"{}", "is no signature of a journal; make it anew"),
        (b"\xff", "is no signature of a journal"),
        (
            b'{"schema":2,"algorithm":"Ed25519","records":1,"last_hash":"","public_key":"'
            + b"00" * 32
            + b'","signature":""}',
            "schema 2, Ed25519; accepted: 1, Ed25519",
        ),
    ],
    ids=["empty", "no text", "newer"],
)
def test_file_that_is_no_signature(signed: Path, data: bytes, words: str) -> None:
    """A damaged file is told, never taken for a signature."""
    signature_path(signed).write_bytes(data)

    assert words in problem(signed)


def test_changed_journal_is_not_signed(tmp_path: Path, key: Path) -> None:
    """Nobody signs by accident what was changed before."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(JOURNAL.replace(b"3.6011", b"3.6012"))

    with pytest.raises(RecordError, match=r"is not signed: record \d+ was changed"):
        sign_journal(path, read_signing_key(key))

    assert not signature_path(path).exists()


def test_key_that_others_can_read(key: Path) -> None:
    """A private key lies in a file that its owner alone can read."""
    key.chmod(0o640)

    with pytest.raises(ConfigError, match=r"signing key: .*can be read by others \(mode 640\); do: chmod 600"):
        read_signing_key(key)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (("genpkey", "-algorithm", "x25519"), "is a key of another kind"),
        (("genpkey", "-algorithm", "ed25519", "-aes256", "-pass", "pass:word"), "is locked by a passphrase"),
        (None, "is no private key in PEM"),
    ],
    ids=["kind", "passphrase", "text"],
)
def test_key_that_cannot_sign(tmp_path: Path, make: tuple[str, ...] | None, words: str) -> None:
    """Another kind of key, a locked one, or none is refused with what is accepted, and never shown."""
    path = tmp_path / "key.pem"
    if make:
        openssl(*make, "-out", path)
    else:
        path.write_text("sesame", encoding="ascii")
    path.chmod(0o600)

    with pytest.raises(
        ConfigError, match=f"{words}.*; accepted: Ed25519 in PEM without a passphrase; make one"
    ) as told:
        read_signing_key(path)

    assert "sesame" not in str(told.value)


def test_public_key_that_is_none(tmp_path: Path) -> None:
    """A file that holds no public key is refused, with the way to one."""
    path = tmp_path / "key.pub"
    path.write_text("nothing", encoding="ascii")

    with pytest.raises(ConfigError, match="no Ed25519 public key in PEM; take it from the private one with `openssl"):
        read_public_key(path)


@pytest.mark.parametrize(
    ("data", "code", "words"),
    [
        (JOURNAL, 0, "intact: all 21 records are as they were written"),
        (JOURNAL.replace(b"3.6011", b"3.6012"), 10, "broken: record 10 was changed"),
        (b"".join(LINES[:-1]), 11, "no end: record 20 is the last and no end of the run"),
        (JOURNAL[:-5], 11, "cut: record 21 is cut after"),
    ],
    ids=["intact", "changed", "no end", "cut"],
)
def test_verify_says_what_it_found(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], data: bytes, code: int, words: str
) -> None:
    """The command names the first record that was changed, and tells a cut end apart by its exit code."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(data)

    assert main(["verify", str(path)]) == code
    assert words in capsys.readouterr().out


def test_verify_demands_the_signature_that_was_asked_for(
    tmp_path: Path, key: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With --public-key a journal without a signature is not good; after `sign` it is."""
    path = tmp_path / "run.jsonl"
    path.write_bytes(JOURNAL)
    public = str(key.with_suffix(".pub"))

    assert main(["verify", str(path), "--public-key", public]) == 10
    assert "signature: not signed: there is no run.signature.json beside it" in capsys.readouterr().out
    assert main(["sign", str(path), "--key", str(key)]) == 0
    assert main(["verify", str(path), "--public-key", public]) == 0
    assert "signature: good, by your key" in capsys.readouterr().out


def test_verify_of_no_file(capsys: pytest.CaptureFixture[str]) -> None:
    """A journal that is not there is bad input, with what to give."""
    assert main(["verify", "nowhere.jsonl"]) == 4
    assert (
        capsys.readouterr().err
        == "journal nowhere.jsonl: No such file or directory; give a .jsonl file of reports/BOARD/\n"
    )
