"""Trials of a battery voltage: does the rail hold, does the board live, was it reset, does it restart.

Each trial begins from the same state, applies one voltage, holds it for the dwell and is measured at the terminals; the
set-point is corrected by what the last one was off. Which voltage comes next is ruled in `judge.bisection`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.bisection import Search, Trial
from benchrig.procedures.alive import boot_notice, boots, draws_current, restore
from benchrig.procedures.terminals import set_battery

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchrig.bench.meter import Meter
    from benchrig.board.thresholds_table import ThresholdsPlan
    from benchrig.judge.bisection import SearchPlan, Stimulus
    from benchrig.procedures.on_bench import OnBench
    from benchrig.reading import Reading

Held = tuple["Reading", bool]
"""The terminals during a trial, and whether the board held."""

_RAIL_UP = 0.5
"""Of the nominal rail: below it the converter is off, above it the rail only sags. Own choice."""


@dataclass
class Trials:
    """The trials of one board. `off_v`: what a set-point must be above the terminal voltage that is wanted."""

    on: OnBench
    plan: ThresholdsPlan
    rail: Meter | None
    off_v: float = 0.0

    def dropout(self) -> Search:
        """The rail under load, against what it is at nominal battery. Needs a meter on the rail."""
        on, rail = self.on, self.rail
        assert rail is not None  # whoever asks has looked
        self._restored()
        on.board.load(on=True)
        try:
            self._apply(on.profile.power.nominal_v)
            nominal = on.record("rail at nominal battery, under load", rail.read_voltage())
            least_v = nominal.value * (1.0 - self.plan.rail_drop_ratio)

            def holds(stimulus: Stimulus) -> Held:
                terminals = self._hold(stimulus)
                return terminals, rail.read_voltage().value >= least_v

            return self._search("dropout", self.plan.dropout, holds)
        finally:
            set_battery(on, on.profile.power.nominal_v, settle_s=0.0)
            self._restored()
            on.board.load(on=False)

    def lockout(self) -> Search:
        """From nominal down: does the converter stay on? Without a meter on the rail: does the board stay alive?"""

        def holds(stimulus: Stimulus) -> Held:
            self._restored()
            sound_v = self.rail.read_voltage().value if self.rail else 0.0
            terminals = self._hold(stimulus)
            if self.rail:
                return terminals, self.rail.read_voltage().value >= _RAIL_UP * sound_v
            return terminals, draws_current(self.on, self.plan.alive_above_a)

        return self._search("lockout_falling", self.plan.lockout, holds)

    def reset(self) -> Search:
        """From nominal down and back: does the board answer with the count of restarts that it had before?"""

        def holds(stimulus: Stimulus) -> Held:
            before = self._restored()
            began_s = self.on.clock.now_s()
            terminals = self._hold(stimulus)
            is_alive = draws_current(self.on, self.plan.alive_above_a)
            set_battery(self.on, self.on.profile.power.nominal_v, settle_s=0.0)
            if not is_alive:
                boot_notice(self.on, after_s=began_s, within_s=self.on.profile.identity.boot_s)
            return terminals, boots(self.on, alive_above_a=self.plan.alive_above_a) == before

        return self._search("reset", self.plan.reset, holds)

    def restart(self) -> Search:
        """From a dead board up: does it come to life? A board that does not die at `restart_from_v` always holds."""

        def holds(stimulus: Stimulus) -> Held:
            on, plan = self.on, self.plan
            self._restored()
            set_battery(on, plan.restart_from_v, settle_s=plan.recover_off_s / 4.0)
            began_s = on.clock.now_s()
            terminals = self._hold(stimulus)
            if not draws_current(on, plan.alive_above_a):
                return terminals, False
            is_back = boot_notice(on, after_s=began_s, within_s=on.profile.identity.boot_s) is not None
            return terminals, is_back or boots(on, alive_above_a=plan.alive_above_a) is not None

        return self._search("restart_rising", self.plan.restart, holds)

    def _search(self, name: str, plan: SearchPlan, trial: Callable[[Stimulus], Held]) -> Search:
        search = Search(plan)
        while (stimulus := search.next()) is not None:
            terminals, holds = trial(stimulus)
            word = "holds" if holds else "fails"
            self.on.record(f"{name}, trial {len(search.trials) + 1} ({stimulus.why}): {word}", terminals)
            search = search.after(
                Trial(
                    asked=stimulus,
                    volts=terminals.value,
                    standard_uncertainty_v=terminals.standard_uncertainty,
                    holds=holds,
                )
            )
        return search

    def _restored(self) -> int:
        return restore(self.on, alive_above_a=self.plan.alive_above_a, off_s=self.plan.recover_off_s)

    def _hold(self, stimulus: Stimulus) -> Reading:
        """The voltage applied and held for the dwell; the terminals at its end."""
        self._apply(stimulus.volts)
        with self.on.phases("board"):
            self.on.clock.sleep(stimulus.dwell_s)
        with self.on.phases("measuring"):
            terminals = self.on.bench.terminals.read_voltage()
        self.off_v += stimulus.volts - terminals.value
        return terminals

    def _apply(self, volts: float) -> None:
        ceiling_v = min(self.on.profile.maximum_voltage_v, self.on.profile.power.protection_v)
        set_battery(self.on, max(0.0, min(ceiling_v, volts + self.off_v)), settle_s=0.0)
