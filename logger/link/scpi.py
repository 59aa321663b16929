"""Scanning bench meters on a serial line, in the words of SCPI-1999 and IEEE 488.2 and no maker's own.

The meter is told ranges, line cycles and channel list once; each scan is then one `READ?`. After an answer
that did not come, or was not what was asked for, the input is waited empty, the meter is asked who it is, and
set up anew: its name is no reading, and it answers in order, so that no older answer can follow it.
"""

from __future__ import annotations

import hashlib
import math
import re
import threading
from collections import Counter
from collections.abc import Iterator
from typing import Final

import numpy as np

from logger.blocks import NO_READING, DaqInfo, Int32Array, ScanBlock
from logger.clock import Clock
from logger.errors import LinkError
from logger.link.frames import Cause
from logger.link.host_time import Raster
from logger.link.talk import Heard
from logger.link.wire import NotThere, Stranger, Wire, drain, drop
from logger.setup import SETTLING_S, ScpiLink, Setup

INFINITY: Final = 9.9e37
NOT_A_NUMBER: Final = 9.91e37
"""What SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5, has an instrument say for infinity and not-a-number."""
_LONGEST: Final = 4096
_SILENT_POLLS: Final = 5
_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_ERROR: Final = re.compile(r'[+-]?[0-9]{1,5},\s*"')
_QUIET_S: Final = 0.4


class Answer:
    """What a `READ?` answers, as counts. Pure."""

    def __init__(self, setup: Setup) -> None:
        scales = [setup.scale_of(channel) for channel in setup.channel]
        self.volts_per_count = tuple(step_v for step_v, _ in scales)
        self.full_count = tuple(full for _, full in scales)
        self.places = [pin for channel in setup.channel for pin in channel.pin or [0]]
        # in rising order, which every meter scans in, whatever order it keeps otherwise
        self.order = sorted(range(len(self.places)), key=self.places.__getitem__)

    def counts(self, line: str) -> Int32Array | Cause:
        """Return the counts (1, channels) of an answer, or why it is none.

        Overload is told by numbers that are none: they are taken out before anything is reckoned with them.
        """
        fields = [field.strip() for field in line.split(",")]
        if len(fields) != len(self.places):
            return Cause.FIELD_COUNT
        out = [NO_READING] * len(fields)
        for field, column in zip(fields, self.order, strict=True):
            if _NUMBER.fullmatch(field) is None:
                return Cause.NOT_A_NUMBER
            out[column] = _count(float(field), self.volts_per_count[column], self.full_count[column])
        return np.array([out], dtype=np.int32)


def _count(value_v: float, step_v: float, full: int) -> int:
    if math.isclose(abs(value_v), NOT_A_NUMBER, rel_tol=5e-4):
        return NO_READING
    if abs(value_v) > full * step_v:
        return round(math.copysign(full, value_v))
    return round(value_v / step_v)


class Scpi:
    """The kind `scpi`."""

    def __init__(self, setup: Setup, clock: Clock, speed: float) -> None:
        assert isinstance(setup.link, ScpiLink)
        self.link = setup.link
        self.channels = len(setup.channel)
        self.says = ""
        self.answer = Answer(setup)
        self.clock = clock
        self.rejected: Counter[Cause] = Counter()
        self.raster = Raster(1.0 / setup.link.scans_per_s, clock, speed)
        self.scan_s = scan_s(setup)
        self.commands = _commands(setup, self.answer)

    def talk(self, wire: Wire, *, again: bool, patience_s: float) -> _Talk:
        """Begin a conversation."""
        return _Talk(self, wire, patience_s)


def scan_s(setup: Setup) -> float:
    """Return how long a meter takes for one scan, about, in seconds."""
    assert isinstance(setup.link, ScpiLink)
    return len(setup.channel) * (setup.link.line_cycles / setup.link.line_Hz + SETTLING_S)


def _commands(setup: Setup, answer: Answer) -> list[str]:
    """Return what sets a meter up: ranges by group, then line cycles, then the list that is scanned."""
    assert isinstance(setup.link, ScpiLink)
    by_range: dict[float, list[int]] = {}
    for column in answer.order:
        full_v = answer.volts_per_count[column] * answer.full_count[column]
        by_range.setdefault(full_v, []).append(answer.places[column])
    every = _list([answer.places[column] for column in answer.order])
    return [
        *(f"CONFigure:VOLTage:DC {full_v:.6g},{_list(places)}" for full_v, places in by_range.items()),
        f"SENSe:VOLTage:DC:NPLCycles {setup.link.line_cycles:g},{every}",
        f"ROUTe:SCAN {every}",
    ]


def _list(places: list[int]) -> str:
    return f"(@{','.join(map(str, places))})"


