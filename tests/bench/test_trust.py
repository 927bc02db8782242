"""No wrong and no old number gets past a bad line: either the answer to the last question, or an error."""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from benchrig.errors import InstrumentError, InstrumentUnfit

from .instruments import OUTPUT, VOLTAGE, Notes, instrument, table
from .scripted_instrument import (
    MISCHIEF,
    ONE_BY_ONE,
    WITHOUT_TOKEN,
    InstrumentServer,
    RandomLine,
    ScriptedInstrument,
    sound,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.bench.command_table import CommandTable
    from benchrig.bench.instrument import Instrument

SHORT_S = 0.04
MEASUREMENTS = 30

DIALECTS = [
    *(pytest.param(seed, table(), MISCHIEF, id=f"joined {seed}") for seed in range(50)),
    *(pytest.param(seed, table(joins=False), ONE_BY_ONE, id=f"one by one {seed}") for seed in range(50, 65)),
    *(
        pytest.param(seed, table(joins=False, token=False), WITHOUT_TOKEN, id=f"without token {seed}")
        for seed in range(65, 80)
    ),
]


class Bench:
    """A scripted instrument and a session with it that is opened anew when it gave up."""

    def __init__(self, server: InstrumentServer, commands: CommandTable) -> None:
        self._server = server
        self._commands = commands
        self._session: Instrument | None = None

    def session(self) -> Instrument:
        """The open session; raises InstrumentError when the line spoils the opening."""
        if self._session is None:
            session = instrument(self._server.resource, self._commands, timeout_s=SHORT_S)
            session.open()
            self._session = session
        return self._session

    def attempt(self, step: Callable[[Instrument], None]) -> int:
        """1 when the step brought a result, 0 when it raised an InstrumentError; anything else fails the test."""
        try:
            step(self.session())
        except InstrumentUnfit:
            self.close()  # a run ends here; the next one opens the instrument anew
        except InstrumentError:
            pass
        else:
            return 1
        return 0

    def close(self) -> None:
        if self._session is not None:
            self._session.close()
            self._session = None


def _works_again(server: InstrumentServer, commands: CommandTable) -> None:
    server.line = sound
    with closing(instrument(server.resource, commands)) as session:
        session.open()
        assert session.number("MEAS:VOLT?", unit="V")[0] == pytest.approx(server.instrument.values[-1], abs=1e-9)


@pytest.mark.parametrize(("seed", "commands", "kinds"), DIALECTS)
def test_reading_over_a_bad_line(seed: int, commands: CommandTable, kinds: tuple[str, ...]) -> None:
    """Every reading that is returned is the answer to the last question asked, whatever the line did."""
    scripted = ScriptedInstrument()
    right = 0

    def measure(session: Instrument) -> None:
        value, _ = session.number("MEAS:VOLT?", unit="V")
        assert value == pytest.approx(scripted.values[-1], abs=1e-9)

    with InstrumentServer(scripted, RandomLine(seed, share=0.12, kinds=kinds)) as server:
        bench = Bench(server, commands)
        for _ in range(MEASUREMENTS):
            right += bench.attempt(measure)
        bench.close()
        _works_again(server, commands)

    assert right >= MEASUREMENTS // 3


@pytest.mark.parametrize("seed", range(10))
def test_setting_over_a_bad_line(seed: int) -> None:
    """A voltage or a switch that is reported as set really is set in the instrument."""
    scripted = ScriptedInstrument()
    right = 0

    def set_both(session: Instrument) -> None:
        assert session.set_number(VOLTAGE, asked_v) == pytest.approx(asked_v, abs=1e-9)
        assert scripted.numbers["VOLT"] == pytest.approx(asked_v, abs=1e-9)
        wanted = round(asked_v * 100) % 2 == 1
        assert session.switch(OUTPUT.on if wanted else OUTPUT.off, OUTPUT.query) == wanted
        assert scripted.is_on == wanted

    with InstrumentServer(scripted, RandomLine(1000 + seed, share=0.1)) as server:
        bench = Bench(server, table())
        for number in range(MEASUREMENTS):
            asked_v = 3.0 + 0.01 * number
            right += bench.attempt(set_both)
        bench.close()
        _works_again(server, table())

    assert right >= MEASUREMENTS // 3


class _Once:
    """Does one thing to the first reply to a measurement, and lets all others pass."""

    def __init__(self, kind: str) -> None:
        self.kind = kind

    def __call__(self, message: str) -> str:
        if "MEAS" not in message:
            return ""
        kind, self.kind = self.kind, ""
        return kind


@pytest.mark.parametrize(
    ("commands", "kind"),
    [
        *(pytest.param(table(), kind, id=f"joined, {kind}") for kind in MISCHIEF),
        *(pytest.param(table(joins=False), kind, id=f"one by one, {kind}") for kind in MISCHIEF[:-2]),
    ],
)
def test_single_mischief_is_survived(commands: CommandTable, kind: str) -> None:
    """One bad reply of each kind costs one resync, and the reading after it is right again."""
    scripted, notes = ScriptedInstrument(), Notes()

    with (
        InstrumentServer(scripted, _Once(kind), late_s=0.3) as server,
        closing(instrument(server.resource, commands, notes=notes, timeout_s=0.15)) as session,
    ):
        session.open()
        first, _ = session.number("MEAS:VOLT?", unit="V")
        first_true = scripted.values[-1]
        second, _ = session.number("MEAS:VOLT?", unit="V")

    assert first == pytest.approx(first_true, abs=1e-9)
    assert second == pytest.approx(scripted.values[-1], abs=1e-9)
    assert notes.kinds() == ([] if kind == "single bytes" else ["resync"])


def test_instrument_that_answers_by_luck_is_given_up() -> None:
    """After its resyncs are used up an instrument is charged to the bench and stays closed."""
    scripted = ScriptedInstrument()

    with InstrumentServer(scripted) as server, closing(instrument(server.resource, timeout_s=SHORT_S)) as session:
        session.open()
        server.line = lambda message: "missing" if "MEAS" in message else ""
        with pytest.raises(InstrumentError, match=r"no complete line within 0\.04 s"):
            session.number("MEAS:VOLT?", unit="V")
        with pytest.raises(InstrumentUnfit, match="its 4th answer that was late, lost or senseless in this run"):
            session.number("MEAS:VOLT?", unit="V")
        server.line = sound
        asked = len(scripted.values)
        with pytest.raises(InstrumentUnfit, match="the session is not open; accepted: 3 in a run"):
            session.number("MEAS:VOLT?", unit="V")

    assert len(scripted.values) == asked
