"""Frames to scans, banners and answers, and back, as `firmware_notes/protocol.md` defines them. Pure.

`LineDecoder` takes the frames that `FrameReader` let through; runs of scans are decoded together, at
once. `ScanClock` lays scans on `t_us`: it unwraps the device's counter, drops what is repeated or out
of order, and finds a counter that has started again.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np

from logger.blocks import NO_READING, DaqInfo, Int32Array, Int64Array, ScanBlock
from logger.link.frames import Cause, frame

PROTOCOL: Final = 1
"""The version of the line protocol that is spoken here."""
MOST_CHANNELS: Final = 64
RESET_CAUSES: Final = ("power-on", "watchdog", "brown-out", "software", "button", "unknown")
TRIP_CAUSES: Final = (
    "none",
    "opened by the host",
    "no heartbeat",
    "reset",
    "firmware watchdog",
    "push button",
)

_U32: Final = 2**32
_LEAP_MS: Final = 60_000
_ABSENT: Final = 2**40  # stands for "-" while a run of scans is decoded; no 10 digits reach it
_LARGEST: Final = 2**31 - 1
_NUMBER: Final = r"(?:0|[1-9][0-9]{0,9})"
_COUNT: Final = r"(?:0|-?[1-9][0-9]{0,9}|-)"
_ENDS: Final = re.compile(r"[!-+\--~]{1,64}")  # printable, no comma
_BOARD: Final = re.compile(r"[A-Za-z0-9._-]{1,32}")
_DECIMAL: Final = re.compile(r"(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,3})?")


@dataclass(frozen=True)
class Scans:
    """Consecutive scans as sent: `sequence`, `ms`, `flags` (n,); `counts` (n, c), NO_READING for `-`."""

    sequence: Int64Array
    ms: Int64Array
    counts: Int32Array
    flags: Int32Array

    def __len__(self) -> int:
        return len(self.sequence)


@dataclass(frozen=True)
class Flags:
    """What the flags of a scan say."""

    cutout_closed: bool
    button_pressed: bool
    converter_fault: bool
    trip_acknowledged: bool
    trip_cause: str

    @classmethod
    def of(cls, bits: int) -> Flags:
        """Read the 16 bits of a scan's flags; bits 8 to 15 are passed over."""
        cause = bits >> 4 & 0xF
        return cls(
            bool(bits & 1),
            bool(bits & 2),
            bool(bits & 4),
            bool(bits & 8),
            TRIP_CAUSES[cause] if cause < len(TRIP_CAUSES) else f"cause {cause}",
        )


@dataclass(frozen=True)
class Answer:
    """What the DAQ said to a command: `value` as set (`-` where there is none), or refused with a reason."""

    command: str
    value: str
    refused: bool = False


@dataclass(frozen=True)
class End:
    """The DAQ says that no more scans will come."""

    reason: str


Record = Scans | DaqInfo | Answer | End


