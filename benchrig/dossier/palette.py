"""The colours of a dossier, in light and in dark, and the marks that say the same without any colour.

Owns both, once for page, plots and print. Must not know what is shown. No meaning hangs on a colour alone: each verdict
has a mark and a word. Text keeps a contrast of 4.5:1 and lines of plots 3:1 to what they stand on (WCAG 2.2, success
criteria 1.4.3 and 1.4.11); tests reckon it. Hues after M. Okabe and K. Ito, Color Universal Design (2008), from memory,
made darker or lighter until the contrast holds.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from benchrig.records import Verdict

if TYPE_CHECKING:
    from collections.abc import Mapping

LIGHT: Mapping[str, str] = MappingProxyType({
    "paper": "#ffffff",
    "panel": "#f3f4f6",
    "ink": "#1b1f24",
    "soft": "#4f5761",
    "edge": "#b9c0c8",
    "grid": "#dfe3e8",
    "link": "#005a94",
    "pass": "#00664b",
    "fail": "#a63600",
    "undecided": "#7a5000",
    "bench-error": "#822b68",
    "not-run": "#4f5761",
    "waived": "#005a94",
    "first": "#0072b2",
    "second": "#c14f00",
    "band": "#d8efe6",
    "band-edge": "#4f8a76",
})  # fmt: skip

DARK: Mapping[str, str] = MappingProxyType({
    "paper": "#14171b",
    "panel": "#1f242a",
    "ink": "#e9ecef",
    "soft": "#a9b2bc",
    "edge": "#4a535d",
    "grid": "#2d343b",
    "link": "#7cc4f2",
    "pass": "#4fd1a5",
    "fail": "#ff9a66",
    "undecided": "#f0c04a",
    "bench-error": "#e8a0d0",
    "not-run": "#a9b2bc",
    "waived": "#7cc4f2",
    "first": "#6fc3f5",
    "second": "#ff9a55",
    "band": "#17352c",
    "band-edge": "#4c9a80",
})  # fmt: skip

MARKS: Mapping[Verdict, str] = MappingProxyType({
    Verdict.PASS: "✓",
    Verdict.FAIL: "✗",
    Verdict.UNDECIDED: "?",
    Verdict.BENCH_ERROR: "!",
    Verdict.NOT_RUN: "○",
    Verdict.WAIVED: "◇",
})  # fmt: skip


def tone(verdict: Verdict) -> str:
    """The name of the colour of a verdict in both tables."""
    return verdict.value.replace(" ", "-")
