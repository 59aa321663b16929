"""A simulated bench DAQ: the amplifier as seen through parts and converters that are a bit off.

Volts at the pins come from the sense resistors, the HT divider, an isolated mains transducer and NTCs;
counts from converters with a gain, an offset, a step and noise. Scans are missed now and then.
Every error is drawn within what the set-up says of the part; none is known to the program.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.blocks import NO_READING, DaqInfo, FloatArray, Int32Array, ScanBlock
from logger.simulator.amplifier import PAIRS, TrueBlock

CHANNELS: Final = ("pair1", "pair2", "pair3", "pair4", "ht", "mains", "chassis", "ambient")

SENSE_OHM: Final = 1.0
DIVIDER_OHM: Final = (1_000_000.0, 4_700.0)
MAINS_V_PER_V: Final = 100.0
NTC_R25_OHM: Final = 10_000.0
NTC_BETA_K: Final = 3950.0
PULLUP_OHM: Final = 10_000.0
PULLUP_V: Final = 3.3

FULL_COUNT: Final = 32767
PAIR_STEP_V: Final = 0.256 / 32768
OTHER_STEP_V: Final = 4.096 / 32768

MISSED_SHARE: Final = 1.2e-4
"""Share of the scans that never leave the board."""
NO_READING_SHARE: Final = 1e-5
"""Share of the readings for which a converter had no answer."""


@dataclass(frozen=True)
class LeadOff:
    """A sense lead that comes off: from `onset_s` this channel's input floats."""

    column: int
    onset_s: float


@dataclass(frozen=True)
class PickUp:
    """What gets into the board's inputs from beside the amplifier, volts by channel (0: nothing).

    From `from_s` to `until_s`; where `until_s` is None, in the one scan at `from_s` or the next after it.
    `hum_v` is the amplitude of what averaging over whole cycles leaves of the mains' hum.
    """

    from_s: float
    until_s: float | None
    offset_v: tuple[float, ...] = (0.0,) * len(CHANNELS)
    hum_v: tuple[float, ...] = (0.0,) * len(CHANNELS)
    noise_v: tuple[float, ...] = (0.0,) * len(CHANNELS)


@dataclass(frozen=True)
class Daq:
    """One board with its errors.

    `sense`: true resistance over stated, one for each pair; `divider`,
    `mains`, `ntc_*`, `pullup` and `gain` likewise.
    """

    board_id: str
    sense: FloatArray
    divider: float
    mains: float
    ntc_r25: FloatArray
    ntc_beta: FloatArray
    pullup: FloatArray
    gain: FloatArray
    offset_counts: FloatArray
    noise_counts: FloatArray

    @classmethod
    def drawn(cls, rng: np.random.Generator, board_id: str) -> Daq:
        """Return a board whose parts lie within their tolerances (1 %), as bought: mostly well inside."""

        def parts(n: int, tolerance: float) -> FloatArray:
            return 1 + np.clip(rng.normal(0.0, 0.4 * tolerance, n), -tolerance, tolerance)

        columns = len(CHANNELS)
        gain = np.empty(columns)
        # one converter for the pairs, one for the rest: each has one gain
        gain[:PAIRS] = 1 + rng.uniform(0.001, 0.003) * rng.choice((-1.0, 1.0))
        gain[PAIRS:] = 1 + rng.uniform(0.001, 0.003) * rng.choice((-1.0, 1.0))
        noise = np.concatenate([rng.uniform(2.0, 4.0, PAIRS), rng.uniform(1.0, 2.5, columns - PAIRS)])
        return cls(
            board_id=board_id,
            sense=parts(PAIRS, 0.01),
            divider=float(parts(1, 0.01)[0]),
            mains=float(parts(1, 0.01)[0]),
            ntc_r25=parts(2, 0.01),
            ntc_beta=parts(2, 0.005),
            pullup=parts(2, 0.001),
            gain=gain,
            offset_counts=np.clip(rng.normal(0.0, 1.5, columns), -4.0, 4.0),
            noise_counts=noise,
        )

    @property
    def info(self) -> DaqInfo:
        """What this board says of itself."""
        others = len(CHANNELS) - PAIRS
        return DaqInfo(
            board_id=self.board_id,
            protocol=1,
            volts_per_count=(PAIR_STEP_V,) * PAIRS + (OTHER_STEP_V,) * others,
            full_count=(FULL_COUNT,) * len(CHANNELS),
            reset_cause="power-on",
        )

    def volts(self, block: TrueBlock) -> FloatArray:
        """Return the volts at the pins, (n, channels)."""
        return self.pin_volts(block.pair_a, block.ht_v, block.mains_v, block.chassis_c, block.ambient_c)

    def pin_volts(
        self,
        pair_a: FloatArray,
        ht_v: FloatArray,
        mains_v: FloatArray,
        chassis_c: FloatArray,
        ambient_c: FloatArray,
    ) -> FloatArray:
        """Return the volts at the pins, (n, channels), for currents (n, pairs) and the rest (n,)."""
        volts = np.empty((len(pair_a), len(CHANNELS)))
        volts[:, :PAIRS] = pair_a * SENSE_OHM * self.sense
        top, bottom = DIVIDER_OHM
        volts[:, PAIRS] = ht_v * self.divider * bottom / (top + bottom)
        volts[:, PAIRS + 1] = mains_v * self.mains / MAINS_V_PER_V
        for i, celsius in enumerate((chassis_c, ambient_c)):
            kelvin = celsius + 273.15
            ntc_ohm = (
                NTC_R25_OHM
                * self.ntc_r25[i]
                * np.exp(NTC_BETA_K * self.ntc_beta[i] * (1 / kelvin - 1 / 298.15))
            )
            volts[:, PAIRS + 2 + i] = PULLUP_V * ntc_ohm / (ntc_ohm + PULLUP_OHM * self.pullup[i])
        return volts

    def counts(self, volts: FloatArray, rng: np.random.Generator) -> Int32Array:
        """Return what the converters make of the volts at their inputs, noise included; (n, channels)."""
        step_v = np.array(self.info.volts_per_count)
        ideal = volts / step_v * self.gain + self.offset_counts
        noisy = ideal + self.noise_counts * rng.standard_normal(ideal.shape)
        counts: Int32Array = np.clip(np.rint(noisy), -FULL_COUNT, FULL_COUNT).astype(np.int32)
        return counts


