"""The demo board's microcontroller running its real image, in the place of the model in `firmware`.

Owns: bench time against the part's, what its pins do on the board, and what it draws in which state.  Must not know
the circuit, the pty or the text on the console.

The part runs ahead of bench time by at most `AHEAD_S`, and what it does there takes place at its own instant; what
comes from outside is up to so much late.  A part that sleeps is left alone until its next timer.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final, Protocol

from benchrig.simulation.mcu import NEVER, Mcu
from benchrig.simulation.radio_program import RadioProgram
from benchrig.simulation.sequences import Process, Program, Wait

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

    from benchrig.simulation.bench_time import Agenda, Appointment
    from benchrig.simulation.mcu import Image, McuAnswer, McuEvent
    from benchrig.simulation.memory import Memory
    from benchrig.simulation.parts import BoardParts
    from benchrig.simulation.radio_air import Air
    from benchrig.simulation.radio_modem import Modem
    from benchrig.simulation.uart import Transmit

AHEAD_S: Final = 1e-3
_CONSOLE, _MODEM = "0", "1"
_SIREN, _RADIO_SLEEP = 0x01, 0x01
"""Bits of port B and of port C (fixtures/firmware/hay-barn-probe/board.h)."""
STANDBY_A: Final = 1.6e-3
"""What a modem takes that is not let sleep; own choice. While the part is awake it is a share of the awake current."""
_SENSOR_ZERO_UV, _SENSOR_UV_PER_DEGREE = 500e3, 10e3


class Senses(Protocol):
    """What stands at the part's pins."""

    def battery_input_v(self) -> float:
        """Volts at the converter's input, behind the divider."""

    def temperature_c(self) -> float:
        """Temperature of the board's sensor."""

    def bale_temperatures_c(self) -> tuple[float, ...]:
        """Temperatures of the two bale probes."""

    def is_charging(self) -> bool:
        """Whether the charger runs."""


