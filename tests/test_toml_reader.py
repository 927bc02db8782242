"""The TOML reader: every bad value is one sentence, reading goes on, and nothing is swallowed."""

from __future__ import annotations

import math
import re
import tomllib
from datetime import date
from typing import TYPE_CHECKING

import pytest

from benchrig.errors import ConfigError
from benchrig.toml_reader import Section, build_from, nearest, read_toml

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Read = Callable[[Section], object]

HUGE = "1" + 400 * "0"
BEYOND_TEXT = "0x" + 4000 * "f"  # a TOML integer that Python cannot write in decimal


def _section(text: str) -> Section:
    return Section(tomllib.loads(text), file="f.toml", path="", problems=[])


def _text(section: Section) -> object:
    return section.text("k")


def _one_of(section: Section) -> object:
    return section.text("k", accepted=("close", "none"))


def _number(section: Section) -> object:
    return section.number("k")


def _positive(section: Section) -> object:
    return section.number("k", above=0.0, at_most=10.0)


def _at_least(section: Section) -> object:
    return section.number("k", at_least=-1.5)


def _integer(section: Section) -> object:
    return section.integer("k", at_least=1, at_most=5)


def _boolean(section: Section) -> object:
    return section.boolean("k", default=True)


def _day(section: Section) -> object:
    return section.day("k")


def _pattern(section: Section) -> object:
    pattern = section.pattern("k")
    return pattern.search("") or pattern.search("anything") or pattern.search("(")


def _texts(section: Section) -> object:
    return section.texts("k")


def _texts_of(section: Section) -> object:
    return section.texts("k", accepted=("rail", "sleep"))


def _numbers(section: Section) -> object:
    return section.numbers("k")


def _table(section: Section) -> object:
    return section.section("k")


def _tables(section: Section) -> object:
    return list(section.sections("k"))


def _listed(section: Section) -> object:
    return list(section.listed("k"))


NAN = "NaN"  # stands for a number that is none, since NaN equals nothing
MISSING = "f.toml: k: this key is missing"

