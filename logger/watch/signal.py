"""The question "signal or bias?": all pairs draw more at once, the mains stand, and nobody said why."""

from __future__ import annotations

from typing import Final

import numpy as np

from logger.blocks import FloatArray
from logger.finding import Kind, Severity
from logger.setup import Setup
from logger.watch.seconds import BIN_S, MINUTE_S, BoolArray, Claim, Clear, Events, Said, Seconds, Tens

_FLAT: Final = 6
_NOW: Final = 3
_KEPT: Final = 30  # bins: five minutes, in which a programme may begin softly
_ROSE: Final = 0.04  # the usual match limit: what matters of one pair matters of all
_LEAST: Final = 0.02
_STEADY: Final = 0.015
_BACK_BINS: Final = 6
_FROM_S: Final = 600.0
"""Of HT: before that all pairs move together while they warm up."""
_SUPPLY_GAIN: Final = 1.5  # relative change of idle current by that of the mains, as in the forecast
_HT_ROSE: Final = 1.005


class Signal:
    """In three bins of 10 s running every pair at least 2 % above where it stood, in the mean of them 4 %.

    Where it stood is the last minute in which no pair moved by 1.5 %, up to 5 minutes back; what the mains
    explain is taken out, and HT has not risen: signal through class AB and a bias that gives way both do
    that, and the currents can't tell which. Asked once, a remark; it stays until the pairs are back within 2
    % for a minute or somebody says "signal on". From 10 minutes of HT on; not with one pair. From 30 % on it
    is `bias lost`. Learns where the pairs stood at the ends of minutes. Limits from memory, no source. Delay:
    30 to 40 s. Price: a remark.
    """

    def __init__(self, setup: Setup, tens: Tens) -> None:
        self._tens = tens
        self._names = tuple(c.name for c in setup.pairs)
        self._was = np.full(len(self._names) + 2, np.nan)
        """Pairs, mains and HT where they last stood still for a minute."""
        self._was_at = -_KEPT
        self._open = False
        self._back = 0

    def update(self, seconds: Seconds) -> Events:
        """Take in a stretch; looks at each bin's end."""
        if len(self._names) < 2:
            return []
        out: list[tuple[int, Said]] = []
        if not seconds.powered or seconds.state in ("under signal", "setting bias"):
            self._was_at = -_KEPT
            if self._open:
                self._open = False
                out.append((0, Clear(Kind.QUESTION, self._names, float(seconds.closed_s[0]))))
            return out
        for row, index in seconds.bins:
            if seconds.on_s[row] >= _FROM_S and self._tens.unbroken(index, _FLAT):
                event = self._look(index, float(seconds.closed_s[row]), seconds.masked)
                if event is not None:
                    out.append((row, event))
                if seconds.on_s[row] % MINUTE_S == MINUTE_S - 1 and not self._open:
                    self._stand(index, seconds.masked)
        return out

    def _look(self, index: int, closed_s: float, masked: BoolArray) -> Claim | Clear | None:
        rows = slice(index - _NOW + 1, index + 1)
        bins, mains_v, ht_v = (x[rows] for x in (self._tens.current_a, self._tens.mains_v, self._tens.ht_v))
        if self._open:
            rose = self._rise(bins[-1:], mains_v[-1:], masked)
            self._back = self._back + 1 if rose is None or abs(rose[0]) < _LEAST else 0
            if self._back < _BACK_BINS:
                return None
            self._open = False
            return Clear(Kind.QUESTION, self._names, closed_s)
        if (
            not _NOW <= index - self._was_at <= _KEPT
            or not (bins[-1] > (1.0 + _LEAST) * self._was[:-2]).any()
        ):
            return None
        rose = self._rise(bins, mains_v, masked)
        if rose is None or rose[0] < _ROSE or rose[1] < _LEAST:
            return None
        if float(ht_v.mean()) > _HT_ROSE * float(self._was[-1]):
            return None
        self._open, self._back = True, 0
        measured = self._was[-2] == self._was[-2]
        or_mains = " or the bias supply" if measured else ", the bias supply, or the mains"
        return Claim(
            Kind.QUESTION,
            self._names,
            float(self._tens.t_s[index]) + 1.0 - BIN_S * (_NOW + 1),
            closed_s,
            Severity.REMARK,
            f"all pairs draw {rose[0] * 100:.0f} % more at once: signal{or_mains}?",
            "Say 'signal on' while signal goes through: until then its currents count as idle.",
            named=False,
            evidence={"rose": rose[0]},
        )

    def _stand(self, index: int, masked: BoolArray) -> None:
        """Take note of where the pairs stand, where they stood still for a minute."""
        rows = slice(index - _FLAT + 1, index + 1)
        flat = self._tens.current_a[rows]
        if not masked.all() and (np.ptp(flat, axis=0)[~masked] < _STEADY * flat[0][~masked]).all():
            supply = np.array([self._tens.mains_v[rows].mean(), self._tens.ht_v[rows].mean()])
            self._was, self._was_at = np.concatenate([flat.mean(axis=0), supply]), index

    def _rise(self, now: FloatArray, mains: FloatArray, masked: BoolArray) -> tuple[float, float] | None:
        """Return by how much the pairs rose in the mean of some bins, and at least; the mains taken out."""
        was, mains_was = self._was[:-2], self._was[-2]
        good = ~masked & ~np.isnan(was) & ~np.isnan(now).any(axis=0)
        if good.sum() < 2:
            return None
        supply = mains / mains_was - 1.0
        share = (
            now[:, good] / was[good] - 1.0 - _SUPPLY_GAIN * np.where(np.isnan(supply), 0.0, supply)[:, None]
        )
        return float(np.median(share, axis=1).mean()), float(share.min())
