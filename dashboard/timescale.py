"""The time axis in words: where its ticks stand and what they say, elapsed or by the clock. Pure.

Elapsed time is what was measured. Clock time is that of the machine that serves the page, as the soak's head
and the report say when it began; a bench and its machine stand in one room, a phone that looks may not. Ticks
are laid on local time and named with the offset from UTC where that changes, so that on the night in autumn
half past two stands twice, an hour apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Final

_STEPS_S: Final = (
    *(0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0),
    *(60.0, 120.0, 300.0, 600.0, 900.0, 1800.0),
    *(3600.0, 7200.0, 10_800.0, 21_600.0, 43_200.0, 86_400.0),
)
_TICK_PX: Final = 78.0
_QUARTER_S: Final = 900
"""Offsets from UTC are whole quarters of an hour."""
_QUARTERS_A_DAY: Final = 96


@dataclass(frozen=True)
class Tick:
    """A tick of the time axis: elapsed seconds, and its label in one line or two, parted by a newline."""

    t_s: float
    label: str


def step_for(span_s: float, room_px: float) -> float:
    """Return the shortest step at which labels have room; beyond a day whole days."""
    wanted_s = span_s * _TICK_PX / max(room_px, _TICK_PX)
    for step_s in _STEPS_S:
        if step_s >= wanted_s:
            return step_s
    return 86_400.0 * math.ceil(wanted_s / 86_400.0)


def elapsed(from_s: float, to_s: float, room_px: float) -> list[Tick]:
    """Return ticks at whole steps since the first scan; hours go on beyond a day."""
    step_s = step_for(to_s - from_s, room_px)
    first, last = math.ceil(from_s / step_s - 1e-9), math.floor(to_s / step_s + 1e-9)
    decimals = 0 if step_s >= 1.0 else 1
    return [
        Tick(round(k * step_s, 3), said(k * step_s, seconds=step_s < 60.0, decimals=decimals))
        for k in range(first, last + 1)
    ]


def said(t_s: float, *, seconds: bool = True, decimals: int = 0) -> str:
    """Return elapsed time as h:min or h:min:s."""
    tenths = round(abs(t_s) * 10**decimals)
    whole, fraction = divmod(tenths, 10**decimals)
    text = f"{whole // 3600}:{whole // 60 % 60:02d}"
    if seconds:
        text += f":{whole % 60:02d}"
        if decimals:
            text += f".{fraction:0{decimals}d}"
    return f"-{text}" if t_s < 0 and tenths else text


def by_clock(
    from_s: float, to_s: float, room_px: float, started: datetime, zone: tzinfo | None = None
) -> list[Tick]:
    """Return ticks at whole steps of local time; `zone` None is the machine's.

    The first says the date too, and each after a midnight; each after a change of the clocks its offset.
    """
    step_s = step_for(to_s - from_s, room_px)
    epoch_s = started.timestamp()
    ticks: list[Tick] = []
    said_day, said_offset = None, local(started, from_s, zone).utcoffset()
    for at_s in _moments(epoch_s + from_s, epoch_s + to_s, step_s):
        moment = datetime.fromtimestamp(at_s, UTC).astimezone(zone)
        midnight = moment.replace(hour=0, minute=0, second=0, microsecond=0)
        of_day_s = (moment.replace(tzinfo=None) - midnight.replace(tzinfo=None)).total_seconds()
        if step_s > _QUARTER_S and of_day_s % min(step_s, 86_400.0):
            continue
        label = f"{moment:%H:%M}" if step_s >= 60.0 else f"{moment:%H:%M:%S}"
        if step_s < 1.0:
            label += f".{moment.microsecond // 100_000}"
        below = []
        if moment.date() != said_day:
            below.append(f"{moment:%Y-%m-%d}")
        if moment.utcoffset() != said_offset:
            below.append(offset_said(moment))
        said_day, said_offset = moment.date(), moment.utcoffset()
        ticks.append(Tick(round(at_s - epoch_s, 6), "\n".join([label, " ".join(below)]) if below else label))
    if step_s > 86_400.0:
        ticks = ticks[:: round(step_s / 86_400.0)]
    return ticks


def _moments(from_s: float, to_s: float, step_s: float) -> list[float]:
    """Return the seconds since 1970 at which UTC is at whole steps, at most a quarter of an hour apart."""
    grid_s = min(step_s, float(_QUARTER_S))
    return [
        k * grid_s for k in range(math.ceil(from_s / grid_s - 1e-9), math.floor(to_s / grid_s + 1e-9) + 1)
    ]


def local(started: datetime, t_s: float, zone: tzinfo | None = None) -> datetime:
    """Return the local time at an elapsed time; `zone` None is the machine's."""
    return (started.astimezone(UTC) + timedelta(seconds=t_s)).astimezone(zone)


def offset_said(moment: datetime) -> str:
    """Return the offset from UTC: names of zones differ from machine to machine, and one says little."""
    minutes = round((moment.utcoffset() or timedelta()).total_seconds() / 60.0)
    hours, rest = divmod(abs(minutes), 60)
    return f"UTC{'−' if minutes < 0 else '+'}{hours}" + (f":{rest:02d}" if rest else "")


def offsets(started: datetime, until_s: float, zone: tzinfo | None = None) -> list[tuple[float, float]]:
    """Return (from_s, seconds ahead of UTC) from the soak's beginning, one at each change of the clocks."""

    def ahead_s(t_s: float) -> float:
        return (local(started, t_s, zone).utcoffset() or timedelta()).total_seconds()

    found = [(0.0, ahead_s(0.0))]
    epoch_s = started.timestamp()
    quarters_s = [at_s - epoch_s for at_s in _moments(epoch_s, epoch_s + until_s, float(_QUARTER_S))]
    for at in range(0, len(quarters_s), _QUARTERS_A_DAY):
        day_s = quarters_s[at : at + _QUARTERS_A_DAY]
        if ahead_s(day_s[-1]) == found[-1][1]:  # no clock is changed and changed back within a day
            continue
        for t_s in day_s:
            if ahead_s(t_s) != found[-1][1]:
                found.append((t_s, ahead_s(t_s)))
    return found
