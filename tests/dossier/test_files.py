"""What lies beside a journal: believed only if it is the file that the run kept."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import msgspec
import pytest

from benchrig.board.requirements_table import EVIDENCE_SLOTS
from benchrig.dossier.content import Figure, Text
from benchrig.dossier.evidence import SLOTS
from benchrig.dossier_files import read_attached
from benchrig.errors import ConfigError
from benchrig.records import RunStarted

from .a_run import RUN, a_run, kept, records, replaced, write
from .made import dossier_of

if TYPE_CHECKING:
    from pathlib import Path

    from benchrig.dossier.content import Dossier


def figures_of(dossier: Dossier) -> list[Figure]:
    """Every picture of a dossier."""
    return [block for section in dossier.sections for block in section.blocks if isinstance(block, Figure)]


def texts_of(dossier: Dossier) -> str:
    """Every paragraph of a dossier."""
    blocks = (block for section in dossier.sections for block in section.blocks)
    return "\n".join(block.text for block in blocks if isinstance(block, Text))


def test_pictures_of_a_run(tmp_path: Path) -> None:
    """Sweep, trace, limits, and the picture that the run kept."""
    found = figures_of(dossier_of(a_run(tmp_path)))

    assert [one.title.split(":")[0] for one in found] == [
        "Battery sweep",
        "Current trace sleep, by powers of ten, over time in s",
        "All values against their limits",
        "map, as the run drew it",
    ]
    assert "Current over 1.996 s, from 16.40 µA to 4.500 mA" in found[1].alt
    assert [one.kept for one in found] == [False, False, False, True]


@pytest.mark.parametrize("name", ["sleep.csv", "map.svg"])
def test_file_that_was_changed(tmp_path: Path, name: str) -> None:
    """A file with another hash is not shown, is told on top, and nobody can sign."""
    path = a_run(tmp_path)
    file = path.with_suffix("") / name
    file.write_bytes(file.read_bytes() + b" ")

    dossier = dossier_of(path)

    assert len(figures_of(dossier)) == 3
    assert any("its hash is another one" in one for one in dossier.alarms)
    assert any("its hash is another one" in one for one in dossier.blockers)


def test_file_that_is_gone(tmp_path: Path) -> None:
    """A file that is no longer there is named, and costs nothing but its picture."""
    path = a_run(tmp_path)
    (path.with_suffix("") / "sleep.csv").unlink()

    dossier = dossier_of(path)

    assert "trace sleep: not shown: its file" in texts_of(dossier)
    assert dossier.can_be_signed


def test_run_that_was_moved(tmp_path: Path) -> None:
    """A run that was moved as a whole keeps its pictures."""
    path = a_run(tmp_path)
    moved = tmp_path / "elsewhere" / "HB-0007-old"
    moved.parent.mkdir()
    path.parent.rename(moved)

    assert len(figures_of(dossier_of(moved / path.name))) == 4


@pytest.mark.parametrize("where", ["../../outside.svg", "/etc/passwd", "HB-0007/\x00", "HB-0007"], ids=repr)
def test_path_that_leads_elsewhere(tmp_path: Path, where: str) -> None:
    """A path on record that leads out of the reports, or to no file, is not followed."""
    (tmp_path / "outside.svg").write_bytes(b"<svg/>")
    named = msgspec.structs.replace(
        kept(tmp_path, "map.svg", b"<svg/>", kind="plot", title="map"),
        path=where,
        sha256=hashlib.sha256(b"<svg/>").hexdigest(),
    )

    dossier = dossier_of(write(tmp_path, records(traces=[named])))

    assert not any(one.kept for one in figures_of(dossier))
    assert "plot map: not shown" in texts_of(dossier)


@pytest.mark.parametrize(
    "data",
    [b"<html/>", b"<svg", b"\xff\xfe", b"<svg>" + b" " * 200_000 + b"</svg>"],
    ids=["html", "cut", "bytes", "huge"],
)
def test_picture_that_is_none(tmp_path: Path, data: bytes) -> None:
    """A kept file that is no picture, or too large for a page, is named and not shown."""
    named = kept(tmp_path, "map.svg", data, kind="plot", title="map")

    dossier = dossier_of(write(tmp_path, records(traces=[named])))

    assert not any(one.kept for one in figures_of(dossier))
    assert "plot map: not shown" in texts_of(dossier)


def test_trace_that_is_none(tmp_path: Path) -> None:
    """So is a trace that no reader understands."""
    named = kept(tmp_path, "sleep.npz", b"PK nothing", kind="trace", title="sleep")

    assert "trace sleep: not shown" in texts_of(dossier_of(write(tmp_path, records(traces=[named]))))


def test_attached_file(tmp_path: Path) -> None:
    """A file for a slot is known by its name, size and hash, and never by its folder."""
    file = tmp_path / "UN38.3 summary.pdf"
    file.write_bytes(b"summary")

    found = read_attached(f"transport={file}")

    assert (found.slot, found.name, found.size_bytes) == ("transport", "UN38.3 summary.pdf", 7)
    assert found.sha256 == hashlib.sha256(b"summary").hexdigest()


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ("radios={file}", r"nearest known: radio\); accepted: SLOT=FILE with a slot of: radio, transport, environment"),
        ("{file}", "accepted: SLOT=FILE"),
        ("radio=", "accepted: SLOT=FILE"),
        ("radio={file}.gone", "cannot be read: No such file or directory"),
        ("radio=\x00", "cannot be read"),
        ("radio={empty}", "the file is empty"),
    ],
)
def test_attachment_that_cannot_be(tmp_path: Path, given: str, words: str) -> None:
    """What was given, what is accepted and what is wrong with it are in one sentence."""
    file, empty = tmp_path / "report.pdf", tmp_path / "empty.pdf"
    file.write_bytes(b"report")
    empty.write_bytes(b"")

    with pytest.raises(ConfigError, match=words):
        read_attached(given.format(file=file, empty=empty))


def test_slots_are_those_of_the_profile() -> None:
    """What a profile may name as evidence is what a dossier has a slot for."""
    assert tuple(SLOTS) == EVIDENCE_SLOTS


def test_requirements_given_later(tmp_path: Path) -> None:
    """A run whose record names no requirement gets them from a file, which the dossier names by its hash."""
    path = a_run(tmp_path, replaced(RunStarted, requirements=()))
    file = tmp_path / "board.toml"
    file.write_text(
        'name = "a profile"\n[requirements]\nR1 = { text = "It is itself.", covered_by = ["identity_start"] }\n'
    )

    dossier = dossier_of(path, requirements=file)

    assert dossier.can_be_signed
    sha256 = hashlib.sha256(file.read_bytes()).hexdigest()
    assert f"Given after the run, not part of its record: board.toml, SHA-256 {sha256}." in texts_of(dossier)


def test_own_check_that_did_not_run(tmp_path: Path) -> None:
    """A requirement may rest on a check of the board's own that the run was to make and did not."""
    path = a_run(tmp_path, replaced(RunStarted, requirements=(), required=("identity_start", "siren")))
    file = tmp_path / "board.toml"
    file.write_text('[requirements]\nR1 = { text = "It is heard.", covered_by = ["siren"] }\n')

    assert "requirement R1: siren did not run in this run" in dossier_of(path, requirements=file).blockers


