"""One opened port, whatever is spoken on it: a serial port, or a socket behind which there is one.

Bytes out, bytes in, and nothing kept. Foreign errors end here: a port that can't be opened is `NotThere`,
one that goes away while it is open is `Lost`.
"""

from __future__ import annotations

import contextlib
import math
import select
import socket
import threading
from dataclasses import dataclass
from typing import Final, Literal, Protocol
from urllib.parse import urlsplit

import serial

from logger.errors import LinkError

try:
    import termios

    # what pyserial lets through when a device goes: termios.error is no OSError, and a closed handle is None
    _LOST: tuple[type[Exception], ...] = (OSError, TypeError, termios.error)
except ImportError:  # Windows
    _LOST = (OSError, TypeError)
_NOT_OPENED: Final[tuple[type[Exception], ...]] = (*_LOST, ValueError)

READ_TIMEOUT_S: Final = 0.2
_WRITE_TIMEOUT_S: Final = 1.0
_CONNECT_S: Final = 3.0
_CHUNK: Final = 65536
_QUIET_MOST: Final = 50  # of a source that never falls silent: 10 s


class NotThere(LinkError):
    """The port can't be opened, or nothing answers: may come yet."""


class Lost(LinkError):
    """The open port has gone away."""


class Stranger(LinkError):
    """Something answers that is no bench DAQ, or not the kind that the set-up says."""


@dataclass(frozen=True)
class Line:
    """How the bits go on a serial port; a socket passes them over."""

    baud: int = 115_200
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1

    @property
    def byte_s(self) -> float:
        """How long one byte takes on the wire, in seconds."""
        return (9 + (self.parity != "none") + self.stop_bits) / self.baud


class Wire(Protocol):
    """One opened port. Used by one thread."""

    path: str
    heard: int
    """Bytes that have come so far."""

    def read(self) -> bytes:
        """Return what has come; waits `READ_TIMEOUT_S` at most, then there is nothing. Raises Lost."""
        ...

    def more(self) -> bool:
        """Return whether something has come that was not read yet. Raises Lost."""
        ...

    def write(self, data: bytes) -> None:
        """Send; a port that does not take it in time counts as Lost."""
        ...

    def close(self) -> None:
        """Close; one that is gone already is no error."""
        ...


def open_wire(path: str, line: Line = Line()) -> Wire:
    """Open a serial port by its name, or `socket://host:port`; raises NotThere."""
    return _SocketWire(path) if path.startswith("socket://") else _SerialWire(path, line)


def drain(wire: Wire, quiet_s: float, stop: threading.Event) -> int:
    """Drop what comes until nothing has come for `quiet_s`, or `stop`; return how many bytes that was."""
    before = wire.heard
    quiet, enough = 0, math.ceil(quiet_s / READ_TIMEOUT_S)
    for _ in range(_QUIET_MOST + enough):
        quiet = 0 if wire.read() else quiet + 1
        if quiet >= enough or stop.is_set():
            break
    return wire.heard - before


def drop(wire: Wire) -> int:
    """Drop what has come already, without waiting; return how many bytes that was."""
    before = wire.heard
    while wire.more() and wire.heard - before < _CHUNK:
        wire.read()
    return wire.heard - before


class _SerialWire:
    def __init__(self, path: str, line: Line) -> None:
        self.path = path
        self.heard = 0
        try:
            self._port = serial.serial_for_url(
                path,
                baudrate=line.baud,
                parity=line.parity[0].upper(),
                stopbits=line.stop_bits,
                timeout=READ_TIMEOUT_S,
                write_timeout=_WRITE_TIMEOUT_S,
                exclusive=True,
            )
        except _NOT_OPENED as error:
            raise NotThere(_why_not_opened(path, error)) from error

    def read(self) -> bytes:
        try:
            chunk = bytes(self._port.read(self._port.in_waiting or 1))
        except _LOST as error:
            raise Lost(f"the port {self.path} has gone away: check its lead") from error
        self.heard += len(chunk)
        return chunk

    def more(self) -> bool:
        try:
            return bool(self._port.in_waiting)
        except _LOST as error:
            raise Lost(f"the port {self.path} has gone away: check its lead") from error

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except _LOST as error:
            raise Lost(f"the port {self.path} takes nothing any more: check its lead") from error

    def close(self) -> None:
        with contextlib.suppress(*_LOST):  # the device went first: there is nothing left to close
            self._port.close()


class _SocketWire:
    """The raw socket: pyserial's own reads it byte by byte, and takes a closed end for silence."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.heard = 0
        try:
            address = urlsplit(path)
            if not address.hostname or not address.port:
                raise ValueError("it must read socket://host:port")
            self._socket = socket.create_connection((address.hostname, address.port), _CONNECT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            # a server that was switched off says nothing: let the system find out
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            self._socket.settimeout(READ_TIMEOUT_S)
        except (OSError, ValueError) as error:
            raise NotThere(
                f"{path} can't be reached ({error}): check the address, and that the serial server has power"
            ) from error

    def read(self) -> bytes:
        try:
            chunk = self._socket.recv(_CHUNK)
        except TimeoutError:
            return b""
        except OSError as error:
            raise Lost(f"{self.path} has gone away ({error}): check the network and its lead") from error
        if not chunk:
            raise Lost(f"{self.path} has hung up: check the serial server and its lead")
        self.heard += len(chunk)
        return chunk

    def more(self) -> bool:
        return bool(select.select([self._socket], [], [], 0)[0])

    def write(self, data: bytes) -> None:
        try:
            self._socket.settimeout(_WRITE_TIMEOUT_S)
            self._socket.sendall(data)
            self._socket.settimeout(READ_TIMEOUT_S)
        except OSError as error:
            raise Lost(f"{self.path} takes nothing any more ({error}): check its lead") from error

    def close(self) -> None:
        self._socket.close()


def _why_not_opened(path: str, error: Exception) -> str:
    text = str(error)
    if "ermission" in text:
        return f"the port {path} may not be opened by this user: add them to the group that owns it (dialout)"
    if "lock" in text or "busy" in text or "Resource temporarily" in text:
        return f"the port {path} is in use by another program: close that first"
    if "No such" in text or "FileNotFound" in text or "cannot find" in text:
        return f'there is no port {path}: check the lead and the port in the set-up ("auto" asks each)'
    return f"the port {path} can't be opened ({text})"
