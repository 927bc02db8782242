"""The named decision rules of a limit, and the guard bands that each asks for.

Owns the table of rules and how a name with a number in it is read. Must not know limits, values or verdicts.

After ILAC-G8:09/2019, section 4.2: with the guard band w, a value is accepted inside [low + w, high - w].
"simple" is w = 0, "guarded" is w = U, "guarded 0.83" is w = 0.83 U (the factor 1.65 / 2 of ISO 14253-1, from
memory). "risk 2 %" accepts what is outside with a probability of 2 % at most, and rejects what is inside with 2 %
at most (JCGM 106:2012, no prior); its bands come from the standard uncertainty, which is U by its coverage factor.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from functools import partial
from typing import NamedTuple

from benchrig.judge.risk import Bands, risk_limited_bands

NORMAL_COVERAGE_FACTOR = 2.0
"""By which U becomes a standard uncertainty where nothing else is said: U covers 95.45 %, a normal's two."""

Rule = Callable[[float, float, float], Bands]
"""Guard bands from the expanded uncertainty, its coverage factor, and the width of the tolerance.
They grow with U, or stay."""


def _no_bands(expanded_uncertainty: float, k: float, width: float) -> Bands:
    return Bands(0.0, 0.0)


def _share_of_uncertainty(expanded_uncertainty: float, k: float, width: float, *, factor: float) -> Bands:
    band = min(factor * expanded_uncertainty, sys.float_info.max)  # a record cannot hold infinity
    return Bands(band, band)


def _limited_risk(expanded_uncertainty: float, k: float, width: float, *, risk: float) -> Bands:
    return risk_limited_bands(risk, standard_uncertainty=expanded_uncertainty / k, width=width)


_RULES: dict[str, Rule] = {
    "simple": _no_bands,
    "guarded": partial(_share_of_uncertainty, factor=1.0),
}

RULES = tuple(_RULES)
"""The rules that are a name alone; `RULE_FORMS` shows those with a number, too."""


class _NumberedRule(NamedTuple):
    """A rule whose name has a number in it, called `number` in what is said of it."""

    pattern: re.Pattern[str]
    number: str
    accepts: Callable[[float], bool]
    form: str
    build: Callable[[float], Rule]


_LEAST_RISK_PERCENT = 0.0001
"""One in a million: nobody knows the tail of an error to more."""

_NUMBER = r"([0-9]+(?:\.[0-9]+)?)"
_NUMBERED_RULES: dict[str, _NumberedRule] = {
    "guarded": _NumberedRule(
        pattern=re.compile(f"guarded {_NUMBER}"),
        number="the factor of U",
        accepts=lambda factor: 0.0 < factor <= 3.0,
        form="'guarded R' with R above 0 and up to 3, such as 'guarded 0.83'",
        build=lambda factor: partial(_share_of_uncertainty, factor=factor),
    ),
    "risk": _NumberedRule(
        pattern=re.compile(f"risk {_NUMBER} ?%"),
        number="the risk",
        accepts=lambda percent: _LEAST_RISK_PERCENT <= percent < 50.0,
        form="'risk P %' with P from 0.0001 and below 50, such as 'risk 2 %'",
        build=lambda percent: partial(_limited_risk, risk=percent / 100.0),
    ),
}

RULE_FORMS = (*RULES, *(rule.form for rule in _NUMBERED_RULES.values()))
"""Everything that a limit may name as its rule, in words."""


def rule_problem(rule: str) -> str:
    """What is wrong with the name of a decision rule, with the accepted forms; empty when nothing is."""
    found = find_rule(rule)
    return found if isinstance(found, str) else ""


def find_rule(rule: str) -> Rule | str:
    """The rule of that name, or the sentence that says why there is none."""
    if rule in _RULES:
        return _RULES[rule]
    numbered = _NUMBERED_RULES.get(str(rule).partition(" ")[0])
    if numbered is None:
        return f"unknown decision rule {rule!r}; known: {', '.join(RULE_FORMS)}"
    match = numbered.pattern.fullmatch(rule)
    if match is None:
        return f"decision rule {rule!r} cannot be read; accepted: {numbered.form}"
    number = float(match[1])
    if not numbered.accepts(number):
        return f"decision rule {rule!r}: {numbered.number} is {match[1]}; accepted: {numbered.form}"
    return numbered.build(number)
