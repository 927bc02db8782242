"""One simulated board in its slot: circuit, converter, sampling and firmware put together.

Owns: who is told of what when the battery voltage or the rail current moves.  Must not know instruments.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from benchrig.simulation.battery_node import BatteryNode
from benchrig.simulation.converter import StepDown
from benchrig.simulation.emulated import EmulatedFirmware
from benchrig.simulation.firmware import Firmware
from benchrig.simulation.memory import Memory
from benchrig.simulation.parts import BoardParts, ConsoleLine, Feed, Shunt
from benchrig.simulation.ptys import Pty, PtyWatcher
from benchrig.simulation.radio_modem import Modem, new_memory
from benchrig.simulation.sampling import BatterySampler
from benchrig.simulation.uart import Transmit
from benchrig.simulation.undervoltage import LowBattery

if TYPE_CHECKING:
    import random

    from benchrig.simulation.bench_time import Agenda
    from benchrig.simulation.laws import Law
    from benchrig.simulation.mcu import Image
    from benchrig.simulation.radio_air import Air
    from benchrig.simulation.radio_identity import RadioIdentity
    from benchrig.simulation.solar import Charger
    from benchrig.simulation.source import Source

BAUD: Final = 115200
POWER_ON_RESET_V: Final = 1.0
"""Below this at the battery node the microcontroller forgets that it was on: the next reset is a power-up."""
BODY_DIODE: Final = Shunt(siemens=20.0, knee_v=0.7)
PROBE_SPREAD_C: Final = 0.3


class Board:
    """The hay-barn probe in one slot."""

    def __init__(
        self,
        agenda: Agenda,
        *,
        parts: BoardParts,
        feed: Feed,
        line: ConsoleLine,
        source: Source,
        serial: str,
        ambient_c: float,
        rng: random.Random,
        radio: RadioIdentity,
        air: Air,
        radio_rng: random.Random,
        image: Image | None = None,
    ) -> None:
        """`image`: a program that its microcontroller really runs, instead of the model of one."""
        self._agenda = agenda
        self._parts = parts
        self._line = line
        self._ambient_c = ambient_c
        self._rng = rng
        self._probe_offsets_c = tuple(rng.uniform(-PROBE_SPREAD_C, PROBE_SPREAD_C) for _ in range(2))
        self.node = BatteryNode(
            agenda, source=source, feed=feed, capacitance_f=parts.capacitance_f, shunts=_shunts(parts)
        )
        self._converter = StepDown(parts.converter)
        self._low_battery = LowBattery(parts.undervoltage)
        self._sampler = BatterySampler(parts.divider, parts.adc, rng=rng)
        self._charger: Charger | None = None
        self._console_port: Pty | None = None
        self._modem_port: Pty | None = None
        self._reply_port: Pty | None = None
        self._reply = Transmit(agenda, baud=BAUD, deliver=self._deliver_reply)
        self._modem = Modem(
            identity=radio,
            memory=new_memory(radio.device_eui),
            traits=parts.modem,
            timing=parts.timing,
            spreading_factor=parts.behaviour.spreading_factor,
            reply=self._reply.send,
            rng=radio_rng,
        )
        self._feed_a = 0.0
        self._is_up = False
        self._was_discharged = True
        memory = Memory(serial=serial, boots=rng.randrange(5, 40))
        console = Transmit(agenda, baud=BAUD, deliver=self._deliver_console)
        modem = Transmit(agenda, baud=BAUD, deliver=self._deliver_modem)
        self._firmware: Firmware | EmulatedFirmware
        if image is None:
            self._firmware = Firmware(
                agenda,
                parts=parts,
                line=line,
                memory=memory,
                senses=self,
                console=console,
                modem=modem,
                radio_modem=self._modem,
                air=air,
                rng=rng,
                current_changed=self.node.refresh,
            )
        else:
            self._firmware = EmulatedFirmware(
                agenda,
                image=image,
                parts=parts,
                memory=memory,
                senses=self,
                console=console,
                modem=modem,
                radio_modem=self._modem,
                air=air,
                rng=rng,
                current_changed=self.node.refresh,
            )
        self.node.connect(self)

    # What the bench sees.

    def rail_voltage(self) -> float:
        """Volts of the 3.3 V rail now."""
        volts = self.node.voltage()
        alone_v = self._converter.rail_voltage(volts, rail_a=self._converted_a(volts))
        # A step-down converter takes nothing back: what the board does not use lifts the rail to the adapter's level.
        is_lifted = self._converter.is_running and self._fed_a(volts) > self._firmware.rail_current
        return max(alone_v, self._line.adapter_level_v) if is_lifted else alone_v

    def pin_voltage(self) -> float:
        """Volts of the siren output now: the rail's own, or none."""
        return self.rail_voltage() if self._firmware.siren_is_on else 0.0

    def open_port(self, name: str, watcher: PtyWatcher) -> Pty:
        """Make the serial port `name` (console, modem_uart or modem_reply)."""
        if name == "console":
            self._console_port = Pty(watcher, received=self._firmware.receive, opened=self._adapter_changed)
            return self._console_port
        tap = Pty(watcher, received=lambda _: None, opened=lambda _: None)
        if name == "modem_reply":
            self._reply_port = tap
        else:
            self._modem_port = tap
        return tap

    def attach_charger(self, charger: Charger) -> None:
        """Connect the charger of a solar input."""
        self._charger = charger
        charger.changed = self._update_injection

    # Senses of the firmware.

    def battery_code(self) -> int:
        """One averaged conversion of the battery divider."""
        self.node.refresh()
        return self._sampler.convert()

    def battery_input_v(self) -> float:
        """Volts at the converter's input, behind the divider."""
        self.node.refresh()
        return self._sampler.input_voltage()

    def temperature_c(self) -> float:
        """Temperature of the board's sensor."""
        return self._ambient_c + self._parts.behaviour.temperature_offset_c + self._rng.gauss(0.0, 0.02)

    def bale_temperatures_c(self) -> tuple[float, ...]:
        """Temperatures of the two bale probes."""
        return tuple(self._ambient_c + offset for offset in self._probe_offsets_c)

    def is_charging(self) -> bool:
        """Whether the charger runs."""
        return self._charger is not None and self._charger.is_charging

    # Consumer of the battery node.

    def consumption_a(self, volts: float) -> float:
        """Amperes that the converter draws at `volts`."""
        if self._parts.is_reversed:
            return 0.0
        return self._converter.input_current(volts, rail_a=self._converted_a(volts))

    def thresholds_v(self) -> tuple[float, ...]:
        """Voltages at which converter, reset or charger change."""
        return (
            POWER_ON_RESET_V,
            *self._converter.thresholds_v(rail_a=self._converted_a(self.node.voltage())),
            *self._low_battery.thresholds_v(),
            *(self._charger.thresholds_v() if self._charger is not None else ()),
        )

    def voltage_moved(self, volts: float) -> None:
        """Start or stop the converter and the microcontroller as the voltage demands."""
        if volts < POWER_ON_RESET_V:
            self._was_discharged = True
        if self._charger is not None:
            self._charger.follow(volts)
        if self._parts.is_reversed:
            return
        self._low_battery.follow(volts, self._agenda.now)
        self._converter.follow(volts, restart_v=self._low_battery.restart_v)
        rail_v = self._converter.rail_voltage(volts, rail_a=self._converted_a(volts))
        parts = self._parts.converter
        # With one threshold for both, a board that starts would pull its own rail below it, and never settle.
        is_good = rail_v >= (parts.reset_v if self._is_up else parts.reset_release_v)
        if is_good != self._is_up:
            self._is_up = is_good
            self._start() if is_good else self._stop()

    def stretch_ended(self, voltage: Law, elapsed_s: float) -> None:
        """Let the converter input settle along what the node did."""
        self._sampler.follow(voltage, elapsed_s=elapsed_s)

    def _start(self) -> None:
        cause = "power" if self._was_discharged else "brownout"
        self._was_discharged = False
        self._low_battery.started(self._agenda.now)
        self._modem.power_on()
        self._firmware.power_on(cause, hangs=self._low_battery.is_hung)
        self._update_feed()
        if self._line.vanishes_after_s is not None and self._console_port is not None:
            self._agenda.after(self._line.vanishes_after_s, self._console_port.vanish)

    def _stop(self) -> None:
        self._low_battery.stopped(self._agenda.now)
        self._firmware.power_off()
        self._modem.power_off()
        self._reply.cut()
        self._update_feed()
        self.node.refresh()

    def _adapter_changed(self, _is_open: bool) -> None:
        self._update_feed()

    def _update_injection(self) -> None:
        self.node.inject(self._charger.charge_a if self._charger is not None else 0.0)

    def _update_feed(self) -> None:
        is_open = self._console_port is not None and self._console_port.is_open
        # An unpowered board clamps the adapter's line below anything that could run it.
        leaks = self._is_up and (is_open or self._line.leaks_when_released)
        feed_a = self._line.adapter_leak_a if leaks else 0.0
        if feed_a != self._feed_a:
            self._feed_a = feed_a
            self.node.refresh()

    def _fed_a(self, volts: float) -> float:
        """What the adapter's line gives to the rail; nothing to a rail that stands above it."""
        unfed_v = self._converter.rail_voltage(volts, rail_a=self._firmware.rail_current)
        return self._feed_a if unfed_v < self._line.adapter_level_v else 0.0

    def _converted_a(self, volts: float) -> float:
        """What the converter has to give to the rail: the load less what the adapter's line gives, never below 0."""
        return max(0.0, self._firmware.rail_current - self._fed_a(volts))

    def _deliver_console(self, data: bytes) -> None:
        if self._console_port is not None:
            self._console_port.send(data)

    def _deliver_modem(self, data: bytes) -> None:
        if self._modem_port is not None:
            self._modem_port.send(data)
        self._modem.receive(data)
        if isinstance(self._firmware, EmulatedFirmware):
            self._firmware.modem_was_told()

    def _deliver_reply(self, data: bytes) -> None:
        if self._reply_port is not None:
            self._reply_port.send(data)
        self._firmware.hear_modem(data)


def _shunts(parts: BoardParts) -> tuple[Shunt, ...]:
    """The linear loads across the battery pads."""
    if parts.is_reversed:
        return (BODY_DIODE,)
    divider = Shunt(parts.divider.siemens)
    return (divider,) if parts.battery_shunt is None else (divider, parts.battery_shunt)
