"""A soak that the dashboard's tests write themselves, scan by scan, through the real writer."""

from __future__ import annotations

import base64
import re
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from flask.testing import FlaskClient

from dashboard.access import META
from logger.blocks import DaqInfo, ScanBlock
from logger.clock import ManualClock
from logger.convert import Calibration, Converter
from logger.finding import Finding
from logger.setup import Setup, parse
from logger.store.now import NowFile, told_of
from logger.store.reader import to_us
from logger.store.writer import Writer

STARTED = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)
SCANS_PER_S = 2.0
AIM_A = 0.076


def token_of(client: FlaskClient, base_url: str = "http://127.0.0.1") -> str:
    """Return what the pages' scripts send along with every change, from the page."""
    home = client.get("/", base_url=base_url, headers={"Accept": "text/html"}).get_data(as_text=True)
    found = re.search(rf'name="{META}" content="([^"]+)"', home)
    assert found is not None, home
    return found[1]


def setup_text(
    pairs: int = 4,
    *,
    amp: str = "Theatre PA 240 W",
    sockets: Sequence[str] | None = None,
    names: Sequence[str] | None = None,
) -> str:
    """Return a set-up with so many pairs, HT, mains, chassis and ambient temperature."""
    channels = ""
    for k in range(pairs):
        name = names[k] if names else f"pair{k + 1}"
        held = list(sockets) if sockets else [f"V{2 * k + 1}", f"V{2 * k + 2}"]
        listed = ", ".join(f"'{socket}'" for socket in held)
        channels += (
            f'[[channel]]\nname = "{name}"\nmeasures = "pair current"\npin = {k}\n'
            f"sense_ohm = 1.0\ntolerance_pct = 1.0\nsockets = [{listed}]\n"
        )
    return f"""schema = "soakbench.setup/1"
[amp]
name = '{amp}'
valve = "EL34"
nominal_ht_V = 455
[link]
kind = "lines"
scans_per_s = {SCANS_PER_S}
{channels}
[[channel]]
name = "ht"
measures = "HT"
divider_ohm = [1_000_000, 4_700]
[[channel]]
name = "mains"
measures = "mains"
value_per_V = 100.0
[[channel]]
name = "chassis"
measures = "chassis temperature"
sensor = "linear"
value_per_V = 100.0
[[channel]]
name = "ambient"
measures = "ambient temperature"
sensor = "linear"
value_per_V = 100.0
[plan]
steps = [{{step = "warm-up", minutes = 5}}, {{step = "soak", minutes = 40}}]
"""


