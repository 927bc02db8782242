"""Reads the board profile's optional table `payload_flags`: what each flag of a frame must be, and why.

The table holds one table for each field of flags, and in it one rule for each flag. A flag without a rule is held
against nothing, and a run says so. Three rules: the state of the board's own load, the battery below a threshold, or
always the same on this bench.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.board.payload_table import STAND_IN_MAP
from benchrig.payload.checks import LONGEST_BYTES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from benchrig.payload.field_map import FieldMap
    from benchrig.toml_reader import Section

LOAD = "load"
_ACCEPTED = 'accepted: one of follows = "load", battery_below_v = VOLTS, always = 0 or 1'


@dataclass(frozen=True)
class FlagRule:
    """What one flag (`field.flag`) must be; exactly one of the three is given."""

    name: str
    follows_load: bool = False
    battery_below_v: float | None = None
    always: int | None = None

    def expected(self, *, battery_v: float, load_is_on: bool = False) -> int:
        """0 or 1, by the battery voltage of the frame's own sample and the state of the load."""
        if self.follows_load:
            return int(load_is_on)
        if self.battery_below_v is not None:
            return int(battery_v < self.battery_below_v)
        return self.always or 0


def read_payload_flags(top: Section, field_map: FieldMap) -> tuple[FlagRule, ...]:
    """The rules, in the order of the file; none where the table is absent."""
    section = top.section("payload_flags", required=False)
    if section is None:
        return ()
    known = {one.name: (*one.field.flags.values(),) for one in field_map.placed(LONGEST_BYTES) if one.field.flags}
    fields = [(name, section.section(name)) for name in section.names()]
    rules = [rule for name, flags in fields if flags is not None for rule in _rules(flags, name)]
    for rule in rules:
        field, _, flag = rule.name.rpartition(".")
        if flag not in known.get(field, ()) and field_map is not STAND_IN_MAP:
            all_flags = ", ".join(f"{name}.{one}" for name, flags in known.items() for one in flags)
            section.problem(rule.name, f"the payload has no such flag; its flags: {all_flags or 'none'}")
    return tuple(rules)


def _rules(section: Section, field: str) -> Iterator[FlagRule]:
    for flag in section.names():
        rule = section.section(flag)
        if rule is not None:
            yield _rule(rule, f"{field}.{flag}")


def _rule(section: Section, name: str) -> FlagRule:
    given = [key for key in ("follows", "battery_below_v", "always") if section.has(key)]
    if len(given) != 1:
        section.problem("", f"{' and '.join(given) or 'no rule'} given; {_ACCEPTED}")
    follows = section.text("follows", accepted=(LOAD,)) if "follows" in given else ""
    below_v = section.number("battery_below_v", above=0.0, at_most=60.0) if "battery_below_v" in given else math.nan
    always = section.integer("always", at_least=0, at_most=1) if "always" in given else None
    section.finish()
    return FlagRule(name, bool(follows), below_v if math.isfinite(below_v) else None, always)