class LineDecoder:
    """Frames in, records out, in order; what does not decode is counted in `rejected` and dropped.

    `channels` is how many counts a scan must have: set it from the banner (a banner that passes sets it by
    itself). While it is None no scan can be checked, and scans are passed over, counted in `early`.
    """

    def __init__(self, channels: int | None = None) -> None:
        self.channels = channels
        self.rejected: Counter[Cause] = Counter()
        self.early = 0
        self._scan: re.Pattern[str] | None = None
        self._run: re.Pattern[str] | None = None
        self._built_for: int | None = None

    def decode(self, frames: Sequence[bytes]) -> list[Record]:
        """Return the records that `frames` hold."""
        records: list[Record] = []
        for is_scan, run in groupby(frames, _is_scan):
            if is_scan:
                scans = self._scans(list(run))
                if scans is not None:
                    records.append(scans)
            else:
                for one in run:
                    record = self._other(one)
                    if record is not None:
                        records.append(record)
        return records

    def _scans(self, run: list[bytes]) -> Scans | None:
        if self.channels is None:
            self.early += len(run)
            return None
        if self._built_for != self.channels:
            self._built_for = self.channels
            # \Z, no $: a line end inside would pass
            scan = rf"S,{_NUMBER},{_NUMBER}(?:,{_COUNT}){{{self.channels}}},[0-9A-F]{{4}}"
            self._scan = re.compile(scan)
            self._run = re.compile(rf"(?:{scan}\n)*")
        assert self._run is not None
        text = b"\n".join(run).decode("latin-1") + "\n"
        if self._run.fullmatch(text) is not None:
            scans = _decode_run(text, self.channels)
            if scans is not None:
                return scans
        good = [line for line in run if self._good_scan(line.decode("latin-1"))]
        if not good:
            return None
        return _decode_run(b"\n".join(good).decode("latin-1") + "\n", self.channels)

    def _good_scan(self, line: str) -> bool:
        """Whether one scan decodes; else count why not."""
        assert self._scan is not None
        assert self.channels is not None
        if line.count(",") != self.channels + 3:
            self.rejected[Cause.FIELD_COUNT] += 1
            return False
        if self._scan.fullmatch(line) is None or _decode_run(line + "\n", self.channels) is None:
            self.rejected[Cause.NOT_A_NUMBER] += 1
            return False
        return True

    def _other(self, line: bytes) -> Record | None:
        name, *fields = line.decode("latin-1").split(",")
        match name:
            case "B":
                return self._banner(fields)
            case "A" | "N" if len(fields) == 2 and all(map(_ENDS.fullmatch, fields)):
                return Answer(fields[0], fields[1], refused=name == "N")
            case "E" if len(fields) == 1 and _ENDS.fullmatch(fields[0]):
                return End(fields[0])
            case "S" | "A" | "N" | "E":
                self.rejected[Cause.FIELD_COUNT] += 1
            case _:
                self.rejected[Cause.UNKNOWN_RECORD] += 1
        return None

    def _banner(self, fields: list[str]) -> DaqInfo | None:
        if len(fields) < 4:
            self.rejected[Cause.FIELD_COUNT] += 1
            return None
        version, board, reset, channels, *scales = fields
        if re.fullmatch("[1-9][0-9]{0,3}", version) and int(version) != PROTOCOL:
            # the fields of a later version are not ours to read; who asked will say so
            return DaqInfo(board if _BOARD.fullmatch(board) else "unknown", int(version), (), (), "unknown")
        if not re.fullmatch("[1-9][0-9]?", channels):
            self.rejected[Cause.NOT_A_NUMBER] += 1
            return None
        if len(scales) != 2 * int(channels):
            self.rejected[Cause.FIELD_COUNT] += 1
            return None
        volts = tuple(float(text) for text in scales[::2] if _DECIMAL.fullmatch(text))
        full = tuple(int(text) for text in scales[1::2] if re.fullmatch("[1-9][0-9]{0,9}", text))
        if (
            version != str(PROTOCOL)
            or not _BOARD.fullmatch(board)
            or not int(channels) == len(volts) == len(full)
            or int(channels) > MOST_CHANNELS
            or not all(0.0 < v < math.inf for v in volts)
            or max(full) > _LARGEST
        ):
            self.rejected[Cause.NOT_A_NUMBER] += 1
            return None
        self.channels = int(channels)
        return DaqInfo(board, PROTOCOL, volts, full, reset if reset in RESET_CAUSES else "unknown")


def _is_scan(line: bytes) -> bool:
    return line[:2] == b"S,"


def _decode_run(text: str, channels: int) -> Scans | None:
    """Decode scans whose form has been checked, each ended by a line feed; None if one is out of range."""
    width = channels + 4
    # twice: in ",-,-," the first pass leaves the second of the pair
    text = text.replace(",-,", f",{_ABSENT},").replace(",-,", f",{_ABSENT},")
    fields = text.replace("\n", ",").split(",")
    fields.pop()
    flags = np.array([int(word, 16) for word in fields[width - 1 :: width]], dtype=np.int32)
    del fields[width - 1 :: width]
    del fields[:: width - 1]
    numbers = np.array(list(map(int, fields)), dtype=np.int64).reshape(len(flags), channels + 2)
    counts = numbers[:, 2:]
    absent = counts == _ABSENT
    counts[absent] = NO_READING
    if numbers[:, :2].max(initial=0) >= _U32 or (np.abs(counts) > _LARGEST)[~absent].any():
        return None
    return Scans(numbers[:, 0].copy(), numbers[:, 1].copy(), counts.astype(np.int32), flags)


