"""A PostgreSQL server of the tests' own: a real one, on a free port, that can be killed and started again.

It is a system package; a test that needs it fails with the sentence how to install it, and is never left out.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import psycopg

READY_S = 30.0
_PLACES = "/usr/lib/postgresql"


def program(name: str) -> str:
    """A program of PostgreSQL, also where the package puts it beside the path."""
    places = sorted(Path(_PLACES).glob("*/bin"), key=lambda path: path.parent.name.rjust(4), reverse=True)
    found = shutil.which(name) or shutil.which(name, path=os.pathsep.join(map(str, places)))
    assert found, f"{name} is not here: install it with `apt-get install -y postgresql` (or your system's own way)"
    return found


def _user() -> str | None:
    """PostgreSQL refuses to run as root: then it runs as the user of its package, or as nobody."""
    if os.geteuid() != 0:
        return None
    names = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in names else "nobody"


@dataclass
class Server:
    """A server with its own data in a folder of its own."""

    folder: Path
    port: int
    settings: tuple[str, ...] = ()
    user: str | None = field(default_factory=_user)
    _process: subprocess.Popen[bytes] | None = None

    def url(self, name: str = "postgres") -> str:
        """Address of a database on it."""
        return f"postgresql://bench@127.0.0.1:{self.port}/{name}"

    def make(self) -> None:
        """Make the data folder. Its superuser is `bench`, and everybody on this machine is let in."""
        if self.user:
            shutil.chown(self.folder, self.user)
        subprocess.run(
            [
                program("initdb"),
                "-D",
                str(self.folder / "data"),
                "-U",
                "bench",
                "-A",
                "trust",
                "--no-locale",
                "-E",
                "UTF8",
                "-N",
            ],
            check=True,
            capture_output=True,
            user=self.user,
            cwd=self.folder,
        )

    def start(self) -> None:
        """Start it and wait until it answers; after a kill it may have to wait for what is left of the old one."""
        deadline_s = time.monotonic() + READY_S
        while not self._answers():
            assert time.monotonic() < deadline_s, (self.folder / "log").read_text()
            if self._process is None or self._process.poll() is not None:
                self._process = self._launched()
            time.sleep(0.02)  # gives the processor to the server that is waited for

    def _launched(self) -> subprocess.Popen[bytes]:
        own = ("listen_addresses=127.0.0.1", f"unix_socket_directories={self.folder}", "max_connections=20")
        options = [part for setting in (*own, *self.settings) for part in ("-c", setting)]
        with (self.folder / "log").open("ab") as log:
            return subprocess.Popen(
                [program("postgres"), "-D", str(self.folder / "data"), "-p", str(self.port), *options],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                user=self.user,
                cwd=self.folder,
            )

    def _answers(self) -> bool:
        try:
            with psycopg.connect(self.url(), connect_timeout=2):
                return True
        except psycopg.OperationalError:
            return False

    def execute(self, statement: str) -> None:
        """One statement outside of any transaction."""
        with psycopg.connect(self.url(), autocommit=True) as connection:
            connection.execute(statement.encode())

    def kill(self) -> None:
        """As a power cut would: the server and every process of it, at once."""
        if self._process is None:
            return
        for number in (self._process.pid, *_children(self._process.pid)):
            with suppress(ProcessLookupError):
                os.kill(number, signal.SIGKILL)
        self._process.wait()
        self._process = None


def _children(parent: int) -> list[int]:
    found = []
    for path in Path("/proc").iterdir():
        with suppress(OSError, IndexError, ValueError):
            if path.name.isdigit():
                status = (path / "stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
                if int(status[1]) == parent:
                    found.append(int(path.name))
    return found


def new_server(*settings: str) -> Server:
    """A server that has been made and runs."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    server = Server(Path(tempfile.mkdtemp(prefix="history-", dir="/tmp")), port, settings)
    server.make()
    server.start()
    return server
