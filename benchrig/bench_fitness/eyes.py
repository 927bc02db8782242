"""What one slot of a bench sees with, and how good each of its eyes is.

Owns the step from wiring and stated accuracy to the uncertainty of a reading before it is taken. An instrument of which
nothing is stated is no eye: it is never taken as perfect. Must not know checks.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.uncertainty import standard_uncertainty

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from benchrig.bench.bench_file import BenchSpec, SlotSpec
    from benchrig.board.profile import BoardProfile

_SQRT3 = math.sqrt(3.0)


class Unstated(Exception):
    """Nothing says how far an instrument can be believed in a quantity."""

    def __init__(self, instrument: str, quantity: str) -> None:
        super().__init__(instrument, quantity)
        self.why = (
            f"how good {instrument!r} is in {quantity} is not stated, so that nothing can pass by it; give "
            f"instruments.{instrument}.accuracy.{quantity} in the bench file"
        )


@dataclass(frozen=True, slots=True)
class Eyes:
    """What one slot sees with, and the board that it looks at. `stamp_u_s` is for arrivals on the console."""

    bench: BenchSpec
    slot: SlotSpec
    profile: BoardProfile
    stamp_u_s: float
    today: date | None = None

    def u(self, instrument: str, quantity: str, *, range_: float) -> Callable[[float], float]:
        """Standard uncertainty of one reading by its value. Raises Unstated: nobody says how good the reading is."""
        spec = self.bench.instruments[instrument]
        terms = spec.accuracy.get(quantity)
        if terms is None:
            raise Unstated(instrument, quantity)
        conditions = spec.conditions(ambient_c=self.bench.ambient_c, today=self.today)
        return lambda value: standard_uncertainty(value, range_=range_, terms=terms, conditions=conditions)

    def net(self, name: str, quantity: str) -> Callable[[float], float]:
        """The meter at a net that has one."""
        wiring = self.slot.meters[name]
        return self.u(wiring.instrument, quantity, range_=wiring.range)

    @property
    def terminals(self) -> Callable[[float], float]:
        """Volts at the battery terminals: by a meter there, else by the supply's read-back and the drop in its lead."""
        if "terminals" in self.slot.meters:
            return self.net("terminals", "voltage")
        battery = self.slot.battery
        read_back = self.u(battery.instrument, "voltage", range_=0.0)
        drop_v = self.profile.first_touch.current_limit_a * (battery.lead_ohm + battery.contact_ohm)
        return lambda value: math.hypot(read_back(value), drop_v / _SQRT3)

    def recorder(self, *, asleep: bool, range_a: float | None = None) -> Callable[[float], float]:
        """Current through the recorder, by default on the range of that window."""
        wiring = self.slot.recorder
        assert wiring is not None  # a check without it is lost before its values are asked for
        usual_a = wiring.sleep_range_a if asleep else wiring.transmit_range_a
        return self.u(wiring.instrument, "current", range_=range_a or usual_a)