class ScanClock:
    """Lays scans on `t_us` by the device's counter: microseconds since the first scan, strictly increasing.

    A scan with the last one's sequence is `repeated`, one that is not later `out of order`: dropped and
    counted. So is one that is later by more than a minute than the host's clock allows and than its sequence
    says: a false one among 65,536 garbled lines must not move time by days. A counter that has started again
    (the board was reset) is believed when the board may have been reset (`may_have_restarted`), or after
    three such scans that are in order among themselves; it then goes on from the last scan by the host's
    clock, by one scan period at least, and by as long as the board has been up since.
    """

    def __init__(self, period_s: float) -> None:
        self.rejected: Counter[Cause] = Counter()
        self.restarts = 0
        self._period_us = max(1, round(period_s * 1e6))
        self._last: tuple[int, int] | None = None  # sequence, ms of the last scan taken
        self._t_us = 0
        self._arrived_s = self._before_s = 0.0  # of the last scan, and of what came before it
        self._believe = False
        self._odd: list[tuple[int, int]] = []  # latest scans that seemed to run backwards

    def may_have_restarted(self) -> None:
        """Tell that the board may have been reset: a banner came unasked, or the port was opened anew."""
        self._believe = True

    def take(self, scans: Scans, arrived_s: float) -> ScanBlock:
        """Return the scans that are later than all before; `arrived_s` is when they came.

        It counts in recorded seconds on a clock that never runs backwards, and only matters across a restart.
        """
        n = len(scans)
        if n == 0:
            return _block(scans, np.empty(0, np.int64), np.empty(0, np.int64))
        if self._last is not None and not self._believe:
            sequence, ms = self._last
            steps = np.diff(scans.ms, prepend=ms) % _U32
            places = np.diff(scans.sequence, prepend=sequence) % _U32
            if _forward(steps) and _forward(places) and steps.max() <= _LEAP_MS:
                t_us = self._t_us + np.cumsum(steps) * 1000
                self._note(scans, n - 1, int(t_us[-1]), arrived_s)
                return _block(scans, np.arange(n), t_us)
        kept: list[int] = []
        times: list[int] = []
        for i in range(n):
            t = self._time_of(int(scans.sequence[i]), int(scans.ms[i]), arrived_s)
            if t is not None:
                kept.append(i)
                times.append(t)
                self._note(scans, i, t, arrived_s)
        return _block(scans, np.array(kept, np.int64), np.array(times, np.int64))

    def _note(self, scans: Scans, i: int, t_us: int, arrived_s: float) -> None:
        self._last = int(scans.sequence[i]), int(scans.ms[i])
        self._t_us = t_us
        if arrived_s > self._arrived_s:
            self._before_s, self._arrived_s = self._arrived_s, arrived_s
        self._believe = False
        self._odd.clear()

    def _time_of(self, sequence: int, ms: int, arrived_s: float) -> int | None:
        if self._last is None:
            self._before_s = self._arrived_s = arrived_s
            return 0
        place, step = _ahead((sequence, ms), self._last)
        later = 0 < place < _U32 // 2 and 0 < step < _U32 // 2
        if later and self._can_be(place, step, arrived_s):
            return self._t_us + step * 1000
        if place == 0 and (step == 0 or not self._believe):
            self.rejected[Cause.REPEATED] += 1
            return None
        if not self._believe:
            if self._odd and not all(0 < d < 2**16 for d in _ahead((sequence, ms), self._odd[-1])):
                self._odd.clear()
            self._odd.append((sequence, ms))
            if len(self._odd) < 3:
                self.rejected[Cause.OUT_OF_ORDER] += 1
                return None
        self.restarts += 1
        away_s = arrived_s - self._arrived_s
        if step >= _U32 // 2:
            # the last scan may have come late, with a burst; the board was up before this one was sent
            away_s = max(away_s, min(ms / 1e3, arrived_s - self._before_s))
        return self._t_us + max(self._period_us, round(away_s * 1e6))

    def _can_be(self, place: int, step: int, arrived_s: float) -> bool:
        """Whether a scan can be so much later than the last one, by the host's clock or by its sequence."""
        if step <= _LEAP_MS + 2000.0 * (arrived_s - self._before_s):
            return True
        return abs(place * self._period_us / 1e3 - step) <= 0.5 * step


