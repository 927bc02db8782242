"""Temperature against the bench's own sensor."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.payload.codec import decode
from benchrig.procedures.power import ready
from benchrig.reading import Reading

if TYPE_CHECKING:
    from benchrig.board_run import BoardRun
    from benchrig.check import Check


def check_temperature(run: BoardRun, measure: Check) -> None:
    """The board's own sensor by its console, its probes by the payload."""
    on = run.on_bench
    if on.bench.thermometer is None:
        why = "no thermometer of this bench stands beside the board"
        measure.undecided("error", why, next_action="wire one (slots.N.meters.temperature)")
        return
    ready(on)
    with on.phases("board"):
        said = on.board.temperature()
        frame = on.board.frame()
    with on.phases("measuring"):
        beside = measure.reading("temperature beside the board", on.bench.thermometer.read_temperature())
    measure.reading("temperature by the board", Reading(said.celsius, "degC", 0.0, "console", said.raw, said.at_s))
    action = "look at the sensor and its constants in the firmware; let board and bench come to one temperature"
    measure(
        "error",
        said.celsius - beside.value,
        unit="degC",
        standard_uncertainty=beside.standard_uncertainty,
        next_action=action,
    )
    if frame.handed is None or frame.handed_port is None or not on.profile.roles.probes:
        return
    values = decode(on.profile.field_map, frame.handed, port=frame.handed_port).values
    for probe in on.profile.roles.probes:
        found = values.get(probe)
        value = found.value if found else None
        measure(
            "probe_error",
            None if value is None else value - beside.value,
            unit="degC",
            standard_uncertainty=beside.standard_uncertainty,
            at=probe,
            next_action=f"the payload says {found.word or value if found else 'nothing'}: look at the probe's plug",
        )
