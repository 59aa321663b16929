"""A simulated calibration: one board's inputs given known things, by instruments that are a bit wrong too.

The board is that of the same seed in every scenario, so that what is found here holds there. What the
instruments read is in the script; what really was applied, and what the board's parts really are, is not.
The thing applied changes each time the host holds the scans, in the order of the script.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.blocks import DaqInfo, FloatArray, ScanBlock
from logger.simulator.amplifier import PAIRS
from logger.simulator.daq import CHANNELS, SENSE_OHM, Daq
from logger.simulator.scenarios import Scenario, scenario, stream

VOLTS_U: Final = 0.03e-2
"""Expanded (k = 2) relative uncertainty of the voltage reference and of the bench meter's volts."""
OHM_U: Final = 0.1e-2
METER_U: Final = 0.2e-2
THERMOMETER_U_K: Final = 0.2
_DURATION_S: Final = 12 * 3600.0
_ROOM_C: Final = 23.0
_BATH_C: Final = 60.0
_REFERENCES_V: Final = (0.06, 0.12)
_HT_V: Final = 452.0
_MAINS_V: Final = 230.0


@dataclass(frozen=True)
class Applied:
    """One step: `reads` is what the instrument says (V, degC), `U` its 95 % uncertainty; `volts` (channels,)
    is what really is at the pins."""

    what: str
    columns: tuple[int, ...]
    reads: float
    U: float
    volts: FloatArray


class CalibrationBench:
    """The bench of one seed. Plays like a scenario, but stays at each step until the host has held it."""

    cable_out_s: tuple[float, float] | None = None
    duration_s: float = _DURATION_S

    def __init__(self, seed: int) -> None:
        self._amp: Scenario = scenario("healthy", seed)
        self.seed = seed
        self.daq: Daq = self._amp.daq
        self._rng = stream(seed, "calibration scans")
        self._at = 0
        rng = stream(seed, "calibration instruments")
        wrong = 1.0 + 0.5 * VOLTS_U * rng.standard_normal()  # one reference: one error, at every voltage
        meter = 1.0 + 0.5 * METER_U * rng.standard_normal(2)
        warm = 0.5 * THERMOMETER_U_K * rng.standard_normal()
        pairs = tuple(range(PAIRS))
        steps = [Applied("short", pairs, 0.0, 0.0, self._pins())]
        for volts in _REFERENCES_V:
            pins = self._pins()
            pins[list(pairs)] = volts
            steps.append(Applied("volts", pairs, volts * wrong, VOLTS_U * volts, pins))
        for celsius in (_ROOM_C, _BATH_C):
            pins = self._pins(chassis_c=celsius, ambient_c=celsius)
            columns = (PAIRS + 2, PAIRS + 3)
            steps.append(Applied("meter", columns, celsius + warm, THERMOMETER_U_K, pins))
        ht, mains = _HT_V * meter[0], _MAINS_V * meter[1]
        steps.append(Applied("meter", (PAIRS,), ht, METER_U * _HT_V, self._pins(ht_v=_HT_V)))
        steps.append(Applied("meter", (PAIRS + 1,), mains, METER_U * _MAINS_V, self._pins(mains_v=_MAINS_V)))
        self.steps = tuple(steps)
        true_ohm = SENSE_OHM * self.daq.sense
        self.resistors: FloatArray = true_ohm * (1.0 + 0.5 * OHM_U * rng.standard_normal(PAIRS))
        """What each sense resistor measured, with four wires."""

    @property
    def info(self) -> DaqInfo:
        """What the board says of itself."""
        return self.daq.info

    @property
    def step(self) -> Applied:
        """What is applied now; after the last step its things stay where they are."""
        return self.steps[min(self._at, len(self.steps) - 1)]

    def move_on(self) -> None:
        """Move the leads to what comes next."""
        self._at += 1

    def scans(
        self, duration_s: float | None = None, scans_per_s: float = 10.0, *, block_s: float = 600.0
    ) -> Iterator[ScanBlock]:
        """Give scans of what is applied at the time of each, one a block: the leads move in between."""
        rows = int((self.duration_s if duration_s is None else duration_s) * scans_per_s)
        for number in range(rows):
            counts = self.daq.counts(self.step.volts[np.newaxis], self._rng)
            t_us = np.array([round(number * 1000 / scans_per_s) * 1000], dtype=np.int64)
            yield ScanBlock(t_us, np.array([number], dtype=np.int64), counts)

    def seen(self, step: Applied, scans: int, scans_per_s: float = 10.0) -> ScanBlock:
        """Return so many scans of one step at once, as a board without a line would give them."""
        counts = self.daq.counts(np.tile(step.volts, (scans, 1)), self._rng)
        number = np.arange(scans, dtype=np.int64)
        return ScanBlock(np.rint(number * 1e6 / scans_per_s).astype(np.int64), number, counts)

    def setup_text(self, port: str = "auto", scans_per_s: float = 10.0) -> str:
        """Return the set-up file that belongs to this bench."""
        return self._amp.setup_text(port, scans_per_s)

    def script_text(self, seconds: float = 20.0) -> str:
        """Return the script of this calibration: what is connected, in order, and what instruments say."""
        out = [
            'schema = "soakbench.calibrate/1"',
            'by = "the simulated workshop"',
            'instrument = "simulated reference, bench meter and thermometer"',
            f"seconds = {seconds:g}",
        ]
        for step in self.steps:
            names = ", ".join(f'"{CHANNELS[column]}"' for column in step.columns)
            out += ["", "[[step]]", f'what = "{step.what}"', f"channels = [{names}]"]
            if step.what != "short":
                unit = "C" if step.columns[0] > PAIRS + 1 else "V"
                out += [f'value = "{step.reads:.9g} {unit}"', f'U = "{step.U:.9g} {unit}"']
        for pair, ohm in enumerate(self.resistors.tolist()):
            out += ["", "[[step]]", 'what = "resistor"', f'channels = ["{CHANNELS[pair]}"]']
            out += [f'value = "{ohm:.9g} ohm"', f'U = "{OHM_U * SENSE_OHM:.9g} ohm"']
        return "\n".join(out) + "\n"

    def _pins(
        self,
        ht_v: float = 0.0,
        mains_v: float = 0.0,
        chassis_c: float = _ROOM_C,
        ambient_c: float = _ROOM_C,
    ) -> FloatArray:
        one = [np.array([value]) for value in (ht_v, mains_v, chassis_c, ambient_c)]
        pins: FloatArray = self.daq.pin_volts(np.zeros((1, PAIRS)), *one)[0]
        return pins
