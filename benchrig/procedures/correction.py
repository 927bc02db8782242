"""Correction constants over the console: written, read back, kept without power, and proven by new readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.board.correction_table import READ, WRITE
from benchrig.errors import BoardProtocolError
from benchrig.procedures.terminals import set_battery
from benchrig.protocol.console import field_number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.board.board import BatteryAnswer
    from benchrig.board.correction_table import CorrectionPlan
    from benchrig.procedures.on_bench import OnBench
    from benchrig.protocol.console import Answer
    from benchrig.reading import Reading


@dataclass(frozen=True)
class Constants:
    """What the board says that it holds, or why it does not take them."""

    gain: int
    offset: int
    raw: str
    at_s: float
    refused: str = ""

    @property
    def text(self) -> str:
        """For comparison and for people."""
        return f"refused: {self.refused}" if self.refused else f"gain {self.gain}, offset {self.offset}"


@dataclass(frozen=True)
class Proof:
    """A new reading with the constants in place: the terminals during the board's conversion, and what it said."""

    setpoint_v: float
    terminals: Reading
    battery: BatteryAnswer

    @property
    def error_v(self) -> float:
        """Reported less true."""
        return self.battery.reported_v - self.terminals.value


def read_constants(on: OnBench) -> Constants:
    """What the board holds now. Raises BoardTimeout, BoardProtocolError."""
    with on.phases("board"):
        return _constants(on.board.console.ask(READ))


def write_constants(on: OnBench, *, gain: int, offset: int) -> Constants:
    """Write both and return what the board answers. Raises BoardTimeout, BoardProtocolError."""
    with on.phases("board"):
        return _constants(on.board.console.ask(WRITE, gain=gain, offset=offset))


def new_readings(on: OnBench, plan: CorrectionPlan) -> Iterator[Proof]:
    """One conversion at each voltage of the plan, the terminals read while the board converts."""
    for setpoint_v in plan.verify_points_v:
        set_battery(on, setpoint_v, settle_s=on.profile.sweep.settle_s)
        yield _proof(on, setpoint_v)


def _proof(on: OnBench, setpoint_v: float) -> Proof:
    with on.phases("board"):
        battery = on.board.battery()
    with on.phases("measuring"):
        terminals = on.record(f"terminals at {setpoint_v:.3f} V, corrected", on.bench.terminals.read_voltage())
    return Proof(setpoint_v, terminals, battery)


def _constants(answer: Answer) -> Constants:
    raw = answer.line.text.decode("ascii", "backslashreplace")
    refused = answer.fields.get("refused", "")
    if refused:
        return Constants(0, 0, raw, answer.line.ended_s, refused)
    return Constants(_whole(answer, "gain"), _whole(answer, "offset"), raw, answer.line.ended_s)


def _whole(answer: Answer, name: str) -> int:
    number = field_number(answer.fields, name)
    if not number.is_integer():
        raise BoardProtocolError(
            f"field {name!r} of the board's constants: a whole number is accepted, {answer.fields[name]!r} came; "
            "compare the answer pattern of the profile with the firmware"
        )
    return int(number)
