"""What a check cannot do without, and what this bench, or this board, does not have of it.

Owns which part which check needs, and what to wire. Must not know uncertainties.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.board.profile_roles import lacking

if TYPE_CHECKING:
    from benchrig.bench.bench_file import SlotSpec
    from benchrig.bench_fitness.eyes import Eyes
    from benchrig.judge.decision import Limit

_NO_RECORDER = "no current recorder stands in the battery lead of this slot; wire one and name it: slots.N.recorder"
AIR_CHECKS = ("join", "uplink_hops", "downlink", "report_period", "join_backoff")
_NO_RAIL = "no meter sees the rail; wire one and name it: slots.N.meters.rail"


def missing_part(check: str, eyes: Eyes) -> str:
    why = lacking(eyes.profile, check)
    if why:
        return why
    slot = eyes.slot
    if check in ("floor_current", "transmit", "energy") and slot.recorder is None:
        return _NO_RECORDER
    if check == "floor_current" and slot.serial["console"].release == "none":
        return (
            "nothing is known to release the console link, so that its adapter feeds or loads the board; use one that "
            "a closed port leaves unpowered, and say slots.N.serial.console.release = 'close'"
        )
    if check in ("rail", "thresholds") and "rail" not in slot.meters:
        return _NO_RAIL
    return _missing_air(check, eyes) if check in AIR_CHECKS else _missing_eye(check, slot)


def _missing_eye(check: str, slot: SlotSpec) -> str:
    if check == "temperature" and "temperature" not in slot.meters:
        return "no thermometer stands beside the board; wire one and name it: slots.N.meters.temperature"
    if check == "payload_bytes" and "modem_uart" not in slot.serial:
        return "nothing listens on the modem UART; wire a receive-only adapter and name it: slots.N.serial.modem_uart"
    return ""


def _missing_air(check: str, eyes: Eyes) -> str:
    """What hears the board's radio, answers its joins, and sees its pin."""
    bench, slot = eyes.bench, eyes.slot
    if slot.radio is None or not (bench.gateway or bench.network):
        return "nothing hears the board's radio; give the bench file [gateway] or [network], and slots.N.radio"
    if bench.gateway is not None and bench.gateway.region != eyes.profile.region:
        return (
            f"the gateways are of {bench.gateway.region} and the board is of {eyes.profile.region}, so that neither "
            "hears the other; correct gateway.region of the bench file, or region of the profile"
        )
    if check in ("join", "join_backoff") and bench.gateway is None:
        return "a network behind a broker answers joins by itself; give the bench file a [gateway] to see them"
    if check == "downlink" and bench.network is not None and bench.network.downlink is None:
        return "nothing tells how the network takes a downlink; give the bench file network.downlink"
    if check == "downlink" and "pin" not in slot.meters:
        return "no meter sees the pin that a downlink switches; wire one and name it: slots.N.meters.pin"
    return ""


# ---- values that a check cannot measure, though it can do the rest


def missing_of(check: str, name: str, limit: Limit, eyes: Eyes) -> str:
    """Why one value of a check cannot be measured here; '' when it can."""
    if (check, name) == ("temperature", "probe_error") and "modem_uart" not in eyes.slot.serial:
        return "nothing listens on the modem UART, where the probes are told; wire slots.N.serial.modem_uart"
    return _beyond_range(check, limit, eyes)


def _beyond_range(check: str, limit: Limit, eyes: Eyes) -> str:
    """A range that ends below the limit cannot see whether it is kept."""
    largest = max(abs(side) for side in (limit.low, limit.high) if side is not None)
    place, range_ = _range_of(check, limit.unit, eyes)
    if check == "battery_sweep" and limit.unit == "V":
        largest = max(eyes.profile.sweep.points_v, default=0.0)
    if not range_ or largest <= range_:
        return ""
    return f"{largest:g} {limit.unit} is beyond the range of {range_:g} {limit.unit} that is used; correct {place}"


def _range_of(check: str, unit: str, eyes: Eyes) -> tuple[str, float]:
    """Where the range of a value stands in the bench file, and the range; 0 where there is none."""
    slot = eyes.slot
    if unit == "A" and slot.recorder is not None and check in ("floor_current", "transmit"):
        if check == "floor_current":
            return "slots.N.recorder.sleep_range_a", slot.recorder.sleep_range_a
        return "slots.N.recorder.transmit_range_a", slot.recorder.transmit_range_a
    net = {"rail": "rail", "battery_sweep": "terminals", "downlink": "pin"}.get(check, "")
    if unit != "V" or net not in slot.meters:
        return "", 0.0
    return f"slots.N.meters.{net}.range", slot.meters[net].range


# ---- what a check leaves open, though it can pass


def unseen_by(check: str, eyes: Eyes) -> str:
    """What a check does not see on this bench, which costs it no verdict; '' when it sees all that it looks for."""
    if check in ("payload_bytes", "uplink_hops") and "modem_reply" not in eyes.slot.serial:
        return (
            "what the modem answers, so that a frame which it refuses counts as handed over; wire a receive-only "
            "adapter to the modem's own line and name it: slots.N.serial.modem_reply"
        )
    return ""
