"""A place for runs, whose processes must all have ended with the test."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from .runs import BENCH, Place, eventually

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.conftest import StartBench


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """A folder for runs on fast simulated benches; afterwards no process of theirs is left."""
    place = Place(tmp_path)
    yield place
    assert eventually(lambda: not place.processes()), f"still alive: {place.processes()}"


@pytest.fixture(scope="module")
def addresses(shared_bench: StartBench, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Addresses of a simulation started by hand, for runs whose checks leave the board alone."""
    path = tmp_path_factory.mktemp("bench") / "addresses.json"
    shared_bench(BENCH, "--scale", "16", "--board", "1=HB-0001", "2=HB-0002", "--addresses", str(path))
    return path