def _ahead(later: tuple[int, int], earlier: tuple[int, int]) -> tuple[int, int]:
    return (later[0] - earlier[0]) % _U32, (later[1] - earlier[1]) % _U32


def _forward(steps: Int64Array) -> bool:
    return bool(steps.min() > 0 and steps.max() < _U32 // 2)


def _block(scans: Scans, kept: Int64Array, t_us: Int64Array) -> ScanBlock:
    whole = len(kept) == len(scans)
    return ScanBlock(
        t_us,
        scans.sequence if whole else scans.sequence[kept],
        scans.counts if whole else scans.counts[kept],
        scans.ms if whole else scans.ms[kept],
    )


# From here on the other way: what the simulated DAQ and tests send.


def scan_body(sequence: int, ms: int, counts: Iterable[int | None], flags: int = 0) -> str:
    """Return the body of a scan's line, without CRC; None stands for no reading."""
    values = ",".join("-" if count is None else str(count) for count in counts)
    return f"S,{sequence % _U32},{ms % _U32},{values},{flags:04X}"


def banner_body(daq: DaqInfo) -> str:
    """Return the body of a banner's line."""
    scales = ",".join(f"{v!r},{full}" for v, full in zip(daq.volts_per_count, daq.full_count, strict=True))
    return f"B,{daq.protocol},{daq.board_id},{daq.reset_cause},{len(daq.full_count)},{scales}"


def answer_body(answer: Answer) -> str:
    """Return the body of an answer's line."""
    return f"{'N' if answer.refused else 'A'},{answer.command},{answer.value}"


def end_body(reason: str) -> str:
    """Return the body of the line that ends a recording."""
    return f"E,{reason}"


COMMANDS: Final[dict[str, tuple[float, float] | None]] = {
    "who": None,
    "rate": (0.2, 100.0),
    "beat": None,
    "silence": (0.2, 1.5),
    "open": None,
    "acknowledge": None,
}
"""The host's commands, each with the range of its number where it has one; a rate may be 0 too."""


@dataclass(frozen=True)
class Command:
    """One command of the host; `value` for `rate` (scans a second) and `silence` (seconds)."""

    name: str
    value: float | None = None


def command_line(name: str, value: float | None = None) -> bytes:
    """Return the bytes of a command, CRC and line end included."""
    allowed = COMMANDS[name]
    if (value is None) != (allowed is None):
        raise ValueError(f"{name} takes {'no' if allowed is None else 'a'} number")
    if value is None or allowed is None:
        return frame(name)
    if not (allowed[0] <= value <= allowed[1] or (name == "rate" and value == 0)):
        raise ValueError(f"{name} goes from {allowed[0]} to {allowed[1]}, not {value}")
    return frame(f"{name},{value:.3f}".rstrip("0").rstrip("."))


def read_command(body: bytes) -> Command | str:
    """Return the command that a frame from the host holds, or why it is refused."""
    name, *fields = body.decode("latin-1").split(",")
    if name not in COMMANDS:
        return "unknown"
    allowed = COMMANDS[name]
    if len(fields) != (0 if allowed is None else 1):
        return "wrong-field-count"
    if allowed is None:
        return Command(name)
    if not re.fullmatch(r"(?:0|[1-9][0-9]{0,3})(?:\.[0-9]{1,3})?", fields[0]):
        return "not-a-number"
    value = float(fields[0])
    if not (allowed[0] <= value <= allowed[1] or (name == "rate" and value == 0)):
        return f"{allowed[0]:g}-to-{allowed[1]:g}"
    return Command(name, value)
