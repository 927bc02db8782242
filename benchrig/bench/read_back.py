"""The battery terminals of a slot without a meter there: what the supply reads back, less what the lead may drop.

Owns that correction and its doubt. The drop is the current times the resistance of lead and contact as the bench
file states it; nobody measured it, so it is taken as uncertain by itself (own choice, on the safe side).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.judge.uncertainty import Component
from benchrig.reading import Reading

if TYPE_CHECKING:
    from benchrig.bench.supply import Supply

LEAD_DROP = "lead drop"


class ReadBackTerminals:
    """The terminals as the supply sees them from its posts."""

    def __init__(self, supply: Supply) -> None:
        self._supply = supply

    @property
    def name(self) -> str:
        """What messages call it."""
        return f"read-back of supply {self._supply.instrument.name}"

    def read_voltage(self, *, count: int = 1) -> Reading:
        """The voltage of the terminals, from `count` read-backs of volts and one of the current. Raises BenchError."""
        taken = [self._supply.read_voltage() for _ in range(count)]
        current = self._supply.read_current()
        wiring = self._supply.wiring
        drop_v = current.value * (wiring.lead_ohm + wiring.contact_ohm)
        lead = Component.within(LEAD_DROP, half_width=abs(drop_v))
        found = self._supply.instrument.believe("voltage", [one.value for one in taken], range_=0.0, beside=(lead,))
        raw = ", ".join([*(one.raw for one in taken), current.raw])
        return Reading(
            found.mean - drop_v,
            "V",
            found.standard_uncertainty,
            self.name,
            raw,
            taken[0].at_s,
            count,
            found.parts,
        )
