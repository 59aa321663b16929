"""A calibration as it is done: say what to connect, wait for a person, measure, fit. The wiring of it.

What the steps are and what is made of them is `calibrate`'s; this asks, and takes scans from a link that is
opened anew for each step, so that the DAQ stands still while leads are moved.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np

from logger import bias, calibrate
from logger.blocks import DaqInfo, ScanBlock
from logger.calibrate import Point, Resistor, Script, Seen, Step
from logger.clock import Clock
from logger.convert import Calibration, value_U
from logger.errors import LinkError, RequestError
from logger.link.lines import End
from logger.link.port import Connected, Disconnected, Event
from logger.setup import Calibrated, Channel, Setup
from logger.units import quantity

_MOVED_S: Final = 1.0  # what comes first still stands under the hand that moved the leads
_SILENT_S: Final = 10.0
_WAIT_S: Final = 0.2


class Link(Protocol):
    """Where scans come from; `PortLink` is one."""

    def start(self) -> None:
        """Begin; returns at once."""
        ...

    def take(self, timeout_s: float) -> list[Event]:
        """Return what has come; raises LinkError where there is no going on."""
        ...

    def close(self) -> None:
        """End."""
        ...


@dataclass(frozen=True)
class Done:
    """A calibration that was made, not stored yet, the board it is of, and what is odd about it."""

    calibration: Calibration
    daq: DaqInfo
    odd: list[str]


def run(
    setup: Setup,
    script: Script,
    link: Callable[[], Link],
    *,
    say: Callable[[str], None],
    ask: Callable[[str], str] | None,
    clock: Clock,
) -> Done:
    """Go through a script's steps and fit what was compared.

    `link` gives a link that was not started yet. `ask` puts a question to a person and returns the answer;
    None where there is nobody: then a script must say all values. A person may skip a step with `skip`, and
    is asked again where an answer or a measurement is of no use.

    Raises LinkError where the DAQ does not answer or changes between steps, RequestError where a script
    can't be followed to its end or nothing was compared.
    """
    points: list[Point] = []
    resistors: list[Resistor] = []
    daq: DaqInfo | None = None
    total = len(script.steps)
    for number, planned in enumerate(script.steps, 1):
        says = f"step {number} of {total}: {calibrate.guidance(planned, setup)}"
        if planned.value and planned.u is not None:
            unit = calibrate.unit_of(planned, setup)
            says += f" As written down: {quantity(planned.value, 2.0 * planned.u, unit)}."
        while True:
            say(says)
            step = _with_value(planned, setup, ask, say)
            if step is None:
                say("skipped")
                break
            assert step.value is not None
            assert step.u is not None
            if not step.measures:
                resistors += [Resistor(name, step.value, step.u) for name in step.channels]
                break
            daq, seen = _measure(link(), setup, script.seconds, daq, clock)
            useless = _useless(step, setup, seen)
            if not useless:
                points += _points(step, setup, seen)
                break
            if ask is None:
                raise RequestError(f"step {number}: {useless}")
            say(f"{useless}; once more, or skip")
    if daq is None:  # resistors alone: still the board is whose calibration it is
        daq, _ = _measure(link(), setup, calibrate.SECONDS, None, clock)
    fitted = calibrate.fit(setup, daq, points, resistors, clock.wall().date())
    if not fitted.channels:
        raise RequestError("every step was skipped: there is nothing to make a calibration of")
    made = Calibration(
        channels=fitted.channels,
        board_id=daq.board_id,
        made=clock.wall(),
        by=script.by,
        instrument=script.instrument,
        wiring=calibrate.wirings(setup, daq),
    )
    return Done(made, daq, fitted.odd)


def _with_value(
    step: Step, setup: Setup, ask: Callable[[str], str] | None, say: Callable[[str], None]
) -> Step | None:
    """Return the step with what the reference says, None where a person skips it."""
    if ask is None:
        if step.value is None:
            raise RequestError("the script leaves a value open, and there is nobody to ask: write it down")
        return step
    if step.value is not None:
        return None if ask("Enter when it is so, or skip: ").strip().lower() == "skip" else step
    unit = calibrate.unit_of(step, setup)
    example = {"V": "100.02 mV U 0.02 mV", "A": "76.1 mA U 0.1 mA", "ohm": "1.0042 ohm U 0.0005 ohm"}.get(
        unit, "23.4 C U 0.2 C"
    )
    while True:
        answer = ask(f"What does it say, with its uncertainty (like {example})? Enter to skip: ").strip()
        if answer.lower() in ("", "skip"):
            return None
        try:
            value, u = calibrate.reading(answer, unit)
        except RequestError as error:
            say(str(error))
            continue
        return replace(step, value=value, u=u)


def _measure(
    link: Link, setup: Setup, seconds: float, known: DaqInfo | None, clock: Clock
) -> tuple[DaqInfo, Seen]:
    """Take scans for so many seconds of the DAQ's time."""
    daq = known
    blocks: list[ScanBlock] = []
    link.start()
    try:
        heard_s = clock.monotonic_s()
        while not blocks or blocks[-1].t_us[-1] < 1e6 * (seconds + _MOVED_S):
            for event in link.take(_WAIT_S):
                match event:
                    case Connected():
                        if known is not None and event.daq.board_id != known.board_id:
                            raise LinkError(
                                f"another DAQ answers ({event.daq.board_id}) than at the step before "
                                f"({known.board_id}): plug that one in again, and begin anew"
                            )
                        daq = event.daq
                    case ScanBlock():
                        blocks.append(event)
                        heard_s = clock.monotonic_s()
                    case Disconnected():
                        raise LinkError(f"{event.why}: begin the calibration anew once it answers")
                    case End():
                        raise LinkError(f"the DAQ says that no more scans will come ({event.reason})")
            if clock.monotonic_s() - heard_s > _SILENT_S + 3.0 / setup.link.scans_per_s:
                raise LinkError("no scan has come for a while: check the DAQ's lead and power")
    finally:
        link.close()
    assert daq is not None  # a link says who answers before its first scan
    t_us = np.concatenate([block.t_us for block in blocks])
    late = t_us >= 1e6 * _MOVED_S
    sequence = np.concatenate([block.sequence for block in blocks])[late]
    counts = np.concatenate([block.counts for block in blocks])[late]
    return daq, calibrate.seen(ScanBlock(t_us[late], sequence, counts), daq)


