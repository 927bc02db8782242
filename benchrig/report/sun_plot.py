"""The stored charge through a solar year, drawn as SVG: the median, and where 95 % of the draws lie.

Owns the picture; matplotlib is imported only when one is drawn. The same numbers give the same bytes. Colours: blue
of Okabe and Ito's set for colour-blind readers (2008, from memory); the band is told apart by lightness as well.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from benchrig.report.atomic_file import write_atomically

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt

    from benchrig.judge.autonomy import ChargeByDay

    Days = npt.NDArray[np.datetime64]

_BLUE = "#0072B2"
_MOST_NAMES = 12
_NAMES = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def write_sun_plot(path: Path, charge: ChargeByDay, *, title: str) -> None:
    """Draw to a file. Raises RecordError."""
    write_atomically(path, sun_plot(charge, title=title))


def sun_plot(charge: ChargeByDay, *, title: str) -> bytes:
    """The picture as SVG."""
    from matplotlib import rc_context  # noqa: PLC0415  # a second to import, and only for who wants a picture
    from matplotlib.figure import Figure  # noqa: PLC0415

    days = charge.days.astype("datetime64[D]")
    with rc_context({"svg.hashsalt": "benchrig", "svg.fonttype": "none", "font.size": 11}):
        figure = Figure(figsize=(8.0, 4.0), layout="constrained")
        axes = figure.add_subplot()
        axes.fill_between(
            days, 100.0 * charge.low, 100.0 * charge.high, color=_BLUE, alpha=0.25, linewidth=0, label="95 % of draws"
        )
        axes.plot(days, 100.0 * charge.middle, color=_BLUE, linewidth=1.5, label="median")
        axes.axhline(0.0, color="black", linewidth=1.0, linestyle="--", label="empty: the board stands still")
        axes.set_ylim(-5.0, 105.0)
        axes.set_xlim(days[0], days[-1])
        axes.set_xticks(*_months(days))
        axes.set_ylabel("lowest charge of the day, % of usable")
        axes.set_title(title)
        axes.grid(visible=True, alpha=0.3)
        figure.legend(loc="outside lower center", ncols=3, frameon=False)
        drawn = io.BytesIO()
        figure.savefig(drawn, format="svg", metadata={"Date": None, "Creator": "benchrig"})
    return drawn.getvalue()


def _months(days: Days) -> tuple[Days, list[str]]:
    """Where months begin, and their names; every so many, so that names do not run into each other."""
    first, last = days[[0, -1]].astype("datetime64[M]")
    months = np.arange(first, last + 1)
    shown = months[:: -(-months.size // _MOST_NAMES)]
    inside = shown.astype("datetime64[D]") >= days[0]
    names = [
        _name(*map(int, str(month).split("-")), is_first=number == 0) for number, month in enumerate(shown[inside])
    ]
    return shown.astype("datetime64[D]")[inside], names


def _name(year: int, month: int, *, is_first: bool) -> str:
    """The year stands below the first name and below each January."""
    return f"{_NAMES[month - 1]}\n{year}" if is_first or month == 1 else _NAMES[month - 1]
