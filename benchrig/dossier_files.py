"""What lies beside a journal, read for its dossier: traces, kept pictures, attached files, requirements given later.

Owns which files are believed: one that the run kept must have the hash that the record gives it, and must not lie
outside the reports. Must not know sections or layout. A file that is missing or another one is told, and never shown.
"""

from __future__ import annotations

import hashlib
import math
from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from benchrig.board.checks import CHECKS
from benchrig.board.requirements_table import read_requirements_table
from benchrig.dossier.build import Beside
from benchrig.dossier.content import Figure
from benchrig.dossier.evidence import SLOTS, Attached
from benchrig.dossier.plots import TraceLine
from benchrig.errors import BenchrigError, ConfigError
from benchrig.records import FactJudged, FileKept, LimitJudged, RunStarted
from benchrig.toml_reader import nearest, read_toml

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from benchrig.journal import Journal
    from benchrig.records import RequirementNamed

_COLUMNS = 300
"""Of a trace's line: as many as a plot has pixels."""

_LARGEST_PICTURE = 150_000
"""Bytes of a kept picture that is still shown; a page has to stay small enough to be sent around."""


@dataclass(slots=True)
class _Found:
    """What was found so far."""

    traces: list[TraceLine] = field(default_factory=list)
    pictures: list[Figure] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)


def read_beside(
    path: Path, journal: Journal, *, attach: Sequence[str] = (), requirements: Path | None = None
) -> Beside:
    """Everything beside the journal at `path`. `attach` as 'SLOT=FILE'. Raises ConfigError for what the user gave."""
    attached = tuple(read_attached(given) for given in attach)
    named = None if requirements is None else read_given_requirements(requirements, journal)
    found = _Found()
    for kept in journal.records:
        if isinstance(kept, FileKept):
            _read_kept(path, kept, found)
    return Beside(
        traces=tuple(found.traces),
        kept=tuple(found.pictures),
        attached=attached,
        requirements=named,
        requirements_from="" if requirements is None else f"{requirements.name}, SHA-256 {_hash_of(requirements)}",
        missing=tuple(found.missing),
        changed=tuple(found.changed),
    )


def read_attached(given: str) -> Attached:
    """A file for a slot of evidence. Raises ConfigError."""
    from pathlib import Path  # noqa: PLC0415

    slot, equals, name = given.partition("=")
    accepted = f"accepted: SLOT=FILE with a slot of: {', '.join(SLOTS)}"
    if not equals or slot not in SLOTS or not name:
        raise ConfigError(f"--attach {given!r}{nearest(slot, tuple(SLOTS))}; {accepted}")
    path = Path(name)
    try:
        data = path.read_bytes()
    except (OSError, ValueError) as wrong:
        raise ConfigError(f"--attach {given!r}: cannot be read: {getattr(wrong, 'strerror', '') or wrong}") from wrong
    if not data:
        raise ConfigError(
            f"--attach {given!r}: the file is empty, which is evidence of nothing; give the report itself"
        )
    return Attached(slot=slot, name=path.name, size_bytes=len(data), sha256=hashlib.sha256(data).hexdigest())


def read_given_requirements(path: Path, journal: Journal) -> tuple[RequirementNamed, ...]:
    """The table `requirements` of a file, a board profile for one. Raises ConfigError with every problem."""
    known = _known_values(journal)
    return read_toml(path, what="requirements", build=lambda top: read_requirements_table(top, known, required=True))


def _known_values(journal: Journal) -> dict[str, frozenset[str]]:
    """What the shipped checks can judge, and whatever this run was to check or judged besides."""
    known: defaultdict[str, set[str]] = defaultdict(set, {name: set(kind.values) for name, kind in CHECKS.items()})
    for record in journal.records:
        if isinstance(record, RunStarted):
            known.update({check: known[check] for check in (*record.required, *record.titles)})
        elif isinstance(record, LimitJudged):
            known[record.check] |= {record.limit, record.limit.split(" ")[0]}
        elif isinstance(record, FactJudged):
            known[record.check].add(record.fact)
    return {check: frozenset(values) for check, values in known.items()}


def _read_kept(journal: Path, kept: FileKept, found: _Found) -> None:
    name = f"{kept.kind} {kept.title}"
    path = _kept_path(journal, kept)
    if path is None:
        found.missing.append(f"{name}: not shown: its file {kept.path!r} is not beside the journal")
        return
    data = path.read_bytes()
    if hashlib.sha256(data).hexdigest() != kept.sha256:
        found.changed.append(f"{name}: {path.name} is not the file that the run kept: its hash is another one")
    elif kept.kind == "trace":
        _read_trace(path, kept, found)
    elif path.suffix == ".svg":
        _read_picture(data, kept, found)


def _kept_path(journal: Path, kept: FileKept) -> Path | None:
    """The path on record, as far as it stays within the reports, or where the run was moved to as a whole."""
    folder = journal.absolute().parent.parent
    try:
        tried = ((folder / kept.path), journal.with_suffix("") / (folder / kept.path).name)
        inside = (one for one in tried if one.resolve().is_relative_to(folder.resolve()) and one.is_file())
        return next(inside, None)
    except (OSError, ValueError):  # no file can have such a name
        return None


def _read_trace(path: Path, kept: FileKept, found: _Found) -> None:
    from benchrig.report.envelope import line_of  # noqa: PLC0415  # numpy, for runs that have a trace
    from benchrig.trace_file import read_trace  # noqa: PLC0415

    try:
        times_s, values = line_of(read_trace(path).recording, columns=_COLUMNS)
    except (BenchrigError, ValueError, OSError) as wrong:
        found.missing.append(f"trace {kept.title}: not shown: {wrong}")
        return
    found.traces.append(
        TraceLine(
            title=kept.title,
            check=kept.check,
            times_s=tuple(float(one) for one in times_s),
            currents_a=tuple(_finite(values.tolist())),
        )
    )


def _finite(values: Iterable[float]) -> list[float | None]:
    return [value if math.isfinite(value) else None for value in values]


def _read_picture(data: bytes, kept: FileKept, found: _Found) -> None:
    """A picture has to be whole: half of one would break the page that it stands on."""
    if len(data) > _LARGEST_PICTURE:
        found.missing.append(f"{kept.kind} {kept.title}: not shown, it has {len(data)} bytes: see the file")
        return
    try:
        root, text = ET.fromstring(data).tag, data.decode("utf-8")
        if not root.endswith("svg"):
            raise ValueError(f"its root is {root!r}")
    except (ET.ParseError, ValueError) as wrong:
        found.missing.append(f"{kept.kind} {kept.title}: not shown, it is no SVG: {wrong}")
        return
    alt = f"{kept.title}, as the run drew it; what it shows stands in the tables as well."
    found.pictures.append(Figure(title=f"{kept.title}, as the run drew it", svg=text, alt=alt, kept=True))


def _hash_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
