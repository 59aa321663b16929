"""A finding: what is held to be wrong, and its life."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum


class Kind(StrEnum):
    """What can be found wrong. The values are what files and screens say."""

    DRIFT = "drift"
    RUNAWAY = "runaway"
    DROP_OUT = "drop-out"
    STEP_CHANGE = "step change"
    INTERMITTENT = "intermittent"
    MISMATCH = "mismatch"
    SIDE_BALANCE = "side balance"
    UNSETTLED = "unsettled"
    OUT_OF_LIMITS = "out of limits"
    OVER_CURRENT = "over-current"
    OVER_DISSIPATION = "over-dissipation"
    OVER_TEMPERATURE = "over-temperature"
    BIAS_LOST = "bias lost"
    COMMON_DRIFT = "common drift"
    MAINS_CHANGE = "mains change"
    HT_CHANGE = "HT change"
    MAINS_LOST = "mains lost"
    MEASURING_FAULT = "measuring fault"
    GAP = "gap"
    QUESTION = "question"


class Severity(StrEnum):
    """remark: worth a line; warning: come and look; trip: take the power off."""

    REMARK = "remark"
    WARNING = "warning"
    TRIP = "trip"

    @property
    def rank(self) -> int:
        """0, 1, 2: greater is worse."""
        return ("remark", "warning", "trip").index(self.value)


@dataclass(frozen=True)
class Finding:
    """One finding as it stands; times in seconds since the soak's first scan.

    `id` counts from 1 within a soak, in the order raised. `channel` is None where the pair can't be named;
    `channels` then lists the candidates (all channels concerned otherwise). `onset_s` is when it began,
    `raised_s` the time of the last scan seen when it was first said. `says` is one plain sentence,
    `advice` one line of what to do. `evidence` holds the numbers behind it, with the unit in each key.
    `under` is the id of the leading finding it follows from. `acknowledged_s`: when a person said that it was
    seen, or answered a question with yes.
    """

    id: int
    kind: Kind
    channel: str | None
    channels: tuple[str, ...]
    onset_s: float
    raised_s: float
    severity: Severity
    says: str
    advice: str = ""
    cleared_s: float | None = None
    under: int | None = None
    acknowledged_s: float | None = None
    evidence: dict[str, float | None] = field(default_factory=dict)

    @property
    def open(self) -> bool:
        """Whether it has not been cleared."""
        return self.cleared_s is None

    @property
    def trip_waits(self) -> bool:
        """Whether it is a trip that nobody has acknowledged, open or over: a cut-out stays open for it."""
        return self.severity is Severity.TRIP and self.acknowledged_s is None

    def changed(self, **what: object) -> Finding:
        """Return a copy with the named fields changed."""
        return replace(self, **what)  # type: ignore[arg-type]
