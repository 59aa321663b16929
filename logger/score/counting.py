"""Counting: what a finding is worth against the noise-free run. Written down here, and held by the tests.

**The noise-free run** of a case is the same amplifier with the same fault, mains, room and supply, without
the valves' flicker and the converter's noise. It decides what is true; the program's own figures never do.
What a pair does of itself (drift, settling, a step) is read from it at nominal mains, HT and room.

**Alarm.** A `warning` or a `trip`; a remark is neither hit nor false. An alarm is dated by `raised_s`, one
that began as a remark by the end of the block in which it became an alarm. Alarms of one kind and channels
raised within 10 minutes of the last one's clearing are one.

**True.** An alarm is true if its statement holds in the noise-free run at some second of the 60 s before it
was raised (`true_of`). What each kind states is written beside its test below. Two needed a decision:

- `drift` says that a settled pair goes on moving while the others don't. It is true from *half* the limit on:
  between half the limit and the limit nobody has promised anything, calling is neither asked for nor wrong.
  "Goes on" tells it from what is left of the settling, which is no drift (the rate is a model's with the tail
  apart): the noise-free pair must move so in the 10 minutes before and in the 30 minutes after.
- `runaway` says faster and faster: three spans running of 20, 40 or 120 s, each with 1.1 times the rise of
  the one before, which the settling, a turned pot and a steady drift have not.

A statement about a lead, a converter or a crackle can't be read from a run with a row a second: it is true
while the case's own fault of that kind is on.

**Exposure.** Pair-hours powered, seen, before any fault, without an open false alarm on that pair. Only false
alarms raised before the fault count against it: numerator and denominator look at the same hours.

**After the onset.** The first true alarm on the fault's own channel stops the delay. One whose pair can't be
named counts if it lists the channel among its candidates; it does not count as naming it. Where no one pair
is at fault (the supply, all pairs) an alarm of the fault's kind is right whomever it names. True alarms
elsewhere are consequences: neither hits nor false. An untrue alarm on another pair is *blame*. The kind is
that of the leading alarm on the right channel at the end: open before cleared, severe before mild, then the
earliest. A run without a true alarm on the right channel is censored at its end.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from logger.blocks import FloatArray
from logger.finding import Finding, Kind, Severity
from logger.setup import Setup

BEFORE_S: Final = 60
"""How far back from the alarm its statement may hold."""

AGAIN_S: Final = 600.0
"""An alarm that comes back within this is the same one."""

_GOES_ON: Final = (600, 1800)
_GROWTH: Final = 1.1
_GROWTH_S: Final = (20, 40, 120)
_LEAST_GROWTH: Final = 0.001  # of the idle current, in the first span


class Fault(Protocol):
    """What is really wrong with a case: `size` in units of the limit where the kind has one."""

    @property
    def kind(self) -> str: ...  # noqa: D102
    @property
    def variant(self) -> str: ...  # noqa: D102
    @property
    def channel(self) -> str | None: ...  # noqa: D102
    @property
    def onset_s(self) -> float: ...  # noqa: D102
    @property
    def size(self) -> float | None: ...  # noqa: D102


class Course(Protocol):
    """A noise-free run, one row a second: (n,) by time, (n, pairs) by pair.

    `steady_a` is `pair_a` at nominal mains, HT and room, 0 while HT is off. Row k holds from k to k + 1 s; of
    a second in which something sudden happens it is what was before.
    """

    @property
    def t_s(self) -> NDArray[np.int64] | FloatArray: ...  # noqa: D102
    @property
    def pair_a(self) -> FloatArray: ...  # noqa: D102
    @property
    def steady_a(self) -> FloatArray: ...  # noqa: D102
    @property
    def anode_w(self) -> FloatArray: ...  # noqa: D102
    @property
    def ht_v(self) -> FloatArray: ...  # noqa: D102
    @property
    def mains_v(self) -> FloatArray: ...  # noqa: D102
    @property
    def chassis_c(self) -> FloatArray: ...  # noqa: D102


@dataclass(frozen=True)
class Alarm:
    """A finding that became a warning or a trip: as it stood then, as it stands at the end, and when."""

    finding: Finding
    last: Finding
    raised_s: float


class Listener:
    """Hears what changed in each block and keeps what the end would not tell: when it became an alarm."""

    def __init__(self) -> None:
        self._first: dict[int, tuple[Finding, float]] = {}
        self._last: dict[int, Finding] = {}

    def hear(self, findings: Sequence[Finding], now_s: float) -> None:
        """Take in the findings that changed in a block that ended at `now_s`."""
        for finding in findings:
            known = finding.id in self._last
            self._last[finding.id] = finding
            if finding.severity is not Severity.REMARK and finding.id not in self._first:
                self._first[finding.id] = (finding, now_s if known else finding.raised_s)

    @property
    def remarks(self) -> list[Finding]:
        """What never became an alarm."""
        return [f for number, f in self._last.items() if number not in self._first]

    @property
    def alarms(self) -> list[Alarm]:
        """All alarms in the order raised."""
        found = [Alarm(first, self._last[number], at) for number, (first, at) in self._first.items()]
        return sorted(found, key=lambda alarm: alarm.raised_s)


def alarms_of(findings: Sequence[Finding]) -> list[Alarm]:
    """Return the alarms among findings that are only known as they stand at the end."""
    listener = Listener()
    listener.hear(findings, math.inf)
    return listener.alarms


@dataclass(frozen=True)
class Run:
    """One case watched: set-up, truth, alarms. `seen` (n, pairs): which seconds of which pairs were read."""

    setup: Setup
    course: Course
    fault: Fault | None
    alarms: Sequence[Alarm]
    seen: NDArray[np.bool_]
    remarks: Sequence[Finding] = ()


@dataclass(frozen=True)
class Counted:
    """What one run adds to the figures. Hours are pair-hours; delays seconds from the onset."""

    exposure_h: float
    false: list[Alarm]
    delay_s: float = math.nan
    """From the onset to the first true alarm on the right channel; NaN where there was none."""
    watched_s: float = 0.0
    """How long it could have been found: from the onset to the end."""
    hit: Alarm | None = None
    kind: Kind | None = None
    """What the leading alarm on the right channel says at the end."""
    named: bool | None = None
    """Whether the hit names its pair; None without a hit, or where no one pair is at fault."""
    blame: list[Alarm] = field(default_factory=list)
    called: bool = False
    """Whether an alarm of the fault's own kind was raised on its channel, true or not."""
    noted: bool = False
    """The same, a remark being enough: all that some kinds ever are."""
    untrue: list[Alarm] = field(default_factory=list)
    """Alarms after the onset whose statement isn't true: blame, and those on the right pair or on none."""

    @property
    def found(self) -> bool:
        """Whether the fault was found."""
        return self.hit is not None


