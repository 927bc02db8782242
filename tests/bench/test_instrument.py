"""An instrument session: who answers, what is refused, what is told, what is sent."""

from __future__ import annotations

import threading
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from benchrig.bench.instrument import Instrument
from benchrig.errors import (
    InstrumentError,
    InstrumentIdentityError,
    InstrumentLost,
    InstrumentRefusal,
    InstrumentReplyError,
    InstrumentUnfit,
)

from .instruments import LIMIT, VOLTAGE, Notes, instrument, open_wire, spec, table
from .scripted_instrument import InstrumentServer, ScriptedInstrument

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.bench.bench_file import InstrumentSpec
    from benchrig.wires.visa import VisaWire


@pytest.fixture
def scripted() -> ScriptedInstrument:
    """An instrument of the tests' own."""
    return ScriptedInstrument()


@pytest.fixture
def server(scripted: ScriptedInstrument) -> Iterator[InstrumentServer]:
    """The same on a socket."""
    with InstrumentServer(scripted) as running:
        yield running


def test_identity_is_handed_out(server: InstrumentServer) -> None:
    """Opening returns maker, model, serial number and firmware as the instrument says them."""
    with closing(instrument(server.resource)) as session:
        identity = session.open()

    assert (identity.maker, identity.model, identity.serial, identity.firmware) == ("Invented", "M1", "SN-1", "0.1")


@pytest.mark.parametrize(
    ("said", "error", "sentence"),
    [
        pytest.param(
            "Invented,M1,SN-2,0.1",
            InstrumentIdentityError,
            "says serial number 'SN-1', the instrument there says 'SN-2' .*check the wiring, or correct the bench file",
            id="another serial number",
        ),
        pytest.param(
            "Invented,M2,SN-1,0.1",
            InstrumentIdentityError,
            "says model 'M1', the instrument there says 'M2'",
            id="model",
        ),
        pytest.param("Other,M1,SN-1,0.1", InstrumentIdentityError, "says maker 'Invented'", id="maker"),
        pytest.param("hello", InstrumentReplyError, r"asked \*IDN\?, the identity 'hello'", id="no identity"),
    ],
)
def test_another_instrument_is_not_opened(
    said: str, error: type[InstrumentError], sentence: str, scripted: ScriptedInstrument, server: InstrumentServer
) -> None:
    """Whoever answers otherwise than the bench file says is refused, and the session is closed again."""
    scripted.identity = said
    session = instrument(server.resource)

    with pytest.raises(error, match=sentence):
        session.open()

    with pytest.raises(InstrumentLost, match="the session is not open"):
        session.command("OUTP OFF")


