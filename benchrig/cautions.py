"""What a bench asks its people to mind. The usual cautions of the trade; common practice, no source."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.bench.bench_file import BenchSpec

REAL_CELL = (
    "a real Li-ion cell is on this bench: a charged or shorted cell can burn. Never leave it unattended without "
    "temperature and current cut-off, charge only between its temperature limits, keep a fire-safe box at hand, and "
    "follow the cell maker's data sheet and local codes"
)
DUMMY_LOAD = (
    "the transmitter works into a dummy load: see that it is screwed on before power; without it the radio may be hurt"
)
ANTENNA = (
    "the transmitter has an antenna: emission is subject to local radio rules (band, power, duty cycle); work in a "
    "shielded box or into a dummy load unless a licensed or licence-exempt use is certain"
)
RADIO = (
    "boards on this bench are made to transmit: work into a dummy load or in a shielded box; band, power and duty "
    "cycle are subject to local radio rules, and some uses need a licence"
)
MAINS = "supplies are mains equipment: leave covers closed; repairs are for qualified people under local codes"


def cautions(bench: BenchSpec) -> tuple[str, ...]:
    """The cautions that this bench calls for; none for one without hardware."""
    if bench.simulation is not None and not bench.real_cell:
        return ()
    found = [MAINS]
    if bench.real_cell:
        found.append(REAL_CELL)
    if bench.transmitter == "antenna":
        found.append(ANTENNA)
    if bench.transmitter == "dummy load":
        found.append(DUMMY_LOAD)
    if bench.gateway or bench.network or any(slot.radio for slot in bench.slots.values()):
        found.append(RADIO)
    return tuple(found)
