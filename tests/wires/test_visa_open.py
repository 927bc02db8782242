"""Opening a wire: every way in which it can fail is one clear error, in time, and leaves nothing open."""

from __future__ import annotations

import inspect
import socket
import threading
import time
from contextlib import ExitStack, closing

import pytest
import pyvisa
import pyvisa.errors
import pyvisa.rname
from pyvisa.constants import StatusCode

from benchrig.errors import (
    ConfigError,
    InstrumentError,
    InstrumentLost,
    InstrumentReplyError,
    InstrumentTimeout,
)
from benchrig.wires import socket_lane
from benchrig.wires.visa import FOREIGN_ERRORS, VisaWire, meaning, open_visa

_PATIENCE_S = 20.0


def _resource(port: int) -> str:
    return f"TCPIP::127.0.0.1::{port}::SOCKET"


def _free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


def _is_open(port: int) -> bool:
    opened = pyvisa.ResourceManager("@py").list_opened_resources()
    return any(f"::{port}::" in session.resource_name for session in opened)


def test_refused_connection_is_said_at_once() -> None:
    """A port where nobody listens is refused at open, not at the first question, and nothing stays open."""
    port = _free_port()
    begin_s = time.monotonic()

    with pytest.raises(InstrumentLost, match=r"supply at TCPIP::.*could not be opened.*refused") as caught:
        open_visa(_resource(port), name="supply", open_timeout_s=_PATIENCE_S)

    assert time.monotonic() - begin_s < _PATIENCE_S / 4
    assert caught.value.instrument == "supply"
    assert isinstance(caught.value.__cause__, ConnectionRefusedError)
    assert not _is_open(port)


def test_unreachable_instrument_is_given_up_within_the_open_timeout() -> None:
    """An address that answers nothing, not even a refusal, is given up after the open time-out."""
    with ExitStack() as stack:
        listener = stack.enter_context(socket.create_server(("127.0.0.1", 0), backlog=0))
        port = listener.getsockname()[1]
        _fill_queue(port, stack)
        begin_s = time.monotonic()

        with pytest.raises(InstrumentLost, match=r"could not be opened.*check that it is switched on"):
            open_visa(_resource(port), name="supply", open_timeout_s=0.3)

        assert time.monotonic() - begin_s < 1.5
        assert not _is_open(port)


def _fill_queue(port: int, stack: ExitStack) -> None:
    """Open connections until the listener's queue is full, so that the next one gets no answer at all."""
    for _ in range(64):
        connection = stack.enter_context(socket.socket())
        connection.settimeout(0.2)
        try:
            connection.connect(("127.0.0.1", port))
        except TimeoutError:
            return
    raise AssertionError("the queue of the listener did not fill up")


def test_unconnected_socket_without_an_error_is_found_out() -> None:
    """A socket that is not connected is told from an open one, also when its error was fetched before."""
    with socket.socket() as connection, pytest.raises(OSError, match="not connected"):
        socket_lane.check_connected(connection)


