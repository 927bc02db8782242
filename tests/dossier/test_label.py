"""The label: read again by another library's reader, from the picture that a printer would get."""

from __future__ import annotations

import hashlib
import io
import sys
from dataclasses import replace
from typing import TYPE_CHECKING

import msgspec
import numpy as np
import pytest
import typst
import zxingcpp
from lxml import etree
from PIL import Image

from benchrig.dossier.label import label_of, label_svg
from benchrig.errors import ConfigError
from benchrig.journal import parse_journal
from benchrig.records import RunStarted
from benchrig.report.board_report import board_report

from .a_run import RUN, a_run, replaced
from .made import HOSTILE

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from benchrig.dossier.label import Label

_SHEET = (
    b'#set page(width: 60mm, height: 30mm, margin: 0mm)\n#image(bytes(sys.inputs.label), format: "svg", alt: "label")'
)


def label_from(path: Path) -> Label:
    """The label of a journal, as the command makes it."""
    data = path.read_bytes()
    return label_of(data, board_report(parse_journal(data)))


def printed(svg: bytes, *, dots_per_inch: float) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    """What a printer of this resolution puts on the label, in grey."""
    png = typst.compile(_SHEET, format="png", ppi=dots_per_inch, sys_inputs={"label": svg.decode("utf-8")})
    return np.asarray(Image.open(io.BytesIO(png)).convert("L"))


@pytest.mark.parametrize("dots_per_inch", [203.0, 300.0, 600.0])
def test_code_is_read_again(tmp_path: Path, dots_per_inch: float) -> None:
    """A reader of another library finds board, run and hash in what label printers print."""
    path = a_run(tmp_path)

    found = zxingcpp.read_barcodes(printed(label_svg(label_from(path)), dots_per_inch=dots_per_inch))

    (code,) = found
    assert code.format == zxingcpp.BarcodeFormat.QRCode
    at = code.position
    assert at.top_right.x - at.top_left.x == pytest.approx(at.bottom_left.y - at.top_left.y, rel=0.03)
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    assert code.text == f"board HB-0007\nrun {RUN}\nsha256 {sha256}"


def test_people_read_the_same(tmp_path: Path) -> None:
    """Beside the code stand board, run, verdict and the whole hash, as text."""
    label = label_from(a_run(tmp_path))

    root = etree.fromstring(label_svg(label))

    texts = [one.text or "" for one in root.iter("{http://www.w3.org/2000/svg}text")]
    assert texts[:3] == ["HB-0007", "✓ pass", RUN]
    assert "".join(texts[3:]) == label.sha256
    assert (root.get("width"), root.get("height")) == ("60mm", "30mm")


def test_simulated_run_says_so(tmp_path: Path) -> None:
    """The label of a simulated run is none of a board, for people and for readers of codes."""
    svg = label_svg(label_from(a_run(tmp_path, replaced(RunStarted, simulated=True))))

    (code,) = zxingcpp.read_barcodes(printed(svg, dots_per_inch=300.0))

    assert code.text.endswith("\nSIMULATED")
    assert b">SIMULATED</text>" in svg


@pytest.mark.parametrize(
    ("damage", "words"),
    [
        (lambda data: data.replace(b'"value":-0.0014', b'"value":-0.0013'), "! record: broken"),
        (lambda data: data[: data.rindex(b'{"record":"run finished"')], "! record: no end"),
        (lambda data: data[:-9], "! record: cut"),
    ],
    ids=["changed", "without an end", "cut"],
)
def test_record_that_is_not_whole(tmp_path: Path, damage: Callable[[bytes], bytes], words: str) -> None:
    """The label of a record that was changed, or has no end, says that instead of any verdict."""
    path = a_run(tmp_path)
    path.write_bytes(damage(path.read_bytes()))

    svg = label_svg(label_from(path)).decode("utf-8")

    assert f">{words}</text>" in svg
    assert ">✓ pass<" not in svg


def test_made_again_it_is_the_same(tmp_path: Path) -> None:
    """The same record gives the same label."""
    path = a_run(tmp_path)

    assert label_svg(label_from(path)) == label_svg(label_from(path))


@pytest.mark.parametrize("board", [*HOSTILE, "", "A" * 65], ids=repr)
def test_name_that_is_no_serial_number(tmp_path: Path, board: str) -> None:
    """What could not stand on a label is refused, with what could."""
    path = a_run(tmp_path, replaced(RunStarted, board=board))

    with pytest.raises(ConfigError, match="accepted: letters, digits"):
        label_from(path)


@pytest.mark.parametrize(
    "run", ["", "  ", f"{RUN}\nsha256 00", "a\x85b"], ids=["none", "blank", "more lines", "control"]
)
def test_name_of_a_run_that_is_none(tmp_path: Path, run: str) -> None:
    """A run without a name, or one that would put lines of its own into the code, gets no label."""
    path = a_run(tmp_path, replaced(RunStarted, run=run))

    with pytest.raises(ConfigError, match=r"the run in the record is .*; accepted: its name in one line"):
        label_from(path)


def test_label_tells_waivers(tmp_path: Path) -> None:
    """Who holds the board sees that a check of it was waived, and that it did not simply pass."""
    path = a_run(tmp_path)
    data = path.read_bytes()
    report = board_report(parse_journal(data))
    waived = msgspec.structs.replace(report.verdict, waived=("rail", "floor_current"))

    svg = label_svg(label_of(data, replace(report, verdict=waived))).decode("utf-8")

    assert ">✓ pass, 2 waived</text>" in svg


def test_longest_name(tmp_path: Path) -> None:
    """The longest name that a board can have fits on the label, and its code is read."""
    board = "B" * 64
    svg = label_svg(label_from(a_run(tmp_path, replaced(RunStarted, board=board))))

    (code,) = zxingcpp.read_barcodes(printed(svg, dots_per_inch=203.0))

    assert code.text.startswith(f"board {board}\n")


def test_without_the_extra(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the library for codes the sentence says how to install it."""
    monkeypatch.setitem(sys.modules, "segno", None)

    with pytest.raises(ConfigError, match=r"pip install 'benchrig\[label\]'"):
        label_svg(label_from(a_run(tmp_path)))
