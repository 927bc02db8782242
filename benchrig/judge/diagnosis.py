"""From a measured signature to ranked causes: Bayes' rule over a list of faults, with what cannot be told apart named.

Owns the ranking, the groups and the doubt: beside the faults stand "nothing is wrong" and "a cause that is not in this
list". Causes whose best predictions lie within two standard deviations of each other, with the same words, are one
group: what was measured cannot tell them apart, whatever their weights say. Must not know records or a profile's file.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.judge.circuit_faults import circuit_faults
from benchrig.judge.diagnosis_fit import Weigher
from benchrig.judge.diagnosis_split import Suspect, best_split
from benchrig.judge.hypothesis import Hypothesis
from benchrig.judge.other_faults import other_faults

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from benchrig.judge.circuit import BenchPlan
    from benchrig.judge.circuit_parts import CircuitPlan
    from benchrig.judge.diagnosis_fit import Fit
    from benchrig.judge.diagnosis_split import Split
    from benchrig.judge.signature import Signature

NOTHING, ANOTHER = "nothing", "another"
_SOUND_PRIOR = 10.0
"""Most boards are sound, also among those that a single doubtful check holds back. Common practice, no source."""

_ANOTHER_PRIOR = 1.0
_ALIKE = 4.0
_NEGLIGIBLE = 0.003
_POOR_FIT = 1e-3
_ANY, _CHANCE = 0.5, 16.0
"""By how much a cause must lower chi squared to explain anything: at all, and not by chance, four standard deviations
for the best of many causes. Own choice."""

_NOTHING = Hypothesis(
    key=NOTHING, cause="nothing is wrong: every part inside its tolerance", side="board", prior=_SOUND_PRIOR
)


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause with its share of the belief; `text` has the size that fits best."""

    key: str
    text: str
    side: str
    share: float
    fit: Fit | None
    hypothesis: Hypothesis