class RunningSoak:
    """A soak in a store that grows when it is told to; `clock` is both the writer's and the dashboard's.

    `outlook` is what the daemon says of every pair beside its figures; `findings` are those that the file of
    the newest scan tells of.
    """

    def __init__(
        self,
        path: Path,
        text: str | None = None,
        *,
        started: datetime = STARTED,
        calibrations: Sequence[Calibration] = (),
        measured_by: int | None = None,
    ) -> None:
        self.path = path
        self.text = text or setup_text()
        self.setup: Setup = parse(self.text)
        self.clock = ManualClock(started)
        channels = len(self.setup.channel)
        steps = [0.256 / 2**23 if c.unit == "A" else 4.096 / 2**23 for c in self.setup.channel]
        self.daq = DaqInfo("board 7", 1, tuple(steps), (2**23 - 1,) * channels, "power on")
        self.writer = Writer(path, self.clock)
        for one in calibrations:
            self.writer.add_calibration(one)
        self.id = self.writer.begin_soak(
            setup=self.setup,
            setup_text=self.text,
            daq=self.daq,
            started=started,
            calibration_id=measured_by,
        )
        self.outlook: dict[str, Any] = {}
        self.findings: list[Finding] = []
        self.newest = NowFile(path)
        self._converter = Converter(self.setup, self.daq)
        self._scans = 0

    @property
    def t_s(self) -> float:
        """Time of the next scan."""
        return self._scans / SCANS_PER_S

    def values_at(self, t_s: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        """Return what every channel reads at these times: pairs that rise to their idle current."""
        rise = 1.0 - np.exp(-t_s / 20.0)
        columns = []
        for index, channel in enumerate(self.setup.channel):
            ripple = 0.0001 * np.sin(t_s / 7.0 + index)
            match channel.measures:
                case "pair current":
                    columns.append(rise * (AIM_A + 0.0004 * (index - 1.5)) + ripple)
                case "HT":
                    columns.append(455.0 + 1e4 * ripple)
                case "mains":
                    columns.append(230.0 + 1e4 * ripple)
                case "chassis temperature":
                    columns.append(22.0 + 25.0 * (1.0 - np.exp(-t_s / 1500.0)))
                case _:
                    columns.append(np.full_like(t_s, 22.0))
        return np.stack(columns, axis=1)

    def go_on(
        self, seconds: float, *, change: dict[str, float] | None = None, now: dict[str, Any] | None = None
    ) -> None:
        """Scan for so long; `change` sets channels to a value of their own, in A, V or degC."""
        self.pass_time(seconds)
        n = round(seconds * SCANS_PER_S)
        sequence = np.arange(self._scans - n, self._scans, dtype=np.int64)
        t_s = sequence / SCANS_PER_S
        values = self.values_at(t_s)
        for name, value in (change or {}).items():
            values[:, self.setup.index(name)] = value
        counts = np.stack(
            [
                np.round(self._converter.counts(column, values[:, column]))
                for column in range(values.shape[1])
            ],
            axis=1,
        ).astype(np.int32)
        self.writer.add_scans(ScanBlock(np.round(t_s * 1e6).astype(np.int64), sequence, counts))
        shown = {**self.now(values[-1]), **(now or {})}
        self.writer.set_now(lambda: shown)
        self.writer.commit()
        readings = self._converter.readings(
            ScanBlock(np.zeros(1, dtype=np.int64), sequence[-1:], counts[-1:])
        )
        self.newest = NowFile(self.path)
        self.newest.write(
            self.id,
            int(sequence[-1]),
            round(t_s[-1] * 1e6),
            to_us(self.clock.wall()),
            readings.values[0].tolist(),
            told_of(shown["state"], self.findings, shown.get("cutout")),
        )
        self.newest.close()

    def pass_time(self, seconds: float) -> None:
        """Let time pass without a scan: those of it are missed."""
        self._scans += round(seconds * SCANS_PER_S)
        self.clock.advance(seconds)

    def now(self, values: np.ndarray[Any, Any]) -> dict[str, Any]:
        """Return the daemon's word on how the soak stands."""
        at_s = self.t_s
        warm = at_s < 300.0
        channels: dict[str, Any] = {
            channel.name: {"value": float(value), "unit": channel.unit}
            for channel, value in zip(self.setup.channel, values, strict=True)
        }
        pairs = self.setup.pair_columns
        median = float(np.median(values[pairs]))
        for column in pairs:
            value = float(values[column])
            channels[self.setup.names[column]] |= {
                "U": 0.00082,
                "from_others": value - median if len(pairs) > 2 else None,
                "dissipation_pct": 100.0 * value * 0.88 * 455.0 / 2.0 / 25.0,
                "settled_at_s": 120.0 if at_s > 120.0 else None,
                **self.outlook,
            }
        return {
            "t_s": at_s,
            "state": "warming" if warm else "soaking",
            "step": "warm-up" if warm else "soak",
            "step_from_s": 0.0 if warm else 300.0,
            "step_ends_s": 300.0 if warm else 2700.0,
            "plan_ends_s": 2700.0,
            "on_s": at_s,
            "channels": channels,
        }


def unpacked(figure: dict[str, Any]) -> dict[str, Any]:
    """Return a figure of `figures.whole` with its packed numbers as lists, each trace with its own times."""

    def numbers(values: Any) -> Any:
        if not isinstance(values, dict):
            return values
        return np.frombuffer(base64.b64decode(values["bdata"]), dtype=f"<{values['dtype']}").tolist()

    traces = []
    for at, trace in enumerate(figure["data"]):
        own = {**trace, "x": figure["x"]} if at in figure["on_x"] else trace
        traces.append({key: numbers(own[key]) if key in ("x", "y") else own[key] for key in own})
    return {**figure, "data": traces}
