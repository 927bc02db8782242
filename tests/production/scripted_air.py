"""An air that follows a script, and a table with a board on it, for the checks of the air.

The checks, the matching and the judging are the real ones; the air is a list of what it does with each report.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from benchrig.board.air import AirDownlink, AirEvent, AirJoin, AirLevel, AirRefusal, AirUplink, DownlinkTaken
from benchrig.errors import BoardProtocolError, BoardTimeout, ConfigError
from benchrig.protocol.console import Answer, Line, Notice
from benchrig.records import FactJudged, NotProven
from benchrig.run_plan import Found

from .fake_bench import PROFILE, FakeConsole, FakeMeter, FakeRun, Table

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.board.air_price import AirDemand, AirPrice
    from benchrig.board.board import FrameAnswer
    from benchrig.clock import FakeClock

GOOD, LOST, UNSENT = "good", "lost", "not sent"
LEVEL = AirLevel(gateway="02004842F0000001", rssi_dbm=-60.0, snr_db=10.0, rate="SF7BW125")


@dataclass
class ScriptedAir:
    """What becomes of each report, in turn; good ones after the script is over. `pin` is what downlinks do."""

    clock: FakeClock
    script: list[str] = field(default_factory=list)
    joins: list[str] = field(default_factory=list)
    changes: Callable[[bytes], bytes] = bytes
    level: AirLevel = LEVEL
    can_join: bool = True
    can_repeat: bool = True
    can_time: bool = True
    nonce_step: int = 1
    rate: str = "SF7BW125"
    window: int | None = 1
    answers_from: int = 1
    obeys: bool = True
    obeys_twice: bool = False
    obeys_unknown: Callable[[bytes], int | None] = lambda _: None
    obeys_any_port: bool = False
    obeys_unasked: bool = False
    keeps_pin: bool = False
    name: str = "scripted air"
    device_eui: int = 0x02004842A0010001
    confirmed: bool = False
    pin_v: float = 0.0
    power_ups: int = 1
    switched: int = 0
    events: list[AirEvent] = field(default_factory=list)
    counter: int = 0
    nonce: int = 100
    waits: list[tuple[int, bytes, int]] = field(default_factory=list)
    sent: dict[int, tuple[bytes, int]] = field(default_factory=dict)

    # ---- what the board does

    def reports(self, frame: FrameAnswer) -> None:
        """A report goes out; whatever waits goes down after one that was heard."""
        fate = self.script.pop(0) if self.script else GOOD
        if fate != UNSENT:
            self.counter += 1
        if fate == GOOD:
            self._hear(frame)
            self._answer()
        elif fate not in (LOST, UNSENT):
            self.events.append(AirRefusal(at_s=self.clock.now_s(), why=fate, detail="counter 0", by_board=True))

    def _hear(self, frame: FrameAnswer) -> None:
        payload = self.changes(frame.handed or b"")
        self.events.append(
            AirUplink(
                at_s=self.clock.now_s(),
                counter=self.counter - 1,
                port=2,
                payload=payload,
                levels=(self.level,),
                confirmed=self.confirmed,
                airtime_us=56_576,
            )
        )

    def _answer(self) -> None:
        if not self.waits:
            return
        item, payload, port = self.waits.pop(0)
        is_again = item in self.sent
        self._order(item, payload, port, window=self.window and max(self.window, self.answers_from))
        if self.obeys and (self.obeys_twice or not is_again):
            self._obey(payload, port)

    def _order(self, item: int, payload: bytes, port: int, *, window: int | None) -> None:
        self.sent[item] = payload, port
        number = len(self.events)
        self.events += [
            AirDownlink(at_s=self.clock.now_s(), number=number, item=item, window=window, counter=item),
            DownlinkTaken(at_s=self.clock.now_s(), number=number, item=item),
        ]

    def _obey(self, payload: bytes, port: int) -> None:
        level = payload[0] if payload in (b"\x00", b"\x01") else self.obeys_unknown(payload)
        if level is not None and (port == 10 or self.obeys_any_port):
            self.pin_v, self.switched = 3.3 * level, self.switched + 1

    def pin_volts(self, power_ups: int) -> float:
        """What the meter sees; a power cut switches off, unless the board keeps its pin."""
        if power_ups != self.power_ups:
            self.power_ups = power_ups
            self.pin_v = self.pin_v if self.keeps_pin else 0.0
        return self.pin_v

    def asks_to_join(self) -> str:
        """What the board says of it."""
        fate = self.joins.pop(0) if self.joins else GOOD
        self.nonce += self.nonce_step
        if fate != "request lost":
            self.events.append(
                AirJoin(
                    at_s=self.clock.now_s(),
                    dev_nonce=self.nonce,
                    app_nonce=1,
                    dev_addr=1,
                    levels=(replace(LEVEL, rate=self.rate),),
                    airtime_us=61_696,
                )
            )
            window = self.window and max(self.window, self.answers_from)
            self.events.append(AirDownlink(at_s=self.clock.now_s(), number=0, item=None, window=window, counter=None))
        return "accepted" if fate == GOOD else "failed"

    # ---- what a check asks

    def wait_until_open(self) -> None:
        """It is."""

    def mark(self) -> int:
        return len(self.events)

    def events_since(self, mark: int) -> tuple[AirEvent, ...]:
        return tuple(self.events[mark:])

    def uplinks_since(self, mark: int) -> tuple[AirUplink, ...]:
        return tuple(event for event in self.events[mark:] if isinstance(event, AirUplink))

    def wait_for_join(self, timeout_s: float, *, since: int) -> AirJoin:
        for event in self.events[since:]:
            if isinstance(event, AirJoin):
                return event
        raise BoardTimeout(f"no join within {timeout_s:g} s")

    def wait_for_uplink(
        self, timeout_s: float, *, since: int, counter: int | None = None, port: int | None = None
    ) -> AirUplink:
        assert (counter, port) == (None, None)
        for event in self.events[since:]:
            if isinstance(event, AirRefusal):
                raise BoardProtocolError(f"an uplink was awaited and refused: {event.why}: {event.detail}")
            if isinstance(event, AirUplink):
                return event
        self.clock.sleep(timeout_s)
        raise BoardTimeout(f"no uplink within {timeout_s:g} s, while gateways are alive")

    def queue_downlink(self, payload: bytes, *, port: int, confirmed: bool = False) -> int:
        assert port in (10, 11)
        assert not confirmed
        item = len(self.sent) + len(self.waits) + 1
        self.waits.append((item, payload, port))
        return item

    def answer_from(self, window: int) -> None:
        assert self.can_time
        self.answers_from = window

    def send_unasked(self, payload: bytes, *, port: int) -> int:
        assert self.can_time
        item = len(self.sent) + 1
        self._order(item, payload, port, window=0)
        if self.obeys_unasked:
            self._obey(payload, port)
        return item

    def repeat_downlink(self, item: int) -> None:
        if item not in self.sent:
            raise ConfigError(f"no frame of item {item} to repeat")
        self.waits.append((item, *self.sent[item]))

    def wait_for_downlink(self, item: int, timeout_s: float, *, since: int) -> AirDownlink:
        for event in self.events[since:]:
            if isinstance(event, AirDownlink) and event.item == item:
                return event
        raise BoardTimeout(f"no occasion for downlink {item} within {timeout_s:g} s")

    def answer_joins(self, *, answer: bool) -> None:
        """Nobody asks it to hold back."""

    def wait_for_request(self, timeout_s: float, *, since: int, number: int = 1) -> AirJoin:
        """Nobody asks."""
        raise BoardTimeout(f"no join-request {number} within {timeout_s:g} s behind {since}")

    def price(self, demand: AirDemand) -> AirPrice | None:
        """Nobody asks."""

    def close(self) -> None:
        """Nothing is open."""


@dataclass
class AirConsole(FakeConsole):
    """A console that knows how to join, what its pin did, and its constants."""

    air: ScriptedAir | None = None
    said: str = ""

    def ask(self, question: str, **_: str) -> Answer:  # type: ignore[override]  # the fake of most checks answers nothing
        assert self.air is not None
        self.asked.append(question)
        fields = {}
        if question == "join":
            self.said = self.air.asks_to_join()
        elif question == "pin":
            fields = {"switched": str(self.air.switched)}
        elif question == "read_correction":
            fields = {"gain": "0", "offset": "0"}
        return Answer(question, fields, Line(b"", self.clock.now_s(), self.clock.now_s()))

    def wait_for_notice(self, name: str, *, began_after_s: float, timeout_s: float) -> Notice:
        assert (name, timeout_s) == ("joined", 10.0)
        self.clock.sleep(5.1)
        return Notice(name, {"outcome": self.said}, Line(f"JOIN {self.said}".encode(), began_after_s + 5.1, 0.0))


def table_with(
    check: str, scripted: ScriptedAir | None = None, **changes: object
) -> tuple[Table, FakeRun, ScriptedAir]:
    """A sound board under power, on a bench with a scripted air and a meter at its pin."""
    table = Table(check, replace(PROFILE, **changes)).powered()  # type: ignore[arg-type]
    air = scripted or ScriptedAir(table.clock)
    air.clock = table.clock
    board = table.board
    board.console = AirConsole(table.clock, air=air)
    plain_frame = board.frame

    def report() -> FrameAnswer:
        table.clock.sleep(0.1)
        frame = plain_frame()
        table.clock.sleep(0.1)
        air.reports(frame)
        return frame

    board.report = report  # type: ignore[method-assign]
    run = table.run()
    bench = run.on_bench.bench
    vars(bench)["pin"] = FakeMeter(table.clock, lambda: air.pin_volts(run.on_bench.power.power_ups))
    run.on_bench = replace(run.on_bench, air=air)
    run.on_bench.power.on_since_s, run.on_bench.power.power_ups = table.clock.now_s(), 1
    return table, run, air


def joined(run: FakeRun) -> FakeRun:
    """The run of a board that has joined."""
    run.found["joined"] = Found(1.0, 0.0, "1")
    return run


def fact(table: Table, name: str) -> FactJudged:
    """A fact by its name."""
    found = table.judged(name)
    assert isinstance(found, FactJudged)
    return found


def told(table: Table) -> str:
    """All that is not proven."""
    return " | ".join(record.text for record in table.records if isinstance(record, NotProven))