def test_requirements_of_the_run_cannot_be_softened(tmp_path: Path) -> None:
    """A file that leaves out or changes what the run recorded is shown, and nobody can sign."""
    file = tmp_path / "board.toml"
    file.write_text(
        '[requirements]\nBARN-1 = { text = "It reports something.", covered_by = ["battery_sweep.error"] }\n'
        'BARN-2 = { text = "It is who its label says.", covered_by = ["identity_start"] }\n'
    )

    dossier = dossier_of(a_run(tmp_path), requirements=file)

    assert [one for one in dossier.blockers if "left out or changed afterwards" in one] == [
        "requirement BARN-1 of the run was left out or changed afterwards",
        "requirement BARN-3 of the run was left out or changed afterwards",
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "requirements: this key is missing"),
        ("[requirement]\n", "requirements: this key is missing"),
        ("[requirements]\n", "names no requirement"),
        ('[requirements]\nR1 = { text = "x", covered_by = ["rial"] }\n', "nearest known: rail"),
        (
            '[requirements]\nR1 = { text = "x", covered_by = ["rail.volts"] }\n',
            "accepted: rail as a whole, or rail.voltage",
        ),
    ],
)
def test_requirements_that_cannot_be_read(tmp_path: Path, text: str, words: str) -> None:
    """File, key, value and what is accepted are told."""
    file = tmp_path / "board.toml"
    file.write_text(text)

    with pytest.raises(ConfigError, match=words):
        dossier_of(a_run(tmp_path), requirements=file)


def test_file_outside_by_a_link(tmp_path: Path) -> None:
    """A link in the folder of a run that leads out of the reports is not followed."""
    path = a_run(tmp_path)
    file = path.with_suffix("") / "map.svg"
    secret = tmp_path / "secret.svg"
    file.rename(secret)
    file.symlink_to(secret)

    dossier = dossier_of(path)

    assert not any(one.kept for one in figures_of(dossier))
    assert RUN in texts_of(dossier)
