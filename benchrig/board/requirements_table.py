"""Reads the table `requirements`: what the board is for, in sentences with an id, and what covers each of them.

Owns what the table may say. Must not know what came of a check. A requirement that nothing covers is accepted, so that
it can be written down before there is a check for it; a dossier names it, and cannot be signed.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from benchrig.board.checks import CHECKS
from benchrig.records import RequirementNamed
from benchrig.toml_reader import nearest

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from benchrig.toml_reader import Section

TABLE = "requirements"
EVIDENCE = "evidence"
EVIDENCE_SLOTS = ("radio", "transport", "environment")
"""Evidence from elsewhere that a requirement may rest on: no check of a bench gives it."""

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,63}")
_ACCEPTED_IDS = "letters, digits, '.', '_', '/' and '-', 64 at most, a letter or digit first"


def read_requirements(top: Section, own_checks: tuple[str, ...]) -> tuple[RequirementNamed, ...]:
    """The requirements of a profile, in their order; none when it has no such table."""
    limits = top.raw("limits")
    tables = limits if isinstance(limits, dict) else {}
    known = {check: tuple(_keys(tables.get(check))) for check in (*CHECKS, *own_checks)}
    return read_requirements_table(top, known, required=False)


def _keys(table: object) -> Collection[str]:
    return table if isinstance(table, dict) else ()


def read_requirements_table(
    top: Section, known: Mapping[str, Collection[str]], *, required: bool
) -> tuple[RequirementNamed, ...]:
    """The same from any file. `known`: each check, and those of its values that can be judged."""
    section = top.section(TABLE, required=required)
    if section is None:
        return ()
    found = [_requirement(section, name, known) for name in section.names()]
    if not found:
        section.problem("", "names no requirement; give at least one, or leave the table out")
    return tuple(found)


def _requirement(section: Section, name: str, known: Mapping[str, Collection[str]]) -> RequirementNamed:
    if not _ID.fullmatch(name):
        section.problem(name, f"{name!r} cannot be an id; accepted: {_ACCEPTED_IDS}")
    if isinstance(section.raw(name), str):
        return RequirementNamed(id=name, text=section.text(name))
    table = section.section(name)
    if table is None:
        return RequirementNamed(id=name, text="")
    text, covers = table.text("text"), table.texts("covered_by", default=())
    for cover in covers:
        if problem := _problem(cover, known):
            table.problem("covered_by", f"{cover!r}: {problem}")
    table.finish()
    return RequirementNamed(id=name, text=text, covered_by=covers)


def _problem(cover: str, known: Mapping[str, Collection[str]]) -> str:
    """What is wrong with a cover; '' for nothing."""
    check, dot, value = cover.partition(".")
    if check == EVIDENCE:
        accepted = tuple(f"{EVIDENCE}.{slot}" for slot in EVIDENCE_SLOTS)
        return "" if cover in accepted else f"no such slot; accepted: {', '.join(accepted)}"
    if check not in known:
        return f"no such check{nearest(check, tuple(known))}; known: {', '.join(known)}"
    if not dot or value in known[check]:
        return ""
    values = ", ".join(f"{check}.{one}" for one in known[check]) or "none of its values"
    return f"no such limit{nearest(value, tuple(known[check]))}; accepted: {check} as a whole, or {values}"
