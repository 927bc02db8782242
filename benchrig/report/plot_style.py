"""How every plot of this project looks: colours, letters, and the bytes of an SVG file.

Owns style and output. Must not know what is drawn. The library that draws is loaded inside the functions: a run
that draws nothing does not pay for it. The same figure gives the same bytes: no date, fixed names of its parts.

Colours: M. Okabe and K. Ito, Color Universal Design (2008), eight that stay apart for colour-blind readers; from
memory. Text is drawn as outlines, so that it looks alike wherever it is opened.
"""

from __future__ import annotations

import io
import warnings
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.figure import Figure

BLACK, ORANGE, SKY, GREEN = "#000000", "#E69F00", "#56B4E9", "#009E73"
YELLOW, BLUE, VERMILION, PURPLE = "#F0E442", "#0072B2", "#D55E00", "#CC79A7"
GREY, PALE = "#666666", "#CCCCCC"

VERDICT_COLOURS = {
    Verdict.PASS: GREEN,
    Verdict.FAIL: VERMILION,
    Verdict.UNDECIDED: ORANGE,
    Verdict.BENCH_ERROR: PURPLE,
    Verdict.NOT_RUN: GREY,
    Verdict.WAIVED: SKY,
}
VERDICT_MARKS = {Verdict.PASS: "o", Verdict.FAIL: "X", Verdict.UNDECIDED: "D"}
"""Told apart by shape as well, for a print without colours."""

_STYLE: dict[Any, Any] = {  # the names that the library types are hundreds
    "svg.hashsalt": "benchrig",
    "svg.fonttype": "path",
    "font.family": ["DejaVu Sans"],  # comes with the library: the same letters on every machine
    "font.size": 9.0,
    "axes.titlesize": 10.0,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": "#E6E6E6",
    "axes.axisbelow": True,
    "legend.frameon": False,
    "path.simplify": False,
    "text.parse_math": False,  # a dollar sign in a name is one
}


@contextmanager
def plot_style() -> Iterator[None]:
    """Everything inside is drawn and written in this style, whatever the user's own settings are."""
    import matplotlib as mpl  # noqa: PLC0415

    # what the library has to say to its programmers is nothing for the person at the bench
    with warnings.catch_warnings(), mpl.rc_context():
        warnings.simplefilter("ignore")
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        yield


def new_figure(width_in: float, height_in: float, *, margins_in: tuple[float, float, float, float]) -> Figure:
    """An empty figure with room for what stands left, below, right and above of its axes. Only inside `plot_style`.

    The library could find that room by itself, and would take as long for it as for drawing.
    """
    from matplotlib.figure import Figure  # noqa: PLC0415

    left, below, right, above = margins_in
    figure = Figure(figsize=(width_in, height_in))
    figure.subplots_adjust(left / width_in, below / height_in, 1.0 - right / width_in, 1.0 - above / height_in)
    return figure


def svg_bytes(figure: Figure) -> bytes:
    """The figure as SVG. Only inside `plot_style`."""
    target = io.BytesIO()
    figure.savefig(target, format="svg", metadata={"Date": None, "Creator": "benchrig"})
    return target.getvalue()
