"""`mains lost`: the mains is gone while the amp was on."""

from __future__ import annotations

import math
from typing import Final

from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import Claim, Clear, Events, Seconds

_LOST: Final = 0.5
_BACK: Final = 0.7
_BLINK_S: Final = 2
_BACK_S: Final = 10
_LEAD_S: Final = 5
_HT_STAYS: Final = 0.8
_FLOWS_A: Final = 0.003


class MainsLost:
    """Mains below half of nominal for longer than 2 s, having been there with HT on: a warning at once.

    What follows (HT gone, currents dying away) is what the state says: cooling, or standby. A reservoir
    of some 100 microfarad carries an idling amp for tenths of a second: where HT still stands, or without HT
    the currents do, 5 s later, the mains channel's own lead is off (`measuring fault`). Switching off
    after HT has gone is no loss. Learns nothing. Delay: 3 to 4 s. Price: none in 7,700
    pair-hours of the family's tuning half: an outage is a fact.
    """

    def __init__(self, setup: Setup) -> None:
        column = setup.first("mains")
        self._name = setup.channel[column].name if column is not None else None
        self._nominal_v = setup.amp.nominal_mains_V
        self._nominal_ht_v = setup.amp.nominal_ht_V
        self._on_at_s = -math.inf
        """When the mains was last seen to feed an amp that was on."""
        self._ht_v = self._sum_a = math.nan
        """HT and the pairs' sum when the mains was last there."""
        self._since_s = math.nan
        self._back = 0
        self._open: Kind | None = None

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch."""
        if self._name is None:
            return []
        quiet = self._open is None and math.isnan(self._since_s)
        if quiet and not (seconds.mains_v < _BACK * self._nominal_v).any():
            self._note(seconds)
            return []
        out: list[tuple[int, Claim | Clear]] = []
        for row, mains_v in enumerate(seconds.mains_v.tolist()):
            if mains_v == mains_v:
                event = self._second(mains_v, seconds, row)
                if event is not None:
                    out.append((row, event))
        return out

    def _note(self, seconds: Seconds) -> None:
        """Take in seconds in which the mains was there: what counts is the last in which the amp was on."""
        for row in range(len(seconds) - 1, -1, -1):
            if seconds.mains_v[row] == seconds.mains_v[row] and self._fed(seconds, row):
                self._keep(seconds, row)
                return

    def _fed(self, seconds: Seconds, row: int) -> bool:
        """Whether HT is there, or without an HT reading current flows."""
        if not seconds.powered:
            return False
        ht_v = float(seconds.ht_v[row])
        return ht_v > 0.5 * self._nominal_ht_v if ht_v == ht_v else _sum(seconds, row) > _FLOWS_A

    def _keep(self, seconds: Seconds, row: int) -> None:
        self._on_at_s = float(seconds.t_s[row])
        self._ht_v, self._sum_a = float(seconds.ht_v[row]), _sum(seconds, row)

    def _second(self, mains_v: float, seconds: Seconds, row: int) -> Claim | Clear | None:
        t_s, closed_s = float(seconds.t_s[row]), float(seconds.closed_s[row])
        if mains_v >= _LOST * self._nominal_v:
            self._since_s = math.nan
            if self._open is None:
                if self._fed(seconds, row):
                    self._keep(seconds, row)
                return None
            self._back = self._back + 1 if mains_v >= _BACK * self._nominal_v else 0
            if self._back < _BACK_S:
                return None
            kind, self._open, self._back = self._open, None, 0
            return Clear(kind, (self._name or "",), closed_s)
        self._back = 0
        if self._open is not None:
            return None
        if math.isnan(self._since_s):
            if t_s - self._on_at_s > _LEAD_S:
                return None  # it was off before
            self._since_s = t_s
        lasted_s = t_s - self._since_s
        stays = self._stays(seconds, row)
        if lasted_s < (_LEAD_S if stays else _BLINK_S):
            return None
        self._open = Kind.MEASURING_FAULT if stays else Kind.MAINS_LOST
        return self._claim(mains_v, closed_s)

    def _stays(self, seconds: Seconds, row: int) -> bool:
        """Whether the amp goes on as if nothing had happened."""
        ht_v, sum_a = float(seconds.ht_v[row]), _sum(seconds, row)
        if ht_v == ht_v and self._ht_v > 0.5 * self._nominal_ht_v:
            return ht_v > _HT_STAYS * self._ht_v
        return sum_a > _HT_STAYS * self._sum_a

    def _claim(self, mains_v: float, raised_s: float) -> Claim:
        name = self._name or ""
        if self._open is Kind.MAINS_LOST:
            says = f"the mains is gone: {max(0.0, mains_v):.0f} V, {self._nominal_v:.0f} V is nominal"
            advice = "Find out why before it comes back: leave the amplifier off until then."
        else:
            says = f"{name} reads {mains_v:.0f} V while HT and the currents stay: its lead, not the mains"
            advice = "Look at this channel's lead; it is not judged until it reads again."
        return Claim(
            self._open or Kind.MAINS_LOST,
            (name,),
            self._since_s,
            raised_s,
            Severity.WARNING,
            says,
            advice,
            evidence={"mains_v": mains_v},
        )


def _sum(seconds: Seconds, row: int) -> float:
    return math.fsum(x for x in seconds.current_a[row].tolist() if x == x)