def count(run: Run) -> Counted:
    """Count one run."""
    alarms = merged(run.alarms)
    onset = run.fault.onset_s if run.fault is not None else math.inf
    # a gap is dated by the last scan before it
    last_scan_s = onset - 2.0 / run.setup.link.scans_per_s

    def early(alarm: Alarm) -> bool:
        return alarm.raised_s < (last_scan_s if alarm.finding.kind is Kind.GAP else onset)

    before = [a for a in alarms if early(a)]
    false = [a for a in before if not true_of(a, run)]
    exposure = _exposure_h(run, false, onset)
    if run.fault is None:
        return Counted(exposure, false)
    end = float(run.course.t_s[-1]) + 1.0
    after = [a for a in alarms if not early(a)]
    judged = [(a, true_of(a, run), _right(a.finding, run)) for a in after]
    hit = next((a for a, true, right in judged if true and right), None)
    at_end = [a for a, _, right in judged if right]
    named = None
    if hit is not None and run.fault.channel in [pair.name for pair in run.setup.pairs]:
        named = hit.finding.channel is not None or len(run.setup.pairs) == 1
    return Counted(
        exposure_h=exposure,
        false=false,
        delay_s=max(0.0, hit.raised_s - onset) if hit is not None else math.nan,
        watched_s=max(0.0, end - onset),
        hit=hit,
        kind=_leading(at_end),
        named=named,
        blame=[a for a, true, right in judged if not true and not right and a.finding.channel is not None],
        called=any(right and a.finding.kind == run.fault.kind for a, _, right in judged),
        noted=any(
            f.kind == run.fault.kind and f.raised_s >= onset and _right(f, run)
            for f in (*run.remarks, *(a.finding for a in after))
        ),
        untrue=[a for a, true, _ in judged if not true],
    )


def merged(alarms: Sequence[Alarm]) -> list[Alarm]:
    """Return alarms with re-openings of kind and channels within 10 minutes taken as one."""
    out: list[Alarm] = []
    newest: dict[tuple[Kind, tuple[str, ...]], int] = {}
    for alarm in sorted(alarms, key=lambda a: a.raised_s):
        key = (alarm.finding.kind, alarm.finding.channels)
        index = newest.get(key)
        if index is not None:
            cleared = out[index].last.cleared_s
            if cleared is None or alarm.raised_s - cleared <= AGAIN_S:
                old = out[index]
                out[index] = Alarm(old.finding, alarm.last, old.raised_s)
                continue
        newest[key] = len(out)
        out.append(alarm)
    return out


