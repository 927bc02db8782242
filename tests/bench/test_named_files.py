"""Files that a bench file names: a look before the run says which of them cannot be read."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from benchrig.bench.bench_file import read_bench_file
from benchrig.bench.named_files import check_named_files, file_problem
from benchrig.cli import main
from benchrig.errors import ConfigError

FIXTURES = Path(__file__).parents[2] / "fixtures"
AIR = (FIXTURES / "benches/simulated-air.toml").read_text(encoding="utf-8")
PROFILE = f'profile = "{FIXTURES}/boards/hay-barn-probe.toml"'


def bench(folder: Path, *edits: tuple[str, str]) -> Path:
    """The demo bench with a radio, in a folder of its own, with some texts changed."""
    text = AIR.replace('profile = "../boards/hay-barn-probe.toml"', PROFILE)
    for old, new in edits:
        assert old in text
        text = text.replace(old, new)
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


NETWORK = """
[network]
url = "mqtts://broker.invalid"
ca = "ca.pem"
user = "bench"
password = "password.txt"
uplink_topic = "up/{device_eui}"
uplink = { identity = "eui", counter = "n", port = "port", payload = "data" }

[instruments.supply]"""
BROKER = (
    ('[gateway]\nlisten = "127.0.0.1:0"', "[gateway]\n"),
    ("[instruments.supply]", NETWORK),
)


@pytest.mark.parametrize(
    ("make", "says"),
    [
        pytest.param("nothing", "is not there", id="missing"),
        pytest.param("folder", "is no file but a folder", id="folder"),
        pytest.param("secret", "cannot be read by this user", id="not readable"),
    ],
)
def test_keys_file_that_cannot_be_read(make: str, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A source of keys that is a path leads to a file that this user can read, and the look says so."""
    keys = tmp_path / "keys.toml"
    if make == "folder":
        keys.mkdir()
    elif make == "secret":
        keys.touch(mode=0o000)
        monkeypatch.setattr(os, "access", lambda path, mode: path != keys)  # whoever runs this may read everything
    path = bench(tmp_path, ('keys = "simulated"', 'keys = "keys.toml"'))

    with pytest.raises(ConfigError, match="1 problem") as caught:
        check_named_files(read_bench_file(path))

    (problem,) = caught.value.problems
    assert problem.startswith(f"{path}: slots.1.radio.keys: '{keys}' {says}")
    assert "accepted: a file that can be read" in problem


@pytest.mark.parametrize("source", ["prompt", "env:BARN_KEY", "simulated"])
def test_source_that_is_no_path_is_not_looked_for(source: str, tmp_path: Path) -> None:
    """A question at the terminal, a variable and a simulated key are no files."""
    check_named_files(read_bench_file(bench(tmp_path, ('keys = "simulated"', f'keys = "{source}"'))))


def test_look_tells_a_profile_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command says it in its own words, with the key, and exits as for any bad input."""
    path = bench(tmp_path, (PROFILE, f'profile = "{tmp_path}"'))

    assert main(["look", str(path)]) == 4
    assert "slots.1.profile: " in (told := capsys.readouterr().err)
    assert "is no file but a folder" in told


def test_look_tells_a_sun_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The file of irradiance that a profile names is read at look time."""
    profile = tmp_path / "probe.toml"
    text = (FIXTURES / "boards/hay-barn-probe.toml").read_text(encoding="utf-8")
    profile.write_text(text.replace("hay-barn-irradiance.csv", "moon.csv"), encoding="utf-8")

    assert main(["look", str(bench(tmp_path, (PROFILE, f'profile = "{profile}"')))]) == 4
    assert "moon.csv" in capsys.readouterr().err


def test_broker_files_are_looked_for(tmp_path: Path) -> None:
    """The authority's certificate and the file of a password are each told by their own key."""
    text = bench(tmp_path, *BROKER[1:]).read_text(encoding="utf-8")
    head, _, tail = text.partition("[gateway]\n")
    path = tmp_path / "bench.toml"
    path.write_text(head + tail.partition("\n\n")[2], encoding="utf-8")

    with pytest.raises(ConfigError, match="2 problems") as caught:
        check_named_files(read_bench_file(path))

    assert [problem.split(": ")[1] for problem in caught.value.problems] == ["network.ca", "network.password"]


@pytest.mark.parametrize("name", ["a" * 300, "a\0b"])
def test_name_that_no_file_has(name: str, tmp_path: Path) -> None:
    """A name that the file system refuses is a sentence, not a traceback."""
    assert file_problem(tmp_path / name)


def test_file_that_is_there(tmp_path: Path) -> None:
    """A file that can be read is no problem."""
    (tmp_path / "keys.toml").touch()

    assert file_problem(tmp_path / "keys.toml") == ""
