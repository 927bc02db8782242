"""The history beside a bench: asked before a run, told after it, and never in the way of either.

Owns what a bench does when the history is away, full or locked: it goes on, says so once, and everything is taken in
when the history is back. Knows no board on the bench and no pytest.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchrig.errors import ConfigError, HistoryError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from benchrig.store.identities import Said


class RunHistory:
    """One history for the length of a session. `told` is what a person should read at its end."""

    def __init__(self, address: str, reports: Path) -> None:
        """Connects to nothing yet. Raises ConfigError for an address that cannot be one."""
        from benchrig.store.database import Database  # noqa: PLC0415  # a bench without a history pays for none of it

        self._database = Database(address, keep_open=True)
        self._reports = reports
        self.told: list[str] = []

    def refuse_third_attempts(self, boards: Sequence[str], *, use: str, simulated: bool) -> None:
        """Raises ConfigError when a board had its attempts and nobody says what was done to it since."""
        from benchrig.store.attempts import why_refused  # noqa: PLC0415
        from benchrig.store.past import attempts_so_far  # noqa: PLC0415

        self.keep()  # what was missed counts, too
        problems = []
        try:
            if not self._database.exists():
                return
            with self._database.reading() as connection:
                for board in boards:
                    made = attempts_so_far(connection, board, purpose=use, simulated=simulated)
                    problems.append(why_refused(board, made, purpose=use))
        except HistoryError as wrong:
            self._tell(f"attempts were not counted: {wrong.message}")
        found = tuple(problem for problem in problems if problem)
        if found:
            raise ConfigError("; ".join(found), found)

    def others(self, board: str, *, simulated: bool) -> tuple[Said, ...]:
        """Identities that other boards have said; () when nobody can be asked, which is told."""
        from benchrig.store.past import said_by_others  # noqa: PLC0415

        try:
            if not self._database.exists():
                return ()
            with self._database.reading() as connection:
                return said_by_others(connection, board, simulated=simulated)
        except HistoryError as wrong:
            self._tell(f"identities were not compared: {wrong.message}")
            return ()

    def keep(self) -> None:
        """Take in every journal of the reports that the history has not: those of this run, and what was missed."""
        from benchrig.store.folder import catch_up  # noqa: PLC0415

        try:
            for one in catch_up(self._database, self._reports):
                for sentence in one.told:
                    self._tell(sentence)
        except (HistoryError, OSError) as wrong:
            self._tell(str(wrong))

    def close(self) -> None:
        """Let go of the database."""
        self._database.close()

    def _tell(self, sentence: str) -> None:
        if sentence not in self.told:
            self.told.append(sentence)
