"""Secrets come from a private file, a variable or a person at a terminal, and no refusal shows one."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import traceback
from typing import TYPE_CHECKING

import pytest

from benchrig.bench.keys import board_key, eui_of, read_private, secret_text, source_problem
from benchrig.errors import ConfigError
from benchrig.protocol.redaction import Redactor
from benchrig.protocol.secret_key import Key

if TYPE_CHECKING:
    from pathlib import Path

DIGITS = "98929b92c49edba9676d646d3b612456"
KEY = Key.from_hex(DIGITS)
EUI = 0x02004842A0010001
GOOD = f'[devices."02004842A0010001"]\napp_key = "{DIGITS}"\nboard = "HB-0001"\n'


def private(folder: Path, text: str, *, mode: int = 0o600, name: str = "keys.toml") -> str:
    """A file of its owner alone; its name."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    path.chmod(mode)
    return name


def key_of(folder: Path, source: str, *, device_eui: int | None = EUI, board: str = "HB-0001", **more: object) -> Key:
    """The key of the demo board."""
    return board_key(source, folder=folder, device_eui=device_eui, board=board, **more).key  # type: ignore[arg-type]


def shows(error: BaseException) -> bool:
    """Whether an error, its chain or a traceback with its local names shows the key."""
    chain = traceback.TracebackException.from_exception(error, capture_locals=True)
    return bool(Redactor((KEY,)).find("".join(chain.format()) + repr(error.__context__) + repr(error.__cause__)))


def test_key_comes_out_of_a_private_file(tmp_path: Path) -> None:
    """The table of the identity holds the key, whatever separators both are written with."""
    private(tmp_path, GOOD.replace("02004842A0010001", "02-00-48-42-a0-01-00-01"))

    assert key_of(tmp_path, "keys.toml") == KEY


def test_identity_follows_from_the_board(tmp_path: Path) -> None:
    """Without an identity in the bench file, the entry that names the board tells it: a lot needs one file."""
    private(tmp_path, GOOD + f'[devices."{EUI + 1:016X}"]\napp_key = "{"00" * 16}"\nboard = "HB-0002"\n')

    found = board_key("keys.toml", folder=tmp_path, device_eui=None, board="HB-0001")

    assert found == (EUI, KEY)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o660, 0o644], ids=oct)
def test_file_that_others_can_touch_is_refused(tmp_path: Path, mode: int) -> None:
    """A keys file is its owner's alone; the sentence holds the command that mends it."""
    private(tmp_path, GOOD, mode=mode)

    with pytest.raises(ConfigError, match=rf"\(mode {mode:o}\); do: chmod 600 .*keys\.toml") as refused:
        key_of(tmp_path, "keys.toml")
    assert not shows(refused.value)


BAD_FILES = [
    pytest.param("", "no TOML with tables", id="empty"),
    pytest.param(f'app_key = "{DIGITS}"', "no TOML with tables", id="key without its table"),
    pytest.param(f'[devices."{DIGITS}"]\nx = 1', "named by no EUI", id="key in place of the identity"),
    pytest.param(f'[devices."02004842A0010001"]\napp_key = {DIGITS}', "no TOML with tables", id="no TOML: no quotes"),
    pytest.param(f'[devices."02004842A0010001"]\napp_kee = "{DIGITS}"', "no app_key of 0200", id="misspelt"),
    pytest.param(f'[devices."02004842A0010001"]\napp_key = "{DIGITS}0"', "33 characters", id="too long"),
    pytest.param(f'[devices."02004842A0010001"]\napp_key = "{DIGITS[:-1]}g"', "1 of them no hexa", id="no digit"),
    pytest.param(f'[devices."02004842A0010002"]\napp_key = "{DIGITS}"', "boards there: 02004842A0010002", id="other"),
    pytest.param("devices = 5", "no TOML with tables", id="devices is no table"),
]


