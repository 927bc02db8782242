"""Current through one uplink: recorded from before the board is asked until its receive windows are over."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchrig.bench.recorder import CurrentRecorder, CurrentTrace
    from benchrig.board.board import FrameAnswer
    from benchrig.procedures.on_bench import OnBench


def record_uplink(on: OnBench, recorder: CurrentRecorder) -> tuple[CurrentTrace, FrameAnswer]:
    """Record, have the board report, wait until it says that it is done, and fetch the window."""
    plan = on.profile.transmit
    recorder.start(window_s=plan.window_s, interval_s=plan.interval_s, range_a=recorder.wiring.transmit_range_a)
    began_s = on.clock.now_s()
    try:
        with on.phases("board"):
            frame = on.board.report()
            on.board.wait_for_report_done(after_s=began_s, timeout_s=2.0 * plan.window_s)
    except BaseException:
        recorder.abort()
        raise
    with on.phases("board"):
        on.clock.sleep(recorder.ends_at_s - on.clock.now_s())
    with on.phases("measuring"):
        return recorder.finish(), frame
