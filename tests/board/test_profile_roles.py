"""Boards that lack a part: described without it, never asked for it, and never passed on it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.bench.bench_file import read_bench_file
from benchrig.bench_fitness import Eyes, bench_fitness
from benchrig.board.checks import CHECKS
from benchrig.board.payload_points import planned_points, planned_proof, point_plan
from benchrig.board.points_report import points_text
from benchrig.board.profile import BoardProfile, read_board_profile
from benchrig.board.profile_roles import PARTS, lacking, not_described
from benchrig.errors import ConfigError
from benchrig.look_text import slot_text

from .profile_edits import GONE, ROOT, changed, read_at, shipped, without_checks, write_toml

if TYPE_CHECKING:
    from pathlib import Path

    from benchrig.bench.bench_file import BenchSpec

    Edits = tuple[tuple[str, object], ...]

BENCH = ROOT / "fixtures" / "benches" / "simulated-air.toml"


def read(folder: Path, *edits: tuple[str, object]) -> BoardProfile:
    """The demo profile with some places changed."""
    table = shipped()
    for place, value in edits:
        changed(table, place, value)
    return read_board_profile(write_toml(folder, table))


def problems(folder: Path, *edits: tuple[str, object]) -> list[str]:
    """What is wrong with it, without the file's name."""
    with pytest.raises(ConfigError, match="problem") as caught:
        read(folder, *edits)
    return [problem.removeprefix(f"{folder / 'probe.toml'}: ") for problem in caught.value.problems]


def _without_celsius(question: str) -> tuple[str, object]:
    place = f"console.questions.{question}.answer"
    return place, str(read_at(shipped(), place)).replace(r" c=(?P<celsius>-?\d+)", "")


def _battery_alone() -> object:
    return [read_at(shipped(), "payload.fields[0]"), read_at(shipped(), "payload.fields[2]")]


COLD: Edits = (
    ("payload.fields", _battery_alone()),
    ("payload.groups", GONE),
    ("payload_roles", {"battery": "battery"}),
    ("console.questions.temperature", GONE),
    _without_celsius("frame"),
    _without_celsius("report"),
    ("limits.temperature", GONE),
    ("limits.payload_bytes.temperature_difference", GONE),
    ("required", without_checks("temperature")),
    ("transmit.phy_payload_bytes", GONE),
    ("requirements", GONE),
)
"""A board without a thermometer."""

IDLE: Edits = (
    ("console.questions.load_on", GONE),
    ("console.questions.load_off", GONE),
    ("rail", GONE),
    ("payload_flags.flags.siren", {"always": 0}),
    ("limits.thresholds.dropout", GONE),
    ("required", without_checks("rail")),
    ("requirements", GONE),
)
"""A board that switches no load."""


def edits_of(edits: Edits) -> Edits:
    """The edits, less those of tables that the demo does not have."""
    return tuple(edit for edit in edits if edit[0] in shipped() or "." in edit[0])


def without(edits: Edits, *places: str) -> Edits:
    """The edits, less some of them."""
    return tuple(edit for edit in edits_of(edits) if edit[0] not in places)


def bench() -> BenchSpec:
    """A bench that lacks nothing."""
    return read_bench_file(BENCH)


def test_demo_describes_everything() -> None:
    """The demo board has every part, so that nothing of it is left out."""
    assert not_described(read_board_profile(ROOT / "fixtures/boards/hay-barn-probe.toml")) == ()


def test_board_without_a_temperature(tmp_path: Path) -> None:
    """It has no such role and no such question; its frames are announced without one."""
    profile = read(tmp_path, *edits_of(COLD))

    assert (profile.has_temperature, profile.roles.temperature, profile.roles.temperatures) == (False, None, ())
    assert "console.questions.temperature" in lacking(profile, "temperature")
    assert lacking(profile, "rail") == ""


def test_board_without_a_load(tmp_path: Path) -> None:
    """It has no such questions, and needs no plan for its rail under load."""
    profile = read(tmp_path, *edits_of(IDLE))

    assert (profile.has_load, profile.rail.points_v) == (False, ())
    assert "load_on and load_off" in lacking(profile, "rail")
    assert lacking(profile, "thresholds") == ""


def test_board_without_a_solar_input(tmp_path: Path) -> None:
    """The table may be left out alone: the energy of a board without a panel is reckoned from its cell."""
    profile = read(tmp_path, ("solar", GONE))

    assert [part.what for part in not_described(profile)] == ["a solar input"]