@pytest.mark.parametrize(("text", "said"), BAD_FILES)
def test_bad_keys_file_is_one_sentence_without_a_key(tmp_path: Path, text: str, said: str) -> None:
    """What is wrong with a file is told; what stands in it is not, not even in a traceback with local names."""
    private(tmp_path, text)

    with pytest.raises(ConfigError, match=said) as refused:
        key_of(tmp_path, "keys.toml")
    assert not Redactor((KEY,)).find("".join(traceback.format_exception(refused.value)) + refused.value.message)


def test_missing_file_says_so(tmp_path: Path) -> None:
    """A path that leads nowhere is named."""
    with pytest.raises(ConfigError, match=r"keys: .*none\.toml cannot be read: No such file"):
        key_of(tmp_path, "none.toml")


@pytest.mark.parametrize("name", [".", "pipe"])
def test_what_is_no_regular_file_is_refused(tmp_path: Path, name: str) -> None:
    """A folder or a pipe is refused without waiting for anybody to write."""
    os.mkfifo(tmp_path / "pipe", 0o600)

    with pytest.raises(ConfigError, match="is no regular file"):
        read_private(tmp_path / name, what="keys")


def test_file_of_another_user_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A private file of somebody else, which only root could read at all, is not ours to use."""
    private(tmp_path, GOOD)
    os.chown(tmp_path / "keys.toml", 12345, -1) if os.geteuid() == 0 else monkeypatch.setattr(os, "geteuid", lambda: 7)

    with pytest.raises(ConfigError, match=r"belongs to user .* not to you"):
        key_of(tmp_path, "keys.toml")


def test_key_comes_out_of_a_variable(tmp_path: Path) -> None:
    """env:NAME reads the variable."""
    assert key_of(tmp_path, "env:BARN_KEY", environment={"BARN_KEY": DIGITS}) == KEY


@pytest.mark.parametrize(
    ("environment", "said"),
    [
        pytest.param({}, "environment variable BARN_KEY is not set", id="not set"),
        pytest.param({"BARN_KEY": DIGITS + "0"}, "environment variable BARN_KEY: a key of 33 characters", id="long"),
    ],
)
def test_bad_variable_is_one_sentence_without_a_key(tmp_path: Path, environment: dict[str, str], said: str) -> None:
    """The variable's name is told, and never what it holds."""
    with pytest.raises(ConfigError, match=said) as refused:
        key_of(tmp_path, "env:BARN_KEY", environment=environment)
    assert DIGITS not in "".join(traceback.format_exception(refused.value))


@pytest.mark.parametrize(
    "digits",
    [
        pytest.param("00" * 16, id="zeros"),
        pytest.param("FF" * 16, id="ones"),
        pytest.param("000102030405060708090A0B0C0D0E0F", id="counting (FIPS 197 C.1)"),
        pytest.param("00112233445566778899AABBCCDDEEFF", id="counting in elevens (FIPS 197 C.1)"),
        pytest.param("FFEEDDCCBBAA99887766554433221100", id="counting down"),
        pytest.param("0123456789ABCDEF0123456789ABCDEF", id="one half twice"),
        pytest.param("2B7E151628AED2A6ABF7158809CF4F3C", id="the example of FIPS 197 A.1 and RFC 4493"),
        pytest.param("3C4FCF098815F7ABA6D2AE2816157E2B", id="the same turned round"),
    ],
)
def test_placeholder_is_refused_without_showing_it(tmp_path: Path, digits: str) -> None:
    """A key that anybody can guess protects no board: refused with the way to a good one, from a file or a variable."""
    private(tmp_path, GOOD.replace(DIGITS, digits))
    for source in ("keys.toml", "env:BARN_KEY"):
        with pytest.raises(ConfigError, match=r"a placeholder: .*secrets\.token_hex\(16\)") as refused:
            key_of(tmp_path, source, environment={"BARN_KEY": digits})
        assert digits not in "".join(traceback.format_exception(refused.value))


