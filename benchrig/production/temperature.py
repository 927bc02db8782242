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
    if not on.profile.roles.probes:
        return
    if frame.handed is None:
        _probes_not_seen(measure, tapped=on.board.tap is not None)
        return
    # which port it came on is judged where the frame is; here only what the probes say
    values = decode(on.profile.field_map, frame.handed, port=on.profile.field_map.port).values
    for probe in on.profile.roles.probes:
        found = values.get(probe)
        if found is None or found.value is None:
            seen = found.word or f"code {found.raw:#x}" if found else "no such field in the frame"
            _no_value(measure, probe, seen)
            continue
        measure(
            "probe_error",
            found.value - beside.value,
            unit="degC",
            standard_uncertainty=beside.standard_uncertainty,
            at=probe,
            next_action="look at the probe, its plug and its constants in the firmware",
        )


def _probes_not_seen(measure: Check, *, tapped: bool) -> None:
    """Without a frame the probes said nothing; that matters where the profile limits them."""
    if "probe_error" not in measure.limits:
        return
    if tapped:
        why, action = (
            "no frame came on the modem UART",
            "see the check of the payload's bytes; look at the modem's line",
        )
    else:
        why = "no tap on the modem UART of this slot: what the probes say was not seen"
        action = "wire a receive-only adapter and name it (slots.N.serial.modem_uart)"
    measure.undecided("probe_error", why, next_action=action)


def _no_value(measure: Check, probe: str, seen: str) -> None:
    measure.fact(
        f"probe_error {probe}",
        expected="a temperature",
        seen=seen,
        holds=False,
        next_action="look at the probe's plug and wire",
    )