class EmulatedFirmware:
    """The running image; `rail_current` is what it draws from the rail."""

    def __init__(
        self,
        agenda: Agenda,
        *,
        image: Image,
        parts: BoardParts,
        memory: Memory,
        senses: Senses,
        console: Transmit,
        modem: Transmit,
        radio_modem: Modem,
        air: Air,
        rng: random.Random,
        current_changed: Callable[[], None],
    ) -> None:
        """Start the part's process, without power.  Raises `BenchFileError`."""
        self._agenda = agenda
        self._currents = parts.currents
        self._delay_s = parts.timing.radio_delay_s
        self._senses = senses
        self._lines = {_CONSOLE: console, _MODEM: modem}
        self._radio_modem = radio_modem
        self._current_changed = current_changed
        self._mcu = Mcu(image, seed=rng.randrange(2**32))
        self._program_memory(memory)
        self._radio_process = Process(agenda)
        self._radio = RadioProgram(
            agenda,
            parts=parts,
            modem=radio_modem,
            air=air,
            draw=self._draw,
            draw_idle=lambda: self._draw(radio_a=self._currents.radio_standby_a),
            reset=self._never_reset,
        )
        if parts.modem.listens_always:
            air.listen(self._radio.overhear)
        self._alarm: Appointment | None = None
        self._events: list[Appointment] = []
        self._forget()

    def _forget(self) -> None:
        self._is_powered = self._is_asleep = self._radio_works = False
        self._siren_is_on = self._radio_may_sleep = False
        self._radio_a = 0.0

    def _program_memory(self, memory: Memory) -> None:
        """Serial, chip and identity as whoever makes the board writes them, and the boots so far."""
        words = dict(word.split("=", 1) for word in memory.identity.split())
        made = words["serial"].encode()[:15].ljust(16, b"\0") + bytes.fromhex(words["chip"] + words["eui"])
        self._mcu.ask(f"eeprom 0 {(made + memory.boots.to_bytes(2, 'little')).hex()}")

    # What the board asks.

    @property
    def rail_current(self) -> float:
        """Amperes that microcontroller, radio and load draw from the rail now."""
        if not self._is_powered:
            return 0.0
        currents = self._currents
        asleep_a = currents.sleep_a + (0.0 if self._radio_may_sleep else STANDBY_A)
        processor_a = asleep_a if self._is_asleep else currents.awake_a
        return processor_a + self._radio_a + currents.load_a * self._siren_is_on + currents.leak_a

    @property
    def siren_is_on(self) -> bool:
        """Whether the siren's output is on."""
        return self._is_powered and self._siren_is_on

    def power_on(self, cause: str, *, hangs: bool = False) -> None:
        """Start from reset; a part that `hangs` draws current and does nothing."""
        self._forget()
        self._is_powered = True
        self._mcu.ask(Mcu.to_run_until(self._agenda.now), f"on {cause}")
        if not hangs:
            self._step()

    def power_off(self) -> None:
        """Stop in the middle of everything; what the part did ahead of now has not happened."""
        self._mcu.ask("off")
        self._radio_process.stop()
        for appointment in (self._alarm, *self._events):
            if appointment is not None:
                appointment.cancel()
        self._events = []
        for line in self._lines.values():
            line.cut()
        self._forget()

    def receive(self, data: bytes) -> None:
        """Bytes arrive on the console."""
        self._enter(f"rx {_CONSOLE} {data.hex()}")

    def hear_modem(self, data: bytes) -> None:
        """Bytes of the modem arrive."""
        self._enter(f"rx {_MODEM} {data.hex()}")

    def modem_was_told(self) -> None:
        """The modem has read what the part said: its radio begins to work if that was an order."""
        if self._is_powered and not self._radio_works and self._radio_modem.has_order:
            self._radio_works = True
            self._radio_process.start(self._send())

    # What happens.

    def _send(self) -> Program:
        self._enter("pin busy 1")
        yield Wait(self._delay_s)
        yield from self._radio.run()
        self._draw(radio_a=self._currents.radio_standby_a)
        self._radio_works = False
        self._enter("pin busy 0")
        yield Wait(None)

    def _never_reset(self, _cause: str) -> Program:
        """A modem of this board has no way to reset the part."""
        yield Wait(0.0)

    def _draw(self, *, processor_a: float = 0.0, radio_a: float = 0.0) -> None:
        """What the radio draws; the part's own current follows from its state."""
        del processor_a
        self._radio_a = radio_a
        self._current_changed()

    def _enter(self, request: str) -> None:
        """Something comes from outside: the part is brought to now, told, and runs on from there."""
        if not self._is_powered:
            return
        self._step(Mcu.to_run_until(self._agenda.now), request)

    def _step(self, *before: str) -> None:
        """After what comes `before`, run the part to the end of what it may be ahead; come back when it needs it."""
        if self._alarm is not None:
            self._alarm.cancel()
        senses = self._senses
        degrees = (senses.temperature_c(), *senses.bale_temperatures_c())
        inputs_uv = (
            senses.battery_input_v() * 1e6,
            *(_SENSOR_ZERO_UV + _SENSOR_UV_PER_DEGREE * one for one in degrees),
        )
        answer = self._mcu.ask(
            *before,
            "adc " + " ".join(f"{one:.3f}" for one in inputs_uv),
            f"pin charging {0 if senses.is_charging() else 1}",
            Mcu.to_run_until(self._agenda.now + AHEAD_S),
        )
        self._take(answer)
        again_s = max(answer.at_s, answer.quiet_until_s)
        self._alarm = None if again_s == NEVER else self._agenda.at(again_s, self._step)

    def _take(self, answer: McuAnswer) -> None:
        """Let what the part did take place when it did it."""
        now_s = self._agenda.now
        self._events = [one for one in self._events if one.action is not None and one.at_s > now_s]
        for event in answer.events:
            self._events.append(self._agenda.at(event.at_s, partial(self._happen, event)))

    def _happen(self, event: McuEvent) -> None:
        if event.kind == "tx":
            line, letter = event.words
            self._lines[line].send(bytes.fromhex(letter))
        elif event.kind == "pin":
            port_b, port_c = map(int, event.words)
            self._siren_is_on, self._radio_may_sleep = bool(port_b & _SIREN), bool(port_c & _RADIO_SLEEP)
            self._current_changed()
        elif event.kind == "state" and self._is_asleep != (event.words == ("down",)):
            self._is_asleep = not self._is_asleep
            self._current_changed()
