"""Board profiles: the demo's as it is read, and one sentence for each thing that can be wrong."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

import pytest

from benchrig.board.checks import CHECKS
from benchrig.board.profile import BoardProfile, read_board_profile
from benchrig.errors import ConfigError

from .profile_edits import GONE, PROFILE, changed, places_of_numbers, read_at, shipped, without_checks, write_toml
from .profile_mistakes import MISTAKES

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
    with pytest.raises(ConfigError, match=r"board profile .*: (1 problem|\d+ problems)\n") as caught:
        read(folder, *edits)
    prefix = f"{folder / 'probe.toml'}: "
    assert all(problem.startswith(prefix) for problem in caught.value.problems)
    assert all(problem in caught.value.message for problem in caught.value.problems)
    return [problem.removeprefix(prefix) for problem in caught.value.problems]


def test_shipped_profile_is_sound() -> None:
    """The demo's profile is read, with the numbers that stand in it in SI base units."""
    profile = read_board_profile(PROFILE)

    assert (profile.name, profile.maximum_voltage_v, profile.power.nominal_v) == ("hay-barn-probe", 4.3, 3.7)
    assert set(profile.required["production"]) < set(profile.required["signoff"]) <= set(CHECKS)
    floor = profile.limits["floor_current"]["floor"]
    assert (floor.low, floor.high, floor.unit, floor.rule) == (5e-6, 30e-6, "A", "guarded")


def test_edited_profile_reads_the_same(tmp_path: Path) -> None:
    """The way in which these tests write a profile changes nothing by itself."""
    written, original = read(tmp_path), read_board_profile(PROFILE)

    assert written.limits == original.limits
    assert written.field_map == original.field_map
    assert written.grammar == original.grammar
    assert written.roles == original.roles


def test_byte_order_mark_is_read_over(tmp_path: Path) -> None:
    """Some editors put a byte order mark before the first key."""
    path = tmp_path / "marked.toml"
    path.write_bytes(b"\xef\xbb\xbf" + PROFILE.read_bytes())

    assert read_board_profile(path).name == "hay-barn-probe"


@pytest.mark.parametrize(("place", "value", "sentence"), MISTAKES)
def test_one_thing_wrong(tmp_path: Path, place: str, value: object, sentence: str) -> None:
    """Each thing wrong is one sentence that says where, what stands there and what is accepted."""
    (told,) = problems(tmp_path, (place, value))

    assert told.startswith(sentence)


def test_everything_wrong_is_told_at_once(tmp_path: Path) -> None:
    """A profile with many mistakes is corrected in one go: each of them is told as if it stood alone."""
    chosen: dict[str, tuple[str, object, str]] = {}  # one mistake in each table, so that none hides another
    for case in MISTAKES:
        place, value, sentence = case.values
        chosen.setdefault(re.split(r"[.\[]", str(place))[0], (str(place), value, str(sentence)))
    del chosen["maxima"], chosen["payload_roles"]  # what refers to something wrong is not told: it may be right

    told = problems(tmp_path, *((place, value) for place, value, _ in chosen.values()))

    assert len(chosen) >= 12
    for _, _, sentence in chosen.values():
        assert [one for one in told if one.startswith(sentence)], sentence
    assert len(told) == len(chosen)


TABLES = [
    "maxima", "power", "first_touch", "identity", "console", "modem", "converter", "payload", "payload_roles", "sweep",
    "rail", "sleep", "transmit", "required", "limits",
]  # fmt: skip


@pytest.mark.parametrize("table", TABLES)
def test_missing_table(tmp_path: Path, table: str) -> None:
    """A table that is missing is named, once, and nothing that follows from its absence is told beside it."""
    assert problems(tmp_path, (table, GONE)) == [f"{table}: this key is missing"]


@pytest.mark.parametrize(
    "table",
    [
        "takes_s", "console.checksum", "own_checks", "summary", "region", "console.baud", "thresholds", "coming_back",
        "coming_back.plateaus_v", "coming_back.holes_s",
    ],
)  # fmt: skip
def test_table_that_may_be_left_out(tmp_path: Path, table: str) -> None:
    """What a board does not have is left out of its profile, and its check out of what is required."""
    edits: tuple[tuple[str, object], ...] = (("own_checks", []), ("required", without_checks(table)), (table, GONE))

    assert read(tmp_path, *edits).name == "hay-barn-probe"


NOT_NUMBERS = [math.nan, math.inf, -math.inf, True, "3.7", [3.7], {}, 10**400]


@pytest.mark.parametrize("place", places_of_numbers(shipped()))
def test_no_number_passes_for_one(tmp_path: Path, place: str) -> None:
    """NaN, infinity, true, a text, an array, a table or a number beyond any float: refused with its place."""
    key = re.sub(r"\[\d+\]$", "", place)  # an array of numbers is told as a whole

    for value in NOT_NUMBERS:
        told = problems(tmp_path, (place, value))
        assert told[0].startswith(f"{key}: "), (value, told)
        assert "is not" in told[0], (value, told)


FIELDS = [
    ("identity", "serial"), ("identity", "firmware"), ("identity", "boots"), ("identity", "image"),
    ("battery", "counts"), ("battery", "millivolts"), ("temperature", "celsius"),
    *((question, name) for question in ("frame", "report") for name in ("millivolts", "celsius", "port", "length")),
]  # fmt: skip


