"""Tables of a profile that contradict each other: one sentence each, and none where a table is wrong by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchrig.board.profile import BoardProfile, read_board_profile
from benchrig.errors import ConfigError

from .profile_edits import GONE, changed, shipped, write_toml

if TYPE_CHECKING:
    from pathlib import Path


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


@pytest.mark.parametrize(
    ("edits", "told"),
    [
        # by hand: 3900 codes x 1.07421875 mV are 4.1895 V
        pytest.param(
            [("converter.top_code", 3900)],
            "sweep.points_v: 4.2 V is above the full scale of 4.189 V of the board's converter (converter.top_code 3",
            id="sweep",
        ),
        pytest.param(
            [("converter.top_code", 3900), ("sweep.points_v", [3.3, 3.6, 3.9]), ("air.points_v", [3.3, 4.195])],
            "air.points_v: 4.195 V is above the full scale of 4.189 V",
            id="uplinks",
        ),
        pytest.param(
            [("converter.top_code", 3800), ("sweep.points_v", [3.3, 3.6, 3.9])],
            "correction.verify_points_v: 4.125 V is above the full scale of 4.082 V",
            id="proof of the correction",
        ),
        pytest.param(
            [("payload_roles.probes", [])],
            "limits.temperature.probe_error: no probe is named, so that nothing measures this value; name fields in",
            id="probe error without probes",
        ),
        # LoRaWAN 1.0.x: 13 bytes around the payload of 9
        pytest.param(
            [("transmit.phy_payload_bytes", 21)],
            "transmit.phy_payload_bytes: 21 bytes contradict a payload of 9 bytes; accepted: 22, which is 13 bytes",
            id="frame too short",
        ),
        pytest.param(
            [("transmit.phy_payload_bytes", 23)],
            "transmit.phy_payload_bytes: 23 bytes contradict a payload of 9 bytes; accepted: 22",
            id="frame too long",
        ),
        # by hand: 1.1 V x (1 + 300 / 110) / 4096
        pytest.param(
            [("circuit.divider.bottom_ohm", 110e3)],
            "converter.volts_per_count: 0.00107422 V for a count contradict divider and reference of table circuit, "
            "which make 0.00100098 V",
            id="another divider",
        ),
        pytest.param(
            [("circuit.converter.reference_v", 1.2)],
            "converter.volts_per_count: 0.00107422 V for a count contradict divider and reference",
            id="another reference",
        ),
        pytest.param(
            [("circuit.converter.bits", 10)],
            "converter.volts_per_count: 0.00107422 V for a count contradict divider and reference",
            id="another converter",
        ),
    ],
)
def test_contradiction_is_told_once(tmp_path: Path, edits: list[tuple[str, object]], told: str) -> None:
    """Two tables that cannot both be right are refused, by key and value."""
    (only,) = problems(tmp_path, *edits)

    assert only.startswith(told)


def test_parts_within_their_tolerance_are_no_contradiction(tmp_path: Path) -> None:
    """By hand: 0.5 % each of top, bottom and reference make a count worth up to 1.26 % more: 1.2 % is inside."""
    stated_v = 4 * 1.1 / 4096

    assert read(tmp_path, ("converter.volts_per_count", 1.012 * stated_v)).circuit is not None
    assert problems(tmp_path, ("converter.volts_per_count", 1.013 * stated_v))


def test_what_is_not_stated_contradicts_nothing(tmp_path: Path) -> None:
    """Without a circuit, a stated frame length or a limit of probes there is nothing to hold against each other."""
    edits = [("circuit", GONE), ("transmit.phy_payload_bytes", GONE)]
    edits += [("limits.temperature.probe_error", GONE), ("payload_roles.probes", [])]

    assert read(tmp_path, *edits).circuit is None


def test_table_that_is_wrong_by_itself_is_held_against_nothing(tmp_path: Path) -> None:
    """One mistake is one problem: what follows from it is not told beside it."""
    told = problems(tmp_path, ("converter.top_code", 0), ("transmit.coding_rate", 4), ("payload.length_bytes", 0))

    assert [one.partition(":")[0] for one in told] == [
        "payload.length_bytes",
        "converter.top_code",
        "transmit.coding_rate",
    ]
