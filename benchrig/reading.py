"""A reading: one number as an instrument or the board gave it, with what is needed to trust or doubt it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.records import Part


@dataclass(frozen=True, slots=True)
class Reading:
    """`value` and `standard_uncertainty` in the base unit `unit`; `raw` is the text or a word on the samples.

    `source` names the instrument and input, or the board's answer; `at_s` is bench time; `count` says
    how many readings the value is the mean of. `parts` are the causes of its uncertainty, as far as they are known.
    """

    value: float
    unit: str
    standard_uncertainty: float
    source: str
    raw: str
    at_s: float
    count: int = 1
    parts: tuple[Part, ...] = ()