def powered(run: Run) -> NDArray[np.bool_]:
    """Return which seconds (n,) HT was on: half of nominal, in truth."""
    return np.asarray(run.course.ht_v > 0.5 * run.setup.amp.nominal_ht_V)


def _exposure_h(run: Run, false: Sequence[Alarm], onset_s: float) -> float:
    t = np.asarray(run.course.t_s, dtype=np.float64)
    counted = (powered(run) & (t < onset_s))[:, None] & run.seen
    for alarm in false:
        cleared = alarm.last.cleared_s if alarm.last.cleared_s is not None else math.inf
        open_now = (t >= alarm.raised_s) & (t < cleared)
        for j, pair in enumerate(run.setup.pairs):
            # what is said of the supply or the room is said of every pair
            if pair.name in alarm.finding.channels or not _pairs_of(alarm.finding, run):
                counted[open_now, j] = False
    return float(counted.sum()) / 3600.0


def _pairs_of(finding: Finding, run: Run) -> list[int]:
    return [j for j, pair in enumerate(run.setup.pairs) if pair.name in finding.channels]


def _right(finding: Finding, run: Run) -> bool:
    """Whether a finding speaks of the channel at fault, or lists it among its candidates."""
    assert run.fault is not None
    channel = run.fault.channel
    if channel is None or channel not in [pair.name for pair in run.setup.pairs]:
        return finding.channel is None or finding.kind == run.fault.kind
    return finding.channel == channel or (finding.channel is None and channel in finding.channels)


def _leading(alarms: Sequence[Alarm]) -> Kind | None:
    leading = [a.last for a in alarms if a.last.under is None] or [a.last for a in alarms]
    if not leading:
        return None
    return min(leading, key=lambda f: (not f.open, -f.severity.rank, f.raised_s)).kind


# What each kind states, and whether it holds. Each test gets the run, the finding, the pair's number or
# None, and a row of the noise-free run that lies in the 60 s before the alarm.

Test = Callable[[Run, Finding, int | None, int], bool]


def true_of(alarm: Alarm, run: Run) -> bool:
    """Whether an alarm's statement holds in the noise-free run at some second of the 60 s before it."""
    test = _TESTS[alarm.finding.kind]
    t0 = float(run.course.t_s[0])
    last = len(run.course.t_s) - 1
    # and a row ahead: of a second in which something sudden happens a row is what was before
    rows = sorted({int(np.clip(alarm.raised_s - back - t0, 0, last)) for back in range(-1, BEFORE_S + 1)})
    pairs: list[int | None] = [*_pairs_of(alarm.finding, run)] or [None]
    return any(test(run, alarm.finding, j, row) for j in pairs for row in rows)


def own(run: Run, j: int, rows: slice) -> FloatArray:
    """Return a pair's relative movement since the first of some rows, what all do taken out (n,).

    The median of all is taken out where there are three pairs or more. Of two a pair moved as far as it moved
    both of itself and against the other, else not at all. NaN where there is no current.
    """
    log = _log(run, rows)
    log = log - log[:1]
    if log.shape[1] == 1:
        return np.asarray(log[:, 0])
    if log.shape[1] > 2:
        return np.asarray(log[:, j] - np.median(log, axis=1))
    alone, apart = log[:, j], log[:, j] - log[:, 1 - j]
    least = np.minimum(np.abs(alone), np.abs(apart))
    return np.asarray(np.where(alone * apart > 0, np.sign(alone) * least, 0.0 * alone))


def _log(run: Run, rows: slice) -> FloatArray:
    current = run.course.steady_a[rows]
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.log(np.where(current > 1e-4, current, np.nan)))


def _rows(run: Run, start: int, stop: int) -> slice:
    return slice(max(start, 0), max(min(stop, len(run.course.t_s)), 0))


def _per_h(y: FloatArray) -> float:
    """Return the slope of a row a second, per hour; NaN under 5 minutes."""
    if len(y) < 300 or np.isnan(y).any():
        return math.nan
    x = np.arange(len(y)) - (len(y) - 1) / 2.0
    return float(x @ y / (x @ x)) * 3600.0