# (how it is read, the file, the problem, what stands in for the value)
BAD_VALUES = [
    pytest.param(_text, "", MISSING, "", id="text missing"),
    pytest.param(_text, "k = 1", "f.toml: k: 1 is not a text that says something", "", id="number for a text"),
    pytest.param(_text, "k = ''", "f.toml: k: '' is not a text that says something", "", id="empty text"),
    pytest.param(_text, "k = [1]", "f.toml: k: [1] is not a text that says something", "", id="array for a text"),
    pytest.param(
        _text,
        f"k = {HUGE}",
        f"f.toml: k: {HUGE[:57]}... is not a text that says something",
        "",
        id="long value is cut",
    ),
    pytest.param(
        _text,
        f"k = {BEYOND_TEXT}",
        "f.toml: k: a number of thousands of digits is not a text that says something",
        "",
        id="number that cannot be written",
    ),
    pytest.param(
        _one_of,
        "k = 'closed'",
        "f.toml: k: 'closed' is not one of: close, none (nearest known: close)",
        "",
        id="not of the set, near",
    ),
    pytest.param(_one_of, "k = 'zzz'", "f.toml: k: 'zzz' is not one of: close, none", "", id="not of the set, far"),
    pytest.param(
        lambda s: s.text("k", default=""),
        "k = ''",
        "f.toml: k: '' is not a text that says something",
        "",
        id="empty text where it may be left out",
    ),
    pytest.param(_text, "k = '  '", "f.toml: k: '  ' is not a text that says something", "", id="blank text"),
    pytest.param(
        lambda s: s.numbers("k"),
        f"k = [{'1, ' * 1001}]",
        "f.toml: k: 1001 numbers; accepted: at most 1000 in an array",
        (),
        id="more numbers than anybody plans",
    ),
    pytest.param(_number, "", MISSING, NAN, id="number missing"),
    pytest.param(_number, "k = '1'", "f.toml: k: '1' is not a finite number", NAN, id="text for a number"),
    pytest.param(_number, "k = true", "f.toml: k: true is not a finite number", NAN, id="boolean for a number"),
    pytest.param(_number, "k = nan", "f.toml: k: nan is not a finite number", NAN, id="nan"),
    pytest.param(_number, "k = inf", "f.toml: k: inf is not a finite number", NAN, id="inf"),
    pytest.param(_number, "k = -inf", "f.toml: k: -inf is not a finite number", NAN, id="minus inf"),
    pytest.param(
        _number, f"k = {HUGE}", f"f.toml: k: {HUGE[:57]}... is not a finite number", NAN, id="beyond any float"
    ),
    pytest.param(_positive, "k = 0", "f.toml: k: 0 is not a number above 0 and at most 10", NAN, id="number not above"),
    pytest.param(
        _positive, "k = 10.5", "f.toml: k: 10.5 is not a number above 0 and at most 10", NAN, id="number too large"
    ),
    pytest.param(_at_least, "k = -2", "f.toml: k: -2 is not a number at least -1.5", NAN, id="number too small"),
    pytest.param(_integer, "", MISSING, 1, id="integer missing"),
    pytest.param(_integer, "k = 6", "f.toml: k: 6 is not a whole number from 1 to 5", 1, id="integer too large"),
    pytest.param(_integer, "k = 2.0", "f.toml: k: 2.0 is not a whole number from 1 to 5", 1, id="fraction"),
    pytest.param(_integer, "k = true", "f.toml: k: true is not a whole number from 1 to 5", 1, id="boolean"),
    pytest.param(_boolean, "k = 1", "f.toml: k: 1 is not true or false", True, id="number for a boolean"),
    pytest.param(_boolean, "k = 'no'", "f.toml: k: 'no' is not true or false", True, id="text for a boolean"),
    pytest.param(
        _day,
        "k = '2027-03-01'",
        "f.toml: k: '2027-03-01' is not a date without quotes, such as 2027-03-01",
        None,
        id="date in quotes",
    ),
    pytest.param(
        _day,
        "k = 2027-03-01T08:00:00Z",
        "f.toml: k: 2027-03-01T08:00:00+00:00 is not a date without quotes, such as 2027-03-01",
        None,
        id="date with a time",
    ),
    pytest.param(_pattern, "", MISSING, None, id="pattern missing matches nothing"),
    pytest.param(
        _pattern,
        "k = '('",
        "f.toml: k: '(' is not a regular expression: missing ), unterminated subpattern at position 0",
        None,
        id="pattern",
    ),
    pytest.param(
        _pattern,
        "k = 'a{99999999999}'",
        "f.toml: k: 'a{99999999999}' is not a regular expression: the repetition number is too large",
        None,
        id="pattern beyond reason",
    ),
    pytest.param(_text, "k = 08:00:00", "f.toml: k: 08:00:00 is not a text that says something", "", id="time of day"),
    pytest.param(_texts, "", MISSING, (), id="texts missing"),
    pytest.param(_texts, "k = 'a'", "f.toml: k: 'a' is not an array of texts", (), id="text for texts"),
    pytest.param(_texts, "k = ['a', '']", "f.toml: k: ['a', ''] is not an array of texts", (), id="empty among texts"),
    pytest.param(
        _texts_of,
        "k = ['rail', 'sleeep']",
        "f.toml: k: 'sleeep' is not one of: rail, sleep (nearest known: sleep)",
        ("rail", "sleeep"),
        id="text not of the set",
    ),
    pytest.param(_numbers, "", MISSING, (), id="numbers missing"),
    pytest.param(_numbers, "k = 1", "f.toml: k: 1 is not an array of finite numbers", (), id="number for numbers"),
    pytest.param(
        _numbers, "k = [1, nan]", "f.toml: k: [1, nan] is not an array of finite numbers", (), id="nan among numbers"
    ),
    pytest.param(
        _numbers,
        "k = [1, false]",
        "f.toml: k: [1, False] is not an array of finite numbers",
        (),
        id="boolean among numbers",
    ),
    pytest.param(_table, "", MISSING, None, id="table missing"),
    pytest.param(_table, "k = 1", "f.toml: k: 1 is not a table", None, id="number for a table"),
    pytest.param(_tables, "", MISSING, [], id="tables missing"),
    pytest.param(_tables, "k.a = 1", "f.toml: k.a: 1 is not a table", [], id="number among tables"),
    pytest.param(_listed, "", MISSING, [], id="list missing"),
    pytest.param(_listed, "k = [1]", "f.toml: k: [1] is not an array of tables", [], id="number in a list of tables"),
    pytest.param(_listed, "k = {}", "f.toml: k: {} is not an array of tables", [], id="table for a list"),
]


