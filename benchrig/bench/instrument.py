"""One instrument: a VISA session, its command table, and the rules that make its answers trustworthy.

Every exchange carries a token: it writes a number into the *ESE register (IEEE 488.2 11.5.1.3, eight bits,
mandatory, and of no other use here because benchrig never asks for service requests) and reads it back last,
in the same message where the instrument can join messages. A late, doubled or foreign reply carries another
number and is never taken. After any reply that is late, garbled or out of turn the session is closed, opened
again, identified and its error queue read before an answer is trusted again; each such resync is told to `note`.
"""

from __future__ import annotations

import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Protocol, TypeVar

import tenacity

from benchrig.errors import (
    InstrumentError,
    InstrumentIdentityError,
    InstrumentLost,
    InstrumentRefusal,
    InstrumentReplyError,
    InstrumentTimeout,
    InstrumentUnfit,
)
from benchrig.judge.belief import Believed, believed
from benchrig.judge.uncertainty import NOT_KNOWN
from benchrig.protocol import scpi

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from benchrig.bench.bench_file import InstrumentSpec
    from benchrig.bench.command_table import NumberSetting
    from benchrig.judge.uncertainty import AccuracyTerms, Component, Conditions
    from benchrig.protocol.scpi import Identity

T = TypeVar("T")


_RESYNCS = 2
_MAX_RESYNCS = 3
_MAX_ERRORS = 32
_RESYNC_ON = (InstrumentTimeout, InstrumentReplyError, InstrumentLost)


class MessageWire(Protocol):
    """What an instrument asks of its wire; `benchrig.wires.visa` has the real one."""

    def write(self, message: bytes) -> None: ...
    def query(self, message: bytes, *, timeout_s: float) -> bytes: ...
    def read_block(self, *, timeout_s: float) -> bytes: ...
    def unread(self) -> bytes: ...
    def close(self) -> None: ...


