"""The checks of the air against a scripted air: what is charged to the board, what to the bench, what stays open.

The checks, the matching and the judging are the real ones; the air is a list of what it does with each report.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import pytest

from benchrig.board.air import (
    AirDownlink,
    AirEvent,
    AirJoin,
    AirLevel,
    AirRefusal,
    AirUplink,
    DownlinkTaken,
)
from benchrig.board_run import Found
from benchrig.clock import FakeClock
from benchrig.errors import AirError, BoardProtocolError, BoardTimeout, ConfigError
from benchrig.production.downlink import check_downlink
from benchrig.production.hops import check_uplink_hops
from benchrig.production.join import check_join
from benchrig.protocol.console import Answer, Line, Notice
from benchrig.records import Annex, CheckFinished, FactJudged, NotProven, Verdict

from .fake_bench import PROFILE, FakeConsole, FakeMeter, FakeRun, Table

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.board.board import FrameAnswer

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
    nonce_step: int = 1
    window: int | None = 1
    obeys: bool = True
    obeys_twice: bool = False
    name: str = "scripted air"
    pin_v: float = 0.0
    switched: int = 0
    events: list[AirEvent] = field(default_factory=list)
    counter: int = 0
    nonce: int = 100
    waits: list[tuple[int, bytes]] = field(default_factory=list)
    sent: dict[int, bytes] = field(default_factory=dict)

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
                airtime_us=56_576,
            )
        )

    def _answer(self) -> None:
        if not self.waits:
            return
        item, payload = self.waits.pop(0)
        is_again = item in self.sent
        self.sent[item] = payload
        number = len(self.events)
        self.events += [
            AirDownlink(at_s=self.clock.now_s(), number=number, item=item, window=self.window, counter=item),
            DownlinkTaken(at_s=self.clock.now_s(), number=number, item=item),
        ]
        if self.obeys and (self.obeys_twice or not is_again):
            self.pin_v, self.switched = 3.3 * payload[0], self.switched + 1

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
                    levels=(LEVEL,),
                    airtime_us=61_696,
                )
            )
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
        assert (port, confirmed) == (10, False)
        item = len(self.sent) + len(self.waits) + 1
        self.waits.append((item, payload))
        return item

    def repeat_downlink(self, item: int) -> None:
        if item not in self.sent:
            raise ConfigError(f"no frame of item {item} to repeat")
        self.waits.append((item, self.sent[item]))

    def wait_for_downlink(self, item: int, timeout_s: float, *, since: int) -> AirDownlink:
        for event in self.events[since:]:
            if isinstance(event, AirDownlink) and event.item == item:
                return event
        raise BoardTimeout(f"no occasion for downlink {item} within {timeout_s:g} s")

    def close(self) -> None:
        """Nothing is open."""


@dataclass
class AirConsole(FakeConsole):
    """A console that knows how to join, what its pin did, and its constants."""

    air: ScriptedAir | None = None
    said: str = ""

    def ask(self, question: str) -> Answer:  # type: ignore[override]  # the fake of most checks answers nothing
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
    vars(bench)["pin"] = FakeMeter(table.clock, lambda: air.pin_v)
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


# ---- join


def test_two_joins_with_a_growing_nonce_pass() -> None:
    """One before and one after a power cut."""
    table, run, _ = table_with("join")

    assert table.do(check_join, run).verdict is Verdict.PASS
    assert fact(table, "nonce grows over a power cut").seen == "102"
    assert run.on_bench.power.power_ups == 2


def test_nonce_that_does_not_grow_fails() -> None:
    """A network that takes it all the same does not make it right."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), nonce_step=0))

    assert table.do(check_join, run).verdict is Verdict.FAIL
    assert fact(table, "nonce grows over a power cut").verdict is Verdict.FAIL


def test_board_that_never_hears_the_answer_fails() -> None:
    """Each request is heard and answered: it is deaf."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), joins=["answer lost"] * 3))

    assert table.do(check_join, run).verdict is Verdict.FAIL
    assert "3 of 3 requests heard and answered" in fact(table, "joins").seen
    assert "receive windows" in fact(table, "joins").next_action


def test_board_that_is_never_heard_fails() -> None:
    """The gateways live, and no request came."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), joins=["request lost"] * 3))

    assert table.do(check_join, run).verdict is Verdict.FAIL
    assert "no request was heard" in fact(table, "joins").next_action