@dataclass(frozen=True, slots=True)
class Group:
    """Causes that what was measured cannot tell apart, likeliest first, and the measurement that would; often one."""

    causes: tuple[Cause, ...]
    split: Split | None

    @property
    def share(self) -> float:
        return math.fsum(cause.share for cause in self.causes)

    @property
    def sides(self) -> tuple[str, ...]:
        """Who may be to blame: board, bench or both."""
        return tuple(dict.fromkeys(cause.side for cause in self.causes))


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Groups by share, and between each and the one after it the measurement that tells their first causes apart.

    `fits` is False when even the best cause explains the numbers badly. `features` counts what was to go by.
    """

    groups: tuple[Group, ...]
    against_next: tuple[Split | None, ...]
    fits: bool
    features: int

    @property
    def causes(self) -> tuple[Cause, ...]:
        """All causes by their own share."""
        return tuple(sorted((cause for group in self.groups for cause in group.causes), key=lambda one: -one.share))


def diagnose(seen: Signature, plan: CircuitPlan, bench: BenchPlan, *, failed: bool = False) -> Diagnosis:
    """Rank every known cause by what was seen. Pure; some tenths of a second for a whole production run.

    `failed` says that a check failed: then nothing being wrong is no cause, and neither is one that explains no more.
    """
    weigher = Weigher(seen, plan.circuit, plan.tolerances, bench)
    causes = _weighed(
        weigher, (*circuit_faults(plan.circuit), *other_faults(bench.probes, told=seen.words)), failed=failed
    )
    groups = _grouped(weigher, causes, nominal_v=bench.nominal_v)
    pairs = itertools.pairwise(groups)
    return Diagnosis(
        groups=tuple(groups),
        against_next=tuple(_between(one, other, nominal_v=bench.nominal_v) for one, other in pairs),
        fits=_fits(causes[0], len(weigher.scale.names)),
        features=len(weigher.scale.names) + len(seen.words),
    )


def _weighed(weigher: Weigher, faults: Sequence[Hypothesis], *, failed: bool) -> list[Cause]:
    """Every cause that has a share worth telling, largest first."""
    sound = weigher.fit(_NOTHING)
    pairs = [(one, weigher.fit(one)) for one in faults]
    if failed:
        pairs = [(one, fit) for one, fit in pairs if _explains(fit, sound, weigher.seen.words)]
    else:
        pairs.insert(0, (_NOTHING, sound))
    hypotheses, fits = [one for one, _ in pairs], [fit for _, fit in pairs]
    logs = [fit.log_evidence + math.log(one.prior) for fit, one in zip(fits, hypotheses, strict=True)]
    another_log = weigher.log_evidence_of_another() + math.log(_ANOTHER_PRIOR)
    top = max((*logs, another_log))
    total = math.fsum(math.exp(one - top) for one in (*logs, another_log))
    causes = [
        Cause(one.key, one.text(weigher.sound, fit.severity), one.side, math.exp(log - top) / total, fit, one)
        for one, fit, log in zip(hypotheses, fits, logs, strict=True)
    ]
    another = Hypothesis(key=ANOTHER, cause="a cause that is not in this list", side="board", prior=_ANOTHER_PRIOR)
    causes.append(Cause(ANOTHER, another.cause, "either", math.exp(another_log - top) / total, None, another))
    causes.sort(key=lambda cause: -cause.share)
    return [cause for cause in causes if cause.share >= _NEGLIGIBLE]


def _explains(fit: Fit, sound: Fit, words: Mapping[str, str]) -> bool:
    """Whether a cause makes anything of what was seen plainer than a sound board does.

    Where a check failed that no feature stands for, chance alone bends some number towards some cause: it must do more.
    """
    least = _CHANCE if words.get("other checks") == "failed" else _ANY
    return len(fit.misses) < len(sound.misses) or fit.chi_squared < sound.chi_squared - least


def _grouped(weigher: Weigher, causes: Sequence[Cause], *, nominal_v: float) -> list[Group]:
    members: list[list[Cause]] = []
    for cause in causes:
        home = next((group for group in members if _alike(weigher, group[0], cause)), None)
        if home is None:
            members.append([cause])
        else:
            home.append(cause)
    groups = [
        Group(tuple(group), best_split(_suspects(group), nominal_v=nominal_v) if len(group) > 1 else None)
        for group in members
    ]
    return sorted(groups, key=lambda group: -group.share)


def _alike(weigher: Weigher, one: Cause, other: Cause) -> bool:
    """Whether two causes predict the same of everything that was measured."""
    if one.fit is None or other.fit is None or NOTHING in (one.key, other.key):
        return False
    mine, its = one.fit.predicted, other.fit.predicted
    scale = weigher.scale
    if (
        any((name in mine.numbers) != (name in its.numbers) for name in scale.names)
        or one.fit.misses != other.fit.misses
    ):
        return False
    apart = scale.vector(mine, scale.measured) - scale.vector(its, scale.measured)
    return scale.chi_squared(apart) < _ALIKE


def _suspects(causes: Sequence[Cause]) -> list[Suspect]:
    return [
        Suspect(one.key, one.share, one.side, one.fit.circuit, one.hypothesis.tells)
        for one in causes
        if one.fit is not None
    ]


def _between(one: Group, other: Group, *, nominal_v: float) -> Split | None:
    suspects = _suspects((one.causes[0], other.causes[0]))
    return best_split(suspects, nominal_v=nominal_v) if len(suspects) == 2 else None


def _fits(best: Cause, numbers: int) -> bool:
    """Whether the best cause explains what was seen; what is in no list explains nothing."""
    if best.fit is None or best.fit.misses:
        return False
    return numbers < 2 or _tail(best.fit.chi_squared, numbers - 1) > _POOR_FIT


def _tail(chi_squared: float, dof: int) -> float:
    """Chance of a larger chi squared (Wilson and Hilferty's cube root, 1931, from memory): two digits are enough."""
    width = 2.0 / (9.0 * dof)
    z = ((chi_squared / dof) ** (1.0 / 3.0) - (1.0 - width)) / math.sqrt(width)
    return 0.5 * math.erfc(z / math.sqrt(2.0))
