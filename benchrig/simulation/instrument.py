"""What all simulated instruments have in common: carrying out program messages unit by unit.

Owns: the command table, the common commands, the response message.  Must not know sockets or what is measured.
Source: IEEE 488.2 chapters 6 and 10 and SCPI-99 volume 1 (SYSTem:ERRor), from memory.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchrig.simulation import scpi_parameters as parameters
from benchrig.simulation.scpi_errors import ScpiError, queue_entry
from benchrig.simulation.scpi_headers import Header, HeaderPath, Node, is_spelled, spelling_nodes
from benchrig.simulation.scpi_status import OPERATION_COMPLETE, Status

if TYPE_CHECKING:
    from benchrig.simulation.bench_time import Agenda

Response = str | bytes | None
Handler = Callable[[list[str]], Response | Awaitable[Response]]

_BYTE = parameters.Limits(0, 255, 0)


@dataclass(frozen=True, slots=True)
class Command:
    """One row of a command table: spelling (a query ends in '?'), accepted parameter counts, what it does."""

    nodes: tuple[Node, ...]
    is_query: bool
    fewest: int
    most: int
    handler: Handler


def nr3(value: float) -> str:
    """A number in NR3 form with nine significant digits."""
    return f"{value:+.8E}"


def command(spelling: str, handler: Handler, *, fewest: int = 0, most: int | None = None) -> Command:
    """A row of a command table; `most` defaults to `fewest`."""
    is_query = spelling.endswith("?")
    nodes = spelling_nodes(spelling.rstrip("?"))
    return Command(nodes, is_query, fewest, fewest if most is None else most, handler)


class Instrument:
    """An instrument with the IEEE 488.2 common commands; a kind of instrument adds its own table."""

    def __init__(self, agenda: Agenda, *, identity: str) -> None:
        """`identity` is the answer to *IDN?."""
        self.agenda = agenda
        self.status = Status()
        self.busy_until_s = 0.0
        self._identity = identity
        self._responses: list[bytes] = []
        self._common = self._common_table()
        self._commands = self.command_table()

    def command_table(self) -> list[Command]:
        """The commands below the common ones; kinds of instruments and dialects extend this."""
        return [
            command("SYSTem:ERRor[:NEXT]?", lambda _: queue_entry(self.status.take_error())),
            command("SYSTem:ERRor:COUNt?", lambda _: str(self.status.error_count)),
            command("SYSTem:VERSion?", lambda _: "1999.0"),
        ]

    def reset(self) -> None:
        """Put the settings to their *RST values; kinds of instruments extend this."""
        self.busy_until_s = self.agenda.now

    async def execute(self, message: str) -> bytes:
        """Carry out one program message; the response message without its end, empty if there is none."""
        self._responses = []
        path = HeaderPath()
        for unit in parameters.split_units(message):
            try:
                if unit:
                    await self._execute_unit(unit, path)
            except ScpiError as error:
                self.status.add_error(error.number)
        return b";".join(self._responses)

    async def _execute_unit(self, unit: str, path: HeaderPath) -> None:
        self.agenda.catch_up()
        header_text, _, rest = unit.replace("\t", " ").partition(" ")
        header = path.resolve(header_text)
        if header is None:
            return
        found = self._find(header)
        if found is None:
            path.lose()
            raise ScpiError(-113)
        given = parameters.split_parameters(rest.strip())
        if len(given) < found.fewest:
            raise ScpiError(-109)
        if len(given) > found.most:
            raise ScpiError(-108)
        await self._respond(found.handler(given))

    async def _respond(self, outcome: Response | Awaitable[Response]) -> None:
        response = await outcome if isinstance(outcome, Awaitable) else outcome
        if response is not None:
            self._responses.append(response.encode("ascii") if isinstance(response, str) else response)

    def _find(self, header: Header) -> Command | None:
        if header.is_common:
            return self._common.get(header.mnemonics[0] + ("?" if header.is_query else ""))
        for candidate in self._commands:
            if candidate.is_query == header.is_query and is_spelled(candidate.nodes, header.mnemonics):
                return candidate
        return None

    def _common_table(self) -> dict[str, Command]:
        handlers: dict[str, tuple[int, Handler]] = {
            "*CLS": (0, lambda _: self.status.clear()),
            "*ESE": (1, self._set_event_enable),
            "*ESE?": (0, lambda _: str(self.status.event_enable)),
            "*ESR?": (0, lambda _: str(self.status.take_event())),
            "*IDN?": (0, lambda _: self._identity),
            "*OPC": (0, lambda _: self._announce_completion()),
            "*OPC?": (0, lambda _: self._wait_for_completion("1")),
            "*RST": (0, lambda _: self.reset()),
            "*SRE": (1, self._set_service_enable),
            "*SRE?": (0, lambda _: str(self.status.service_enable)),
            "*STB?": (0, lambda _: str(self.status.status_byte(has_response=bool(self._responses)))),
            "*TST?": (0, lambda _: "0"),
            "*WAI": (0, lambda _: self._wait_for_completion(None)),
        }
        return {
            name: Command((), name.endswith("?"), count, count, handler) for name, (count, handler) in handlers.items()
        }

    def _set_event_enable(self, given: list[str]) -> None:
        self.status.event_enable = parameters.integer(given[0], _BYTE)

    def _set_service_enable(self, given: list[str]) -> None:
        # Bit 6 is the summary of the others and cannot be enabled (IEEE 488.2 section 11.3.2).
        self.status.service_enable = parameters.integer(given[0], _BYTE) & ~64

    def _announce_completion(self) -> None:
        self.agenda.at(self.busy_until_s, lambda: self.status.set_event(OPERATION_COMPLETE))

    async def _wait_for_completion(self, response: Response) -> Response:
        while self.busy_until_s > self.agenda.now:
            await self.agenda.wait_until(self.busy_until_s)
        return response
