"""The program in the demo board's microcontroller.

Owns: console commands and answers, sleep cycle, transmit sequence, what survives a power cycle.  Must not know the
circuit or the pty: it senses through `Senses`, speaks through `Transmit` and says how much current it draws.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from benchrig.simulation.checksums import crc16_ibm3740
from benchrig.simulation.measuring import Measuring
from benchrig.simulation.memory import Memory
from benchrig.simulation.radio_program import RadioProgram
from benchrig.simulation.sequences import Process, Program, Wait
from benchrig.simulation.uart import Transmit, console_line, disturbed

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Generator

    from benchrig.simulation.bench_time import Agenda
    from benchrig.simulation.measuring import Sample, Senses
    from benchrig.simulation.parts import BoardParts, ConsoleLine
    from benchrig.simulation.radio_air import Air
    from benchrig.simulation.radio_modem import Modem

IMAGE: Final = "9c41e0b7"
_CHECKED = re.compile(r"(.*)\*([0-9A-Fa-f]{4})\Z", re.DOTALL)
_PIN_PORT: Final = 10
_PIN_ORDERS: Final = {"00": False, "01": True}
_DOWNLINK = re.compile(r"\+RECV: (\d+),([0-9A-F]*)\Z")
_EVERY = re.compile(r"report every (\d{1,5})\Z")
_CALIBRATION = re.compile(r"cal gain_ppm=([+-]?\d+) offset_uv=([+-]?\d+)\Z")


class Firmware:
    """The running board program; `rail_current` is what it draws from the rail."""

    def __init__(
        self,
        agenda: Agenda,
        *,
        parts: BoardParts,
        line: ConsoleLine,
        memory: Memory,
        senses: Senses,
        console: Transmit,
        modem: Transmit,
        radio_modem: Modem,
        air: Air,
        rng: random.Random,
        current_changed: Callable[[], None],
    ) -> None:
        self._agenda = agenda
        self._parts = parts
        self._currents = parts.currents
        self._timing = parts.timing
        self._behaviour = parts.behaviour
        self._line = line
        self._memory = memory
        self._measuring = Measuring(parts, memory=memory, senses=senses, reset=self._reset)
        self._console = console
        self._modem = modem
        self._rng = rng
        self._current_changed = current_changed
        self._process = Process(agenda)
        self._radio = RadioProgram(
            agenda,
            parts=parts,
            modem=radio_modem,
            air=air,
            draw=self._draw,
            draw_idle=self._draw_idle,
            reset=self._reset,
        )
        if parts.modem.listens_always:
            air.listen(self._radio.overhear)
        self._restart_modem = radio_modem.power_on
        self._radio_modem = radio_modem
        self._modem_said = b""
        self._clear_ram()

    @property
    def rail_current(self) -> float:
        """Amperes that microcontroller, radio and load draw from the rail now."""
        if not self._is_powered:
            return 0.0
        load_a = self._currents.load_a if self._load_is_on else 0.0
        return self._processor_a + self._radio_a + load_a + self._currents.leak_a

    @property
    def siren_is_on(self) -> bool:
        """Whether the siren's output is on."""
        return self._is_powered and self._load_is_on

    def power_on(self, cause: str, *, hangs: bool = False) -> None:
        """Start from reset; `cause` is power, brownout or watchdog. One that `hangs` draws current and does nothing."""
        self._clear_ram()
        self._is_powered = True
        self._load_is_on = self._parts.pin.outlasts_power and self._memory.siren_is_on
        self._memory.boots += 1
        self._process.start(self._main(cause, hangs=hangs))

    def power_off(self) -> None:
        """Stop in the middle of everything and forget all but the memory."""
        if self._behaviour.forgets_correction:
            self._memory.gain_ppm = self._memory.offset_uv = 0
        self._process.stop()
        self._console.cut()
        self._modem.cut()
        self._clear_ram()

    def receive(self, data: bytes) -> None:
        """Bytes arrive on the console."""
        if self._is_powered and self._is_listening:
            self._received += data
            self._process.notify_input()

    def hear_modem(self, data: bytes) -> None:
        """Bytes of the modem arrive; the microcontroller takes them up even in sleep."""
        if not self._is_powered:
            return
        *lines, self._modem_said = (self._modem_said + data).split(b"\r\n")
        for line in lines:
            self._obey_modem(line.decode("latin-1"))

    def _obey_modem(self, line: str) -> None:
        if line.startswith("+JOIN: "):
            self._joined = line.removeprefix("+JOIN: ")
        downlink = _DOWNLINK.match(line)
        if downlink is not None:
            self._take_order(int(downlink[1]), downlink[2])

    def _take_order(self, port: int, text: str) -> None:
        """What came down: a command of one byte on the pin's port, and nothing else."""
        traits = self._parts.pin
        is_on = _PIN_ORDERS.get(text, False if traits.takes_unknown_as_off else None)
        if is_on is None or (port != _PIN_PORT and not traits.takes_any_port):
            return
        self._load_is_on = self._memory.siren_is_on = is_on
        self._switched += 1
        self._current_changed()

    def _clear_ram(self) -> None:
        self._is_powered = False
        self._is_listening = False
        self._is_discarding = False
        self._received = b""
        self._measuring.forget()
        self._load_is_on = False
        self._switched = 0
        self._modem_said = b""
        self._joined = ""
        self._processor_a = self._currents.awake_a
        self._radio_a = 0.0

    # What the program does, in order.

    def _main(self, cause: str, *, hangs: bool) -> Program:
        self._draw(processor_a=self._currents.awake_a)
        yield Wait(self._timing.boot_s)
        if hangs or self._behaviour.hangs_at_boot:
            yield Wait(None)
        self._is_listening = True
        self._say(f"BOOT haybarn fw={self._behaviour.version} reset={cause} boots={self._memory.boots}")
        while True:
            command = yield from self._next_line()
            yield from self._carry_out(command)

    def _next_line(self) -> Generator[Wait, bool, str]:
        while True:
            line, end, rest = self._split_received()
            if end:
                self._received = rest
                if line and not self._is_discarding:
                    return line.decode("latin-1")
                self._is_discarding = False
            else:
                yield Wait(None, for_input=True)

    def _split_received(self) -> tuple[bytes, bytes, bytes]:
        return self._received.replace(b"\r", b"\n").partition(b"\n")

    def _carry_out(self, line: str) -> Program:
        checked = _CHECKED.match(line)
        if checked is not None:
            line = checked[1]
            if crc16_ibm3740(line.encode("latin-1")) != int(checked[2], 16):
                self._say("ERR crc")
                return
        actions: dict[str, Callable[[], Program]] = {
            "batt?": self._answer_battery,
            "temp?": self._answer_temperature,
            "frame": self._send_frame,
            "report": self._report,
            "join": self._join,
            "join keep": self._keep_joining,
            "sleep": self._sleep,
        }
        if line in actions:
            yield from actions[line]()
        elif (every := _EVERY.match(line)) is not None:
            yield from self._report_every(int(every[1]))
        elif line in ("confirm on", "confirm off", "pin?"):
            self._say(self._answer_of_link(line))
        else:
            self._say(self._immediate_answer(line))

    def _immediate_answer(self, line: str) -> str:
        if line in ("load on", "load off"):
            self._load_is_on = line == "load on"
            self._current_changed()
            return line.replace("load", "LOAD")
        calibration = _CALIBRATION.match(line)
        if calibration is not None:
            if self._behaviour.refuses_correction:
                return "ERR locked"
            self._memory.gain_ppm, self._memory.offset_uv = int(calibration[1]), int(calibration[2])
        memory = self._memory
        if calibration is not None or line == "cal?":
            return f"CAL gain_ppm={memory.gain_ppm} offset_uv={memory.offset_uv}"
        if line == "id?":
            return f"ID {self._identity()} fw={self._behaviour.version} image={IMAGE} boots={memory.boots}"
        if line == "boots?":
            return f"BOOTS n={memory.boots}"
        return "ERR unknown"

    def _answer_of_link(self, line: str) -> str:
        if line == "pin?":
            return f"PIN {'on' if self._load_is_on else 'off'} switched={self._switched}"
        self._modem.send(b"AT+CFM=%d\r\n" % (line == "confirm on"))
        return line.replace("confirm", "CONFIRM")

    def _identity(self) -> str:
        if not self._behaviour.claims_other_serial:
            return self._memory.identity
        return Memory(serial="HB-9876", boots=0).identity

    def _answer_battery(self) -> Program:
        raw, millivolts = yield from self._measuring.battery()
        told = raw if self._behaviour.battery_code is None else self._behaviour.battery_code
        self._say(f"BATT n={self._measuring.count} raw={told} mv={millivolts}")

    def _answer_temperature(self) -> Program:
        hundredths = yield from self._measuring.temperature()
        self._measuring.count += 1
        self._say(f"TEMP n={self._measuring.count} raw={hundredths} c={hundredths / 100:.1f}")

    def _send_frame(self) -> Program:
        sample, encoded = yield from self._measuring.frame(siren_is_on=self._load_is_on)
        self._announce("FRAME", sample, encoded)

    def _report_every(self, seconds: int) -> Program:
        """Report by the timer until a line arrives on the console."""
        self._say(f"REPORT every {seconds} s")
        due_s = self._agenda.now
        while not self._received:
            yield from self._report()
            due_s += seconds * self._parts.pin.period_share
            yield Wait(max(0.0, due_s - self._agenda.now), for_input=True)

    def _keep_joining(self) -> Program:
        """Ask to join until the network answers, or a line arrives on the console."""
        self._say("JOIN keeps trying")
        while not self._joined.startswith("accepted"):
            if (yield Wait(self._radio_modem.pause_s, for_input=True)) or self._received:
                return
            yield from self._ask_to_join()

    def _join(self) -> Program:
        self._say("JOIN begun")
        yield from self._ask_to_join()

    def _ask_to_join(self) -> Program:
        self._modem.send(b"AT+JOIN\r\n")
        yield Wait(self._timing.radio_delay_s)
        self._joined = ""
        yield from self._radio.run()
        self._draw(processor_a=self._currents.awake_a)
        yield Wait(self._timing.radio_delay_s)  # until the modem's last line is here
        self._say(f"JOIN {self._joined or 'failed'}")

    def _report(self) -> Program:
        sample, encoded = yield from self._measuring.frame(siren_is_on=self._load_is_on)
        self._announce("REPORT", sample, encoded)
        self._modem.send(b"AT+TX\r\n")
        yield Wait(self._timing.radio_delay_s)
        yield from self._radio.run()
        self._draw(processor_a=self._currents.awake_a)
        self._say(f"REPORT done n={sample.count}")

    def _announce(self, word: str, sample: Sample, encoded: bytes) -> None:
        port = self._behaviour.port
        self._say(
            f"{word} n={sample.count} mv={sample.battery_mv} c={sample.temperature_c} port={port} len={len(encoded)}"
        )
        self._modem.send(b"AT+BUF=%d,%s\r\n" % (port, encoded.hex().upper().encode()))

    def _sleep(self) -> Program:
        self._say("SLEEP")
        yield Wait(self._timing.sleep_entry_s)
        if not self._received:
            yield from self._sleep_cycle()
        self._draw(processor_a=self._currents.awake_a)
        yield Wait(self._timing.wake_up_s)
        # The line that woke the board is lost as a whole, however much of it has yet to come.
        self._is_discarding = not self._received.endswith((b"\r", b"\n"))
        self._received = b""
        self._say(f"WAKE boots={self._memory.boots}")

    def _sleep_cycle(self) -> Program:
        """Sleep and wake by the timer until input arrives."""
        timing, was_woken = self._timing, False
        if not self._behaviour.wakes_from_sleep:
            self._draw_idle()
            yield Wait(None)
        while not was_woken:
            self._draw_idle()
            was_woken = yield Wait(timing.wake_period_s - timing.wake_length_s, for_input=True)
            if not was_woken:
                self._draw(processor_a=self._currents.awake_a)
                was_woken = yield Wait(timing.wake_length_s, for_input=True)

    def _reset(self, cause: str) -> Program:
        self._agenda.after(0.0, lambda: self._restart(cause))
        yield Wait(None)

    # Small tools of the program.

    def _restart(self, cause: str) -> None:
        if self._is_powered:
            self._console.cut()
            self._modem.cut()
            self._restart_modem()
            self.power_on(cause)

    def _say(self, text: str) -> None:
        self._console.send(disturbed(console_line(text), traits=self._line, rng=self._rng))

    def _draw_idle(self) -> None:
        currents = self._currents
        asleep = self._behaviour.goes_to_sleep
        self._draw(processor_a=currents.sleep_a if asleep else currents.awake_a, radio_a=currents.radio_standby_a)

    def _draw(self, *, processor_a: float, radio_a: float = 0.0) -> None:
        self._processor_a, self._radio_a = processor_a, radio_a
        self._current_changed()
