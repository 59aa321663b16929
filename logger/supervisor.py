"""The service manager that started this process, where one did: told when it is up, and that it still judges.

A message is a datagram to the socket named in NOTIFY_SOCKET, lines of NAME=value; WATCHDOG_USEC says how
long it may stay silent, in microseconds (manual pages sd_notify(3) and sd_watchdog_enabled(3), from memory).
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Mapping
from typing import Final

_PINGS: Final = 4
"""How often within the time allowed it is told that all goes on."""
_WORDS_S: Final = 1.0
"""At most so often the state's words."""


class Supervisor:
    """What is told goes out at once or not at all: nothing here waits or raises."""

    def __init__(self, address: str, watchdog_s: float | None) -> None:
        self.fault: str | None = None
        """Why the last message did not go out."""
        self._address = f"\0{address[1:]}" if address.startswith("@") else address
        self._ping_s = None if watchdog_s is None else watchdog_s / _PINGS
        self._pinged_s = float("-inf")
        self._said_s = float("-inf")
        self._words = ""
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        self._socket.setblocking(False)

    @classmethod
    def of_environment(cls, names: Mapping[str, str] = os.environ) -> Supervisor | None:
        """Return whom the environment names, None where nobody wants to be told."""
        address = names.get("NOTIFY_SOCKET", "")
        if not address.startswith(("/", "@")) or not hasattr(socket, "AF_UNIX"):
            return None
        allowed, process = names.get("WATCHDOG_USEC", ""), names.get("WATCHDOG_PID", str(os.getpid()))
        ours = allowed.isdigit() and int(allowed) > 0 and process == str(os.getpid())
        return cls(address, int(allowed) / 1e6 if ours else None)

    def ready(self, words: str) -> None:
        """Say that the service is up."""
        self._send("READY=1", f"STATUS={words}")

    def alive(self, now_s: float, words: Callable[[], str]) -> None:
        """Say that it still judges, and in which state it is, as often as that is wanted."""
        lines = []
        if self._ping_s is not None and now_s - self._pinged_s >= self._ping_s:
            self._pinged_s = now_s
            lines.append("WATCHDOG=1")
        if now_s - self._said_s >= _WORDS_S:
            self._said_s = now_s
            if (new := words()) != self._words:
                self._words = new
                lines.append(f"STATUS={new}")
        if lines:
            self._send(*lines)

    def stopping(self, words: str) -> None:
        """Say that the service ends by itself."""
        self._send("STOPPING=1", f"STATUS={words}")

    def close(self) -> None:
        """Let go of the socket."""
        self._socket.close()

    def _send(self, *lines: str) -> None:
        message = "\n".join(line.replace("\n", " ") for line in lines)
        try:
            self._socket.sendto(message.encode(), self._address)
        except BlockingIOError:
            self._words = ""  # its queue is full: the next one tells the same
        except OSError as error:
            self.fault = error.strerror or str(error)
