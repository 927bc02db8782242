"""The label of a board: a QR code of its name and the hash of its record, and the same for people.

Owns what the code says and the size of the label. Must not know files. The code is that of ISO/IEC 18004, error
correction M, with a quiet zone of four modules (from memory); it says three lines: board, run, SHA-256 of the journal.
A simulated run says so in both.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.dossier.drawing import number, safe
from benchrig.dossier.palette import MARKS
from benchrig.errors import ConfigError
from benchrig.record_chain import ChainState, read_chain
from benchrig.report.names import ACCEPTED_NAMES, is_file_name

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from benchrig.report.board_report import BoardReport

_WIDTH_MM, _HEIGHT_MM, _CODE_MM = 60.0, 30.0, 28.0
_QUIET = 4
_LETTER = 0.62
"""Width of a letter as a share of its size, and a little over."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """What a label says."""

    board: str
    run: str
    sha256: str
    verdict: str
    simulated: bool

    @property
    def code_text(self) -> str:
        """What the code holds."""
        lines = [f"board {self.board}", f"run {self.run}", f"sha256 {self.sha256}"]
        return "\n".join([*lines, *(["SIMULATED"] if self.simulated else [])])


def label_of(data: bytes, report: BoardReport) -> Label:
    """The label of the board of a journal with these bytes. ConfigError when none could stand on a label.

    Of a record that is not whole and as it was written, the label says that and no verdict.
    """
    if report.started is None or not is_file_name(report.board):
        named = repr(report.board[:80]) if report.started else "none: no run begins in it"
        raise ConfigError(
            f"label: the board in the record is {named}; accepted: {ACCEPTED_NAMES}; take the journal of a run of it"
        )
    run = report.started.run[:80]
    if not (run.strip() and run.isprintable()):  # a line feed in it would make lines of its own in the code
        raise ConfigError(
            f"label: the run in the record is {run!r}; accepted: its name in one line; take another journal"
        )
    chain, verdict = read_chain(data), report.verdict.verdict
    is_whole = chain.state is ChainState.INTACT
    waived = f", {len(report.verdict.waived)} waived" if report.verdict.waived else ""
    return Label(
        board=report.board,
        run=run,
        sha256=hashlib.sha256(data).hexdigest(),
        verdict=f"{MARKS[verdict]} {verdict.value}{waived}" if is_whole else f"! record: {chain.state.value}",
        simulated=report.simulated,
    )


def label_svg(label: Label) -> bytes:
    """The label as SVG in millimetres, black on white. ConfigError without the extra `label`."""
    return "\n".join(_svg(label, _modules(label.code_text))).encode("utf-8")


def _modules(text: str) -> Sequence[Sequence[int]]:
    try:
        import segno  # noqa: PLC0415  # an optional extra
    except ImportError as missing:
        raise ConfigError(
            "label needs the package segno, which is not installed; install it by: pip install 'benchrig[label]'"
        ) from missing
    return [list(row) for row in segno.make_qr(text, error="m").matrix]


def _svg(label: Label, modules: Sequence[Sequence[int]]) -> Iterator[str]:
    title = safe(label.code_text)
    size = f'width="{number(_WIDTH_MM)}mm" height="{number(_HEIGHT_MM)}mm"'
    view = f'viewBox="0 0 {number(_WIDTH_MM)} {number(_HEIGHT_MM)}"'
    yield f'<svg xmlns="http://www.w3.org/2000/svg" {size} {view} font-family="DejaVu Sans, Verdana, sans-serif">'
    yield f'<title>{title}</title><rect width="60" height="30" fill="#fff"/>'
    pitch = _CODE_MM / (len(modules) + 2 * _QUIET)
    offset = 1.0 + _QUIET * pitch
    yield f'<path transform="translate({offset:.4f} {offset:.4f}) scale({pitch:.5f})" d="{_bars(modules)}"/>'
    left = _CODE_MM + 1.5
    room = _WIDTH_MM - left - 1.0
    yield _line(left, 6.5, label.board, size=min(4.6, room / (len(label.board) * _LETTER)), bold=True)
    yield _line(left, 11.0, label.verdict, size=min(3.0, room / (len(label.verdict) * _LETTER)))
    yield _line(left, 14.6, label.run, size=min(2.4, room / (len(label.run) * _LETTER)))
    for row in range(4):
        yield _line(left, 18.4 + 2.5 * row, label.sha256[16 * row : 16 * row + 16], size=2.1, mono=True)
    if label.simulated:
        yield _line(left, 29.0, "SIMULATED", size=3.0, bold=True)
    yield "</svg>\n"


def _line(x: float, y: float, text: str, *, size: float, bold: bool = False, mono: bool = False) -> str:
    weight = ' font-weight="700"' if bold else ""
    family = ' font-family="DejaVu Sans Mono, monospace"' if mono else ""
    return f'<text x="{number(x)}" y="{number(y)}" font-size="{size:.2f}"{weight}{family}>{safe(text)}</text>'


def _bars(modules: Sequence[Sequence[int]]) -> str:
    """Each run of dark modules of a row as one bar: no hair of white between two of them."""
    bars = []
    for y, row in enumerate(modules):
        x = 0
        while x < len(row):
            width = next((at for at in range(x, len(row)) if not row[at]), len(row)) - x
            if width:
                bars.append(f"M{x} {y}h{width}v1h-{width}z")
            x += max(1, width)
    return "".join(bars)