class _Talk:
    def __init__(self, kind: Scpi, wire: Wire, patience_s: float) -> None:
        self.wire = wire
        self.rejected: Counter[Cause] = Counter()
        self._kind = kind
        self._patience_s = patience_s
        self._name = ""
        self._ready = False
        self._silent = 0
        self._heard = b""
        self._stop = threading.Event()

    def meet(self, stop: threading.Event) -> DaqInfo:
        """Ask who is there until it says so."""
        self._stop = stop
        until_s = self._kind.clock.monotonic_s() + self._patience_s
        while not stop.is_set() and self._kind.clock.monotonic_s() <= until_s:
            name = self._ask_name(None)
            if name is not None:
                self._name = name
                return self._info(name)
        if self.wire.heard:
            raise Stranger(
                f"{self.wire.path} answers, but not to *IDN? as IEEE 488.2 has it ({self.wire.heard} bytes): "
                "check baud and parity in the set-up, and that the meter's serial port is set to SCPI"
            )
        raise NotThere(
            f"no meter answers on {self.wire.path}: check its power, a null-modem lead, and baud, parity and "
            "stop_bits in the set-up"
        )

    def begin(self, stop: threading.Event) -> None:
        """Tell the meter what to scan."""
        error = self._set_up()
        if error is None:
            raise NotThere(
                f"the meter on {self.wire.path} said who it is and then nothing: switch it off and on"
            )
        if not self._ready:
            raise LinkError(
                f"the meter on {self.wire.path} does not take what the set-up asks of it (it says "
                f"{_shown(error)}): check pin and full_scale_V of each channel, and line_cycles"
            )

    def hear(self, stop: threading.Event) -> Iterator[Heard]:
        """Ask for one scan, when it is time for it."""
        kind = self._kind
        self._drop_unasked()
        if not self._ready and not self._recover():
            if self._silent >= _SILENT_POLLS:
                raise NotThere(
                    f"the meter on {self.wire.path} has fallen silent: check its power and its lead"
                )
            return
        due = kind.raster.wait(stop)
        if due is None:
            return
        sequence, t_us = due
        self._drop_unasked()
        if not self._ready:
            return
        line = self._ask("READ?", 1.0 + 2.0 * kind.scan_s)
        if stop.is_set():
            return
        if line is None:
            self._silent += 1
            self._spoilt(Cause.NO_REPLY)
            return
        self._silent = 0
        if not line:  # it has answered, and has nothing to say
            self.rejected[Cause.REFUSED] += 1
            return
        counts = kind.answer.counts(line)
        if isinstance(counts, Cause):
            self._spoilt(counts)
            return
        yield ScanBlock(np.array([kind.raster.since_first(t_us)]), np.array([sequence]), counts)

    def hush(self) -> None:
        """Leave the meter as it is: it scans only when asked."""

    def _drop_unasked(self) -> None:
        """Drop what has come; an answer that nobody had asked for leaves no answer's place certain."""
        if drop(self.wire) + len(self._heard) > 1:
            self._spoilt(Cause.NOT_ASKED)

    def _spoilt(self, cause: Cause) -> None:
        self.rejected[cause] += 1
        self._ready, self._heard = False, b""

    def _recover(self) -> bool:
        """Be certain again of what answers what; another meter than before ends in `meet`."""
        name = self._ask_name(self._name)
        if name is None:
            self._silent += 1
            return False
        error = self._set_up()
        if error is not None and not self._ready:
            self.rejected[Cause.REFUSED] += 1
        return self._ready

    def _set_up(self) -> str | None:
        """Send all of the set-up and return what the meter says of it, None where it says nothing."""
        self._ready = False
        for command in self._kind.commands:
            self.wire.write(command.encode("ascii") + b"\n")
        self.wire.write(b"SYSTem:ERRor?\n")
        until_s = self._kind.clock.monotonic_s() + 2.0
        error = self._line(until_s)
        while error is not None and _is_name(error):  # an earlier question's, that was given up
            error = self._line(until_s)
        if error is None or _ERROR.match(error) is None:
            return None
        self._ready = int(error.split(",")[0]) == 0
        return error

    def _ask_name(self, known: str | None) -> str | None:
        """Wait out what may still come, then ask the meter's name, passing over what is none."""
        drain(self.wire, _QUIET_S, self._stop)
        self._heard = b""
        self.wire.write(b"*CLS\n*IDN?\n")
        until_s = self._kind.clock.monotonic_s() + 1.0
        while (line := self._line(until_s)) is not None:
            if not _is_name(line):
                continue
            if known is not None and line != known:
                raise NotThere(f"another meter answers on {self.wire.path} than before")
            return line
        return None

    def _ask(self, query: str, patience_s: float) -> str | None:
        self.wire.write(query.encode("ascii") + b"\n")
        return self._line(self._kind.clock.monotonic_s() + patience_s)

    def _line(self, until_s: float) -> str | None:
        """Return the next whole line, None where it does not come in time."""
        while b"\n" not in self._heard:
            late = self._kind.clock.monotonic_s() > until_s
            if late or self._stop.is_set() or len(self._heard) > _LONGEST:
                self._heard = b""
                return None
            self._heard += self.wire.read()
        line, _, self._heard = self._heard.partition(b"\n")
        return line.decode("latin-1").strip()

    def _info(self, name: str) -> DaqInfo:
        serial = re.sub(r"[^A-Za-z0-9._-]", "", name.split(",")[2])[:24]
        if serial in ("", "0"):  # IEEE 488.2, 10.14: 0 where it has none to tell
            serial = hashlib.sha256(name.encode()).hexdigest()[:8]
        return DaqInfo(f"scpi-{serial}", 1, self._kind.answer.volts_per_count, self._kind.answer.full_count)


def _is_name(line: str) -> bool:
    """Whether it is four fields that are not all numbers."""
    fields = line.split(",")
    return len(fields) == 4 and not all(_NUMBER.fullmatch(field.strip()) for field in fields)


def _shown(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text[:80])
