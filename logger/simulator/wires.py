"""What a simulated board hangs on: a pseudo-terminal, or a socket where there is none (Windows)."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
from pathlib import Path
from typing import Protocol

from logger.errors import FileExistsAlready, NotReached, RequestError

try:
    import fcntl
    import termios
    import tty

    HAS_PTY = True
except ImportError:  # Windows
    HAS_PTY = False


class Wire(Protocol):
    """One end of a line, the board's."""

    def opened(self) -> bool:
        """Return whether a host has opened the other end."""
        ...

    def wait(self, timeout_s: float, *, to_send: bool) -> tuple[bool, bool]:
        """Wait until something has come or, with `to_send`, can be sent; return which."""
        ...

    def receive(self) -> bytes:
        """Return what has come."""
        ...

    def send(self, data: bytes) -> int:
        """Send what the line takes; return how many bytes that were."""
        ...

    def unread(self) -> int:
        """Return how many bytes the host has not read yet, as far as that can be told."""
        ...

    def close(self) -> None:
        """Take the name away, if it is still ours, and hang up."""
        ...


class Pty:
    """One pseudo-terminal, and the name that points to it."""

    def __init__(self, port_link: Path) -> None:
        if not HAS_PTY:
            raise RequestError("this machine has no pseudo-terminals: use a socket")
        self._link = port_link
        self._closed = False
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        # no host would choose this one: another says that one has opened it
        attributes = termios.tcgetattr(self._slave)
        attributes[4] = attributes[5] = termios.B50
        termios.tcsetattr(self._slave, termios.TCSANOW, attributes)
        os.set_blocking(self._master, False)
        self._target = os.ttyname(self._slave)
        try:
            if port_link.exists() and not port_link.is_symlink():
                raise FileExistsAlready(port_link)
            beside = port_link.with_name(f".{port_link.name}.{os.getpid()}")
            beside.unlink(missing_ok=True)
            beside.symlink_to(self._target)
            beside.replace(port_link)
        except OSError as error:
            self._close_both()
            raise NotReached(
                f"the simulated port can't be made at {port_link} ({error}): name a place that can be written"
            ) from error
        except FileExistsAlready:
            self._close_both()
            raise

    def opened(self) -> bool:
        """Return whether a host has set the line up as it wants it."""
        return bool(termios.tcgetattr(self._slave)[5] != termios.B50)

    def wait(self, timeout_s: float, *, to_send: bool) -> tuple[bool, bool]:
        """Wait until something has come or can be sent."""
        readable, writable, _ = select.select(
            [self._master], [self._master] if to_send else [], [], max(0.0, timeout_s)
        )
        return bool(readable), bool(writable)

    def receive(self) -> bytes:
        """Return what has come."""
        return os.read(self._master, 4096)

    def send(self, data: bytes) -> int:
        """Send what the line takes."""
        try:
            return os.write(self._master, data)
        except BlockingIOError:
            return 0

    def unread(self) -> int:
        """Return how many bytes the host has not read yet."""
        return int(struct.unpack("i", fcntl.ioctl(self._slave, termios.FIONREAD, b"\0\0\0\0"))[0])

    def close(self) -> None:
        """Take the name away, if it is still ours, and hang up."""
        with contextlib.suppress(OSError):  # somebody cleaned up before us
            if self._link.is_symlink() and os.readlink(self._link) == self._target:  # noqa: PTH115
                self._link.unlink()
        self._close_both()

    def _close_both(self) -> None:
        if self._closed:
            return
        self._closed = True
        os.close(self._master)
        os.close(self._slave)


class Server:
    """A socket of this machine for one host at a time; `address_file` says where: `socket://host:port`."""

    def __init__(self, port: int, address_file: Path) -> None:
        self._file = address_file
        self._host: socket.socket | None = None
        if address_file.exists():
            raise FileExistsAlready(address_file)
        self._listener = socket.socket()
        self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self._listener.bind(("127.0.0.1", port))
            self._listener.listen(1)
            self._listener.setblocking(False)
            self.port = int(self._listener.getsockname()[1])
            beside = address_file.with_name(f".{address_file.name}.{os.getpid()}")
            beside.write_text(f"socket://127.0.0.1:{self.port}", encoding="ascii")
            beside.replace(address_file)
        except OSError as error:
            self._listener.close()
            raise NotReached(
                f"the simulated DAQ can't listen on port {port} ({error}): name another"
            ) from error

    def opened(self) -> bool:
        """Return whether a host is connected."""
        self.wait(0.0, to_send=False)
        return self._host is not None

    def wait(self, timeout_s: float, *, to_send: bool) -> tuple[bool, bool]:
        """Wait until something has come or can be sent; takes a new host in place of the old."""
        ends = [self._listener] if self._host is None else [self._listener, self._host]
        sending = [self._host] if to_send and self._host is not None else []
        readable, writable, _ = select.select(ends, sending, [], max(0.0, timeout_s))
        if self._listener in readable:
            self._hang_up()
            self._host, _ = self._listener.accept()
            self._host.setblocking(False)
            self._host.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            return False, False
        return bool(readable), bool(writable)

    def receive(self) -> bytes:
        """Return what has come; a host that has hung up is forgotten."""
        if self._host is None:
            return b""
        try:
            data = self._host.recv(4096)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def send(self, data: bytes) -> int:
        """Send what the line takes."""
        if self._host is None:
            return 0
        try:
            return self._host.send(data)
        except BlockingIOError:
            return 0
        except OSError:
            self._hang_up()
            return 0

    def unread(self) -> int:
        """Return 0: what was sent, the system delivers."""
        return 0

    def close(self) -> None:
        """Hang up and listen no more."""
        self._file.unlink(missing_ok=True)
        self._hang_up()
        self._listener.close()

    def _hang_up(self) -> None:
        if self._host is not None:
            self._host.close()
        self._host = None
