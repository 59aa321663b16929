"""The conversation with a board that prints numbers: it is listened to, and never spoken to."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterator
from typing import Final

import numpy as np

from logger.blocks import DaqInfo, ScanBlock
from logger.clock import Clock
from logger.link.csv_lines import LOOKED_AT, Decoder, Layout, LineReader, is_header, look_at
from logger.link.frames import Cause
from logger.link.host_time import Arrivals
from logger.link.lines import ScanClock, Scans
from logger.link.talk import Heard
from logger.link.wire import NotThere, Stranger, Wire
from logger.setup import CsvLink, Setup

_MOST_TOGETHER: Final = 65_536
_STRANGE: Final = 5
"""Lines none of which fits before the board counts as another one."""


class Csv:
    """The kind `csv`. What was found in the first lines holds for the whole soak."""

    def __init__(self, setup: Setup, clock: Clock, speed: float) -> None:
        assert isinstance(setup.link, CsvLink)
        self.setup = setup
        self.link = setup.link
        self.channels = len(setup.channel)
        self.says = ""
        self.clock = clock
        self.speed = speed
        self.period_s = 1.0 / setup.link.scans_per_s
        self.decoder: Decoder | None = None
        self.arrivals = Arrivals(self.period_s, speed)
        self.counter = ScanClock(self.period_s)
        self.places = _Places(self.period_s, setup.link)

    @property
    def rejected(self) -> Counter[Cause]:
        """Lines that did not fit, and scans that came twice or too late by the board's own count."""
        fits = self.counter.rejected
        return fits if self.decoder is None else fits + self.decoder.rejected

    def talk(self, wire: Wire, *, again: bool, patience_s: float) -> _Talk:
        """Begin to listen."""
        return _Talk(self, wire, patience_s)

    def info(self, layout: Layout) -> DaqInfo:
        """Say who prints so."""
        return DaqInfo(layout.board_id, 1, layout.volts_per_count, layout.full_count)


class _Places:
    """The board's own count as sequence and milliseconds, which `ScanClock` then lays on time."""

    def __init__(self, period_s: float, link: CsvLink) -> None:
        self._period_ms = 1000.0 * period_s
        self._scans = link.time_column is not None and link.time_column.unit == "scans"
        self._sequence = 0
        self._ms: int | None = None

    def of(self, own: int) -> tuple[int, int]:
        if self._scans:
            return own % 2**32, round(own * self._period_ms) % 2**32
        ms = own % 2**32
        step = 0 if self._ms is None else (ms - self._ms) % 2**32
        if self._ms is None or step >= 2**31:
            self._sequence = round(ms / self._period_ms)
        elif step:
            self._sequence += max(1, round(step / self._period_ms))
        self._ms = ms
        return self._sequence % 2**32, ms