class Scanner:
    """Turns what the amplifier does into scans, block by block; keeps the state in between."""

    def __init__(
        self,
        daq: Daq,
        rng: np.random.Generator,
        scans_per_s: float,
        lead_off: LeadOff | None = None,
        cable_out_s: tuple[float, float] | None = None,
        pick_ups: tuple[PickUp, ...] = (),
    ) -> None:
        self._daq = daq
        # a stream for each purpose, so that the blocking changes nothing
        self._noise, self._mute, self._missed, self._hiss, self._kicks = rng.spawn(5)
        (self._buzz,) = rng.spawn(1)
        self._rate = scans_per_s
        self._lead_off = lead_off
        self._cable_out_s = cable_out_s
        self._pick_ups = pick_ups
        self._next = 0
        self._float_v: float | None = None

    def scans(self, block: TrueBlock) -> ScanBlock:
        """Return the scans of a block with one row a scan; missed ones are not in it."""
        number = np.arange(self._next, self._next + len(block))
        self._next += len(block)
        ms = np.rint(number * 1000 / self._rate).astype(np.int64)
        volts = self._daq.volts(block)
        if self._lead_off is not None:
            off = block.t_s >= self._lead_off.onset_s
            if off.any():
                column = self._lead_off.column
                volts[off, column] = self._floating(block.t_s[off], float(volts[int(np.argmax(off)), column]))
        if self._pick_ups:
            self._pick_up(block.t_s, volts)
        counts = self._daq.counts(volts, self._noise)
        counts[self._mute.random(counts.shape) < NO_READING_SHARE] = NO_READING
        sent = self._missed.random(len(block)) >= MISSED_SHARE
        sent[number == 0] = True
        if self._cable_out_s is not None:
            out_s, back_s = self._cable_out_s
            sent &= ~((block.t_s > out_s + 1e-6) & (block.t_s < back_s - 1e-6))
        return ScanBlock(ms[sent] * 1000, number[sent], counts[sent])

    def _pick_up(self, t_s: FloatArray, volts: FloatArray) -> None:
        """Add to the volts at the inputs what they pick up."""
        noise = self._buzz.standard_normal(volts.shape)
        for one in self._pick_ups:
            until_s = one.from_s + 1 / self._rate if one.until_s is None else one.until_s
            rows = (t_s >= one.from_s - 1e-6) & (t_s < until_s - 1e-6)
            if not rows.any():
                continue
            beat = np.sin(2 * np.pi * 0.17 * t_s[rows] + 1.5 * np.sin(2 * np.pi * t_s[rows] / 29.0))
            volts[rows] += (
                np.array(one.offset_v) + np.outer(beat, one.hum_v) + noise[rows] * np.array(one.noise_v)
            )

    def _floating(self, t_s: FloatArray, last_v: float) -> FloatArray:
        """Return an input that nothing holds: it falls to a level of its own, wanders, and picks up hum."""
        if self._float_v is None:
            self._float_v = 0.6 * last_v
        # 50 Hz mostly averages out over whole cycles; what is left beats slowly as the mains frequency moves
        hum = 0.006 * np.sin(2 * np.pi * 0.13 * t_s + 2.0 * np.sin(2 * np.pi * t_s / 37.0))
        keep = np.exp(-1 / (self._rate * 12.0))
        kicks = self._kicks.standard_normal(len(t_s)) * 0.012 * np.sqrt(1 - keep * keep)
        level, out = self._float_v, np.empty(len(t_s))
        for i, kick in enumerate(kicks):
            level = 0.022 + (level - 0.022) * keep + kick
            out[i] = level
        self._float_v = float(level)
        noise = 0.004 * self._hiss.standard_normal(len(t_s))
        return np.clip(out + hum + noise, -0.1, 0.2)
