"""Signs a journal with a user's own key, and verifies that. The one other importer of cryptography.

Owns the file of a signature, `<run>.signature.json` beside the journal, and what is signed: the number of the records
and the hash of the last one, which by the chain stands for every byte before it. Ed25519 (RFC 8032). A private key lies
in a PEM file (PKCS 8) that its owner alone can read, as `openssl genpkey -algorithm ed25519` makes it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)

from benchrig.bench.keys import read_private
from benchrig.errors import ConfigError, RecordError
from benchrig.journal import reason
from benchrig.record_chain import ChainState, read_chain
from benchrig.report.atomic_file import write_atomically

if TYPE_CHECKING:
    from pathlib import Path

    from benchrig.record_chain import Chain

PublicKey = Ed25519PublicKey
PrivateKey = Ed25519PrivateKey

_SCHEMA = 1
_MAKE_ONE = "make one with `umask 077; openssl genpkey -algorithm ed25519 -out FILE`"


class Signature(msgspec.Struct, frozen=True, kw_only=True):
    """What stands in a file of a signature; bytes are hexadecimal."""

    schema: int = _SCHEMA
    algorithm: str = "Ed25519"
    records: int
    last_hash: str
    public_key: str
    signature: str


def read_signing_key(path: Path) -> PrivateKey:
    """The private key of a file that its owner alone can read. Raises ConfigError, which never shows the key."""
    pem = read_private(path, what="signing key")
    problem = ""
    try:
        key = load_pem_private_key(pem.encode("ascii"), password=None)
        if isinstance(key, Ed25519PrivateKey):
            return key
        problem = "is a key of another kind"
    except TypeError:
        problem = "is locked by a passphrase, which nobody can type in the middle of a run"
    except (ValueError, UnsupportedAlgorithm):
        problem = "is no private key in PEM"
    raise ConfigError(f"signing key {path}: {problem}; accepted: Ed25519 in PEM without a passphrase; {_MAKE_ONE}")


def read_public_key(path: Path) -> PublicKey:
    """The public key of a PEM file. Raises ConfigError."""
    try:
        key = load_pem_public_key(path.read_bytes())
    except OSError as wrong:
        raise ConfigError(f"public key {path}: {reason(wrong)}") from None
    except (ValueError, UnsupportedAlgorithm):
        key = None
    if not isinstance(key, Ed25519PublicKey):
        raise ConfigError(
            f"public key {path}: no Ed25519 public key in PEM; take it from the private one with "
            "`openssl pkey -in KEY -pubout -out FILE`"
        )
    return key


def signature_path(journal: Path) -> Path:
    """Where the signature of a journal lies."""
    return journal.with_suffix(".signature.json")


def sign_journal(journal: Path, key: PrivateKey) -> Path:
    """Sign a journal whose chain holds to its last whole record; the path of the signature. Raises RecordError."""
    chain = _chain_of(journal)
    if chain.state not in (ChainState.INTACT, ChainState.NO_END):
        raise RecordError(f"journal {journal}: is not signed: {chain.why}")
    signature = Signature(
        records=chain.records,
        last_hash=chain.last_hash,
        public_key=_bytes_of(key.public_key()).hex(),
        signature=key.sign(_signed_bytes(chain.records, chain.last_hash)).hex(),
    )
    path = signature_path(journal)
    write_atomically(path, msgspec.json.format(msgspec.json.encode(signature), indent=2) + b"\n")
    return path


def signature_problem(journal: Path, chain: Chain, key: PublicKey | None) -> str:
    """Why the signature beside a journal does not stand for it; '' when it does.

    Without a key of yours it is held against the key that it names itself: that proves nothing about who signed.
    """
    path = signature_path(journal)
    try:
        found = msgspec.json.decode(path.read_bytes(), type=Signature)
        own = bytes.fromhex(found.public_key)
        signed = bytes.fromhex(found.signature)
        public = key or Ed25519PublicKey.from_public_bytes(own)
    except OSError as wrong:
        gone = f"not signed: there is no {path.name} beside it; sign it with `benchrig sign`, or bring that file"
        return gone if isinstance(wrong, FileNotFoundError) else f"{path}: {reason(wrong)}"
    except (ValueError, RecursionError):
        return f"{path}: is no signature of a journal; make it anew with `benchrig sign`, or take the right file"
    if found.schema != _SCHEMA or found.algorithm != "Ed25519":
        return f"{path}: schema {found.schema}, {found.algorithm}; accepted: {_SCHEMA}, Ed25519"
    try:
        public.verify(signed, _signed_bytes(found.records, found.last_hash))
    except InvalidSignature:
        whose = "your key" if key else "the key that it names"
        return f"{path}: was not made by {whose}, or was changed"
    if (found.records, found.last_hash) != (chain.records, chain.last_hash):
        return (
            f"{path}: stands for {found.records} records that end in {found.last_hash[:16]}...; the journal now has "
            f"{chain.records} that end in {chain.last_hash[:16]}..."
        )
    return ""


def _chain_of(journal: Path) -> Chain:
    try:
        return read_chain(journal.read_bytes())
    except OSError as wrong:
        raise RecordError(f"journal {journal}: cannot be read: {reason(wrong)}") from wrong


def _signed_bytes(records: int, last_hash: str) -> bytes:
    """The name in front keeps the signature from standing for anything else that the key may sign."""
    return f"benchrig journal 1\n{records}\n{last_hash}\n".encode()


def _bytes_of(key: PublicKey) -> bytes:
    return key.public_bytes(Encoding.Raw, PublicFormat.Raw)
