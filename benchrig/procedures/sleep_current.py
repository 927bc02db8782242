"""Floor current: the board asleep, the console released, a window of whole wake periods recorded, then woken."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.procedures.critical_path import sleep_window_s

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.bench.recorder import CurrentRecorder, CurrentTrace
    from benchrig.procedures.on_bench import OnBench


def record_sleep(
    on: OnBench, recorder: CurrentRecorder, *, meanwhile: Callable[[], None] = lambda: None
) -> CurrentTrace:
    """Send the board to sleep, let go of its console and record. Leaves the console released.

    `meanwhile` is done while the window fills, and should be over before it is full.
    """
    plan = on.profile.sleep
    on.board.console.ask("sleep")
    on.board.release_links()
    with on.phases("board"):
        on.clock.sleep(plan.fall_asleep_s)
        window_s = sleep_window_s(on.profile)
        recorder.start(window_s=window_s, interval_s=plan.interval_s, range_a=recorder.wiring.sleep_range_a)
        try:
            meanwhile()
        except BaseException:
            recorder.abort()
            raise
        on.clock.sleep(recorder.ends_at_s - on.clock.now_s())
    with on.phases("measuring"):
        return recorder.finish()


def wake(on: OnBench) -> None:
    """Open the console again and wake the board by a question. Raises BoardTimeout when it does not wake."""
    on.board.reopen_links()
    began_s = on.clock.now_s()
    on.board.console.nudge()
    with on.phases("board"):
        on.board.console.wait_for_notice("woke", began_after_s=began_s, timeout_s=on.profile.sleep.wake_period_s)
