"""TLS before the dashboard's server, which speaks none: connections are taken, deciphered and passed on.

One thread with an event loop takes them. Who is slow to shake hands, or never does, holds up nobody else, and
is let go after ten seconds. The server behind listens on this machine only; who asks is told to it by the
port that the connection is passed on from, not by anything that was sent.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import ssl
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from logger.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

MOST: Final = 400
"""Connections at a time; a browser holds up to six."""
_HANDSHAKE_S: Final = 10.0
_PIECE: Final = 65_536


def context(certificate: Path, key: Path | None) -> ssl.SSLContext:
    """Return how to speak TLS with this certificate (PEM, its chain in it); the key may stand in its file.

    Raises RequestError where they can't be used.
    """
    how = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    how.minimum_version = ssl.TLSVersion.TLSv1_2
    for path in (certificate, key):
        if path is not None and not path.is_file():
            raise RequestError(f"there is no file {path}: check the name")

    def no_passphrase() -> str:
        raise RequestError(
            f"the key in {key or certificate} asks for a passphrase: take it off (openssl pkey)"
        )

    try:
        how.load_cert_chain(certificate, key, no_passphrase)
    except ssl.SSLError as error:
        if error.reason == "KEY_VALUES_MISMATCH":
            raise RequestError(f"the key in {key} is not that of the certificate {certificate}") from error
        why = f" ({error.reason})" if error.reason else ""
        raise RequestError(
            f"{certificate} and its key can't be used{why}: both are PEM files, and without --key the key "
            "stands in the certificate's"
        ) from error
    except OSError as error:
        raise RequestError(f"{error.filename or certificate} can't be read ({error.strerror})") from error
    return how


class Told:
    """Who is at the other end of what is passed on, by the port that it is passed on from."""

    def __init__(self) -> None:
        self._of: dict[int, str] = {}

    def set(self, port: int, address: str) -> None:
        """Say who is behind a port."""
        self._of[port] = address

    def forget(self, port: int) -> None:
        """Say that nobody is behind it any more."""
        self._of.pop(port, None)

    def before(self, app: WSGIApplication) -> WSGIApplication:
        """Return the application as those see it whose connections are passed on; nobody else gets in."""

        def served(environ: WSGIEnvironment, start: StartResponse) -> Iterable[bytes]:
            address = self._of.get(int(environ.get("REMOTE_PORT") or 0))
            if address is None or not ipaddress.ip_address(environ["REMOTE_ADDR"]).is_loopback:
                start("403 Forbidden", [("Content-Type", "text/plain")])
                return [b"This port is the dashboard's own: ask by https.\n"]
            environ["REMOTE_ADDR"] = address
            environ["wsgi.url_scheme"] = "https"
            return app(environ, start)

        return served


def end(server: Any) -> None:
    """Have a waitress server that another thread runs end."""
    # it may be awake already, and have closed what would have woken it
    with contextlib.suppress(OSError):
        server.trigger.pull_trigger(lambda: server.asyncore.close_all(server._map))


class Front:
    """A server with TLS before it, like that server to its owner: `run` serves, `close` ends."""

    def __init__(self, listening: socket.socket, how: ssl.SSLContext, behind: Any, told: Told) -> None:
        self.effective_host, self.effective_port = listening.getsockname()[:2]
        self._listening, self._how, self._behind, self._told = listening, how, behind, told
        self._port: int = behind.effective_port
        self._loop = asyncio.new_event_loop()
        self._taking: asyncio.Task[None] | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._thread = threading.Thread(target=self._turn, name="tls", daemon=True)

    def run(self) -> None:
        """Serve until interrupted, or closed from another thread."""
        self._thread.start()
        try:
            self._behind.run()
        finally:
            self._end()

    def close(self) -> None:
        """End what another thread runs, or what was never run."""
        if self._thread.is_alive():
            end(self._behind)
        else:
            self._behind.close()
            self._end()

    def _end(self) -> None:
        if self._thread.is_alive():
            with contextlib.suppress(RuntimeError):  # it has just ended by itself
                self._loop.call_soon_threadsafe(self._stop)
            self._thread.join(10.0)
        else:
            self._loop.close()
        self._listening.close()

    def _stop(self) -> None:
        for task in (self._taking, *self._tasks):
            if task is not None:
                task.cancel()

    def _turn(self) -> None:
        try:
            self._taking = self._loop.create_task(self._take())
            with contextlib.suppress(asyncio.CancelledError):
                self._loop.run_until_complete(self._taking)
            if self._tasks:
                self._loop.run_until_complete(asyncio.wait(self._tasks))
            self._loop.run_until_complete(self._loop.shutdown_asyncgens())
        finally:
            self._loop.close()

    async def _take(self) -> None:
        self._listening.setblocking(False)
        while True:
            try:
                connection, address = await self._loop.sock_accept(self._listening)
            except OSError:  # no room for another one, or it has gone already
                await asyncio.sleep(0.1)
                continue
            if len(self._tasks) >= MOST:
                connection.close()
                continue
            task = self._loop.create_task(self._pass_on(connection, address[0]))
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)

    async def _pass_on(self, connection: socket.socket, address: str) -> None:
        """Shake hands and carry bytes both ways, until either end has had enough."""
        reader = asyncio.StreamReader(loop=self._loop)
        protocol = asyncio.StreamReaderProtocol(reader, loop=self._loop)
        try:
            transport, _ = await self._loop.connect_accepted_socket(
                lambda: protocol,
                connection,
                ssl=self._how,
                ssl_handshake_timeout=_HANDSHAKE_S,
                ssl_shutdown_timeout=1.0,
            )
        except OSError:  # no TLS, not ours, or too slow: a scanner's everyday life
            connection.close()
            return
        outside = asyncio.StreamWriter(transport, protocol, reader, self._loop)
        try:
            answers, inside = await asyncio.open_connection("127.0.0.1", self._port)
        except OSError:
            outside.close()
            return
        port = inside.get_extra_info("sockname")[1]
        self._told.set(port, address)
        ways = [
            self._loop.create_task(_carry(reader, inside)),
            self._loop.create_task(_carry(answers, outside)),
        ]
        try:
            await asyncio.wait(ways, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for way in ways:
                way.cancel()
            for writer in (inside, outside):
                writer.close()
            await asyncio.wait(ways)
            for writer in (inside, outside):
                with contextlib.suppress(OSError, TimeoutError):
                    await writer.wait_closed()
            self._told.forget(port)


async def _carry(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    with contextlib.suppress(OSError):
        while piece := await reader.read(_PIECE):
            writer.write(piece)
            await writer.drain()
