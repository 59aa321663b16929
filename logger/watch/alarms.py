"""When to make a noise: once for each warning or trip, and again until somebody says that it was seen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from logger.finding import Finding, Severity

REMIND_S: Final = 300.0
"""How long an alarm that nobody acknowledged waits before it sounds again."""


@dataclass(frozen=True)
class Alarm:
    """A reason to call a person: `finding` is new, has become worse, or was not acknowledged yet."""

    finding: Finding
    why: Literal["new", "worse", "reminder"]


class Alarms:
    """Follows what is open. One alarm a story: what lies under another finding sounds only as a trip."""

    def __init__(self) -> None:
        self._said: dict[int, tuple[Severity, float, bool]] = {}
        """Of each finding that sounded: how severe it was, when it last did (s since the first scan), and
        whether it was acknowledged since."""

    def due(self, findings: Sequence[Finding], now_s: float) -> list[Alarm]:
        """Return what sounds now, worst first; `findings`: all of the soak as they stand."""
        out = []
        for gone in [number for number in self._said if number > len(findings)]:
            del self._said[gone]  # withdrawn: the next one is given its number
        for finding in findings:
            if not finding.open:
                self._said.pop(finding.id, None)  # one that comes back is news
                continue
            severity = finding.severity
            if severity is Severity.REMARK or (finding.under is not None and severity is not Severity.TRIP):
                continue
            said, at_s, seen = self._said.get(finding.id, (Severity.REMARK, -math.inf, False))
            if seen and finding.acknowledged_s is None:  # it came anew
                said = Severity.REMARK
            if severity.rank > said.rank:
                out.append(Alarm(finding, "new" if said is Severity.REMARK else "worse"))
            elif finding.acknowledged_s is None and now_s - at_s >= REMIND_S:
                out.append(Alarm(finding, "reminder"))
            else:
                self._said[finding.id] = (said, at_s, finding.acknowledged_s is not None)
                continue
            self._said[finding.id] = (severity, now_s, False)
        return sorted(out, key=lambda alarm: (-alarm.finding.severity.rank, alarm.finding.id))