@pytest.mark.parametrize(("question", "field"), FIELDS, ids=lambda text: text)
def test_answer_pattern_without_a_field_that_is_read(tmp_path: Path, question: str, field: str) -> None:
    """An answer pattern that lacks a field which the checks read is told with the file, not in the run."""
    place = f"console.questions.{question}.answer"
    pattern = str(read_at(shipped(), place)).replace(f"(?P<{field}>", f"(?P<{field}_>")

    assert problems(tmp_path, (place, pattern)) == [
        f"{place}: the pattern has no group (?P<{field}>...) (nearest known: {field}_)"
    ]


def test_image_is_needed_only_where_it_is_checked(tmp_path: Path) -> None:
    """A board that does not tell its firmware image may leave it out of both places."""
    place = "console.questions.identity.answer"
    pattern = str(read_at(shipped(), place)).replace(" image=(?P<image>[0-9a-f]{8})", "")

    assert read(tmp_path, (place, pattern), ("identity.image", "")).identity.image == ""


@pytest.mark.parametrize("group", ["port", "payload"])
def test_modem_pattern_without_a_group(tmp_path: Path, group: str) -> None:
    """The pattern of the modem's line names where port and payload stand."""
    pattern = str(read_at(shipped(), "modem.frame")).replace(f"(?P<{group}>", "(?:")

    (told,) = problems(tmp_path, ("modem.frame", pattern))

    assert told == f"modem.frame: the pattern has no group (?P<{group}>...)"


def test_misspelt_question_is_named_by_the_missing_one(tmp_path: Path) -> None:
    """A question under a wrong name shows as the needed one missing, and the name that is nearest."""
    question = read_at(shipped(), "console.questions.temperature")

    told = problems(tmp_path, ("console.questions.temperature", GONE), ("console.questions.temprature", question))

    assert told == ["console.questions.temperature: this entry is missing (nearest known: temprature)"]


PROTECTED = [
    pytest.param(
        ("power.protection_v", 3.7),
        ["power.nominal_v", "first_touch.voltage_v", "sweep.points_v", "rail.points_v"],
        id="all",
    ),
    pytest.param(("power.nominal_v", 4.3), ["power.nominal_v"], id="nominal"),
    pytest.param(("first_touch.voltage_v", 4.3), ["first_touch.voltage_v"], id="first touch"),
    pytest.param(("sweep.points_v", [3.3, 3.6, 4.3]), ["sweep.points_v"], id="sweep"),
    pytest.param(("rail.points_v", [3.3, 4.3]), ["rail.points_v"], id="rail"),
]


@pytest.mark.parametrize(("edit", "keys"), PROTECTED)
def test_protection_below_a_voltage_of_the_plan(tmp_path: Path, edit: tuple[str, object], keys: list[str]) -> None:
    """A protection that would trip at a voltage of the plan is refused: it would look like a board that fails."""
    (told,) = problems(tmp_path, edit)

    assert re.match(r"power\.protection_v: (3\.7|4\.3) V is not above ", told)
    assert re.findall(r"(\S+_v) \(", told) == keys


def test_own_check_may_limit_any_value(tmp_path: Path) -> None:
    """An own check has limits of its own making, needs none, and is called by its name."""
    siren = {"loudness": {"unit": "mV", "low": 5, "source": "invented"}}

    profile = read(
        tmp_path,
        ("own_checks", ["siren", "yard_lamp"]),
        ("limits.siren", siren),
        ("required.nightly", ["siren", "yard_lamp"]),
    )

    assert profile.limits["siren"]["loudness"].low == 0.005
    assert profile.required["nightly"] == ("siren", "yard_lamp")
    assert profile.title("yard_lamp") == "yard lamp"
    assert profile.title("rail") == CHECKS["rail"].title


def test_check_that_nobody_requires_needs_no_limit(tmp_path: Path) -> None:
    """Limits are asked for where a check is required, not elsewhere."""
    profile = read(tmp_path, ("required", {"production": ["rail"]}), ("limits.transmit", GONE))

    assert "transmit" not in profile.limits


@pytest.mark.parametrize(
    ("content", "words"),
    [
        pytest.param(b"name = ", "is not TOML", id="no TOML"),
        pytest.param(b"name = 'a'\nname = 'b'\n", "is not TOML", id="key twice"),
        pytest.param(b"name = '\xff'", "is not UTF-8 text", id="no UTF-8"),
    ],
)
def test_file_that_is_none(tmp_path: Path, content: bytes, words: str) -> None:
    """A file that cannot be read as TOML says so, with its path."""
    path = tmp_path / "bad.toml"
    path.write_bytes(content)

    with pytest.raises(ConfigError, match=f"board profile {re.escape(str(path))}: {words}"):
        read_board_profile(path)


def test_missing_file_names_its_neighbours(tmp_path: Path) -> None:
    """A path that leads nowhere is answered with the profiles that lie there."""
    write_toml(tmp_path, shipped())

    with pytest.raises(ConfigError, match=r"porbe\.toml: there is no such file; .* holds: probe\.toml"):
        read_board_profile(tmp_path / "porbe.toml")


def test_bench_file_in_its_place_is_one_sentence() -> None:
    """A bench file given for a board profile is told as that one mistake, not as a list of unknown keys."""
    bench = PROFILE.parents[1] / "benches" / "simulated.toml"

    with pytest.raises(ConfigError, match=r"this is a bench file, it has .slots.*; give the profile") as caught:
        read_board_profile(bench)

    assert "\n" not in caught.value.message
