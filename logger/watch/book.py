"""The findings of one soak as they stand: opened, extended, cleared, and which leads."""

from __future__ import annotations

from collections.abc import Iterable

from logger.finding import Finding, Kind
from logger.watch.seconds import Claim, Clear, Withdraw

_COMES_BACK_S = 600.0

# What comes first explains what comes later on the same pair.
_LEADS = (
    Kind.RUNAWAY,
    Kind.OVER_CURRENT,
    Kind.INTERMITTENT,
    Kind.DROP_OUT,
    Kind.MEASURING_FAULT,
    Kind.GAP,
    Kind.STEP_CHANGE,
    Kind.DRIFT,
    Kind.UNSETTLED,
    Kind.MISMATCH,
    Kind.OUT_OF_LIMITS,
    Kind.OVER_DISSIPATION,
)
# What is done to all pairs at once explains what each of them then does.
_EXPLAINS = {
    Kind.BIAS_LOST: frozenset(
        {
            Kind.STEP_CHANGE,
            Kind.UNSETTLED,
            Kind.DRIFT,
            Kind.COMMON_DRIFT,
            Kind.MISMATCH,
            Kind.SIDE_BALANCE,
            Kind.OUT_OF_LIMITS,
            Kind.OVER_DISSIPATION,
            Kind.QUESTION,
        }
    ),
    Kind.COMMON_DRIFT: frozenset({Kind.UNSETTLED, Kind.OUT_OF_LIMITS, Kind.OVER_DISSIPATION}),
}
# Of two pairs these can't name the one: what is said of either is the same story.
_OF_SEVERAL = frozenset({Kind.DRIFT, Kind.MISMATCH})
_BLINDS = frozenset({Kind.OVER_CURRENT, Kind.DROP_OUT, Kind.MEASURING_FAULT})