def test_requests_heard_now_and_then_prove_nothing_of_the_board() -> None:
    """The air loses frames: charged to the bench."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), joins=["request lost", "answer lost", "request lost"]))

    with pytest.raises(AirError, match="of 3 join-requests 1 were heard"):
        table.do(check_join, run)


def test_second_try_is_told() -> None:
    """A join that took two tries passes, and says so."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), joins=["request lost"]))

    assert table.do(check_join, run).verdict is Verdict.PASS
    assert "it took 2 tries (request not heard)" in told(table)


def test_broker_sees_no_join() -> None:
    """It is not run, and names what would see it."""
    table, run, _ = table_with("join", ScriptedAir(FakeClock(), can_join=False))

    assert table.do(check_join, run).verdict is Verdict.NOT_RUN


@pytest.mark.parametrize("check", [check_join, check_uplink_hops, check_downlink])
@pytest.mark.parametrize("missing", ["plan", "air"])
def test_without_a_plan_or_an_air_nothing_is_run(check: Callable[..., None], missing: str) -> None:
    """Absence is not success, and no failure of the board."""
    table, run, _ = table_with("downlink", **({"air": None} if missing == "plan" else {}))
    if missing == "air":
        run.on_bench = replace(run.on_bench, air=None)

    finished: CheckFinished = table.do(check, run)

    assert finished.verdict is Verdict.NOT_RUN
    assert finished.next_action


# ---- uplinks


def test_healthy_uplinks_pass() -> None:
    """Five points and one after a power cut, each the same at every hop."""
    table, run, _ = table_with("uplink_hops")

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.PASS
    assert fact(table, "counters").seen == "so, 0, 1, 2, 3, 4, 5"
    assert run.on_bench.power.power_ups == 2


def test_bytes_that_change_in_the_modem_are_found_on_the_air_and_explained() -> None:
    """The UART holds, the air does not; the way that explains every frame stands beside it."""
    turned = ScriptedAir(FakeClock(), changes=lambda data: data[::-1])
    table, run, _ = table_with("uplink_hops", turned)

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "hop: modem UART").verdict is Verdict.PASS
    assert fact(table, "hop: frame on the air").verdict is Verdict.FAIL
    assert "explained by 'all bytes are in the opposite order'" in fact(table, "hop: frame on the air").next_action
    assert fact(table, "hop: decoded value").verdict is Verdict.PASS  # it only follows


def test_wrong_bytes_of_the_firmware_are_found_on_the_uart_alone() -> None:
    """What follows from them on the air is no second failure."""
    table, run, _ = table_with("uplink_hops")
    good = table.board.sends
    table.board.sends = lambda millivolts, celsius: (good(millivolts, celsius) or b"")[:8]

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    failed = [one.fact for one in table.measure.not_passed() if isinstance(one, FactJudged)]
    assert failed == ["hop: modem UART"]


def test_without_a_tap_wrong_bytes_are_found_on_the_air() -> None:
    """The nearest hop that the bench sees is blamed, and what it does not see is no hop of the table."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), changes=lambda _: bytes(9)))
    table.board.tap = None

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    failed = [one.fact for one in table.measure.not_passed() if isinstance(one, FactJudged)]
    assert failed == ["hop: frame on the air"]
    assert not [one for one in table.measure.judged if isinstance(one, FactJudged) and one.fact == "hop: modem UART"]


def test_frames_that_were_sent_and_not_heard_are_charged_to_the_bench() -> None:
    """The counter left one out, the others came loud: the air lost it. The table is written all the same."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[GOOD, LOST]))

    with pytest.raises(AirError, match="1 of 7 were not heard, 1 of these sent by the frame counter"):
        table.do(check_uplink_hops, joined(run))
    assert any(isinstance(one, Annex) and one.title == "uplinks hop by hop" for one in table.records)


def test_weak_frames_that_get_lost_are_charged_to_the_board() -> None:
    """Where the level is below its limit, an antenna is likelier than the air."""
    weak = replace(LEVEL, rssi_dbm=-101.0)
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[GOOD, LOST], level=weak))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "frames reach the air").verdict is Verdict.FAIL
    assert table.verdict("rssi") is Verdict.FAIL