def _useless(step: Step, setup: Setup, seen: Seen) -> str:
    """Say which channels of a step gave nothing to compare, "" where all did."""
    without = [name for name in step.channels if not np.isfinite(seen.mean[setup.index(name)])]
    if not without:
        return ""
    return (
        f"{', '.join(without)} gave no usable reading: check the lead, and whether the reference is within "
        "full scale"
    )


def _points(step: Step, setup: Setup, seen: Seen) -> Sequence[Point]:
    assert step.value is not None
    assert step.u is not None
    columns = [(name, setup.index(name)) for name in step.channels]
    return [
        Point(step.what, name, step.value, step.u, float(seen.mean[column]), float(seen.u[column]))
        for name, column in columns
    ]


@dataclass(frozen=True)
class Helped:
    """What a calibration does to one channel: U at a usual value before and after, in the channel's unit."""

    channel: str
    unit: str
    found: Calibrated
    at: float
    before_U: float
    after_U: float


def helped(setup: Setup, daq: DaqInfo, calibration: Calibration) -> list[Helped]:
    """Return for each calibrated channel what its uncertainty was and is: pairs at the aim, HT at nominal."""
    out = []
    for column, channel in enumerate(setup.channel):
        found = calibration.channels.get(channel.name)
        if found is None:
            continue
        at = _usual(setup, channel)
        before_U, _ = value_U(setup, daq, column, at, 0.0, Calibration())
        after_U, _ = value_U(setup, daq, column, at, 0.0, calibration)
        out.append(Helped(channel.name, channel.unit, found, at, before_U, after_U))
    return out


def _usual(setup: Setup, channel: Channel) -> float:
    if channel in setup.pairs:
        return bias.aim_a(setup, setup.pairs.index(channel), setup.limits.aim_pct or 100.0)
    usual = {"HT": setup.amp.nominal_ht_V, "mains": setup.amp.nominal_mains_V, "bias voltage": -40.0}
    return usual.get(channel.measures, 25.0 if channel.unit == "degC" else 1.0)
