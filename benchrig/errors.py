"""The error tree: whose fault it was stands in the type.

    BenchrigError                  never raised itself
    |-- ConfigError                the bench file, the profile or an option is wrong; nothing was touched
    |-- SafetyError                a limit that protects people, board or cell; refused before power
    |-- BenchError                 the bench failed: the run proves nothing about the board
    |   |-- InstrumentError
    |   |   |-- InstrumentTimeout      (also a TimeoutError) no complete answer in time
    |   |   |-- InstrumentReplyError   an answer came and cannot be used
    |   |   |-- InstrumentRefusal      the instrument's own error queue says why
    |   |   |-- InstrumentUnfit        a sound answer: over range, no number, not what was set
    |   |   |-- InstrumentLost         not reachable, or the connection ended
    |   |   `-- InstrumentIdentityError  another instrument or serial number than the bench file names
    |   |-- OwnershipError         somebody else holds the instrument or the port
    |   |-- PortError              a serial port that cannot be opened, or vanished
    |   |-- AirError               nothing between the board and us carried a frame
    |   |   |-- GatewayError           a gateway is silent, refuses an order, or cannot be listened to
    |   |   `-- BrokerError            a network's broker cannot be reached, refuses us, or vanished
    |   |-- RecordError            a journal or report could not be written
    |   `-- HistoryError           the history cannot be reached or refuses; no journal is touched by that
    `-- BoardError                 the board broke its protocol: charged to the board
        |-- BoardOverload          the board holds the supply in its current limit, or takes none at all
        |-- BoardTimeout           (also a TimeoutError) no complete answer that began after the question
        `-- BoardProtocolError     an answer came and does not follow the profile

A board that is out of limits is none of these: that is a verdict (`benchrig.judge`), never an exception.
Every message says what was asked, what came back, what is accepted and what to do next.
"""

from __future__ import annotations


class BenchrigError(Exception):
    """Base of every error of this package; refuses to be raised itself."""

    def __init__(self, message: str) -> None:
        if type(self) is BenchrigError:
            raise TypeError("raise a subclass of BenchrigError: the type says whose fault it was")
        super().__init__(message)
        self.message = message


class ConfigError(BenchrigError):
    """A file or an option is wrong. `problems` holds one sentence for each thing found, all at once."""

    def __init__(self, message: str, problems: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.problems = problems or (message,)

    def __reduce__(self) -> tuple[type[ConfigError], tuple[str, tuple[str, ...]]]:
        return (type(self), (self.message, self.problems))


class SafetyError(BenchrigError):
    """Refused: it would pass an absolute maximum, or a protection could not be proven in place."""


class BenchError(BenchrigError):
    """The bench failed; the run proves nothing about the board."""


class InstrumentError(BenchError):
    """An instrument of the bench failed. `instrument` is its name in the bench file."""

    def __init__(self, message: str, instrument: str = "") -> None:
        super().__init__(message)
        self.instrument = instrument

    def __reduce__(self) -> tuple[type[InstrumentError], tuple[str, str]]:
        return (type(self), (self.message, self.instrument))


class InstrumentTimeout(InstrumentError, TimeoutError):
    """No complete answer in time."""


class InstrumentReplyError(InstrumentError):
    """An answer came that cannot be used: garbled, overload, not a number, wrong unit, out of sequence."""


class InstrumentRefusal(InstrumentError):
    """The instrument put an entry into its error queue."""


class InstrumentUnfit(InstrumentError):
    """A sound answer that says the instrument cannot serve: over range, no number, not what was set."""


class InstrumentLost(InstrumentError):
    """The instrument cannot be reached, or ended the connection."""


class InstrumentIdentityError(InstrumentError):
    """Another instrument or another serial number answers than the bench file names."""


class OwnershipError(BenchError):
    """Another run holds the instrument or the port."""


class PortError(BenchError):
    """A serial port cannot be opened, is shared with somebody else, or vanished."""


class AirError(BenchError):
    """What lies between the board's antenna and us failed."""


class GatewayError(AirError):
    """A gateway is silent, refuses an order, or cannot be listened to."""


class BrokerError(AirError):
    """A network's broker cannot be reached, refuses us, or vanished."""


class RecordError(BenchError):
    """A journal or report could not be written or read."""


class HistoryError(BenchError):
    """The database of the history cannot be reached, is full, locked or too new. Journals are untouched."""


class BoardError(BenchrigError):
    """The board broke its protocol."""


class BoardOverload(BoardError):
    """The board holds the supply in its current limit, or takes no current at all."""


class BoardTimeout(BoardError, TimeoutError):
    """No complete answer of the board that began after the question."""


class BoardProtocolError(BoardError):
    """An answer of the board came and does not follow the profile."""