class _Talk:
    def __init__(self, kind: Csv, wire: Wire, patience_s: float) -> None:
        self.wire = wire
        self._kind = kind
        self._patience_s = patience_s
        self._reader = LineReader()
        self._waiting: list[tuple[float, list[str]]] = []

    @property
    def rejected(self) -> Counter[Cause]:
        """Lines that were too long."""
        return self._reader.rejected

    def meet(self, stop: threading.Event) -> DaqInfo:
        """Listen until it can be told what is printed."""
        kind = self._kind
        wanted = LOOKED_AT if kind.decoder is None else _STRANGE
        until_s = kind.clock.monotonic_s() + self._patience_s
        if kind.speed:
            until_s += (wanted + 1) * kind.period_s / kind.speed
        lines: list[str] = []
        while len(lines) < wanted and kind.clock.monotonic_s() <= until_s and not stop.is_set():
            found = self._lines()
            if found:
                self._waiting.append((kind.clock.monotonic_s(), found))
                lines += found
                if kind.decoder is not None and (info := self._known(kind.decoder, lines)) is not None:
                    return info
        if not self.wire.heard:
            raise NotThere(
                f"nothing comes from {self.wire.path}: check that the board has power and prints unasked, "
                "and that this is its port"
            )
        if kind.decoder is not None or not lines:
            raise Stranger(
                f"what comes from {self.wire.path} ({self.wire.heard} bytes) is not what the board printed, "
                "or no lines at all: check the port, its baud rate and the board"
            )
        first = self._reader.first
        layout = look_at([first, *lines] if is_header_of(first, kind.link) else lines, kind.setup)
        kind.decoder = Decoder(layout, kind.link)
        kind.says = f"the board on {self.wire.path} prints {layout.says(kind.setup.names)}"
        return kind.info(layout)

    def begin(self, stop: threading.Event) -> None:
        """It has begun by itself."""

    def hear(self, stop: threading.Event) -> Iterator[Heard]:
        """Give the scans of the lines that have come."""
        kind = self._kind
        assert kind.decoder is not None
        waiting, self._waiting = self._waiting, []
        if not waiting and (lines := self._lines()):
            waiting.append((kind.clock.monotonic_s(), lines))
        for arrived_s, lines in waiting:
            rows: list[str] = []
            for line in lines:
                layout = kind.decoder.headed(line, kind.setup)
                if layout is None:
                    rows.append(line)
                    continue
                # the board has started again; or it is another one
                yield from self._scans(rows, arrived_s)
                rows = []
                yield kind.info(layout)
                kind.counter.may_have_restarted()
            yield from self._scans(rows, arrived_s)

    def hush(self) -> None:
        """It is not spoken to."""

    def _known(self, decoder: Decoder, lines: list[str]) -> DaqInfo | None:
        """Return who prints, once a line shows it."""
        kind = self._kind
        for line in [self._reader.first, *lines]:
            layout = decoder.headed(line, kind.setup)
            if layout is not None:
                kind.counter.may_have_restarted()
                return kind.info(layout)
        fresh = Decoder(decoder.layout, kind.link)  # counts what it rejects, and these are counted later
        if any(fresh.decode(line) is not None for line in lines):
            kind.counter.may_have_restarted()
            return kind.info(decoder.layout)
        return None

    def _lines(self) -> list[str]:
        """Return the lines that have come, all that are waiting together."""
        chunk = self.wire.read()
        while chunk and len(chunk) < _MOST_TOGETHER and self.wire.more():
            chunk += self.wire.read()
        return self._reader.feed(chunk)

    def _scans(self, lines: list[str], arrived_s: float) -> Iterator[ScanBlock]:
        kind = self._kind
        assert kind.decoder is not None
        rows = [kind.decoder.decode(line) for line in lines]
        if kind.link.time_column is None:
            times = kind.arrivals.take(len(rows), arrived_s)
            good = [(time, row[1]) for time, row in zip(times, rows, strict=True) if row is not None]
            if good:
                yield ScanBlock(
                    np.array([t_us for (_, t_us), _ in good], dtype=np.int64),
                    np.array([sequence for (sequence, _), _ in good], dtype=np.int64),
                    np.array([counts for _, counts in good], dtype=np.int32),
                )
            return
        told = [(kind.places.of(row[0]), row[1]) for row in rows if row is not None and row[0] is not None]
        if told:
            scans = Scans(
                np.array([sequence for (sequence, _), _ in told], dtype=np.int64),
                np.array([ms for (_, ms), _ in told], dtype=np.int64),
                np.array([counts for _, counts in told], dtype=np.int32),
                np.zeros(len(told), dtype=np.int32),
            )
            block = kind.counter.take(scans, arrived_s * (kind.speed or 1.0))
            if len(block):
                yield block


def is_header_of(line: str, link: CsvLink) -> bool:
    """Whether the line that came first, perhaps without its beginning, names columns."""
    separators = (link.separator,) if link.separator else (",", ";", "tab")
    return len(line) > 1 and any(is_header(line, separator, comma=True) for separator in separators)