@pytest.mark.parametrize(("read", "text", "problem", "stand_in"), BAD_VALUES)
def test_bad_value_is_told_and_reading_goes_on(read: Read, text: str, problem: str, stand_in: object) -> None:
    """The sentence names file, key, value and what is accepted; something of the right type stands in."""
    section = _section(text)

    value = read(section)

    assert section.problems == [problem]
    if stand_in is NAN:
        assert isinstance(value, float)
        assert math.isnan(value)
    else:
        assert value == stand_in


@pytest.mark.parametrize(
    ("read", "text", "value"),
    [
        pytest.param(_text, "k = 'a'", "a", id="text"),
        pytest.param(_one_of, "k = 'none'", "none", id="one of a set"),
        pytest.param(_number, "k = 3", 3.0, id="whole number"),
        pytest.param(_number, "k = 1.7976931348623157e308", 1.7976931348623157e308, id="largest float"),
        pytest.param(_positive, "k = 10", 10.0, id="number at its bound"),
        pytest.param(_integer, "k = 5", 5, id="integer at its bound"),
        pytest.param(_boolean, "k = false", False, id="boolean"),
        pytest.param(_boolean, "", True, id="boolean by default"),
        pytest.param(_day, "k = 2027-03-01", date(2027, 3, 1), id="date"),
        pytest.param(_day, "", None, id="no date"),
        pytest.param(_texts, "k = ['a', 'b']", ("a", "b"), id="texts"),
        pytest.param(_texts, "k = []", (), id="no texts"),
        pytest.param(_numbers, "k = [1, 2.5]", (1.0, 2.5), id="numbers"),
        pytest.param(lambda s: s.optional_number("k"), "k = 2", 2.0, id="number that may be there"),
        pytest.param(lambda s: s.optional_number("k"), "", None, id="number that is not there"),
        pytest.param(lambda s: s.number("k", default=1), "", 1.0, id="number by default"),
        pytest.param(lambda s: s.integer("k", default=2, at_least=1, at_most=5), "", 2, id="integer by default"),
        pytest.param(lambda s: s.text("k", default="d"), "", "d", id="text by default"),
        pytest.param(lambda s: s.text("k", default="", empty=True), "k = ''", "", id="empty text where it may be"),
        pytest.param(lambda s: s.texts("k", default=("x",)), "", ("x",), id="texts by default"),
        pytest.param(lambda s: s.numbers("k", default=(1.0,)), "", (1.0,), id="numbers by default"),
        pytest.param(lambda s: s.pattern("k").pattern, "k = 'a+'", "a+", id="pattern"),
        pytest.param(lambda s: s.section("k", required=False), "", None, id="table that may be missing"),
        pytest.param(lambda s: [name for name, _ in s.sections("k")], "[k.a]\n[k.b]", ["a", "b"], id="tables"),
        pytest.param(lambda s: [part.path for part in s.listed("k")], "[[k]]\n[[k]]", ["k[0]", "k[1]"], id="list"),
        pytest.param(lambda s: list(s.listed("k", required=False)), "", [], id="list that may be missing"),
        pytest.param(lambda s: (s.has("k"), s.raw("k"), s.names()), "k = 7", (True, 7, ("k",)), id="as it stands"),
    ],
)
def test_good_value_is_read_without_a_word(read: Read, text: str, value: object) -> None:
    """What is accepted comes back in its type, and no problem is told."""
    section = _section(text)

    assert read(section) == value
    assert section.problems == []


def test_optional_number_that_is_none_is_told() -> None:
    """A number that may be missing must still be one when it is there."""
    section = _section("k = 'x'")

    assert section.optional_number("k") is None
    assert section.problems == ["f.toml: k: 'x' is not a finite number"]


def test_problem_names_its_place_in_the_file() -> None:
    """Key paths go through tables and lists of tables down to the key."""
    section = _section("[a.b]\nx = 1\n[[a.c]]\n[[a.c]]\nz = 1")
    a = section.section("a")
    assert a is not None
    b = a.section("b")
    assert b is not None
    b.text("x")
    for part in a.listed("c"):
        part.finish()
    section.problem("", "is empty")

    assert section.problems == [
        "f.toml: a.b.x: 1 is not a text that says something",
        "f.toml: a.c[1].z: unknown key (known here: none)",
        "f.toml: (top level): is empty",
    ]


def test_key_that_nobody_asked_for_is_told() -> None:
    """Nothing in a file is passed over: an unknown key is told with the nearest known one, or with all of them."""
    section = _section("tolerance = 1\ntolerence = 2\nzzz = 3\nlater = 4")
    section.number("tolerance")
    section.text("name", default="")
    section.finish(also_known=("later",))

    assert section.problems == [
        "f.toml: tolerence: unknown key (nearest known: tolerance)",
        "f.toml: zzz: unknown key (known here: later, name, tolerance)",
    ]