def test_modem_that_does_not_send_is_charged_to_the_board() -> None:
    """No counter was left out: what was not heard was not sent."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[GOOD, UNSENT]))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "frames reach the air").verdict is Verdict.FAIL


def test_board_that_is_never_heard_on_the_air_fails_soon() -> None:
    """Three tries of the first point are enough."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[LOST] * 9))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert "3 of 3 were not heard" in fact(table, "frames reach the air").seen


def test_last_frames_lost_stay_undecided() -> None:
    """No later counter tells whether they were sent."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[GOOD] * 5 + [LOST] * 3))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.UNDECIDED
    assert "no later frame tells" in fact(table, "frames reach the air").why


def test_counter_that_begins_anew_fails() -> None:
    """The network refuses the frame after the power cut; the frames before it are judged all the same."""
    table, run, _ = table_with("uplink_hops", ScriptedAir(FakeClock(), script=[GOOD] * 5 + ["replay"]))

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert "refused: replay" in fact(table, "counters").why
    assert fact(table, "hop: frame on the air").seen == "so in all 5 frames"


def test_radio_that_is_on_longer_than_its_frame_fails() -> None:
    """Formula and current of one transmission do not agree."""
    table, run, _ = table_with("uplink_hops")
    run.found["transmit_duration_s"] = Found(0.0700, 4e-5, "s")

    assert table.do(check_uplink_hops, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "time on air in the current").verdict is Verdict.FAIL


def test_board_that_did_not_join_is_not_tried() -> None:
    """The check before it says why."""
    table, run, _ = table_with("uplink_hops")
    run.checks["join"] = CheckFinished(check="join", verdict=Verdict.FAIL, why="", duration_s=0.0, at_s=0.0)

    assert table.do(check_uplink_hops, run).verdict is Verdict.NOT_RUN


def test_check_alone_lets_the_board_join_first() -> None:
    """Chosen without the check of the join, it asks for one."""
    table, run, _ = table_with("uplink_hops")

    assert table.do(check_uplink_hops, run).verdict is Verdict.PASS
    assert "joined" in run.found


# ---- downlinks


def test_pin_goes_on_and_off_and_a_repeated_frame_is_dropped() -> None:
    """The whole story, seen by the meter."""
    table, run, air = table_with("downlink")

    assert table.do(check_downlink, joined(run)).verdict is Verdict.PASS
    assert (air.pin_v, air.switched) == (0.0, 2)


def test_repeated_frame_that_switches_fails() -> None:
    """The meter sees the pin, and the board counts one command too many."""
    table, run, _ = table_with("downlink", ScriptedAir(FakeClock(), obeys_twice=True))

    assert table.do(check_downlink, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "a repeated frame switches nothing").verdict is Verdict.FAIL
    assert (fact(table, "commands obeyed").seen, fact(table, "commands obeyed").verdict) == ("3", Verdict.FAIL)


def test_pin_that_does_not_move_fails() -> None:
    """Three downlinks went down in the right window, and the meter saw nothing."""
    table, run, air = table_with("downlink", ScriptedAir(FakeClock(), obeys=False))

    assert table.do(check_downlink, joined(run)).verdict is Verdict.FAIL
    assert fact(table, "'on' obeyed").seen == "not on after 3 downlinks"
    assert fact(table, "'on' obeyed").verdict is Verdict.FAIL
    assert len(air.sent) == 4


def test_downlink_of_the_second_window_is_undecided() -> None:
    """The bench was late: that is not held against the board, and nothing is proven of its first window."""
    table, run, _ = table_with("downlink", ScriptedAir(FakeClock(), window=2))

    assert table.do(check_downlink, joined(run)).verdict is Verdict.UNDECIDED


def test_broker_leaves_window_and_repetition_open() -> None:
    """What a network behind a broker does not tell, or cannot do, is named as not proven."""
    table, run, _ = table_with("downlink", ScriptedAir(FakeClock(), can_join=False, can_repeat=False, window=None))

    assert table.do(check_downlink, run).verdict is Verdict.PASS
    assert "in which receive window" in told(table)
    assert "that a repeated frame switches nothing" in told(table)


def test_uplink_that_gives_the_occasion_is_tried_again() -> None:
    """A report that was lost costs a try, no second command."""
    table, run, air = table_with("downlink", ScriptedAir(FakeClock(), script=[LOST]))

    assert table.do(check_downlink, joined(run)).verdict is Verdict.PASS
    assert air.switched == 2
