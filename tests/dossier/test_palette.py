"""The colours of a dossier can be read: contrasts by the formula of WCAG, in light and in dark."""

from __future__ import annotations

import pytest

from benchrig.dossier.page_style import STYLE
from benchrig.dossier.palette import DARK, LIGHT, MARKS, tone
from benchrig.records import Verdict
from tests.published import Figure

TEXTS = ("ink", "soft", "link", *(tone(verdict) for verdict in Verdict))
LINES = ("first", "second", "soft", "band-edge", "ink", *(tone(verdict) for verdict in Verdict))
ON_BAND = ("first", "ink", *(tone(verdict) for verdict in Verdict))

CONTRASTS = (
    Figure("black on white", "WCAG 2.2, contrast ratio: from 1 to 21", "memory", ("#000000", "#ffffff"), 21.0),
    Figure("white on itself", "WCAG 2.2, contrast ratio: from 1 to 21", "memory", ("#ffffff", "#ffffff"), 1.0),
    Figure(
        "lightest grey that is text on white", "common knowledge of designers", "memory", ("#767676", "#ffffff"), 4.54
    ),
)


def luminance(colour: str) -> float:
    """Relative luminance of sRGB: WCAG 2.2, definition "relative luminance"."""
    parts = (int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5))
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio: WCAG 2.2, definition "contrast ratio"."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("figure", CONTRASTS, ids=lambda figure: figure.id)
def test_the_formula(figure: Figure[tuple[str, str], float]) -> None:
    """The formula of this test gives the ratios that are known."""
    assert contrast(*figure.inputs) == pytest.approx(figure.expected, abs=0.005)


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize("ground", ["paper", "panel"])
@pytest.mark.parametrize("name", TEXTS)
def test_text_can_be_read(colours: dict[str, str], ground: str, name: str) -> None:
    """Text has a contrast of 4.5 to 1 at least to what it stands on (WCAG 2.2, 1.4.3)."""
    assert contrast(colours[name], colours[ground]) >= 4.5


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("ground", "name"), [("paper", name) for name in LINES] + [("band", name) for name in ON_BAND])
def test_marks_of_plots_can_be_seen(colours: dict[str, str], ground: str, name: str) -> None:
    """What a plot says by a shape has a contrast of 3 to 1 at least (WCAG 2.2, 1.4.11)."""
    assert contrast(colours[name], colours[ground]) >= 3.0


def test_both_tables_hold_the_same_names() -> None:
    """No colour of one scheme is missing in the other, and each is in the style sheet."""
    assert set(LIGHT) == set(DARK)
    assert all(f"--{name}:{colour};" in STYLE for table in (LIGHT, DARK) for name, colour in table.items())


def test_verdicts_differ_without_colour() -> None:
    """Each verdict has a mark and a word of its own."""
    assert set(MARKS) == set(Verdict)
    assert len(set(MARKS.values())) == len(Verdict)
