"""What stands against a signature, and what a dossier says on top: the record decides, and nobody can argue with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import msgspec
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from benchrig.dossier.build import Beside, build_dossier
from benchrig.dossier.content import SignatureLine, Table
from benchrig.dossier.html import html_page
from benchrig.errors import RecordError
from benchrig.journal import parse_journal
from benchrig.records import (
    CheckFinished,
    InstrumentsOpened,
    LimitJudged,
    RequirementNamed,
    RunFinished,
    RunStarted,
    RunState,
    Verdict,
    WaiverGranted,
)

from .a_run import METER, REQUIREMENTS, RUN, SUPPLY, a_run, replaced
from .made import dossier_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from benchrig.dossier.content import Dossier
    from benchrig.records import Record


def lines_of(dossier: Dossier) -> list[SignatureLine]:
    """The lines to sign on."""
    return [block for section in dossier.sections for block in section.blocks if isinstance(block, SignatureLine)]


def refused(dossier: Dossier, *words: str) -> None:
    """Nobody can sign it, and the reason has these words."""
    assert not dossier.can_be_signed
    assert lines_of(dossier) == []
    told = "\n".join(dossier.blockers)
    for word in words:
        assert word in told


def test_good_run(tmp_path: Path) -> None:
    """A complete run on a real bench that passed, with every requirement covered, can be signed."""
    dossier = dossier_of(a_run(tmp_path))

    assert dossier.blockers == ()
    assert dossier.alarms == ()
    assert [line.role for line in lines_of(dossier)] == ["measured by", "accepted by"]
    assert dossier.headline == "HB-0007 met every limit that it was held against: 5 of 5 required checks passed."
    assert "1 thing was not proven by this run, and named below." in dossier.words


def test_simulated_run(tmp_path: Path) -> None:
    """A simulated run can never be signed, however good it is."""
    dossier = dossier_of(a_run(tmp_path, replaced(RunStarted, simulated=True)))

    refused(dossier, "simulated: no board was measured")
    assert dossier.verdict is Verdict.PASS
    assert dossier.simulated


def without(kind: type[Record], check: str = "") -> Callable[[list[Record]], list[Record]]:
    """The run without the records of a kind (of one check)."""
    return lambda its: [
        one for one in its if not (isinstance(one, kind) and (not check or getattr(one, "check", "") == check))
    ]


def test_interrupted_run(tmp_path: Path) -> None:
    """A run that has no end says so on top, and cannot be signed."""
    dossier = dossier_of(a_run(tmp_path, without(RunFinished)))

    refused(dossier, "the record has no end", "the run was interrupted")
    assert any("The run was interrupted" in one for one in dossier.alarms)
    assert "says nothing of HB-0007 as a whole" in dossier.headline


def test_run_that_says_it_was_interrupted(tmp_path: Path) -> None:
    """So does one that was stopped and came to its end in order."""
    dossier = dossier_of(a_run(tmp_path, replaced(RunFinished, state=RunState.INTERRUPTED, why="stopped by hand")))

    refused(dossier, "the run was interrupted: stopped by hand")
    assert any("stopped by hand" in one for one in dossier.alarms)


def changed(path: Path, old: bytes, new: bytes) -> Path:
    """The journal with other bytes in it."""
    data = path.read_bytes()
    assert data.count(old) >= 1
    path.write_bytes(data.replace(old, new, 1))
    return path


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (b'"value":-0.0014', b'"value":-0.0013', "was changed: its bytes do not have the hash that it carries"),
        (b'"record":"judged"', b'"record":"judgxd"', "is no record and was left out"),
        (b"HB-0007", b"HB-0008", "the record is not as it was written"),
    ],
    ids=["a value", "a line", "the board"],
)
def test_record_that_was_touched(tmp_path: Path, old: bytes, new: bytes, words: str) -> None:
    """One changed byte is told on top, and nobody can sign what is left."""
    dossier = dossier_of(changed(a_run(tmp_path), old, new))

    refused(dossier, "the record is not as it was written")
    assert dossier.verdict is Verdict.BENCH_ERROR
    assert dossier.headline.startswith("This record proves nothing about ")
    assert any(words.lower() in one.lower() for one in dossier.alarms)


def test_record_without_a_chain(tmp_path: Path) -> None:
    """A journal from before there were chains may be as it was written; nothing shows it."""
    path = a_run(tmp_path)
    lines = [line.partition(b',"before":')[0] + b"}" for line in path.read_bytes().splitlines()]
    path.write_bytes(b"\n".join([*lines, b""]))

    refused(dossier_of(path), "nothing shows that the record is as it was written")


@pytest.mark.parametrize(
    "data", [b"", b"\x00\xff\xfe garbage \n", b"{}\n[]\n", b'{"record":"run started"}\n'], ids=repr
)
def test_unreadable_record(tmp_path: Path, data: bytes) -> None:
    """Of a journal that says nothing there is a dossier that says so."""
    path = tmp_path / "reports" / "HB-0007" / f"{RUN}.jsonl"
    path.parent.mkdir(parents=True)
    path.write_bytes(data)

    dossier = dossier_of(path)

    refused(dossier, "the record names no instrument", "the record does not say on which day it was made")
    assert any("does not say what was run" in one for one in dossier.alarms)
    assert dossier.board == "unknown board"


def test_board_out_of_its_limits(tmp_path: Path) -> None:
    """A board that did not pass is named with the check, and so is the requirement that it does not meet."""

    def bad(its: list[Record]) -> list[Record]:
        its = replaced(LimitJudged, verdict=Verdict.FAIL, value=0.05)(its)
        return replaced(CheckFinished, verdict=Verdict.FAIL, why="out of limits")(its)

    dossier = dossier_of(a_run(tmp_path, bad))

    refused(dossier, "the board did not pass", "requirement BARN-1: fail in battery_sweep: error worst")
    assert dossier.headline.startswith("HB-0007 did not pass: outside its limits in ")


def test_no_requirement(tmp_path: Path) -> None:
    """A signature under no requirement would say nothing."""
    refused(dossier_of(a_run(tmp_path, replaced(RunStarted, requirements=()))), "no requirement is named")


def needing(*covers: str) -> Callable[[list[Record]], list[Record]]:
    """The run of a board with one more requirement."""
    named = RequirementNamed(id="BARN-9", text="It is covered.", covered_by=covers)
    return replaced(RunStarted, requirements=(*REQUIREMENTS, named))


@pytest.mark.parametrize(
    ("covers", "words"),
    [
        ((), "requirement BARN-9: not covered"),
        (("coming_back",), "requirement BARN-9: coming_back did not run in this run"),
        (("battery_sweep.noise",), "requirement BARN-9: battery_sweep.noise was not judged in this run"),
        (
            ("battery_sweep", "evidence.radio"),
            "requirement BARN-9: not tested here, and no evidence is attached for radio",
        ),
    ],
    ids=["by nothing", "a check that did not run", "a value that was not judged", "evidence that is missing"],
)
def test_uncovered_requirement(tmp_path: Path, covers: tuple[str, ...], words: str) -> None:
    """A requirement that nothing covers is named, and keeps everybody from signing."""
    refused(dossier_of(a_run(tmp_path, needing(*covers))), words)


def test_evidence_covers(tmp_path: Path) -> None:
    """A requirement that rests on evidence from elsewhere is met once there is some, and said not to be judged here."""
    report = tmp_path / "radio report.pdf"
    report.write_bytes(b"a test report")

    dossier = dossier_of(a_run(tmp_path, needing("evidence.radio")), attach=(f"radio={report}",))

    assert dossier.can_be_signed
    tables = [block for section in dossier.sections for block in section.blocks if isinstance(block, Table)]
    texts = [cell.text for table in tables for row in table.rows for cell in row]
    assert "evidence attached for radio, not judged here" in texts
    assert any(text.startswith("radio report.pdf, 13 bytes, ") for text in texts)
    assert texts.count("not tested here") == 2


def _waived(one: Record) -> Record:
    """A record of a check that found a life too short, and was waived."""
    if isinstance(one, LimitJudged):
        return msgspec.structs.replace(one, verdict=Verdict.FAIL, value=10.0)
    return msgspec.structs.replace(one, verdict=Verdict.WAIVED) if isinstance(one, CheckFinished) else one


def test_waiver(tmp_path: Path) -> None:
    """A waived check lets the board be signed for, and who waived it stands beside the verdict."""

    def waived(its: list[Record]) -> list[Record]:
        granted = WaiverGranted(check="energy", who="quality lead", why="cell on order", until="2031-06-01", at_s=0.0)
        return [its[0], granted, *(_waived(one) if getattr(one, "check", "") == "energy" else one for one in its[1:])]

    dossier = dossier_of(a_run(tmp_path, waived))

    assert dossier.can_be_signed
    assert "passed with waivers" in dossier.headline
    assert "Waived: energy, by quality lead until 2031-06-01: cell on order." in dossier.words


@pytest.mark.parametrize(
    ("due", "words"),
    [
        ("2031-03-03", "meter meter (serial M2002): its calibration was due on 2031-03-03, 1 day before this run"),
        ("2031-03-04", ""),
        ("", "meter meter (serial M2002): nothing says until when its calibration holds"),
    ],
    ids=["the day before", "the last day", "no day"],
)
@pytest.mark.parametrize("use", ["signoff", "production"])
def test_calibration(tmp_path: Path, use: str, due: str, words: str) -> None:
    """An instrument without a calibration on the day of the run keeps everybody from signing; its last day counts."""
    meter = msgspec.structs.replace(METER, calibration_due=due)

    def change(its: list[Record]) -> list[Record]:
        return replaced(RunStarted, use=use)(replaced(InstrumentsOpened, instruments=(SUPPLY, meter))(its))

    dossier = dossier_of(a_run(tmp_path, change))

    assert dossier.can_be_signed == (not words)
    assert words in "\n".join(dossier.blockers)


def test_check_that_did_not_end(tmp_path: Path) -> None:
    """Values of a check that was cut off do not meet a requirement, good as they are."""
    dossier = dossier_of(a_run(tmp_path, without(CheckFinished, "battery_sweep")))

    refused(dossier, "requirement BARN-1: not run in battery_sweep")


def test_check_that_never_began(tmp_path: Path) -> None:
    """A required check without a record is named beside the verdict."""

    def cut(its: list[Record]) -> list[Record]:
        return [one for one in its if getattr(one, "check", "") != "energy"]

    dossier = dossier_of(a_run(tmp_path, cut))

    refused(dossier, "requirement BARN-3: energy did not run in this run")
    assert "Required and not run: energy." in dossier.words


@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_any_damage(journal: bytes, data: st.DataObject) -> None:
    """Whatever happens to the bytes of a record, there is a page of what is left, and nobody can sign it."""
    at = data.draw(st.integers(0, len(journal) - 1))
    gone = data.draw(st.integers(0, 300))
    put = data.draw(st.binary(max_size=20))
    changed_bytes = journal[:at] + put + journal[at + gone :]
    assume(changed_bytes != journal)
    try:
        found = parse_journal(changed_bytes)
    except RecordError:  # a schema that this version does not know: there is no page, and nobody is misled
        return

    dossier = build_dossier(changed_bytes, found, Beside())

    assert not dossier.can_be_signed
    assert html_page(dossier).endswith(b"</html>\n")


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The bytes of the journal of the good run."""
    return a_run(tmp_path_factory.mktemp("run")).read_bytes()