def _median_a(run: Run, row: int) -> float:
    return float(np.median(run.course.pair_a[row]))


def _moves_on(y_before: FloatArray, y_after: FloatArray, least: float) -> bool:
    before, after = _per_h(y_before), _per_h(y_after)
    if not abs(before) >= least:
        return False
    return math.isnan(after) or after * np.sign(before) >= least


def _drift(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """A pair goes on moving at half the limit or more, and the others don't."""
    if j is None:
        return False
    level = _median_a(run, row)
    least = 0.499 * run.setup.limits.drift_a_per_h(level) / level if level > 0 else math.inf
    before, after = _rows(run, row - _GOES_ON[0], row + 1), _rows(run, row, row + _GOES_ON[1])
    said = finding.evidence.get("rate_a_per_h")
    y = own(run, j, before)
    if said is not None and finding.channel is not None and said * _per_h(y) < 0:
        return False  # "rising", while it falls
    return _moves_on(y, own(run, j, after), least)


def _common_drift(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """All pairs go on moving together at half the limit or more, and the mains and the room don't do it."""
    level = _median_a(run, row)
    if level <= 0:
        return False
    least = 0.499 * run.setup.limits.drift_a_per_h(level) / level

    def together(rows: slice) -> FloatArray:
        return np.asarray(np.median(_log(run, rows), axis=1))

    return _moves_on(
        together(_rows(run, row - _GOES_ON[0], row + 1)), together(_rows(run, row, row + _GOES_ON[1])), least
    )


def _runaway(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """A pair rises faster and faster, and the others don't."""
    if j is None:
        return False
    for span in _GROWTH_S:
        y = own(run, j, _rows(run, row - span, row + 2 * span + 1))[::span]
        if row < span or len(y) < 3 or np.isnan(y).any():
            continue
        rises = np.diff(y)
        if rises[0] >= _LEAST_GROWTH and (rises[1:] >= _GROWTH * rises[:-1]).all():
            return True
    return False


def _drop_out(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """A pair's current, or half of it, is gone while HT is there and the others draw theirs."""
    if j is None or not powered(run)[row]:
        return False
    current = run.course.pair_a[_rows(run, row - 900, row + 1)]
    level = current.max(axis=0)
    now = current[-1] / np.maximum(level, 1e-6)
    others = np.delete(now, j)
    return bool(level[j] > 0.002 and now[j] < 0.65 * (np.median(others) if len(others) else 1.0))


def _step_change(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """A pair's level jumped about the onset, by the settling limit at least, and has stayed there."""
    if j is None:
        return False
    onset = int(finding.onset_s - run.course.t_s[0])
    y = own(run, j, _rows(run, onset - 60, row + 1))
    before = y[: max(0, onset - 5 - max(onset - 60, 0))]
    if not len(before) or row < onset - 5:
        return False
    level = _median_a(run, row)
    return bool(level > 0 and abs(y[-1] - np.median(before)) >= run.setup.limits.settle_a(level) / level)


def _mismatch(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """A pair is away from the others by more than the limit: as it is, or at nominal mains."""
    if j is None or run.course.pair_a.shape[1] < 2:
        return False
    for current in (run.course.pair_a[row], run.course.steady_a[row]):
        median = float(np.median(current))
        apart = current[j] - (current[1 - j] if len(current) == 2 else median)
        if abs(apart) > run.setup.limits.match_a(median):
            return True
    return False


def _side_balance(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """The sides' sums differ by more than the limit, in per cent of their mean."""
    current = run.course.pair_a[row]
    sums = [
        float(sum(a for a, pair in zip(current, run.setup.pairs, strict=True) if pair.side == side))
        for side in ("push", "pull")
    ]
    mean = sum(sums) / 2.0
    return mean > 0 and abs(sums[0] - sums[1]) > run.setup.limits.side_balance_pct / 100.0 * mean


def _unsettled(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """A pair has more than the settling limit to go when the warm-up ended: that is the onset stated."""
    if j is None:
        return False
    fault = run.fault
    stop = len(run.course.t_s)
    if fault is not None and fault.kind not in ("unsettled", "drift"):
        stop = min(stop, max(int(fault.onset_s - run.course.t_s[0]), row + 1))
    said_of = max(min(row, int(finding.onset_s - run.course.t_s[0])), 0)
    ahead = _rows(run, said_of, min(stop, said_of + 5400))
    on = powered(run)[ahead]
    if not on.any():
        return False
    steady = run.course.steady_a[ahead, j]
    on &= steady > 0
    limit = run.setup.limits.settle_a(_median_a(run, row))
    return bool(steady[0] > 0 and np.abs(steady[on] - steady[0]).max(initial=0.0) > limit)


def _out_of_limits(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """A pair is outside the stated window."""
    if j is None:
        return False
    low, high = run.setup.limits.pair_low_mA, run.setup.limits.pair_high_mA
    now_mA = float(run.course.pair_a[row, j]) * 1e3
    return (low is not None and now_mA < low) or (high is not None and now_mA > high)


def _over_current(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """A pair passes more than its valves may, or more than the converter reads."""
    if j is None:
        return False
    limit = run.setup.rating.cathode_a
    over = limit is not None and run.course.pair_a[row, j] > limit * run.setup.valves_on(run.setup.pairs[j])
    return bool(over) or _on_now(run, finding, row)


def _bias_lost(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """All pairs draw a third more than in the minutes before, and the mains didn't do it."""
    before = _rows(run, row - 600, row - 60)
    if before.start >= before.stop or not powered(run)[row]:
        return False
    was = np.median(run.course.pair_a[before], axis=0)
    rose = bool((was > 0.002).all() and (run.course.pair_a[row] > 1.3 * was).all())
    mains = float(run.course.mains_v[row] / np.median(run.course.mains_v[before]))
    return rose and mains < 1.08


def _over_dissipation(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """A pair's anodes, mean of its valves, pass the warning limit."""
    warn = run.setup.limits.warn_pct
    if j is None or warn is None:
        return False
    return bool(run.course.anode_w[row, j] > warn / 100.0 * run.setup.ceiling.watts)


def _over_temperature(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """The chassis is hotter than it may be."""
    return bool(run.course.chassis_c[row] > run.setup.limits.chassis_max_C)


def _changed(values: FloatArray, run: Run, finding: Finding, row: int) -> bool:
    onset = int(finding.onset_s - run.course.t_s[0])
    before = values[_rows(run, onset - 60, max(onset - 5, 1))]
    return bool(len(before) and abs(values[row] / np.median(before) - 1.0) >= 0.01)


def _mains_change(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """The mains stands 1 % or more from where it stood before the onset."""
    return _changed(np.asarray(run.course.mains_v), run, finding, row)


def _ht_change(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """HT stands 1 % or more from where it stood before the onset."""
    return _changed(np.asarray(run.course.ht_v), run, finding, row)


def _mains_lost(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """The mains is gone."""
    return bool(run.course.mains_v[row] < 0.5 * run.setup.amp.nominal_mains_V)


def _gap(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """Seconds without a reading; a gap is raised with the last scan before it."""
    around = run.seen[_rows(run, row, row + 12)]
    return bool((~around).any() if j is None else (~around[:, j]).any())


def _on_now(run: Run, finding: Finding, row: int) -> bool:
    """Whether the case's own fault is of the finding's kind, on a channel it speaks of, and has begun."""
    fault = run.fault
    if fault is None or fault.kind != finding.kind or float(run.course.t_s[row]) + 1.0 < fault.onset_s:
        return False
    return fault.channel is None or fault.channel in finding.channels


def _as_made(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """What only the case knows: a lead, a converter, a crackle between two rows."""
    return _on_now(run, finding, row)


def _never(run: Run, finding: Finding, j: int | None, row: int) -> bool:
    """A question states nothing: it must not be an alarm."""
    return False


_TESTS: Final[dict[Kind, Test]] = {
    Kind.DRIFT: _drift,
    Kind.RUNAWAY: _runaway,
    Kind.DROP_OUT: _drop_out,
    Kind.STEP_CHANGE: _step_change,
    Kind.INTERMITTENT: _as_made,
    Kind.MISMATCH: _mismatch,
    Kind.SIDE_BALANCE: _side_balance,
    Kind.UNSETTLED: _unsettled,
    Kind.OUT_OF_LIMITS: _out_of_limits,
    Kind.OVER_CURRENT: _over_current,
    Kind.OVER_DISSIPATION: _over_dissipation,
    Kind.OVER_TEMPERATURE: _over_temperature,
    Kind.BIAS_LOST: _bias_lost,
    Kind.COMMON_DRIFT: _common_drift,
    Kind.MAINS_CHANGE: _mains_change,
    Kind.HT_CHANGE: _ht_change,
    Kind.MAINS_LOST: _mains_lost,
    Kind.MEASURING_FAULT: _as_made,
    Kind.GAP: _gap,
    Kind.QUESTION: _never,
}
