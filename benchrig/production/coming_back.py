"""Whether the board comes back after dusk, plateaus and power holes: points tried, region told, map drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.judge.coming_back import Fate, region_text, text_map
from benchrig.procedures.coming_back import try_points
from benchrig.procedures.power import ready
from benchrig.production.restarts import restarts_are_ordered
from benchrig.report.coming_back_plot import draw_map

if TYPE_CHECKING:
    from benchrig.bench.recorder import CurrentRecorder
    from benchrig.board.coming_back_table import ComingBackPlan
    from benchrig.board_run import BoardRun
    from benchrig.check import Check
    from benchrig.judge.coming_back import Tried
    from benchrig.procedures.coming_back import Result
    from benchrig.procedures.on_bench import OnBench

_LOOK = (
    "look at the brown-out detector, at the reset chip's release time and at what keeps the converter's enable pin "
    "charged; try the worst corner by hand, with an oscilloscope on rail and reset"
)


def check_coming_back(run: BoardRun, measure: Check) -> None:
    """Try every point of the plan, follow the border of what is bad, judge, and draw the map."""
    plan = run.plan.profile.coming_back
    if plan is None:
        measure.undecided(
            "not_back", "the profile plans no points: it has no table coming_back", next_action="write that table"
        )
        return
    on = run.on_bench
    ready(on)
    results: list[Result] = []
    try:
        with restarts_are_ordered(on, alive_above_a=plan.alive_above_a):
            for result in try_points(on, plan, _recorder(on, measure)):
                results.append(result)
                _tell(run, result.tried, len(results))
    finally:  # a board that is lost on the way leaves what was found until then
        _show(run, measure, [result.tried for result in results])
    _judge(measure, plan, results)


def _recorder(on: OnBench, measure: Check) -> CurrentRecorder | None:
    """The recorder, where it can see a board asleep."""
    if on.bench.recorder is not None and on.link_release != "none":
        return on.bench.recorder
    measure.undecided(
        "sleep_current",
        "no current recorder in the battery lead, or no way to release the console link: a board that came back and "
        "never sleeps again is not seen",
        next_action="wire a recorder (slots.N.recorder) and an adapter that a closed port leaves unpowered",
    )
    return None


def _tell(run: BoardRun, tried: Tried, number: int) -> None:
    if tried.is_bad:
        run.note("coming back", f"point {number}: {tried.fate}: {tried.point.text}", charged_to="board")


def _show(run: BoardRun, measure: Check, tried: list[Tried]) -> None:
    if not tried:
        return
    measure.annex("coming back: map of the points tried", text_map(tried))
    path = run.journal_path.with_suffix("") / "coming_back.svg"
    draw_map(tried, path, title=f"board {run.plan.board}: coming back")
    run.keep_file("plot", "coming back", path)


def _judge(measure: Check, plan: ComingBackPlan, results: list[Result]) -> None:
    tried = [result.tried for result in results]
    bad, made = [one for one in tried if one.is_bad], [one for one in tried if one.counts]
    measure.fact(
        "comes back",
        expected=f"alive at nominal after each of {len(made)} power interruptions that were made "
        f"({plan.points.planned(tried)} planned)",
        seen=region_text(tried) or ("it did each time" if made else "nothing: none was made as planned"),
        holds=False if bad else True if made else None,
        why="" if bad or made else "the bench made none of the planned power interruptions",
        next_action=_LOOK,
    )
    measure("not_back", float(len(bad)), unit="1", next_action=_LOOK)
    _judge_bench(measure, plan, tried)
    back = [one for one in tried if one.fate is not Fate.HUNG]
    if back:
        most = max(back, key=lambda one: one.restarts)
        measure(
            "restarts",
            float(most.restarts),
            unit="1",
            at=f"most, {most.point.text}",
            next_action="it restarts again and again on its way up: look at hysteresis and at what it draws in booting",
        )
    currents = [result for result in results if result.asleep is not None]
    if currents:
        worst = max(currents, key=lambda result: result.asleep.value if result.asleep else 0.0)
        measure(
            "sleep_current",
            worst.asleep,
            at=f"highest, after {worst.tried.point.text}",
            next_action="it came back and does not sleep as before: look at what start-up leaves on",
        )
    for text in plan.points.left_open(tried):
        measure.not_proven(f"coming back: {text}")


def _judge_bench(measure: Check, plan: ComingBackPlan, tried: list[Tried]) -> None:
    """A board that survived what the bench could not make as planned has proven little."""
    made = sum(one.as_planned for one in tried)
    is_enough = made >= plan.least_made * len(tried)
    measure.fact(
        "points made as planned",
        expected=f"{plan.least_made:.0%} of them or more",
        seen=f"{made} of {len(tried)}",
        holds=True if is_enough else None,
        why="" if is_enough else f"the bench made only {made} of {len(tried)} points as planned",
        next_action="use a supply that takes commands faster, or plan slower ramps and longer holes",
    )