def test_manager_that_somebody_closed_is_replaced() -> None:
    """Another user of pyvisa who closes the shared resource manager does not end all opening."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        resource = _resource(listener.getsockname()[1])
        open_visa(resource, name="supply").close()
        pyvisa.ResourceManager("@py").close()

        with closing(open_visa(resource, name="supply")) as wire:
            assert wire.unread() == b""


BAD_RESOURCES = [
    pytest.param("no such form", "@py", id="no resource name"),
    pytest.param("TCPIP::127.0.0.1::5025::INTFC", "@py", id="no messages"),
    pytest.param("", "@py", id="empty"),
    pytest.param("VXI0::1::INSTR", "@sim", id="a kind that the library cannot open"),
]


@pytest.mark.parametrize(("resource", "backend"), BAD_RESOURCES)
def test_resource_that_cannot_be_used_is_an_error_of_the_file(resource: str, backend: str) -> None:
    """A resource that is no message resource is charged to the bench file, not to the instrument."""
    with pytest.raises(ConfigError, match=r"supply at .*this resource c"):
        open_visa(resource, name="supply", backend=backend)


def test_backend_that_is_not_installed_names_the_command() -> None:
    """A VISA library that is missing is an error with the command that installs it."""
    with pytest.raises(ConfigError, match=r"supply: the VISA backend '@nosuch'.*pip install pyvisa-nosuch"):
        open_visa(_resource(1), name="supply", backend="@nosuch")


@pytest.mark.parametrize("termination", ["", "\n\n", "µ", "\n\r\n"])
@pytest.mark.parametrize("which", ["read_termination", "write_termination"])
def test_termination_that_cannot_be_told_is_refused(which: str, termination: str) -> None:
    """A termination must exist, be ASCII and have its last character only at its end."""
    port = _free_port()
    ends = {"read_termination": "\n", "write_termination": "\n", which: termination}

    with pytest.raises(ConfigError, match=r"the termination .* cannot be used"):
        open_visa(_resource(port), name="supply", **ends)  # type: ignore[arg-type]


def test_session_is_closed_when_its_settings_fail(monkeypatch: pytest.MonkeyPatch) -> None:
    """A session whose settings the library refuses does not stay open."""

    def refuse(self: object, value: str) -> None:
        raise pyvisa.errors.VisaIOError(StatusCode.error_nonsupported_attribute)

    kind = pyvisa.resources.MessageBasedResource
    monkeypatch.setattr(kind, "read_termination", property(lambda self: None, refuse))
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = listener.getsockname()[1]

        with pytest.raises(InstrumentLost, match=r"could not be opened.*VI_ERROR_NSUP_ATTR"):
            open_visa(_resource(port), name="supply")

        assert not _is_open(port)
        connection, _ = listener.accept()
        with connection:
            connection.settimeout(_PATIENCE_S)
            assert connection.recv(1) == b""


def test_wires_opened_by_several_threads_work_and_outlive_each_other() -> None:
    """Threads may open wires at the same time; closing one leaves the others alone."""
    count = 8
    barrier = threading.Barrier(count)
    wires: list[VisaWire] = []
    with socket.create_server(("127.0.0.1", 0), backlog=count) as listener:

        def work() -> None:
            barrier.wait(_PATIENCE_S)
            wires.append(open_visa(_resource(listener.getsockname()[1]), name="supply"))

        threads = [threading.Thread(target=work) for _ in range(count)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(_PATIENCE_S)

        assert len(wires) == count
        with ExitStack() as stack:
            for _ in range(count):
                stack.enter_context(listener.accept()[0]).sendall(b"here\n")
            for wire in wires:
                with closing(wire):
                    assert wire.read_line(timeout_s=_PATIENCE_S) == b"here"


# ---------------------------------------------------------------- translation


def _error_classes() -> list[type[Exception]]:
    """Every exception class that pyvisa defines for its users."""
    classes = {
        kind
        for module in (pyvisa.errors, pyvisa.rname, pyvisa)
        for _, kind in inspect.getmembers(module, inspect.isclass)
        if issubclass(kind, Exception) and kind.__module__.startswith("pyvisa")
    }
    return sorted(classes, key=lambda kind: kind.__name__)


@pytest.mark.parametrize("kind", [pytest.param(kind, id=kind.__name__) for kind in _error_classes()])
def test_every_error_class_of_pyvisa_has_a_meaning(kind: type[Exception]) -> None:
    """An error class that pyvisa gains must be given a meaning of its own here."""
    assert kind in FOREIGN_ERRORS


CODES = [
    pytest.param(StatusCode.error_timeout, InstrumentTimeout, id="time-out"),
    pytest.param(StatusCode.error_connection_lost, InstrumentLost, id="connection lost"),
    pytest.param(StatusCode.error_resource_not_found, InstrumentLost, id="not found"),
    pytest.param(StatusCode.error_io, InstrumentLost, id="input or output"),
    pytest.param(StatusCode.error_serial_parity, InstrumentReplyError, id="parity"),
    pytest.param(StatusCode.error_serial_framing, InstrumentReplyError, id="framing"),
]


@pytest.mark.parametrize(("code", "kind"), CODES)
def test_status_code_decides_the_meaning(code: StatusCode, kind: type[InstrumentError]) -> None:
    """A VISA status code says whether the answer is late, unusable, or the instrument gone (VPP-4.3)."""
    assert meaning(pyvisa.errors.VisaIOError(code)) is kind


PLAIN = [
    pytest.param(TimeoutError(), InstrumentTimeout, id="time-out of the system"),
    pytest.param(ConnectionResetError(), InstrumentLost, id="reset"),
    pytest.param(EOFError(), InstrumentLost, id="end of file"),
    pytest.param(Exception("could not connect"), InstrumentLost, id="a bare Exception"),
]


@pytest.mark.parametrize(("error", "kind"), PLAIN)
def test_most_specific_class_counts(error: Exception, kind: type[InstrumentError]) -> None:
    """Errors of the operating system and bare ones have a meaning too."""
    assert meaning(error) is kind
