"""Temperature against the bench's own sensor."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain
from typing import TYPE_CHECKING

from benchrig.board.profile_roles import lacking
from benchrig.payload.codec import decode
from benchrig.procedures.power import ready
from benchrig.procedures.repeated import resolution_of, until_certain, written_step
from benchrig.production.left_open import tell_ambient
from benchrig.production.series import judge_series, readings_plan
from benchrig.reading import Reading
from benchrig.records import Verdict

if TYPE_CHECKING:
    from benchrig.bench.meter import Meter
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.procedures.on_bench import OnBench


def check_temperature(run: BoardRun, measure: Check) -> None:
    """The board's own sensor by its console, its probes by the payload."""
    on = run.on_bench
    if why := lacking(on.profile, "temperature"):
        measure.end_by(Verdict.NOT_RUN, why)
        return
    thermometer = on.bench.thermometer
    if thermometer is None:
        why = "no thermometer of this bench stands beside the board"
        measure.undecided("error", why, next_action="wire one (slots.N.meters.temperature)")
        return
    ready(on)
    with on.phases("board"):
        frame = on.board.frame()
    first = _pair(on, measure, thermometer)
    beside = first.beside
    pairs = chain((first,), iter(lambda: _pair(on, measure, thermometer), None))
    series = until_certain(
        lambda: next(pairs).difference,
        limit=measure.limits.get("error"),
        plan=readings_plan(on.profile, "temperature", "error"),
        resolution=first.step_c,
    )
    action = "look at the sensor and its constants in the firmware; let board and bench come to one temperature"
    judge_series(measure, "error", series, next_action=action)
    tell_ambient(measure, beside.value)
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


@dataclass(frozen=True)
class _Pair:
    """What the board's sensor says less the one beside it, and a step of the two (degC)."""

    beside: Reading
    difference: Reading
    step_c: float


def _pair(on: OnBench, measure: Check, thermometer: Meter) -> _Pair:
    with on.phases("board"):
        said = on.board.temperature()
    with on.phases("measuring"):
        beside = measure.reading("temperature beside the board", thermometer.read_temperature())
    measure.reading("temperature by the board", Reading(said.celsius, "degC", 0.0, "console", said.raw, said.at_s))
    difference = replace(
        beside,
        value=said.celsius - beside.value,
        source=f"console, less {beside.source}",
        raw=f"{said.raw}, less {beside.raw}",
    )
    return _Pair(beside, difference, written_step(said.celsius, said.raw) + resolution_of(beside))


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
