"""The table of requirements: ids, sentences, and what covers them; every mistake is told with what is accepted."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchrig.board.profile import read_board_profile
from benchrig.board.requirements_table import read_requirements_table
from benchrig.errors import ConfigError
from benchrig.records import RequirementNamed
from benchrig.toml_reader import build_from

PROFILE = Path(__file__).parents[2] / "fixtures" / "boards" / "hay-barn-probe.toml"
KNOWN = {"rail": ("voltage",), "siren": ("current", "sound level"), "identity_end": ()}


def read(table: dict[str, object]) -> tuple[RequirementNamed, ...]:
    """The requirements of a table."""
    return build_from(
        {"requirements": table},
        file="board.toml",
        what="requirements",
        build=lambda top: read_requirements_table(top, KNOWN, required=True),
    )


def test_requirements_in_their_order() -> None:
    """A sentence alone is a requirement that nothing covers yet; a table says what does."""
    found = read(
        {
            "R-2/a": "It is loud.",
            "R-1": {"text": "It holds its rail.", "covered_by": ["rail.voltage", "identity_end", "evidence.radio"]},
            "R-3": {"text": "It is heard.", "covered_by": ["siren.sound level"]},
        }
    )

    assert found == (
        RequirementNamed(id="R-2/a", text="It is loud."),
        RequirementNamed(
            id="R-1", text="It holds its rail.", covered_by=("rail.voltage", "identity_end", "evidence.radio")
        ),
        RequirementNamed(id="R-3", text="It is heard.", covered_by=("siren.sound level",)),
    )


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({}, "board.toml: requirements: names no requirement"),
        ({"R 1": "x"}, "requirements.R 1: 'R 1' cannot be an id; accepted: letters, digits"),
        ({"R1": ""}, "requirements.R1: '' is not a text that says something"),
        ({"R1": 5}, "requirements.R1: 5 is not a table"),
        ({"R1": {"covered_by": []}}, "requirements.R1.text: this key is missing"),
        ({"R1": {"text": "x", "covers": ["rail"]}}, "requirements.R1.covers: unknown key"),
        ({"R1": {"text": "x", "covered_by": "rail"}}, "requirements.R1.covered_by: 'rail' is not an array of texts"),
        (
            {"R1": {"text": "x", "covered_by": ["rails"]}},
            "'rails': no such check .nearest known: rail.; known: rail, siren",
        ),
        (
            {"R1": {"text": "x", "covered_by": ["rail.load"]}},
            "'rail.load': no such limit; accepted: rail as a whole, or",
        ),
        ({"R1": {"text": "x", "covered_by": ["identity_end.x"]}}, "accepted: identity_end as a whole, or none of its"),
        ({"R1": {"text": "x", "covered_by": ["rail."]}}, "'rail.': no such limit"),
        (
            {"R1": {"text": "x", "covered_by": ["evidence"]}},
            "no such slot; accepted: evidence.radio, evidence.transport",
        ),
        ({"R1": {"text": "x", "covered_by": ["evidence.rf"]}}, "'evidence.rf': no such slot"),
    ],
)
def test_mistakes(table: dict[str, object], words: str) -> None:
    """Each is told with file, key, value and what is accepted."""
    with pytest.raises(ConfigError, match=words):
        read(table)


def test_demo_profile() -> None:
    """Each requirement of the demo board is covered, by checks of its sign-off or by evidence from elsewhere."""
    profile = read_board_profile(PROFILE)

    covers = [cover.partition(".")[0] for one in profile.requirements for cover in one.covered_by]
    assert all(one.covered_by for one in profile.requirements)
    assert set(covers) <= {*profile.required["signoff"], "evidence"}


def test_profile_names_its_own_limits(tmp_path: Path) -> None:
    """In a profile a value counts that the profile gives a limit to, and no other."""
    text = PROFILE.read_text(encoding="utf-8")
    rows = "".join(
        f'{cover[5:]} = {{ text = "x", covered_by = ["{cover}"] }}\n' for cover in ("rail.voltage", "rail.load")
    )
    table = f"[requirements]\n{rows}"
    path = tmp_path / "board.toml"
    path.write_text(text.replace("[requirements]\n", table), encoding="utf-8")

    with pytest.raises(ConfigError, match=r"1 problem\n.*requirements\.load\.covered_by: 'rail.load': no such limit"):
        read_board_profile(path)