class Book:
    """Numbers findings in the order raised and keeps one leading finding a channel."""

    def __init__(self) -> None:
        self.findings: list[Finding] = []
        self._by_key: dict[tuple[Kind, tuple[str, ...]], int] = {}
        self.blind: set[str] = set()
        self._was: Finding | None = None
        """How the finding that was claimed last stood before."""

    def apply(self, events: Iterable[Claim | Clear | Withdraw]) -> list[Finding]:
        """Take in what detectors said; return the findings that changed, as they now stand."""
        changed: dict[int, Finding] = {}
        for event in events:
            match event:
                case Claim():
                    touched = self._claim(event)
                case Clear():
                    touched = self._clear(event)
                case Withdraw():
                    touched = self._withdraw(event)
            for finding in touched:
                changed[finding.id] = finding
        if changed:
            self.blind = {
                f.channels[0] for f in self.findings if f.open and f.kind in _BLINDS and len(f.channels) == 1
            }
        return list(changed.values())

    def acknowledge(self, number: int | None, t_s: float) -> list[Finding]:
        """Note that a person has seen a finding, or all open ones and each trip; return those that changed.

        A question is answered by that, and done. What was raised after `t_s`, nobody can have seen.
        """
        changed = []
        for index, finding in enumerate(self.findings):
            asked = finding.open or finding.trip_waits if number is None else finding.id == number
            if asked and finding.acknowledged_s is None and finding.raised_s <= t_s:
                answered = finding.kind is Kind.QUESTION and finding.open
                cleared_s = t_s if answered else finding.cleared_s
                self.findings[index] = finding.changed(acknowledged_s=t_s, cleared_s=cleared_s)
                changed.append(self.findings[index])
        return changed

    def _claim(self, claim: Claim) -> list[Finding]:
        key = (claim.kind, claim.channels)
        index = self._by_key.get(key)
        self._was = None if index is None else self.findings[index]
        if index is not None:
            old = self.findings[index]
            back = old.cleared_s is not None and claim.raised_s - old.cleared_s <= _COMES_BACK_S
            # what was asked and answered is not asked again by another question
            if old.open or (back and claim.kind is not Kind.QUESTION):
                worst = max(old.severity, claim.severity, key=lambda s: s.rank)
                # A remark said of an open warning takes it back: it was not what it looked like.
                severity = claim.severity if claim.kind is Kind.GAP and old.open else worst
                again = back or claim.again or severity.rank > old.severity.rank
                self.findings[index] = old.changed(
                    acknowledged_s=None if again else old.acknowledged_s,
                    severity=severity,
                    says=claim.says,
                    advice=claim.advice,
                    evidence=claim.evidence,
                    cleared_s=None,
                )
                return [self.findings[index]]
        finding = Finding(
            id=len(self.findings) + 1,
            kind=claim.kind,
            channel=claim.channels[0] if claim.named and len(claim.channels) == 1 else None,
            channels=claim.channels,
            onset_s=claim.onset_s,
            raised_s=claim.raised_s,
            severity=claim.severity,
            says=claim.says,
            advice=claim.advice,
            evidence=claim.evidence,
        )
        self._by_key[key] = len(self.findings)
        self.findings.append(finding)
        return self._lead(finding)

    def _lead(self, finding: Finding) -> list[Finding]:
        """Put the new finding under the one that explains it, or the others under it."""
        for other in self.findings[:-1]:
            explained = _EXPLAINS.get(other.kind, frozenset())
            if other.open and finding.kind in explained and set(finding.channels) & set(other.channels):
                self.findings[-1] = finding.changed(under=other.id if other.under is None else other.under)
                return [self.findings[-1]]
        if finding.kind in _EXPLAINS:
            return [*self._take(finding), finding]
        if (finding.channel is None and finding.kind not in _OF_SEVERAL) or finding.kind not in _LEADS:
            return [finding]
        rank = _LEADS.index(finding.kind)
        touched = []
        for index, other in enumerate(self.findings[:-1]):
            if not other.open or other.under is not None or not _one_story(other, finding):
                continue
            if other.kind not in _LEADS:
                continue
            if _LEADS.index(other.kind) <= rank:
                finding = finding.changed(under=other.id)
                break
            self.findings[index] = other.changed(under=finding.id)
            touched.append(self.findings[index])
            for child, below in enumerate(self.findings[:-1]):
                if below.under == other.id:
                    self.findings[child] = below.changed(under=finding.id)
                    touched.append(self.findings[child])
        self.findings[-1] = finding
        return [*touched, finding]

    def _take(self, finding: Finding) -> list[Finding]:
        """Put what the new finding explains under it, and what lay under that."""
        explained, mine = _EXPLAINS[finding.kind], set(finding.channels)
        taken = {
            other.id
            for other in self.findings[:-1]
            if other.open and other.under is None and other.kind in explained and mine & set(other.channels)
        }
        touched = []
        for index, other in enumerate(self.findings[:-1]):
            if other.id in taken or other.under in taken:
                self.findings[index] = other.changed(under=finding.id)
                touched.append(self.findings[index])
        return touched

    def _withdraw(self, what: Withdraw) -> list[Finding]:
        """Take back the claim made last: a new finding goes, and its number is free again."""
        index = self._by_key[what.kind, what.channels]
        was = self._was
        if was is None or was.id != self.findings[index].id:
            assert index == len(self.findings) - 1
            del self.findings[index]
            if was is None:
                del self._by_key[what.kind, what.channels]
            else:
                self._by_key[what.kind, what.channels] = was.id - 1
            return []
        self.findings[index] = was
        return [was]

    def _clear(self, clear: Clear) -> list[Finding]:
        index = self._by_key.get((clear.kind, clear.channels))
        if index is None or not self.findings[index].open:
            return []
        self.findings[index] = self.findings[index].changed(cleared_s=clear.cleared_s)
        return [self.findings[index]]


def _one_story(one: Finding, other: Finding) -> bool:
    """Whether two findings are of the same pair, or one is of two of which it can't name the one."""
    if one.channel is not None and other.channel is not None:
        return one.channel == other.channel
    unnamed = [finding.kind for finding in (one, other) if finding.channel is None]
    return set(unnamed) <= _OF_SEVERAL and bool(set(one.channels) & set(other.channels))
