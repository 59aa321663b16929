"""Make `sample_logs/` anew: simulated amplifiers by seed, and by hand what judge must say of each.

    .venv/bin/python tests/make_sample_logs.py

What is expected comes from the scenario's truth and not from a judgement: it is written down here.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from logger import logfile, setup
from logger.blocks import NO_READING, ScanBlock
from logger.simulator.scenarios import HT_ON_S, Scenario, scenario

FOLDER = Path(__file__).resolve().parent.parent / "sample_logs"
WARM_UP_MIN = 20.0
AFTER_PLAN_S = 20.0


@dataclass(frozen=True)
class Sample:
    """One log: the scenario it is made from, and what judge must say."""

    name: str
    scenario: str
    seed: int
    soak_min: float
    verdict: str
    leading: tuple[tuple[str, str | None], ...]
    shows: str
    """What a person sees in it."""

    @property
    def played(self) -> Scenario:
        """The amplifier."""
        return scenario(self.scenario, self.seed, warm_up_min=WARM_UP_MIN, soak_min=self.soak_min)


SAMPLES = (
    Sample("healthy", "healthy", 2, 36, "pass", (), "nothing but ordinary life: mains wander, a fan, noise"),
    Sample("drift", "drift", 3, 60, "fail", (("drift", "pair3"),), "pair3 creeps up once it is warm"),
    Sample("runaway", "runaway", 3, 40, "fail", (("runaway", "pair3"),), "a gassy valve in pair3 runs away"),
    Sample("drop-out", "drop-out", 1, 36, "fail", (("drop-out", "pair4"),), "a relay drops pair4"),
    Sample(
        "cheap-board",
        "mismatch",
        2,
        36,
        "fail",
        (("mismatch", "pair1"),),
        "pair1 was set to another current; four resistors and nothing else, as a cheap board prints them: "
        "semicolons, decimal commas, milliseconds, a restart's text in between",
    ),
)


def scans_of(played: Scenario) -> list[ScanBlock]:
    """Return one scan a second, over the plan and a little more."""
    return list(played.scans(HT_ON_S + played.plan_s + AFTER_PLAN_S, 1.0))


def write_ours(sample: Sample) -> None:
    """Write a log as export writes it."""
    played = sample.played
    text = played.setup_text(scans_per_s=1.0)
    log = FOLDER / f"{sample.name}.csv.gz"
    logfile.write(log, setup.parse(text), text, played.info, scans_of(played), force=True)


def write_cheap(sample: Sample) -> None:
    """Write the pairs' millivolts as a board without a clock, a checksum or manners prints them."""
    played = sample.played
    blocks = scans_of(played)
    counts = np.concatenate([block.counts for block in blocks])[:, :4]
    t_ms = np.concatenate([block.t_us for block in blocks]) // 1000
    volts = counts * np.asarray(played.info.volts_per_count[:4])
    lines = ["# soak monitor, 4 inputs", "time_ms;pair1 [mV];pair2 [mV];pair3 [mV];pair4 [mV]"]
    for row, ms in enumerate(t_ms.tolist()):
        cells = [
            "" if count == NO_READING else f"{1000 * value:.1f}".replace(".", ",")
            for count, value in zip(counts[row], volts[row], strict=True)
        ]
        lines.append(";".join([str(ms), *cells]))
        if row == 1500:
            lines += ["brown-out, restarting", "soak monitor, 4 inputs"]
        if row == 2500:
            lines.append(lines[-1][:9])
    (FOLDER / f"{sample.name}.csv").write_bytes("\r\n".join([*lines, ""]).encode("utf-8"))
    (FOLDER / f"{sample.name}.toml").write_text(_cheap_setup(sample), encoding="utf-8")


def _cheap_setup(sample: Sample) -> str:
    pairs = "".join(
        f'\n[[channel]]\nname = "pair{n}"\nmeasures = "pair current"\nsense_ohm = 1.0\ntolerance_pct = 1.0\n'
        f"step_V = 0.0001\nfull_scale_V = 0.25\n"
        for n in range(1, 5)
    )
    return f"""# A cheap board on four sense resistors: no HT, no mains, no temperatures.
schema = "soakbench.setup/1"

[amp]
name = "Theatre PA 240 W"
valve = "EL34"
nominal_ht_V = 455

[link]
kind = "csv"
scans_per_s = 1
{pairs}
[plan]
steps = [
  {{step = "warm-up", minutes = {WARM_UP_MIN:g}}},
  {{step = "soak", minutes = {sample.soak_min:g}}},
]
"""


def write_expected(sample: Sample) -> None:
    """Write down what is true and what judge must say."""
    truth = sample.played.truth
    document = {
        "shows": sample.shows,
        "made_from": {"scenario": sample.scenario, "seed": sample.seed},
        "truth": None
        if truth is None
        else {"kind": truth.kind, "channel": truth.channel, "onset_s": truth.onset_s, "size": truth.size},
        "verdict": sample.verdict,
        "leading_findings": [{"kind": kind, "channel": channel} for kind, channel in sample.leading],
    }
    path = FOLDER / f"{sample.name}.json"
    path.write_text(json.dumps(document, indent=2) + "\n", encoding="utf-8")


def main() -> None:
    """Write all of them."""
    FOLDER.mkdir(exist_ok=True)
    for sample in SAMPLES:
        (write_cheap if sample.name == "cheap-board" else write_ours)(sample)
        write_expected(sample)
        print(sample.name, sample.played.truth)


if __name__ == "__main__":
    main()
