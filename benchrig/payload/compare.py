"""What was decoded against what was expected, field by field, with a tolerance.

Owns the rule of equality: only a finite number within tolerance of a finite number, or the same word, is
equal. Must not know verdicts, limits or how the expected value came about. Differences are computed with the
decimal digits as written, so that 3.554 and 3.555 differ by 0.001 and not by a rounding error more.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from benchrig.errors import ConfigError
from benchrig.payload.exact import exact

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from fractions import Fraction

    from benchrig.payload.codec import Decoded, DecodedValue

WHOLE_PAYLOAD: Final = "(payload)"
_INDEX: Final = re.compile(r"\[\d+\]")


@dataclass(frozen=True, kw_only=True)
class FieldDifference:
    """One field that is not as expected. `tolerance` and numbers are in the field's unit.

    `field` is "(payload)" for a problem of the payload as a whole, such as its length or its check value.
    """

    field: str
    expected: float | str | None
    decoded: DecodedValue | None
    tolerance: float
    reason: str


def compare(
    decoded: Decoded, expected: Mapping[str, float | str], *, tolerances: Mapping[str, float]
) -> tuple[FieldDifference, ...]:
    """Every difference, the problems of the payload first; empty only when all that was expected came.

    Fields that `expected` does not name are not compared. A tolerance goes by full name, or by the name
    without indexes for all members of a group (`bale.temperature`); without one, values must be equal.
    Raises ConfigError for a tolerance that is negative or no number.
    """
    allowed = {name: _tolerance(name, value) for name, value in tolerances.items()}
    differences = [
        FieldDifference(field=WHOLE_PAYLOAD, expected=None, decoded=None, tolerance=0.0, reason=f"payload: {problem}")
        for problem in decoded.problems
    ]
    for name, wanted in expected.items():
        tolerance = allowed.get(name, allowed.get(_INDEX.sub("", name), exact(0)))
        found = decoded.values.get(name)
        differences += _difference(name, wanted, found, tolerance)
    return tuple(differences)


def _tolerance(name: str, value: float) -> Fraction:
    if not math.isfinite(value) or value < 0:
        raise ConfigError(f"tolerance of {name!r} is {value!r}; accepted 0 or a positive number")
    return exact(value)


def _difference(
    name: str, wanted: float | str, found: DecodedValue | None, tolerance: Fraction
) -> Iterator[FieldDifference]:
    reason = _reason(wanted, found, tolerance)
    if reason is not None:
        yield FieldDifference(
            field=name,
            expected=wanted,
            decoded=found,
            tolerance=float(tolerance),
            reason=f"{name}: expected {_shown(wanted, found)}, {reason}",
        )


def _shown(wanted: float | str, found: DecodedValue | None) -> str:
    return repr(wanted) if isinstance(wanted, str) or found is None else f"{wanted!r} {found.unit}"


def _reason(wanted: float | str, found: DecodedValue | None, tolerance: Fraction) -> str | None:
    """Why the two are not equal, or None when they are."""
    if found is None:
        return "not in the payload"
    if isinstance(wanted, str):
        return None if found.word == wanted else f"received {_received(found)}"
    if found.value is None:
        return f"received {_received(found)}"
    if not math.isfinite(wanted) or not math.isfinite(found.value):
        return f"received {_received(found)}; only finite numbers can be equal"
    distance = abs(exact(found.value) - exact(wanted))
    if distance <= tolerance:
        return None
    return f"received {_received(found)}: {float(distance)!r} apart, tolerance {float(tolerance)!r}"


def _received(found: DecodedValue) -> str:
    if found.word is not None:
        return f"{found.word!r} (raw {found.raw:#x})"
    if found.value is None:
        return f"raw {found.raw:#x}, which stands for no value"
    return f"{found.value!r} {found.unit} (raw {found.raw:#x})"
