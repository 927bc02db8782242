"""What the marks and parameters of a test say: its board, its use, its check. Must not know how a run goes."""

from __future__ import annotations

import pytest

from benchrig.board.checks import USES
from benchrig.pytest_plugin.options import BoardPlace

PLACE_FIXTURE = "board_run"
"""The fixture by whose name a test asks for a board."""


def place_of(item: pytest.Item) -> BoardPlace | None:
    """The board that an item is for, None for a test without a board."""
    spec = getattr(item, "callspec", None)
    place = spec.params.get(PLACE_FIXTURE) if spec else None
    return place if isinstance(place, BoardPlace) else None


def slot_of(item: pytest.Item) -> str:
    """The slot that an item is for, '' for none."""
    place = place_of(item)
    return place.slot if place else ""


def use_of(item: pytest.Item) -> str:
    """The use that an item's suite is for, '' for none. Raises UsageError for a marker that says no such thing."""
    marker = item.get_closest_marker("board_use")
    if marker is None:
        return ""
    if len(marker.args) != 1 or marker.kwargs or marker.args[0] not in USES:
        raise pytest.UsageError(f"{item.nodeid}: {_shown(marker)}: accepted: one of {', '.join(map(repr, USES))}")
    return str(marker.args[0])


def check_marker(item: pytest.Item) -> tuple[str, tuple[str, ...], bool]:
    """Name, needs and always of a test's check; the function's name when it has no marker. Raises UsageError."""
    marker = item.get_closest_marker("check")
    if marker is None:
        function = getattr(item, "originalname", None) or item.name
        return str(function).removeprefix("test_"), ("power", "board"), False
    needs, always = marker.kwargs.get("needs", ()), marker.kwargs.get("always", False)
    sound = (
        len(marker.args) == 1
        and isinstance(marker.args[0], str)
        and marker.args[0]
        and isinstance(needs, list | tuple)  # a text would be taken letter by letter, and nothing be needed
        and all(isinstance(need, str) for need in needs)
        and isinstance(always, bool)
        and not set(marker.kwargs) - {"needs", "always"}
    )
    if not sound:
        raise pytest.UsageError(
            f"{item.nodeid}: {_shown(marker)}: accepted: check('name', needs=['power', 'board'], always=False)"
        )
    return marker.args[0], tuple(needs), always


def _shown(marker: pytest.Mark) -> str:
    """A marker as it was written."""
    return f"{marker.name}({', '.join([*map(repr, marker.args), *(f'{k}={v!r}' for k, v in marker.kwargs.items())])})"