def test_key_without_identity_is_refused(tmp_path: Path) -> None:
    """A variable gives a key alone."""
    with pytest.raises(ConfigError, match="gives a key and no identity"):
        key_of(tmp_path, "env:BARN_KEY", device_eui=None, environment={"BARN_KEY": DIGITS})


def test_person_is_asked_for_the_key_of_the_board(tmp_path: Path) -> None:
    """The question names board and identity."""
    asked: list[str] = []

    def ask(question: str) -> str:
        asked.append(question)
        return DIGITS

    assert key_of(tmp_path, "prompt", ask=ask) == KEY
    assert asked == ["application key of board HB-0001, 02004842A0010001: "]


ASK = (
    "from benchrig.bench.keys import ask_at_terminal\nimport sys\nprint(len(ask_at_terminal('key: ')), file=sys.stderr)"
)


def test_without_a_terminal_nobody_is_asked() -> None:
    """In a session without a terminal the question is refused at once, with the way out."""
    ended = subprocess.run(
        [sys.executable, "-c", ASK], capture_output=True, text=True, timeout=30, start_new_session=True, check=False
    )

    assert ended.returncode != 0
    assert "nobody sits at a terminal; name a file or an environment variable" in ended.stderr


def test_at_a_terminal_the_key_is_typed_without_an_echo() -> None:
    """What is typed at a real terminal is read, and does not appear on it."""
    terminal, far_end = pty.openpty()
    # A session without a terminal that opens one gets it as its own (POSIX.1-2017 11.1.3, as Linux does it).
    code = f"import os\nos.open({os.ttyname(far_end)!r}, os.O_RDWR)\n{ASK}"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True
    ) as asking:
        shown = b""
        while b"key: " not in shown:
            shown += os.read(terminal, 1024)
        os.write(terminal, DIGITS.encode() + b"\n")
        _, said = asking.communicate(timeout=30)
    os.close(far_end)
    os.close(terminal)

    assert (asking.returncode, said) == (0, b"32\n")
    assert DIGITS.encode() not in shown


@pytest.mark.parametrize(
    ("source", "said"),
    [
        pytest.param("keys.toml", "", id="path"),
        pytest.param("env:BARN_KEY", "", id="variable"),
        pytest.param("prompt", "", id="prompt"),
        pytest.param(DIGITS, "a key must not stand in this file", id="the key itself"),
        pytest.param(" ".join([DIGITS[i : i + 2] for i in range(0, 32, 2)]), "a key must not stand", id="with blanks"),
        pytest.param("env:", "'env:' names no environment variable", id="no name"),
        pytest.param("env:9X", "'env:9X' names no environment variable", id="no variable's name"),
    ],
)
def test_name_of_a_source_is_checked(source: str, said: str) -> None:
    """A key in place of its source's name is refused and not shown."""
    problem = source_problem(source)

    assert problem.startswith(said) if said else problem == ""
    assert DIGITS not in problem


def test_password_is_the_one_line_of_a_private_file(tmp_path: Path) -> None:
    """The line feed at its end does not belong to it."""
    private(tmp_path, "correct horse\n", name="password")
    assert secret_text("password", folder=tmp_path, what="password") == "correct horse"

    private(tmp_path, "two\nlines\n", name="password")
    with pytest.raises(ConfigError, match="holds 2 lines; accepted: one") as refused:
        secret_text("password", folder=tmp_path, what="password")
    assert "two" not in refused.value.message


@pytest.mark.parametrize(
    ("text", "eui"),
    [
        ("02004842A0010001", EUI),
        ("02-00-48-42-a0-01-00-01", EUI),
        ("02:00:48:42:A0:01:00:01", EUI),
        ("0200", None),
        ("x" * 16, None),
        (DIGITS, None),
        ("", None),
    ],
)
def test_identity_is_sixteen_digits(text: str, eui: int | None) -> None:
    """Separators do no harm; anything else is none."""
    assert eui_of(text) == eui