class Instrument:
    """A session with one instrument of the bench file. Not to be used before `open()`; thread safe."""

    def __init__(
        self,
        spec: InstrumentSpec,
        *,
        open_wire: Callable[[InstrumentSpec], MessageWire],
        note: Callable[[str, str], None],
        conditions: Conditions = NOT_KNOWN,
    ) -> None:
        self.spec = spec
        self.conditions = conditions
        self.name = spec.name
        self.table = spec.table
        self.identity: Identity | None = None
        self.resyncs = 0
        self._open_wire = open_wire
        self._note = note
        self._wire: MessageWire | None = None
        self._in_use = False
        self._token = 0
        self._told = ""
        self._lock = threading.RLock()
        self._policy = tenacity.Retrying(
            stop=tenacity.stop_after_attempt(_RESYNCS),
            retry=tenacity.retry_if_exception_type(_RESYNC_ON),
            wait=tenacity.wait_none(),
            reraise=True,
        )

    def believe(
        self, quantity: str, values: Sequence[float], *, range_: float, beside: Iterable[Component] = ()
    ) -> Believed:
        """Mean of readings with the causes of its uncertainty: stated accuracy, scatter, and what is `beside` them.

        Raises InstrumentUnfit where nobody stated how good it is.
        """
        terms = self.accuracy(quantity)
        return believed(values, range_=range_, terms=terms, conditions=self.conditions, beside=beside)

    def accuracy(self, quantity: str) -> AccuracyTerms:
        """How far it can be believed in a quantity; an instrument of which nothing is stated is not perfect."""
        terms = self.spec.accuracy.get(quantity)
        if terms is None:
            stated = ", ".join(self.spec.accuracy) or "nothing"
            raise InstrumentUnfit(
                f"{self._at()}: a reading of {quantity} was to be judged, and the bench file states how good it is in: "
                f"{stated}; give instruments.{self.name}.accuracy.{quantity} as its data sheet has it",
                self.name,
            )
        return terms

    # ---- session -------------------------------------------------------------------------------------

    def open(self) -> Identity:
        """Open, identify, compare with the bench file, and empty the error queue of old entries."""
        with self._lock:
            self._drop_wire()
            self._wire = self._open_wire(self.spec)
            try:
                self.identity = self._identify()
                self._forget_old_errors()
            except BaseException:
                self._drop_wire()
                raise
            self._in_use = True
            return self.identity

    def close(self) -> None:
        """End the session; never raises, since it runs while something worse may be on its way up."""
        with self._lock:
            self._in_use = False
            self._drop_wire()

    def _drop_wire(self) -> None:
        wire, self._wire = self._wire, None
        self._told = ""
        if wire is not None:
            with suppress(InstrumentError):  # the session is given up either way
                wire.close()

    def resync(self, why: str) -> None:
        """Close, reopen, identify, read the error queue. Raises what the reopening raises.

        An instrument that needs it again and again answers by luck: InstrumentUnfit, and it stays closed.
        """
        self._drop_wire()
        self.resyncs += 1
        if self.resyncs > _MAX_RESYNCS:
            raise InstrumentUnfit(
                f"{self._at()}: its {self.resyncs}th answer that was late, lost or senseless in this run: {why}; "
                f"accepted: {_MAX_RESYNCS} in a run; check cable, network and firmware of the instrument",
                self.name,
            )
        self._note("resync", f"{self._at()}: {why}; session closed, opened again and identified")
        self.open()

    def _identify(self) -> Identity:
        line = self._live_wire().query(b"*IDN?", timeout_s=self.spec.timeout_s)
        try:
            found = scpi.parse_identity(line.decode("ascii"))
        except ValueError as wrong:
            raise InstrumentReplyError(
                f"{self._at()}: asked *IDN?, {wrong}; look what stands at this address", self.name
            ) from wrong
        for word, expected, seen in (
            ("maker", self.spec.maker, found.maker),
            ("model", self.spec.model, found.model),
            ("serial number", self.spec.serial, found.serial),
        ):
            if expected and seen != expected:
                raise InstrumentIdentityError(
                    f"{self._at()}: the bench file says {word} {expected!r}, the instrument there says {seen!r} "
                    f"({line.decode('ascii', 'backslashreplace')}); check the wiring, or correct the bench file",
                    self.name,
                )
        return found

    def _forget_old_errors(self) -> None:
        """Entries from before this session are told, and not charged to it."""
        wire = self._live_wire()
        if self.table.clear:
            wire.write(self.table.clear.encode("ascii"))
        for entry in self._read_errors():
            self._note("old instrument error", f"{self._at()}: {entry}")

    def _read_errors(self) -> list[str]:
        if not self.table.error_query:
            return []
        entries: list[str] = []
        for _ in range(_MAX_ERRORS):
            line = self._live_wire().query(self.table.error_query.encode("ascii"), timeout_s=self.spec.timeout_s)
            entry = self._parse(scpi.parse_error_entry, line.decode("ascii", "replace"), "its error queue")
            if entry.number == 0:
                return entries
            entries.append(f"{entry.number}, {entry.text}")
        entries.append(f"more than {_MAX_ERRORS} entries")
        return entries

    # ---- exchanges -----------------------------------------------------------------------------------

    def ask(self, query: str, *, timeout_s: float | None = None) -> str:
        """One question, one answer, tied together by the token; repeated after a resync when it went wrong."""
        return self._trusted(lambda: self._exchange((query,), timeout_s=timeout_s)[0])

    def number(
        self, query: str, *, unit: str, header: str = "", suffix: str = "", prepare: str = ""
    ) -> tuple[float, str]:
        """A measured number in the base unit, and its raw text.

        `prepare` is sent first unless it was the last that this session was told. `suffix` is what the
        instrument writes behind the number when that is no unit symbol.
        """

        def once() -> tuple[float, str]:
            self._tell(prepare)
            raw = self._exchange((query,))[0]
            try:
                return scpi.parse_number(raw.removesuffix(suffix), unit=unit, header=header or None), raw
            except scpi.NotANumber as wrong:
                raise self._unusable(query, wrong) from wrong

        return self._trusted(once)

    def set_number(self, setting: NumberSetting, value: float, *, channel: int | None = None) -> float:
        """Set, read back and read the error queue, in one message. Returns the read-back (base unit).

        Raises InstrumentRefusal with the instrument's own words, InstrumentUnfit when the read-back differs
        from what was asked by more than the table's tolerance.
        """
        command = setting.set.format(value=value, channel=channel)
        query = setting.query.format(channel=channel)

        def once() -> float:
            raw = self._commanded(command, query)
            return self._parse(
                lambda text: scpi.parse_number(text, unit=setting.unit, header=setting.header or None), raw, query
            )

        seen = self._trusted(once)
        if abs(seen - value) > setting.tolerance * (1 + 1e-9):
            raise InstrumentUnfit(
                f"{self._at()}: asked {command!r}, read back {seen:g} {setting.unit} (accepted: {value:g} "
                f"within {setting.tolerance:g}); the instrument does not do what it is told, take it out",
                self.name,
            )
        return seen

    def switch(self, command: str, query: str, *, header: str = "") -> bool:
        """Send a switch command; returns the switch position read back."""

        def once() -> bool:
            answer = self._commanded(command, query)
            return self._parse(lambda text: scpi.parse_boolean(text, header=header or None), answer, query)

        return self._trusted(once)

    def command(self, *commands: str) -> None:
        """Send commands; the error queue says whether they were taken."""
        self._trusted(lambda: self._commanded("", "", *commands))

    def block(self, query: str, *, timeout_s: float) -> bytes:
        """A definite-length block. No token fits behind a block, so nothing may wait unread before it."""

        def once() -> bytes:
            wire = self._live_wire()
            self._refuse_unread(wire, query)
            wire.write(query.encode("ascii"))
            return wire.read_block(timeout_s=timeout_s)

        return self._trusted(once)

    def _tell(self, prepare: str) -> None:
        """A session that is opened again was told nothing: the instrument may have been switched off between."""
        if prepare and prepare != self._told:
            self._told = ""
            self._commanded(prepare, "")
            self._told = prepare

    def _commanded(self, command: str, query: str, *more: str) -> str:
        """Commands, then a query when there is one, then the error queue; returns the query's answer."""
        units = tuple(unit for unit in (command, *more, query, self.table.error_query) if unit)
        fields = self._exchange(units)
        if self.table.error_query:
            entry = self._parse(scpi.parse_error_entry, fields[-1], "its error queue")
            if entry.number != 0:
                others = self._read_errors()
                texts = "; ".join([f"{entry.number}, {entry.text}", *others])
                raise InstrumentRefusal(
                    f"{self._at()}: asked {'; '.join(u for u in (command, *more) if u)!r}, its error queue says: "
                    f"{texts}; check the command table {self.table.name} and the instrument's limits",
                    self.name,
                )
        return fields[0] if query else ""

    def _exchange(self, units: tuple[str, ...], *, timeout_s: float | None = None) -> list[str]:
        """Send message units and return one response for each query among them; the token is checked."""
        wire = self._live_wire()
        wait_s = self.spec.timeout_s if timeout_s is None else timeout_s
        token = self._next_token()
        marked = (f"*ESE {token}", *units, "*ESE?") if token else units
        fields: list[str] = []
        for sent in (scpi.message(*marked),) if self.table.joins else marked:
            if "?" in sent:
                fields += self._fields(wire.query(sent.encode("ascii"), timeout_s=wait_s), sent)
            else:
                wire.write(sent.encode("ascii"))
        if token:
            self._check_token(fields, token, marked)
            fields = fields[:-1]
        expected = sum(unit.count("?") for unit in units)
        if len(fields) != expected:
            raise InstrumentReplyError(
                f"{self._at()}: asked {';'.join(units)!r}, came back {';'.join(fields)!r}: {len(fields)} answers to "
                f"{expected} questions",
                self.name,
            )
        return fields

    def _fields(self, line: bytes, sent: str) -> list[str]:
        try:
            return scpi.split_response(line.decode("ascii"))
        except ValueError as wrong:  # a UnicodeDecodeError is one, too
            raise InstrumentReplyError(
                f"{self._at()}: asked {sent!r}, came back {line[:60]!r}, which is no response message: {wrong}",
                self.name,
            ) from wrong

    def _check_token(self, fields: list[str], token: int, sent: tuple[str, ...]) -> None:
        if not fields or fields[-1].lstrip("+0") != str(token):
            raise InstrumentReplyError(
                f"{self._at()}: asked {';'.join(sent)!r}, came back {';'.join(fields)!r}: it ends in another token "
                f"than {token}, so it answers another question",
                self.name,
            )

    def _next_token(self) -> int:
        if not self.table.token:
            return 0
        self._token = self._token % 255 + 1
        return self._token

    def _refuse_unread(self, wire: MessageWire, query: str) -> None:
        waiting = wire.unread()
        if waiting:
            raise InstrumentReplyError(
                f"{self._at()}: before asking {query!r} an unread reply was waiting: {waiting[:60]!r}",
                self.name,
            )

    # ---- trust ---------------------------------------------------------------------------------------

    def _trusted(self, once: Callable[[], T]) -> T:
        """Run an exchange; after a lost, late or senseless answer resync and run it again, a few times at most.

        The policy enters only once something went wrong: its bookkeeping costs more than a sound exchange.
        """
        with self._lock:
            if not self._in_use:
                raise self._not_open()
            try:
                return once()
            except _RESYNC_ON as wrong:
                failure: Exception = wrong

            def again() -> T:
                nonlocal failure
                try:
                    self.resync(str(failure))
                    return once()
                except _RESYNC_ON as wrong:
                    failure = wrong
                    raise

            return self._policy(again)

    def _unusable(self, query: str, wrong: scpi.NotANumber) -> InstrumentError:
        text = f"{self._at()}: asked {query!r}, {wrong}"
        if wrong.kind in ("overload", "not a number"):
            return InstrumentUnfit(f"{text}; check range, leads and wiring", self.name)
        return InstrumentReplyError(text, self.name)

    def _parse(self, parse: Callable[[str], T], text: str, asked: str) -> T:
        try:
            return parse(text)
        except ValueError as wrong:
            raise InstrumentReplyError(f"{self._at()}: asked {asked!r}, {wrong}", self.name) from wrong

    def _live_wire(self) -> MessageWire:
        if self._wire is None:
            raise self._not_open()
        return self._wire

    def _not_open(self) -> InstrumentLost:
        return InstrumentLost(f"{self._at()}: the session is not open", self.name)

    def _at(self) -> str:
        return f"{self.spec.kind} {self.name} at {self.spec.resource}"
