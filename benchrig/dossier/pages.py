"""What any document of pages has: a head, and sections of blocks. A dossier is one of them, a lot report another.

Owns the head alone. Must not know HTML, PDF, or what is shown.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.dossier.words import SIMULATED

if TYPE_CHECKING:
    from datetime import datetime

    from benchrig.dossier.content import Dossier, Section
    from benchrig.records import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class Pages:
    """A document, titled "`kind` of `name`".

    `made` is when what it tells of ended, so that it is the same when it is made again. `simulated` is what stands
    on top of everything, '' for a real bench. `verdict` is None where the document judges nothing. `closing` is the
    last sentence of the head; '' for none.
    """

    kind: str
    name: str
    subtitle: str
    made: datetime | None
    simulated: str
    verdict: Verdict | None
    headline: str
    words: tuple[str, ...]
    alarms: tuple[str, ...]
    closing: str
    footer: str
    sections: tuple[Section, ...]


def pages_of(dossier: Dossier) -> Pages:
    """A dossier as pages."""
    return Pages(
        kind="Dossier",
        name=dossier.board,
        subtitle=dossier.subtitle,
        made=dossier.made,
        simulated=SIMULATED if dossier.simulated else "",
        verdict=dossier.verdict,
        headline=dossier.headline,
        words=dossier.words,
        alarms=dossier.alarms,
        closing="Nothing stands against signing it."
        if dossier.can_be_signed
        else "It cannot be signed; see Signature.",
        footer=dossier.footer,
        sections=dossier.sections,
    )