@pytest.mark.parametrize("edits", [pytest.param(COLD, id="no temperature"), pytest.param(IDLE, id="no load")])
def test_look_and_fitness_say_what_is_missing(edits: Edits, tmp_path: Path) -> None:
    """What is not described stands in the look, and its check is lost before power, with where to describe it."""
    profile, spec = read(tmp_path, *edits_of(edits)), bench()
    (part,) = not_described(profile)

    found = bench_fitness(Eyes(spec, spec.slots["1"], profile, 0.01))

    (line,) = [one for one in slot_text(spec, spec.slots["1"], profile).split("\n") if "not described" in one]
    assert line.endswith(f"  {part.what} ({part.place})")
    assert list(found.lost) == list(part.checks)
    assert part.place in found.lost[part.checks[0]]
    assert found.table()


def test_sweep_of_a_board_without_a_temperature_is_planned(tmp_path: Path) -> None:
    """What its points prove is reckoned from the battery alone."""
    profile = read(tmp_path, *edits_of(COLD))

    assert set(point_plan(profile).margins) >= {"battery"}
    assert all("temperature" not in name for point in planned_points(profile, (20.0,)) for name in point)
    assert planned_proof(profile) is not None
    assert "temperature" not in points_text(profile)


def test_parts_take_along_checks_that_there_are() -> None:
    """No part names a check that the suites do not have."""
    assert {check for part in PARTS for check in part.checks} <= set(CHECKS)


REFUSED = [
    pytest.param(
        without(COLD, "required"),
        [
            "required.production: 'temperature' cannot be done: the profile describes no such part: a temperature of",
            "required.production: 'temperature' has no limit to judge by",
        ],
        id="temperature required",
    ),
    pytest.param(
        without(COLD, "limits.payload_bytes.temperature_difference"),
        ["limits.payload_bytes.temperature_difference: no field carries a temperature, so that nothing measures"],
        id="temperature limited",
    ),
    pytest.param(
        without(COLD, "payload.fields"),
        ["payload_roles.temperature: the payload carries temperature in degC, and this profile describes no"],
        id="temperature in the payload",
    ),
    pytest.param(
        (*without(COLD, "payload_roles", "payload.groups", "payload.fields"), ("payload_roles.temperature", GONE)),
        [
            "payload_roles.probes: bale[0].temperature, bale[1].temperature: a probe is held against the board's own",
            "payload_roles.temperature: the payload carries temperature in degC",
        ],
        id="probes without the board's own",
    ),
    pytest.param(
        without(COLD, "payload_roles", "payload.fields", "payload.groups"),
        [
            "console.questions.frame.answer: the pattern has no group (?P<celsius>...)",
            "console.questions.report.answer: the pattern has no group (?P<celsius>...)",
            "console.questions.temperature: this entry is missing",
        ],
        id="role without a question",
    ),
    pytest.param(
        without(IDLE, "required"),
        ["required.production: 'rail' cannot be done: the profile describes no such part: a load that it switches"],
        id="rail required",
    ),
    pytest.param(
        without(IDLE, "payload_flags.flags.siren"),
        ["payload_flags.flags.siren.follows: this profile describes no load that the board switches"],
        id="flag of a load",
    ),
    pytest.param(
        without(IDLE, "limits.thresholds.dropout"),
        ["limits.thresholds.dropout: this profile describes no load that the board switches, so that nothing measures"],
        id="dropout limited",
    ),
    pytest.param(
        without(IDLE, "console.questions.load_off", "rail", "payload_flags.flags.siren", "limits.thresholds.dropout"),
        ["console.questions.load_on: this entry is missing (nearest known: load_off)"],
        id="load that is never switched on",
    ),
    pytest.param(
        (("air.pin", GONE), ("requirements", GONE)),
        ["required.signoff: 'downlink' cannot be done: the profile describes no such part: a pin that a downlink"],
        id="downlink without a pin",
    ),
    pytest.param(
        (("thresholds", GONE), ("requirements", GONE)),
        ["required.signoff: 'thresholds' cannot be done: the profile describes no such part: where it fails and"],
        id="thresholds without a plan",
    ),
]


@pytest.mark.parametrize(("edits", "starts"), REFUSED)
def test_what_is_not_described_is_not_required(edits: Edits, starts: list[str], tmp_path: Path) -> None:
    """A check, a limit, a field or a flag of a part that the profile leaves out is told, with what to do."""
    found = problems(tmp_path, *edits_of(edits))

    assert len(found) == len(starts), found
    for problem, start in zip(sorted(found), sorted(starts), strict=True):
        assert problem.startswith(start)
