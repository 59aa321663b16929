"""The whole way from scans to findings as one pure object.

The live daemon, the replay of a stored soak and the judging of a log file are this object with another
source. It reads no clock and does no I/O; findings are identical for any blocking of the same scans.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.blocks import DaqInfo, FloatArray, Mark, ReadingBlock, ScanBlock, TickBlock
from logger.convert import Calibration, Converter, TickMaker, daq_from_setup, value_U
from logger.finding import Finding, Severity
from logger.setup import Setup
from logger.verdict import Judge, SoakSums, spoilt
from logger.watch.alarms import Alarm, Alarms
from logger.watch.panel import Panel, closings, piece, tick_rows
from logger.watch.seconds import Sight, others_median

_TOGETHER: Final = (600, 30)
"""How many ticks are looked at together where no scan among them can matter by itself: most, then fewer."""

_STATES: Final = 50
"""How many of the last states are told of a running soak: more than a person declares in a day."""


@dataclass(frozen=True)
class Output:
    """What one block brought: its ticks, the findings that changed, what is to sound, whether to trip.

    `t_s`: the last scan, seconds since the first; `reading` (c,): what it reads, in A, V or degC, None where
    ticks were fed; `plan_ends_s`: when the plan is over as it stands, or None; `state`: what the amp does.
    """

    ticks: TickBlock
    findings: list[Finding]
    alarms: list[Alarm]
    trip: bool
    t_s: float
    reading: FloatArray | None
    plan_ends_s: float | None
    state: str
    snapshot: Callable[[], dict[str, Any]]

    @property
    def now(self) -> dict[str, Any]:
        """What to show, as it stands when asked: made only when somebody looks."""
        return self.snapshot()


class Pipeline:
    """Scans in; ticks, findings, state and verdict out."""

    def __init__(
        self, setup: Setup, daq: DaqInfo | None = None, calibration: Calibration | None = None
    ) -> None:
        self.setup = setup
        self.daq = daq or daq_from_setup(setup)
        self.calibration = calibration
        self._converter = Converter(setup, self.daq, calibration)
        self._ticks = TickMaker()
        self._panel = Panel(setup)
        self._alarms = Alarms()
        self._sums = SoakSums(len(setup.channel))
        self._scans = 0
        self._missing = 0
        self._sequence: int | None = None
        self._last_us = 0
        self._latest: TickBlock | None = None
        self._reading: FloatArray | None = None
        self._skipped: tuple[int, int | None] = (0, None)
        self._u_cache: dict[tuple[int, int], float] = {}

    def feed(self, block: ScanBlock | ReadingBlock | TickBlock, marks: Sequence[Mark] = ()) -> Output:
        """Take in a block of scans (or of readings from a log, or of ticks), later than all before it.

        Of ticks alone the detectors that look at scans see one reading a second, its mean. `marks`: what
        persons said or asked (`logger.requests`) up to the block's last scan and not given before, in order
        of time; each holds from the second that it falls in.
        """
        self._panel.note(marks)
        if isinstance(block, TickBlock):
            return self._feed_ticks(block)
        if isinstance(block, ScanBlock):
            self._count_missing(block)
            readings = self._converter.readings(block)
        else:
            readings = block
        self._scans += len(readings)
        if not len(readings):
            return self._output(self._empty(), [])
        self._last_us = int(readings.t_us[-1])
        self._reading = readings.values[-1]
        ticks = self._ticks.feed(readings)
        return self._output(ticks, self._look(readings, ticks, closings(readings, ticks)))

    def silence(self) -> Output:
        """Say that nothing was heard for too long: opens a live gap that the next scan would find too."""
        return self._output(self._empty(), self._panel.silence())

    def finish(self, marks: Sequence[Mark] = ()) -> Output:
        """End the soak: close the last tick. `marks`: those after the last scan."""
        self._panel.note(marks)
        ticks = self._ticks.finish()
        return self._output(ticks, self._watch(ticks))

    def skipped(self, count: int, first: int | None) -> None:
        """Note how many lines of a log file could not be read, and the first of them."""
        self._skipped = (count, first)

    def verdict(self) -> dict[str, Any]:
        """Return the `soakbench.judge/1` document of what was seen so far."""
        judge = Judge(self.setup, self.daq, self.calibration, self._panel, self._sums)
        document: dict[str, Any] = judge.document(
            duration_s=self._last_us / 1e6,
            scans=self._scans,
            scans_missing=self._missing,
            skipped=self._skipped,
        )
        return document

    @property
    def findings(self) -> list[Finding]:
        """All findings of the soak, as they stand."""
        return list(self._panel.book.findings)

    def sights(self, pair: int) -> list[tuple[str, Sight]]:
        """Return what each detector that can tell makes of a pair just now, by the kind it would find."""
        return [(kind.value, seer.sight(pair)) for kind, seer in self._panel.seers]

    @property
    def plan_done(self) -> bool:
        """Whether the last step of the plan has run its time."""
        return self._panel.phase.plan_done

    @property
    def off_s(self) -> float:
        """Seconds since HT went off, 0 while it is on or never was."""
        phase = self._panel.phase
        return float(phase.off_s) if phase.state in ("standby", "cooling") else 0.0

    def _look(self, readings: ReadingBlock, ticks: TickBlock, stops: Sequence[int]) -> list[Finding]:
        """Show scans and ticks to the panel; `stops`: the row of the scan that closed each tick."""
        changed: list[Finding] = []
        done = row = 0
        while row < len(ticks):
            for rows in _TOGETHER:
                together = stops[row : row + rows]
                part = piece(readings, done, together[-1])
                if self._panel.calm(part):
                    changed += self._watch(tick_rows(ticks, row, row + len(together)))
                    self._panel.pass_over(part)
                    break
            else:
                for one, stop in enumerate(together, row):
                    changed += self._panel.scans(piece(readings, done, stop))
                    changed += self._watch(tick_rows(ticks, one, one + 1))
                    done = stop
            done = together[-1]
            row += len(together)
        return changed + self._panel.scans(piece(readings, done, len(readings)))

    def _feed_ticks(self, ticks: TickBlock) -> Output:
        seen = np.flatnonzero(ticks.n.any(axis=1) | ticks.railed.any(axis=1))
        if not len(seen):
            return self._output(ticks, self._watch(ticks))
        readings = ReadingBlock(
            np.rint(ticks.t_s[seen] * 1e6).astype(np.int64)
            + 999_000,  # as its last scan, or a gap would begin early
            ticks.mean[seen],
            # a tick does not say which end of the range; a current that rails does so upwards
            (ticks.railed[seen] > 0.5 * ticks.n[seen]).astype(np.int8),
        )
        self._scans += int(ticks.n.max(axis=1).sum())
        self._last_us = round(float(ticks.closed_s[-1]) * 1e6)
        stops = np.searchsorted(seen, np.arange(len(ticks)), side="right").tolist()
        return self._output(ticks, self._look(readings, ticks, stops))

    def _watch(self, ticks: TickBlock) -> list[Finding]:
        changed: list[Finding] = []
        for part in self._panel.ticks(ticks):
            changed += part.changed
            if part.step is None or part.step[0] != "soak":
                continue
            if part.step[1] != self._sums.from_s:
                self._sums.restart(part.step[1])
            for pair in part.set_anew:
                self._sums.restart_channel(self.setup.pair_columns[pair])
            if part.idle:
                self._sums.add(
                    tick_rows(ticks, part.first, part.stop), spoilt(self._panel.book.findings, self.setup)
                )
        return changed

    def _count_missing(self, block: ScanBlock) -> None:
        if not len(block):
            return
        before = self._sequence if self._sequence is not None else int(block.sequence[0]) - 1
        steps = np.diff(block.sequence, prepend=before) % 2**32
        # A step beyond a day of scans is a board that began to count anew, not a loss.
        lost = steps[(steps > 1) & (steps < 10_000_000)] - 1
        self._missing += int(lost.sum())
        self._sequence = int(block.sequence[-1])

    def _empty(self) -> TickBlock:
        channels = len(self.setup.channel)
        nothing = np.empty((0, channels))
        counts = np.empty((0, channels), dtype=np.int32)
        return TickBlock(np.empty(0, dtype=np.int64), np.empty(0), counts, nothing, nothing, nothing, counts)

    def _output(self, ticks: TickBlock, changed: list[Finding]) -> Output:
        if len(ticks):
            self._latest = ticks
        by_id = {finding.id: finding for finding in changed}
        standing = self._panel.book.findings
        trip = any(f.open and f.severity is Severity.TRIP for f in standing)
        alarms = self._alarms.due(standing, self._last_us / 1e6) if standing else []
        phase, step_ends_s = self._panel.phase, self._step_ends_s
        return Output(
            ticks,
            list(by_id.values()),
            alarms,
            trip,
            self._last_us / 1e6,
            self._reading,
            None if step_ends_s is None else step_ends_s + phase.plan_ends_s,
            phase.state,
            self._now,
        )

    @property
    def _step_ends_s(self) -> float | None:
        """When the step that runs is over: a clock that stood still (standby) ends later by as much.

        It is counted from the last second that was closed, as the step's own clock is: from the last scan it
        would tremble by what is between them.
        """
        step = self._panel.phase.step
        if step is None or self._latest is None:
            return None
        return float(self._latest.t_s[-1]) + 1.0 + step.seconds - step.done_s

    def _now(self) -> dict[str, Any]:
        panel, phase = self._panel, self._panel.phase
        step = phase.step
        ends = self._step_ends_s
        return {
            "t_s": self._last_us / 1e6,
            "state": phase.state,
            "states": [{"state": state, "from_s": from_s} for state, from_s in phase.states[-_STATES:]],
            "step": step.step if step else None,
            "step_from_s": step.from_s if step else None,
            "step_ends_s": ends,
            "plan_ends_s": ends + phase.plan_ends_s if ends is not None else None,
            "plan_done": phase.plan_done,
            "on_s": _json(phase.on_s),
            "channels": self._channels_now(panel),
        }

    def _channels_now(self, panel: Panel) -> dict[str, Any]:
        out: dict[str, Any] = {}
        if self._latest is None or panel.last is None:
            return out
        mean = self._latest.mean[-1]
        second = panel.last
        outlook = panel.unsettled.outlook
        current_a = second.current_a[-1].tolist()
        judged_ht = self.setup.first("HT") is not None and bool(second.ht_v[-1] == second.ht_v[-1])
        for column, channel in enumerate(self.setup.channel):
            out[channel.name] = {"value": _json(float(mean[column])), "unit": channel.unit}
        for j, channel in enumerate(self.setup.pairs):
            value = current_a[j]
            others = math.nan
            if len(current_a) == 2:
                others = current_a[1 - j]
            elif len(current_a) > 2:
                others = others_median(current_a, second.masked)
            coming = outlook[j] if second.powered else None
            out[channel.name] |= {
                "U": _json(self._u_now(self.setup.pair_columns[j], value)),
                "from_others": _json(value - others) if second.powered else None,
                "dissipation_pct": _json(float(second.dissipation_pct[-1, j])) if judged_ht else None,
                "settled_at_s": _json(panel.settled_min[j] * 60.0),
                "ends": _json(panel.unsettled.end_a[j]),
                "forecast_from": _json(panel.unsettled.from_a[j]),  # drawn in the minute it was made of
                "ends_low": None if coming is None else _json(coming.low_a),
                "ends_high": None if coming is None else _json(coming.high_a),
                # earliest and latest are null where they lie more than 2 hours ahead
                "settles": None
                if coming is None
                else {
                    "earliest_s": _json(coming.earliest_min * 60.0),
                    "latest_s": _json(coming.latest_min * 60.0),
                },
            }
        return out

    def _u_now(self, column: int, value: float) -> float:
        if value != value:
            return math.nan
        key = (column, round(value * 2000))  # to half a milliampere: U changes slowly with the value
        if key not in self._u_cache:
            if len(self._u_cache) > 4096:
                self._u_cache.clear()
            U, _ = value_U(self.setup, self.daq, column, key[1] / 2000, 0.0, self.calibration)
            self._u_cache[key] = U
        return self._u_cache[key]


def _json(value: float) -> float | None:
    return value if math.isfinite(value) else None
