"""The files that a bench file names beside itself: whether each is there, is a file, and can be read.

Owns that question, for a look before a run; what stands in them is read where it is used. No secret is read here.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from benchrig.bench.keys import ENVIRONMENT, PROMPT, SIMULATED
from benchrig.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from benchrig.bench.bench_spec import BenchSpec


def check_named_files(bench: BenchSpec) -> None:
    """Raises ConfigError with every file that cannot be read, by the key that names it."""
    problems = tuple(
        f"{bench.path}: {key}: {problem}" for key, path in _named(bench) if (problem := file_problem(path))
    )
    if problems:
        counted = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        raise ConfigError(f"bench file {bench.path}: {counted}\n  " + "\n  ".join(problems), problems)


def _named(bench: BenchSpec) -> Iterator[tuple[str, Path]]:
    folder = bench.path.parent
    if bench.network is not None:
        if bench.network.ca is not None:
            yield "network.ca", bench.network.ca
        if _is_path(bench.network.password):
            yield "network.password", folder / bench.network.password
    for slot in bench.slots.values():
        if slot.radio is not None and _is_path(slot.radio.keys):
            yield f"slots.{slot.name}.radio.keys", folder / slot.radio.keys
        yield f"slots.{slot.name}.profile", slot.profile


def _is_path(source: str) -> bool:
    return bool(source) and source not in (PROMPT, SIMULATED) and not source.startswith(ENVIRONMENT)


def file_problem(path: Path) -> str:
    """What is wrong with a file that is to be read, '' when nothing is."""
    accepted = "accepted: a file that can be read, by its path from the folder of this file, or by its whole path"
    try:
        if not path.exists():
            return f"{str(path)!r} is not there; {accepted}"
        if not path.is_file():
            return f"{str(path)!r} is no file{' but a folder' if path.is_dir() else ''}; {accepted}"
        if not os.access(path, os.R_OK):
            return f"{str(path)!r} cannot be read by this user; {accepted}, and give this user the right to read it"
    except (OSError, ValueError) as wrong:  # a name that no file can have
        return f"{str(path)!r} is no name of a file: {getattr(wrong, 'strerror', None) or wrong}; {accepted}"
    return ""
