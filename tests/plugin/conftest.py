"""A place for runs, whose processes must all have ended with the test."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from .runs import Place, eventually

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """A folder for runs on fast simulated benches; afterwards no process of theirs is left."""
    place = Place(tmp_path)
    yield place
    assert eventually(lambda: not place.processes()), f"still alive: {place.processes()}"
