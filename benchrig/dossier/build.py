"""From the records of a run to the content of its dossier: a pure function, and nothing else is asked.

Owns which sections there are and what stands in each. Must not know files, HTML or PDF. What is handed in beside the
records - trace lines, attached files, requirements that were given later - is named as such.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from benchrig.dossier.annexes import annex_blocks, energy_blocks, has_energy, hop_blocks
from benchrig.dossier.content import Cell, Column, Dossier, Facts, Item, Items, Section, SignatureLine, Table, Text
from benchrig.dossier.evidence import evidence_table
from benchrig.dossier.judged_tables import check_blocks, requirement_blocks, what_else
from benchrig.dossier.plots import figures
from benchrig.dossier.requirements import cover
from benchrig.dossier.words import (
    SIMULATED,
    alarms,
    blockers,
    calibration_words,
    headline,
    plain_words,
    run_day,
    verdict_of,
)
from benchrig.record_chain import read_chain
from benchrig.records import FactJudged, IdentitySeen
from benchrig.report.board_report import board_report

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.dossier.content import Block, Figure
    from benchrig.dossier.evidence import Attached
    from benchrig.dossier.plots import TraceLine
    from benchrig.dossier.requirements import Covered
    from benchrig.journal import Journal
    from benchrig.record_chain import Chain
    from benchrig.records import RequirementNamed, RunStarted
    from benchrig.report.board_report import BoardReport

_FIRMWARE = ("firmware", "firmware image")
_RADIO_CHECKS = frozenset(("transmit", "join", "uplink_hops", "downlink"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """What stands beside a journal: lines of its traces, pictures that the run kept, files in the slots of evidence.

    `requirements` were given after the run, with where they are from; None for those of the record. `missing` says what
    should be there and is not, `changed` what is there and is another file than the run kept.
    """

    traces: tuple[TraceLine, ...] = ()
    kept: tuple[Figure, ...] = ()
    attached: tuple[Attached, ...] = ()
    requirements: tuple[RequirementNamed, ...] | None = None
    requirements_from: str = ""
    missing: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Material:
    """Everything that sections are made of."""

    journal: Journal
    report: BoardReport
    chain: Chain
    sha256: str
    beside: Beside
    covered: tuple[Covered, ...]
    blockers: tuple[str, ...]

    @property
    def started(self) -> RunStarted | None:
        return self.report.started


def build_dossier(data: bytes, journal: Journal, beside: Beside) -> Dossier:
    """The dossier of the run whose journal has these bytes and records. Raises nothing."""
    material = _material(data, journal, beside)
    report, started = material.report, material.started
    return Dossier(
        board=report.board,
        subtitle=_subtitle(started),
        made=_made(journal),
        simulated=report.simulated,
        verdict=verdict_of(report, material.chain),
        headline=headline(report, material.chain),
        words=plain_words(report),
        alarms=(*alarms(report, material.chain), *beside.changed),
        blockers=material.blockers,
        footer=f"record SHA-256 {material.sha256}{'; simulated' if report.simulated else ''}",
        sections=tuple(_sections(material)),
    )


def _material(data: bytes, journal: Journal, beside: Beside) -> _Material:
    report, chain = board_report(journal), read_chain(data)
    recorded = report.started.requirements if report.started else ()
    named = recorded if beside.requirements is None else beside.requirements
    covered = cover(named, report, attached={one.slot for one in beside.attached})
    others = [*beside.changed, *_requirement_changes(recorded, named)]
    return _Material(
        journal=journal,
        report=report,
        chain=chain,
        sha256=hashlib.sha256(data).hexdigest(),
        beside=beside,
        covered=covered,
        blockers=blockers(report, chain, covered, others=others),
    )


def _requirement_changes(recorded: Sequence[RequirementNamed], named: Sequence[RequirementNamed]) -> list[str]:
    """A requirement of the run cannot be left out or softened afterwards."""
    return [
        f"requirement {one.id} of the run was left out or changed afterwards" for one in recorded if one not in named
    ]


def _subtitle(started: RunStarted | None) -> str:
    return f"{started.profile}, {started.use}, run {started.run}" if started else "no run begins in this record"


def _made(journal: Journal) -> datetime | None:
    """When the record ends, as far as it says; UTC."""
    for record in reversed(journal.records):
        try:
            found = datetime.fromisoformat(getattr(record, "utc", ""))
            if found.utcoffset() is not None:
                return found.astimezone(UTC)
        except (ValueError, OverflowError):  # no time, or one at the edge of the calendar
            continue
    return None


def _sections(material: _Material) -> Iterator[Section]:
    blocks: dict[tuple[str, str], Sequence[Block]] = {
        ("run", "Board and run"): _run_blocks(material),
        ("signature", "Signature"): _signature_blocks(material),
        ("requirements", "Requirements"): [*_given_later(material), *requirement_blocks(material.covered)],
        ("not-proven", "Not proven by this run"): _not_proven(material),
        ("judged", "Everything that was judged"): list(check_blocks(material.report)),
        ("else", "What else happened"): _what_else(material),
        ("plots", "Plots"): _plot_blocks(material),
        ("hops", "Hop by hop"): list(hop_blocks(material.report.annexes)),
        ("energy", "Energy and autonomy"): list(energy_blocks(material.report.annexes)),
        ("annexes", "Further tables"): list(annex_blocks(material.report.annexes)),
        ("instruments", "Instruments and calibration"): _instrument_blocks(material),
        ("evidence", "Evidence from elsewhere"): [evidence_table(material.beside.attached)],
        ("cautions", "Cautions"): _caution_blocks(material),
        ("record", "The record itself"): _record_blocks(material),
    }
    for (key, title), content in blocks.items():
        if content:
            yield Section(key=key, title=title, blocks=tuple(content))


def _run_blocks(material: _Material) -> list[Block]:
    report, started = material.report, material.started
    if started is None:
        return [Text(text="The record does not say what was run.", strong=True)]
    attempts = max((one.attempt for one in report.checks), default=1)
    facts = [
        ("board", started.board),
        ("profile", started.profile),
        ("use", started.use),
        ("run", started.run),
        ("begun", started.utc),
        ("state", report.state.value),
        ("attempts", "each check once" if attempts == 1 else f"up to {attempts} of one check, each shown"),
        ("bench", f"{started.bench}, slot {started.slot}{', SIMULATED' if started.simulated else ''}"),
        ("simulated faults", ", ".join(started.simulated_faults)),
        ("operator", started.operator or "not recorded"),
        ("lot", started.lot),
        ("assembly revision", started.assembly_revision),
        ("contact fixture", started.contact_fixture),
        ("output after the run", report.output_off or "not recorded"),
        *_firmware(material),
    ]
    return [Facts(facts=tuple((name, Cell(text=text)) for name, text in facts if text))]


def _firmware(material: _Material) -> list[tuple[str, str]]:
    """As the board told it: version and hash of its image."""
    told: dict[str, str] = {}
    for record in material.journal.records:
        if isinstance(record, IdentitySeen):
            told |= record.said
        elif isinstance(record, FactJudged) and record.fact in _FIRMWARE:
            told.setdefault(record.fact.split()[-1], record.seen)
    return [(f"{name}, as the board told it", text) for name, text in told.items()] or [
        ("firmware", "the board was not asked, or did not tell")
    ]


def _signature_blocks(material: _Material) -> list[Block]:
    if material.blockers:
        head = SIMULATED if material.report.simulated else "This dossier cannot be signed:"
        return [Text(text=head, strong=True), Items(items=tuple(Item(text=one) for one in material.blockers))]
    said = (
        "By signing I say that I have read this dossier, with what it leaves unproven, that the record below is the "
        "one of this board, and that I accept the board for the use named above."
    )
    return [Text(text=said), SignatureLine(role="measured by"), SignatureLine(role="accepted by")]


def _given_later(material: _Material) -> list[Block]:
    if material.beside.requirements is None:
        return []
    return [Text(text=f"Given after the run, not part of its record: {material.beside.requirements_from}.")]


def _not_proven(material: _Material) -> list[Block]:
    found = [
        Item(text=f"{one.check}: {one.text}" if one.check else one.text, next_action=one.next_action)
        for one in material.report.not_proven
    ]
    if not found:
        return [Text(text="Nothing was noted. What no check looked at is not proven all the same.")]
    return [Items(items=tuple(found))]


def _what_else(material: _Material) -> list[Block]:
    found = what_else(material.report)
    return [Items(items=found)] if found else []


def _plot_blocks(material: _Material) -> list[Block]:
    beside = material.beside
    return [
        *figures(material.journal.records, beside.traces),
        *beside.kept,
        *(Text(text=one) for one in (*beside.missing, *beside.changed)),
    ]


def _instrument_blocks(material: _Material) -> list[Block]:
    day = run_day(material.started)
    columns = (
        Column(title="instrument", share=1.3),
        Column(title="identity", share=2.6),
        Column(title="serial", share=1.5),
        Column(title="calibrated", share=1.4),
        Column(title="on the day of the run", share=2.0),
    )
    rows = []
    for one in material.report.instruments:
        verdict, words = calibration_words(one, day)
        cells = (f"{one.name} ({one.kind})", one.identity, one.serial or "-", one.calibrated or "not recorded")
        rows.append((*(Cell(text=text) for text in cells), Cell(verdict=verdict, text=words)))
    if not rows:
        return [Text(text="The record names no instrument.", strong=True)]
    return [Table(caption="Instruments as they answered at the start", columns=columns, rows=tuple(rows))]


def _caution_blocks(material: _Material) -> list[Block]:
    """The usual cautions of the trade; common practice, no source."""
    items = [
        "Lithium-ion: a charged or shorted cell can burn. Charge it only between its temperature limits, never "
        "unattended without cut-off, and follow the cell maker's data sheet. Transport of cells, and of products "
        "with them, is subject to dangerous goods rules: see the slot 'transport'.",
    ]
    if any(one.name in _RADIO_CHECKS for one in material.report.checks):
        items.append(
            "Radio: these checks measure current and frames, not emission. Band, power and duty cycle are subject to "
            "local radio rules, and a change of antenna or housing changes what is emitted: see the slot 'radio'."
        )
    if has_energy(material.report.annexes):
        items.append(
            "Life and autonomy are reckoned from measured charge and from figures of the cell, panel and sun that "
            "nobody measured here: the promise of a life in the field is not part of this page."
        )
    return [Items(items=tuple(Item(text=one) for one in items))]


def _record_blocks(material: _Material) -> list[Block]:
    chain, started = material.chain, material.started
    facts = [
        ("SHA-256 of the journal", Cell(text=material.sha256, code=True)),
        ("chain of its records", Cell(text=f"{chain.state.value}: {chain.why}")),
        ("last hash of the chain", Cell(text=chain.last_hash, code=True)),
    ]
    if started is not None:
        facts += [(f"SHA-256 of the {name}", Cell(text=its, code=True)) for name, its in started.sha256.items()]
        facts.append(
            ("made by", Cell(text=f"benchrig {started.tool_version}, Python {started.python}, on {started.host}"))
        )
    facts += [
        (f"{one.kind} {one.title}", Cell(text=f"{one.path}, {one.sha256}", code=True)) for one in material.report.files
    ]
    return [Facts(facts=tuple(facts))]