@pytest.mark.parametrize(
    ("word", "hint"),
    [
        pytest.param("recoder", " (nearest known: recorder)", id="a letter missing"),
        pytest.param("Recorder", " (nearest known: recorder)", id="a capital"),
        pytest.param("xyz", "", id="nothing near"),
        pytest.param("", "", id="nothing"),
    ],
)
def test_nearest_known_word(word: str, hint: str) -> None:
    """A slip of the finger is answered with the word that was meant, and a strange word with none."""
    assert nearest(word, ("recorder", "supply")) == hint


def test_all_problems_come_in_one_error() -> None:
    """The error counts them, lists them in the order of the file and carries them one by one."""

    def build(top: Section) -> None:
        top.text("a")
        top.number("b")
        top.finish()

    with pytest.raises(ConfigError, match=r"^bench file f\.toml: 3 problems\n  f\.toml: a: 1 is") as caught:
        build_from({"a": 1, "b": "x", "c": 0}, file="f.toml", what="bench file", build=build)

    assert [problem.split(": ")[1] for problem in caught.value.problems] == ["a", "b", "c"]


def test_one_problem_is_counted_as_one() -> None:
    """One problem, not one problems."""
    with pytest.raises(ConfigError, match=r"^profile f\.toml: 1 problem\n"):
        build_from({}, file="f.toml", what="profile", build=lambda top: top.text("a"))


def _keys(top: Section) -> tuple[str, ...]:
    return top.names()


def test_file_is_read_as_utf_8(tmp_path: Path) -> None:
    """A byte order mark, as some editors put it, is no part of the first key."""
    path = tmp_path / "f.toml"
    path.write_bytes(b"\xef\xbb\xbf" + "name = 'Scheune Ä'".encode())

    assert read_toml(path, what="bench file", build=_keys) == ("name",)


UNREADABLE = [
    pytest.param(b"k = 'a", r"is not TOML: .*\(at line 1, column \d+\)|is not TOML: .*end of document", id="no TOML"),
    pytest.param(
        b"k = 1\nk = 2",
        r"is not TOML: Cannot overwrite a value \(at (line 2, column 6|end of document)\)",
        id="key twice",
    ),
    pytest.param(b"k = '\xff'", r"is not UTF-8 text \(byte 5\)", id="not UTF-8"),
    pytest.param(b"k = " + 5000 * b"[", "is not TOML that can be read: its values are nested too deeply", id="nested"),
    pytest.param(b"k = " + 5000 * b"1", "cannot be read: Exceeds the limit", id="number of 5000 digits"),
]


@pytest.mark.parametrize(("data", "sentence"), UNREADABLE)
def test_file_that_is_no_toml_is_told(data: bytes, sentence: str, tmp_path: Path) -> None:
    """Whatever stands in a file, the answer is a sentence with the file's name."""
    path = tmp_path / "f.toml"
    path.write_bytes(data)

    with pytest.raises(ConfigError, match=rf"^bench file .*f\.toml'?: ({sentence})"):
        read_toml(path, what="bench file", build=_keys)


def test_file_that_is_not_there_is_told_with_its_neighbours(tmp_path: Path) -> None:
    """A missing file names what else lies in the folder."""
    for name in ("b.toml", "a.toml", "c.txt"):
        (tmp_path / name).touch()

    with pytest.raises(ConfigError, match=re.escape(f"there is no such file; {tmp_path} holds: a.toml, b.toml") + "$"):
        read_toml(tmp_path / "d.toml", what="bench file", build=_keys)


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        pytest.param("none/f.toml", "there is no such file$", id="no folder"),
        pytest.param(".", "cannot be read: Is a directory$", id="a folder"),
        pytest.param("a.toml/f.toml", "cannot be read: Not a directory$", id="a file for a folder"),
        pytest.param("x" * 300, "cannot be read: File name too long$", id="name too long"),
        pytest.param("a\0b", "cannot be read: embedded null", id="no name of a file"),
    ],
)
def test_path_that_is_no_file_is_told(name: str, sentence: str, tmp_path: Path) -> None:
    """Whatever the path is, the answer is a sentence."""
    (tmp_path / "a.toml").touch()

    with pytest.raises(ConfigError, match=rf"^bench file .*: {sentence}"):
        read_toml(tmp_path / name, what="bench file", build=_keys)
