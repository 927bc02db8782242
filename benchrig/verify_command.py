"""The commands `verify` and `sign`: whether a journal is as it was written, and who says so. Thin."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import argparse
    from collections.abc import Callable

    from benchrig.journal_signature import PublicKey

    AddCommand = Callable[[str, Callable[[argparse.Namespace], int], str], argparse.ArgumentParser]

_NOT_AS_WRITTEN = 10
_NO_END = 11


def add_verify_commands(add: AddCommand, *, say: Callable[[str], None]) -> None:
    """Add both commands; `say` shows a line."""
    verify = add("verify", lambda given: _verify(given, say), "say whether journals are as they were written")
    verify.add_argument("journals", type=Path, nargs="+", metavar="JOURNAL", help="journal of a run (.jsonl)")
    verify.add_argument("--public-key", type=Path, metavar="FILE", help="demand a signature by this key (PEM)")
    sign = add("sign", lambda given: _sign(given, say), "sign journals with your own key (Ed25519)")
    sign.add_argument("journals", type=Path, nargs="+", metavar="JOURNAL", help="journal of a run (.jsonl)")
    sign.add_argument(
        "--key", type=Path, required=True, metavar="FILE", help="private key in PEM, readable by you alone"
    )


def _verify(arguments: argparse.Namespace, say: Callable[[str], None]) -> int:
    """0: every journal is as it was written, to its end. 10: one was changed. 11: one has no end, or no chain."""
    from benchrig.journal_signature import read_public_key  # noqa: PLC0415  # --help must not pay for cryptography

    key = read_public_key(arguments.public_key) if arguments.public_key else None
    codes = [_verify_one(journal, key, say) for journal in arguments.journals]
    return _NOT_AS_WRITTEN if _NOT_AS_WRITTEN in codes else max(codes)


def _verify_one(journal: Path, key: PublicKey | None, say: Callable[[str], None]) -> int:
    from benchrig.journal_signature import signature_path, signature_problem  # noqa: PLC0415
    from benchrig.record_chain import ChainState, read_chain  # noqa: PLC0415

    chain = read_chain(_bytes_of(journal))
    say(f"{journal}: {chain.state}: {chain.why}")
    code = {ChainState.INTACT: 0, ChainState.BROKEN: _NOT_AS_WRITTEN}.get(chain.state, _NO_END)
    if key is None and not signature_path(journal).exists():
        return code
    problem = signature_problem(journal, chain, key)
    named = "by your key" if key else "by the key that it names; whose that is, --public-key FILE says"
    say(f"{journal}: signature: {problem or 'good, ' + named}")
    return _NOT_AS_WRITTEN if problem else code


def _sign(arguments: argparse.Namespace, say: Callable[[str], None]) -> int:
    from benchrig.journal_signature import read_signing_key, sign_journal  # noqa: PLC0415

    key = read_signing_key(arguments.key)
    for journal in arguments.journals:
        _bytes_of(journal)
        say(f"signature: {sign_journal(journal, key)}")
    return 0


def _bytes_of(journal: Path) -> bytes:
    from benchrig.errors import ConfigError  # noqa: PLC0415

    try:
        return journal.read_bytes()
    except OSError as wrong:
        why = wrong.strerror or wrong
        raise ConfigError(f"journal {journal}: {why}; give a .jsonl file of reports/BOARD/") from None
