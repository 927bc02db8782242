"""One owner for each address: another thread, another process, an owner that was killed."""

from __future__ import annotations

import getpass
import os
import subprocess
import sys
import threading
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING, cast

import pytest

from benchrig.bench import ownership
from benchrig.bench.ownership import Ownership
from benchrig.errors import OwnershipError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ADDRESS = "TCPIP::192.0.2.1::5025::SOCKET"

HOLDER = """
import sys
from pathlib import Path
from benchrig.bench import ownership
ownership._SHARED = Path(sys.argv[1])
with ownership.Ownership(sys.argv[2], name="supply psu"):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture(autouse=True)
def locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own in the place of the one that all users share."""
    monkeypatch.setattr(ownership, "_SHARED", tmp_path)
    return tmp_path / "benchrig-locks"


@contextmanager
def _other_process(folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A process that holds the address until its standard input ends."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(folder), ADDRESS], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert cast("IO[bytes]", process.stdout).readline() == b"held\n"
    try:
        yield process
    finally:
        process.communicate(timeout=10.0)


def _owner(**changes: str) -> Ownership:
    return Ownership(changes.get("address", ADDRESS), name="supply psu", wait_s=0.05)


def test_second_owner_in_another_process_is_refused(tmp_path: Path) -> None:
    """The sentence names the instrument, the owner's process, user and time, and what to do."""
    with (
        _other_process(tmp_path) as process,
        pytest.raises(
            OwnershipError,
            match=rf"supply psu at {ADDRESS} is in use: held by process {process.pid} of {getpass.getuser()} since "
            r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00; wait for that run to end, or end it",
        ),
    ):
        _owner().take()


def test_second_owner_in_another_thread_is_refused() -> None:
    """Two threads of one process are two owners."""
    refused: list[str] = []

    def take() -> None:
        try:
            _owner().take()
        except OwnershipError as wrong:
            refused.append(wrong.message)

    with _owner():
        thread = threading.Thread(target=take)
        thread.start()
        thread.join(10.0)

    assert len(refused) == 1
    assert f"held by process {os.getpid()}" in refused[0]


def test_killed_owner_leaves_no_lock(tmp_path: Path) -> None:
    """After kill -9 the address is free at once, and the note of the dead owner is replaced."""
    with _other_process(tmp_path) as process:
        process.kill()
        process.wait(10.0)

        with (
            Ownership(ADDRESS, name="supply psu", wait_s=0.0),
            pytest.raises(OwnershipError, match=f"held by process {os.getpid()} "),
        ):
            _owner().take()


def test_owner_that_let_go_leaves_no_lock() -> None:
    """After a release the next one takes it; a second release does nothing."""
    first = _owner()
    first.take()
    first.release()
    first.release()

    with Ownership(ADDRESS, name="supply psu", wait_s=0.0):
        pass


def test_owner_on_its_way_out_is_waited_for(tmp_path: Path) -> None:
    """A run that starts while the one before it ends waits a moment and gets the address."""
    with _other_process(tmp_path) as process:
        taken = threading.Event()

        def take() -> None:
            with Ownership(ADDRESS, name="supply psu", wait_s=10.0):
                taken.set()

        thread = threading.Thread(target=take)
        thread.start()
        assert not taken.is_set()
        process.communicate(timeout=10.0)
        thread.join(10.0)

    assert taken.is_set()


def test_two_addresses_do_not_collide() -> None:
    """Another address is another owner's."""
    with _owner(), _owner(address="TCPIP::192.0.2.1::5026::SOCKET"):
        pass


@pytest.mark.parametrize(
    ("one", "other"),
    [
        pytest.param(ADDRESS, "TCPIP0::192.0.2.1::5025::SOCKET", id="interface number left out"),
        pytest.param(ADDRESS, "tcpip::192.0.2.1::5025::socket", id="small letters"),
        pytest.param("USB::0x0000::0x0001::SN1::INSTR", "USB0::0x0000::0x0001::SN1::INSTR", id="USB"),
        pytest.param("GPIB::5::INSTR", " gpib0::5::instr", id="GPIB"),
    ],
)
def test_two_spellings_are_one_instrument(one: str, other: str) -> None:
    """An instrument cannot be had twice by writing its resource in another way (VPP-4.3, from memory)."""
    with _owner(address=one), pytest.raises(OwnershipError, match="is in use"):
        _owner(address=other).take()


def test_another_interface_is_another_instrument() -> None:
    """GPIB1 is not GPIB0."""
    with _owner(address="GPIB0::5::INSTR"), _owner(address="GPIB1::5::INSTR"):
        pass


def test_owner_without_a_note_is_refused_all_the_same(locks: Path) -> None:
    """A note that cannot be read costs the name of the owner, not the lock."""
    with _owner():
        next(locks.glob("*.lock")).write_text("{", encoding="utf-8")
        with pytest.raises(OwnershipError, match="held by another process that left no note"):
            _owner().take()


def test_folder_that_cannot_be_used_is_told(locks: Path) -> None:
    """A file in the place of the folder is one sentence, never a lock that does not hold."""
    locks.write_text("", encoding="utf-8")

    with pytest.raises(OwnershipError, match=r"its lock .*benchrig-locks cannot be taken: File exists; give this user"):
        _owner().take()


def test_lock_file_is_open_to_every_user(locks: Path) -> None:
    """Folder and lock file can be used by all users of the machine: two users share one bench."""
    with _owner():
        assert locks.stat().st_mode & 0o7777 == 0o1777
        assert next(locks.glob("*.lock")).stat().st_mode & 0o777 == 0o666


def test_user_without_a_name_can_own(monkeypatch: pytest.MonkeyPatch) -> None:
    """A user that the password file does not know, as in a container, is named by its number."""

    def nameless() -> str:
        raise OSError("no username set in the environment")

    monkeypatch.setattr(getpass, "getuser", nameless)
    with _owner(), pytest.raises(OwnershipError, match=rf"held by process {os.getpid()} of user {os.getuid()} since"):
        _owner().take()
