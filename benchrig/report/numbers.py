"""How a judged value, its uncertainty and its limits are written for people.

Two significant digits of the expanded uncertainty, the value to the same digit: GUM (JCGM 100:2008) 7.2.6.
The form (3.3004 ± 0.0012) V: NIST SP 811 (2008) 7.7, from memory. Limits are exact and are shown in full.
"""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import TYPE_CHECKING

from benchrig.quantity import base_unit, format_quantity

if TYPE_CHECKING:
    from benchrig.records import LimitJudged

_SIGNIFICANT = 4
"""Digits of a value that has no uncertainty to say how many it deserves."""
_FINEST = -18
"""No column is made wider than this by an absurd uncertainty."""
_BIGGEST = 1e300
"""Only to choose a prefix: near the end of the float range there is none to choose."""
_WIDE = Context(prec=800, rounding=ROUND_HALF_EVEN)  # every float, from 5e-324 to 1.8e308, fits


def measured_text(judged: LimitJudged) -> str:
    """Value ± expanded uncertainty, in the unit and prefix of its limits; a value without it stands alone.

    The value has as many digits as it takes not to read like a limit that it is not.
    """
    power, symbol = _display_unit(judged)
    if judged.value is None or not math.isfinite(judged.value):
        return "no number"
    value = _exact(judged.value, power)
    uncertainty = _uncertainty(judged, power)
    shown = _apart(value, _limits(judged, power), last_digit=_last_digit(value, uncertainty))
    if not uncertainty:  # none is known, or the value is a count of something and exact
        return f"{shown} {symbol}".rstrip()
    spread = _plain(uncertainty, last_digit=_last_digit(value, uncertainty))
    return f"({shown} ± {spread}) {symbol}".rstrip() if symbol else f"{shown} ± {spread}"


def limits_text(judged: LimitJudged) -> str:
    """The limits in full, in one prefix: '3.29 V to 3.31 V', 'at most 20 µA', 'at least 5'."""
    power, symbol = _display_unit(judged)
    low = None if judged.low is None else f"{_limit(judged.low, power)} {symbol}".rstrip()
    high = None if judged.high is None else f"{_limit(judged.high, power)} {symbol}".rstrip()
    if low is not None and high is not None:
        return f"{low} to {high}"
    if low is not None:
        return f"at least {low}"
    return f"at most {high}" if high is not None else "no limit"


def seconds_text(duration_s: float | None) -> str:
    """A duration in bench seconds for a column: '12.34 s', or '-' when there is none."""
    return "-" if duration_s is None else f"{duration_s:.2f} s"


def _display_unit(judged: LimitJudged) -> tuple[int, str]:
    """Power of ten and symbol for the row: those of its largest limit, else of its value."""
    sizes = [abs(limit) for limit in (judged.low, judged.high) if limit]
    if judged.unit == "1" and 0.0 < max(sizes, default=0.0) < 1.0:
        return -2, "%"  # a share: 0.01 alone does not say of what
    size = max(sizes, default=0.0) or abs(judged.value or 0.0)
    symbol = format_quantity(min(size, _BIGGEST), judged.unit).partition(" ")[2]
    try:
        factor = base_unit(symbol)[1]
    except ValueError:  # counts, bytes, a plain ratio: shown without a prefix
        factor = 1.0
    return round(math.log10(factor)), symbol


def _exact(number: float, power: int) -> Decimal:
    """The shortest decimal that is this float, scaled by a power of ten without rounding."""
    return Decimal(repr(number)).scaleb(-power, _WIDE)


def _uncertainty(judged: LimitJudged, power: int) -> Decimal | None:
    uncertainty = judged.expanded_uncertainty
    return None if uncertainty is None or not math.isfinite(uncertainty) else _exact(uncertainty, power)


def _limits(judged: LimitJudged, power: int) -> list[Decimal]:
    return [_exact(limit, power) for limit in (judged.low, judged.high) if limit is not None]


def _last_digit(value: Decimal, uncertainty: Decimal | None) -> int:
    """Power of ten of the last digit shown."""
    if not uncertainty:
        return min(0, value.adjusted() + 1 - _SIGNIFICANT) if value else 0
    digit = max(_FINEST, uncertainty.adjusted() - 1)
    # 0.0996 becomes 0.10: rounding up by a decade costs a digit
    return digit + (_rounded(uncertainty, digit).adjusted() > uncertainty.adjusted())


def _apart(value: Decimal, limits: list[Decimal], *, last_digit: int) -> str:
    """The value to its last digit, or to as many more as it takes to differ from a limit that it is not."""
    while any(limit != value and limit == _rounded(value, last_digit) for limit in limits):
        last_digit -= 1
    return _plain(value, last_digit=last_digit)


def _limit(limit: float, power: int) -> str:
    text = _digits(_exact(limit, power))
    return text.rstrip("0").rstrip(".") if "." in text else text


def _rounded(number: Decimal, last_digit: int) -> Decimal:
    return number.quantize(Decimal((0, (1,), last_digit)), context=_WIDE)


def _plain(number: Decimal, *, last_digit: int) -> str:
    return _digits(_rounded(number, last_digit))


def _digits(number: Decimal) -> str:
    return format(number or number.copy_abs(), "f")
