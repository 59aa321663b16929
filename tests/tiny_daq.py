"""A DAQ end for tests: a real pseudo-terminal that speaks the line protocol, and can misbehave on demand."""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

from logger.blocks import DaqInfo
from logger.link import lines
from logger.link.frames import FrameReader, frame

Row = list[int | None]


def board(channels: int = 2, board_id: str = "bench-01") -> DaqInfo:
    return DaqInfo(board_id, 1, (7.8125e-06,) * channels, (32767,) * channels, "power-on")


class TinyDaq:
    """Answers commands and, once told a rate, sends what `row(sequence)` gives, `speed` times as fast.

    `speed` 0 is as fast as the line takes it. `sent` holds (monotonic time, sequence, ms, counts) of each
    scan that went into the terminal. With `last` it sends that many scans and then says that it has ended.
    """

    def __init__(
        self,
        link: Path,
        row: Callable[[int], Row] | None = None,
        *,
        daq: DaqInfo | None = None,
        speed: float = 1.0,
        last: int | None = None,
    ) -> None:
        self.link = link
        self.daq = daq or board()
        self.speed = speed
        self.sent: list[tuple[float, int, int, Row]] = []
        self.commands: list[lines.Command | str] = []
        self.rubbish: bytes | None = None
        self.mute = False
        self.hold = False
        self.refuses: str | None = None
        self.garble: Callable[[int, bytes], bytes] = lambda _sequence, line: line
        self._row = row or (lambda sequence: [sequence % 30000, None if sequence % 7 == 3 else -5])
        self._last = last
        self._sequence = 0
        self._ms = 0
        self._rate = 0.0
        self._master = self._slave = -1
        self._reader = FrameReader()
        self._lock = threading.RLock()
        self._stop = threading.Event()
        self._due = 0.0
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="tiny DAQ")

    def __enter__(self) -> TinyDaq:
        self.plug()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        self.unplug()

    @property
    def port(self) -> str:
        return str(self.link)

    @property
    def sequence(self) -> int:
        return self._sequence

    def plug(self, *, reset: bool = False) -> None:
        """Connect; `reset`: the board has lost its power meanwhile."""
        with self._lock:
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            fresh = self.link.with_suffix(".new")
            fresh.symlink_to(os.ttyname(self._slave))
            fresh.replace(self.link)
            if reset:
                self.reset()

    def unplug(self) -> None:
        with self._lock:
            if self._master >= 0:
                self.link.unlink(missing_ok=True)
                os.close(self._master)
                os.close(self._slave)
            self._master = self._slave = -1

    def reset(self, *, say: bool = True) -> None:
        """Start again as after a power-on, with or without a banner that gets through."""
        with self._lock:
            self._sequence = self._ms = 0
            self._rate = 0.0
            if say:
                self._write(frame(lines.banner_body(self.daq), end=b"\r\n"))

    def restart(self) -> None:
        """Begin a new record: reset, and forget what was sent."""
        with self._lock:
            self.reset(say=False)
            self.sent = []

    def skip(self, seconds: float) -> None:
        """Let the board's own time run on, as it does while nobody listens."""
        with self._lock:
            self._sequence += round(seconds * (self._rate or 10.0))
            self._ms += round(seconds * 1000)

    def _run(self) -> None:
        while not self._stop.is_set():
            with self._lock:
                if self._master >= 0:
                    self._serve()
            time.sleep(0 if self.speed == 0 and self._rate else 0.002)

    def _serve(self) -> None:
        readable, _, _ = select.select([self._master], [], [], 0)
        if readable:
            for body in self._reader.feed(os.read(self._master, 4096)):
                self._answer(lines.read_command(body), body)
        if self.rubbish is not None:
            self._write(self.rubbish)
            return
        now = time.monotonic()
        many = 64
        while (
            self._rate
            and not self.hold
            and many
            and not self._ended
            and (self.speed == 0 or now >= self._due)
        ):
            many -= 1
            if self._last is not None and len(self.sent) >= self._last:
                self._write(frame(lines.end_body("end-of-recording"), end=b"\r\n"))
                self._ended = True
                return
            self._scan()

    def _scan(self) -> None:
        row = self._row(self._sequence)
        if self._write(self.garble(self._sequence, self._line(row))):
            self.sent.append((time.monotonic(), self._sequence, self._ms, row))
        self._sequence += 1
        self._ms += round(1000 / self._rate)
        if self.speed:
            self._due = max(self._due, time.monotonic() - 0.1) + 1 / self._rate / self.speed

    def _line(self, row: Row) -> bytes:
        return frame(lines.scan_body(self._sequence, self._ms, row), end=b"\r\n")

    def _answer(self, command: lines.Command | str, body: bytes) -> None:
        self.commands.append(command)
        if self.mute or self.rubbish is not None:
            return
        if isinstance(command, str):
            name = body.decode("latin-1").split(",")[0]
            self._write(frame(lines.answer_body(lines.Answer(name, command, True)), end=b"\r\n"))
        elif command.name == "who":
            self._write(frame(lines.banner_body(self.daq), end=b"\r\n"))
        elif self.refuses is not None:
            refusal = lines.Answer(command.name, self.refuses, refused=True)
            self._write(frame(lines.answer_body(refusal), end=b"\r\n"))
        elif command.name == "rate" and command.value is not None:
            self._rate = command.value
            self._due = time.monotonic()
            self._write(frame(f"A,rate,{command.value:g}", end=b"\r\n"))

    def _write(self, data: bytes) -> bool:
        """Write all of it, waiting while the line is full; False where nobody reads for long."""
        deadline = time.monotonic() + 5.0
        while data:
            try:
                data = data[os.write(self._master, data) :]
            except BlockingIOError:
                if self._stop.is_set() or time.monotonic() > deadline:
                    return False
                select.select([], [self._master], [], 0.05)
        return True
