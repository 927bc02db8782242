"""What the radio does in bench time for one order of the modem: prepare, send, listen twice.

Owns the sequence and its currents.  Must not know AT text, keys or the console.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from benchrig.simulation.airtime import time_on_air_s
from benchrig.simulation.lorawan_frames import SECOND_WINDOW_HZ
from benchrig.simulation.radio_air import BOARD_POWER_DBM, Burst, Opening
from benchrig.simulation.sequences import Program, Wait

if TYPE_CHECKING:
    from collections.abc import Callable, Generator

    from benchrig.simulation.bench_time import Agenda
    from benchrig.simulation.parts import BoardParts
    from benchrig.simulation.radio_air import Air
    from benchrig.simulation.radio_modem import Modem, Order, Window


class Draw(Protocol):
    """How the program says what is drawn from the rail."""

    def __call__(self, *, processor_a: float, radio_a: float = 0.0) -> None: ...


class RadioProgram:
    """The radio of one board."""

    def __init__(
        self,
        agenda: Agenda,
        *,
        parts: BoardParts,
        modem: Modem,
        air: Air,
        draw: Draw,
        draw_idle: Callable[[], None],
        reset: Callable[[str], Program],
    ) -> None:
        self._agenda = agenda
        self._currents = parts.currents
        self._timing = parts.timing
        self._works = parts.behaviour.transmits
        self._resets = parts.behaviour.resets_at_transmit
        self._loss_db = parts.modem.antenna_loss_db
        self._modem = modem
        self._air = air
        self._draw = draw
        self._draw_idle = draw_idle
        self._reset = reset

    def run(self) -> Program:
        """Send what the modem was ordered to send, as often as it takes, and listen after each time."""
        order = self._modem.take_order()
        if order is None:
            return
        for _ in range(order.attempts):
            ended_s = yield from self._send(order)
            yield from self._listen(order, ended_s)
            if not self._modem.awaits_answer:
                break
        self._modem.finish()

    def overhear(self, burst: Burst) -> None:
        """A receiver that is never off, where the second window would be: it takes whatever comes there."""
        listens = Opening(
            SECOND_WINDOW_HZ, burst.spreading_factor, self._agenda.now, self._agenda.now, loss_db=self._loss_db
        )
        if listens.catches(burst):
            self._agenda.at(burst.end_s, lambda: self._modem.overheard(burst.data))

    def _send(self, order: Order) -> Generator[Wait, bool, float]:
        """The bench time at which the frame's last bit has left."""
        currents = self._currents
        on_air_s = time_on_air_s(phy_payload_bytes=len(order.frame), spreading_factor=order.spreading_factor)
        self._draw(processor_a=currents.awake_a, radio_a=currents.radio_prepare_a * self._works)
        yield Wait(self._timing.prepare_s)
        if self._resets:
            yield from self._reset("watchdog")
        self._draw(processor_a=currents.awake_a, radio_a=currents.radio_transmit_a * self._works)
        start_s = self._agenda.now
        yield Wait(on_air_s)
        ended_s = self._agenda.now
        if self._works:
            power_dbm = BOARD_POWER_DBM - self._loss_db
            burst = Burst(order.frame, order.frequency_hz, order.spreading_factor, start_s, ended_s, power_dbm)
            self._air.uplink(burst)
        return ended_s

    def _listen(self, order: Order, ended_s: float) -> Program:
        for window in order.windows:
            self._draw_idle()
            yield Wait(max(0.0, ended_s + window.delay_s - self._agenda.now))
            if self._works:
                self._draw(processor_a=0.0, radio_a=self._currents.radio_listen_a)
            was_for_us = yield from self._hear(window)
            if was_for_us:
                return

    def _hear(self, window: Window) -> Generator[Wait, bool, bool]:
        """Keep the receiver open for the window, and to the end of a frame that began in it."""
        opened_s = self._agenda.now
        yield Wait(window.length_s)
        opening = Opening(
            window.frequency_hz, window.spreading_factor, opened_s, self._agenda.now, loss_db=self._loss_db
        )
        burst = self._air.caught(opening) if self._works else None
        if burst is None:
            return False
        yield Wait(max(0.0, burst.end_s - self._agenda.now))
        return self._modem.received(burst.data)