def test_old_errors_are_told_and_not_charged(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """Entries that the error queue kept through *CLS are noted, and the first command is not blamed for them."""
    scripted.errors = ['-350,"Queue overflow"']
    scripted.ignored = frozenset(("*CLS",))
    notes = Notes()

    with closing(instrument(server.resource, notes=notes)) as session:
        session.open()
        session.command("OUTP ON")

    assert [kind for kind, _ in notes.told] == ["old instrument error"]
    assert "-350, Queue overflow" in notes.told[0][1]
    assert scripted.is_on


def test_refused_command_is_told_in_the_instruments_words(
    scripted: ScriptedInstrument, server: InstrumentServer
) -> None:
    """An entry in the error queue names command, number and text, all entries at once, and is not tried again."""
    scripted.refused = frozenset(("VOLT",))
    scripted.errors = []

    with closing(instrument(server.resource)) as session:
        session.open()
        with pytest.raises(
            InstrumentRefusal, match=r"asked 'VOLT 3\.7000', its error queue says: -222, Data out of range; check the"
        ):
            session.set_number(VOLTAGE, 3.7)

    assert scripted.log.count("VOLT 3.7000") == 1


def test_setting_that_is_ignored_is_found_at_once(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """A read-back that differs names the command, both numbers and the tolerance."""
    scripted.ignored = frozenset(("CURR",))

    with closing(instrument(server.resource)) as session:
        session.open()
        with pytest.raises(
            InstrumentUnfit,
            match=r"asked 'CURR 0\.0200', read back 0\.1 A \(accepted: 0\.02 within 0\.0005\); the instrument does",
        ):
            session.set_number(LIMIT, 0.02)


def test_number_out_of_range_is_charged_to_the_wiring(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """Overload is a sound answer that cannot serve: told at once, without asking again."""
    scripted.answers["MEAS:VOLT?"] = lambda: b"+9.90000000E+37"
    notes = Notes()

    with closing(instrument(server.resource, notes=notes)) as session:
        session.open()
        with pytest.raises(InstrumentUnfit, match=r"asked 'MEAS:VOLT\?'.*overload.*check range, leads and wiring"):
            session.number("MEAS:VOLT?", unit="V")

    assert notes.told == []


def test_wrong_unit_is_no_number(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """Amperes are never taken for volts, even when the instrument says them three times."""
    scripted.answers["MEAS:VOLT?"] = lambda: b"0.0123A"

    with closing(instrument(server.resource)) as session:
        session.open()
        with pytest.raises(InstrumentReplyError, match="wrong unit: V was expected, not A"):
            session.number("MEAS:VOLT?", unit="V")


@pytest.mark.parametrize("joins", [pytest.param(True, id="joined"), pytest.param(False, id="one by one")])
def test_unknown_query_is_an_answer_missing(joins: bool, server: InstrumentServer) -> None:
    """A question that the instrument does not know is an InstrumentError that names it."""
    with closing(instrument(server.resource, table(joins=joins), timeout_s=0.05)) as session:
        session.open()
        with pytest.raises(InstrumentError, match=r"NONSENSE\?"):
            session.ask("NONSENSE?")


def test_answer_too_many_is_not_taken(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """Two answers to one question prove that something is out of step."""
    scripted.answers["MEAS:VOLT?"] = lambda: b"1.0;2.0"

    with closing(instrument(server.resource)) as session:
        session.open()
        with pytest.raises(InstrumentReplyError, match="2 answers to 1 questions"):
            session.number("MEAS:VOLT?", unit="V")


def test_suffix_is_what_stands_behind_the_number(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """A word behind the number that is no unit symbol is taken off, and only there."""
    scripted.answers["READ?"] = lambda: b"TEMP 2.150E+01 C"

    with closing(instrument(server.resource)) as session:
        session.open()
        value, raw = session.number("READ?", unit="degC", header="TEMPerature", suffix=" C")

    assert (value, raw) == (21.5, "TEMP 2.150E+01 C")


def test_prepare_is_sent_once(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """Function and range are sent when they change, and not before every reading."""
    with closing(instrument(server.resource)) as session:
        session.open()
        for prepare in ("FUNC VOLT", "FUNC VOLT", "FUNC TEMP", "FUNC VOLT"):
            session.number("READ?", unit="V", prepare=prepare)

    assert [unit for unit in scripted.log if unit.startswith("FUNC")] == ["FUNC VOLT", "FUNC TEMP", "FUNC VOLT"]


def test_prepare_is_sent_again_after_a_resync(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """An instrument that restarted in the middle of a reading is told its function again before it is asked again."""

    def restart(message: str) -> str:
        if "READ?" in message and scripted.log.count("READ?") == 2:
            scripted.function = ""
            return "closed in the middle"
        return ""

    with closing(instrument(server.resource)) as session:
        session.open()
        server.line = restart
        values = [session.number("READ?", unit="V", prepare="FUNC VOLT")[0] for _ in range(3)]

    assert values == [3.7, 3.7, 3.7]
    assert session.resyncs == 1


def test_refused_prepare_is_not_taken_as_told(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """A function that the instrument refused is sent again at the next reading, never assumed."""
    scripted.refused = frozenset(("FUNC",))

    with closing(instrument(server.resource)) as session:
        session.open()
        for _ in range(2):
            with pytest.raises(InstrumentRefusal, match="asked 'FUNC VOLT', its error queue says: -222"):
                session.number("READ?", unit="V", prepare="FUNC VOLT")

    assert scripted.log.count("FUNC VOLT") == 2
    assert "READ?" not in scripted.log


def test_block_is_refused_while_something_waits(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """Before a block is asked for nothing may wait unread: no token fits behind it, so an old one would be taken."""
    blocks = iter((b"#14old.", b"#14new.", b"#14last"))
    scripted.answers["CURV?"] = lambda: next(blocks)

    with closing(instrument(server.resource)) as session:
        session.open()
        server.line = lambda message: "doubled at once" if "CURV" in message else ""
        first = session.block("CURV?", timeout_s=1.0)
        second = session.block("CURV?", timeout_s=1.0)

    assert (first, second) == (b"old.", b"new.")
    assert session.resyncs == 1


def test_opening_twice_keeps_one_connection(server: InstrumentServer) -> None:
    """A second open ends the first session: most instruments have room for one."""
    with closing(instrument(server.resource)) as session:
        session.open()
        first = session._wire
        session.open()

        assert first is not None
        with pytest.raises(InstrumentLost, match="this wire was closed"):
            first.write(b"*CLS")


def test_two_threads_get_their_own_answers(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """Questions of several threads are not mixed."""
    scripted.answers |= {"A?": lambda: b"1", "B?": lambda: b"2"}
    seen: dict[str, set[float]] = {"A?": set(), "B?": set()}

    def ask(query: str) -> None:
        for _ in range(50):
            seen[query].add(session.number(query, unit="1")[0])

    with closing(instrument(server.resource)) as session:
        session.open()
        threads = [threading.Thread(target=ask, args=(query,)) for query in seen]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(20.0)

    assert seen == {"A?": {1.0}, "B?": {2.0}}
    assert session.resyncs == 0


class _BadEnd:
    """A wire whose session cannot be closed."""

    def __init__(self, wire: VisaWire) -> None:
        self._wire = wire
        self.write, self.query, self.read_block, self.unread = wire.write, wire.query, wire.read_block, wire.unread

    def close(self) -> None:
        self._wire.close()
        raise InstrumentLost("the session could not be closed", "psu")


def test_close_never_raises(server: InstrumentServer) -> None:
    """An end that goes wrong does not hide what is already on its way up."""

    def open_badly_ending(described: InstrumentSpec) -> _BadEnd:
        return _BadEnd(open_wire(described))

    session = Instrument(spec(server.resource, table()), open_wire=open_badly_ending, note=Notes())
    session.open()

    session.close()

    with pytest.raises(InstrumentLost, match="the session is not open"):
        session.command("*CLS")


def test_nobody_at_the_address_is_lost(server: InstrumentServer) -> None:
    """A closed port is an InstrumentLost that names the address and what to check."""
    session = instrument("TCPIP::127.0.0.1::9::SOCKET")

    with pytest.raises(InstrumentLost, match=r"psu at TCPIP::127\.0\.0\.1::9::SOCKET: could not be opened.*check that"):
        session.open()


def test_table_without_error_queue_sends_no_question_for_it(
    scripted: ScriptedInstrument, server: InstrumentServer
) -> None:
    """A table without error_query never asks for errors; the read-back alone decides."""
    with closing(instrument(server.resource, table(error_query=""))) as session:
        session.open()

        assert session.set_number(VOLTAGE, 3.3) == 3.3

    assert not [unit for unit in scripted.log if "ERR" in unit]


def test_token_counts_through_its_register(scripted: ScriptedInstrument, server: InstrumentServer) -> None:
    """Tokens are the numbers 1 to 255, each other than the one before, and go on from 1 after 255."""
    with closing(instrument(server.resource)) as session:
        session.open()
        for _ in range(260):
            session.number("MEAS:VOLT?", unit="V")

    tokens = [int(unit.removeprefix("*ESE ")) for unit in scripted.log if unit.startswith("*ESE ")]
    assert tokens == [*range(1, 256), *range(1, 6)]


@pytest.mark.parametrize("quantity", ["voltage", "current"])
def test_reading_of_which_nothing_is_stated_is_refused(quantity: str, server: InstrumentServer) -> None:
    """Without a stated accuracy a reading is neither perfect nor believed: the error names what to state."""
    session = Instrument(replace(spec(server.resource, table()), accuracy={}), open_wire=open_wire, note=Notes())

    with pytest.raises(
        InstrumentUnfit, match=rf"states how good it is in: nothing; give instruments\.psu\.accuracy\.{quantity}"
    ):
        session.believe(quantity, [3.7], range_=0.0)


def test_stated_accuracy_is_what_a_reading_is_worth(server: InstrumentServer) -> None:
    """The half width of 2 mV that is stated makes 2 mV over the root of 3 (JCGM 100:2008, 4.3.7)."""
    found = instrument(server.resource).believe("voltage", [3.7], range_=0.0)

    assert found.standard_uncertainty == pytest.approx(0.002 / 3**0.5)
