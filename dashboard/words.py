"""How the screens say times, figures and statements. Pure text: no markup, no component."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Final

from logger import units
from logger.blocks import Mark
from logger.finding import Finding, Kind, Severity
from logger.requests import NOTED, Ask, as_shown, ask_of
from logger.setup import Channel, Setup

MINUS: Final = "\u2212"

_NEARLY_MIN: Final = 3  # the watch looks on for so long before it says settled

_STATEMENT: Final[dict[str | None, str]] = {
    "pass": "pass",
    "conditional pass": "pass, too close to call",
    "conditional fail": "fail, too close to call",
    "fail": "fail",
    None: "not judged",
}

ON_SCREEN: Final = 60
MARKS_ON_SCREEN: Final = 200
ON_PAPER: Final = 300
"""Findings, or marks, that are listed: more are read by nobody, a browser stands still over hundreds, and
thousands can't be printed."""

_OF_ALL: Final = (Kind.GAP, Kind.COMMON_DRIFT, Kind.BIAS_LOST, Kind.SIDE_BALANCE, Kind.QUESTION)
"""Kinds whose channels, where none leads, are all concerned and no candidates; the sentence names them."""


def duration(seconds: float) -> str:
    """Say a length of time in at most two units: `12 s`, `48 min`, `1 h 12 min`, `2 d 3 h`."""
    whole = max(0, math.floor(seconds))
    if whole < 60:
        return f"{whole} s"
    minutes = whole // 60
    if minutes < 60:
        rest = whole % 60
        return f"{minutes} min {rest} s" if minutes < 5 and rest else f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def number(value: float | None, decimals: int = 1, *, signed: bool = False) -> str:
    """Print a figure with a true minus sign; an en dash for what does not exist."""
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0.0:
        return text
    if value < 0:
        return f"{MINUS}{text}"
    return f"+{text}" if signed else text


def milliamps(value_a: float | None, *, signed: bool = False) -> str:
    """Print a current as the trade does: mA with one decimal, no unit."""
    return number(None if value_a is None else value_a * 1000.0, 1, signed=signed)


def per_mA(unit: str, setup: Setup, channel: Channel) -> float:
    """Return what a pair's milliamps are multiplied by to be shown in one of `units.PAIR_UNITS`."""
    assert channel.sense_ohm is not None  # required by the set-up's own check
    return units.per_mA(unit, channel.sense_ohm, setup.valves_on(channel))


def for_all(unit: str, setup: Setup) -> tuple[float, str]:
    """Return the same for all pairs together, with the unit that it then is.

    Where resistors, or numbers of valves, differ no one axis holds all pairs, so they stay in mA a pair.
    """
    scales = {per_mA(unit, setup, channel) for channel in setup.pairs}
    return (scales.pop(), unit) if len(scales) == 1 else (1.0, units.PAIR_UNITS[0])


def times(value: float | None, by: float) -> float | None:
    """Multiply what exists."""
    return None if value is None else value * by


def uncertainty(value: float | None) -> str:
    """Print an expanded uncertainty rounded up to one decimal, since rounding down would claim more."""
    if value is None or not math.isfinite(value):
        return ""
    return f"±{math.ceil(value * 10.0 - 1e-9) / 10.0:.1f}"


def between(low: float, high: float) -> str:
    """Print an interval's ends with one decimal, rounded outwards, since narrower would claim more."""
    return f"{number(math.floor(low * 10.0 + 1e-9) / 10.0)} to {number(math.ceil(high * 10.0 - 1e-9) / 10.0)}"


def settles(earliest_s: float | None, latest_s: float | None, now_s: float) -> str:
    """Say when a pair will be settled, from now; None is a time more than 2 hours ahead of the forecast."""
    if earliest_s is None:
        return "settles in over 2 h"
    earliest = max(0, math.floor((earliest_s - now_s) / 60.0))
    if latest_s is None:
        return f"settles in over {earliest} min" if earliest else "settles, not clear when"
    latest = math.ceil((latest_s - now_s) / 60.0)
    if latest <= _NEARLY_MIN:
        return "nearly settled"
    if earliest == 0:
        return f"settles within {latest} min"
    return f"settles in {earliest} to {latest} min" if earliest < latest else f"settles in {latest} min"


def shown(value: float | None, unit: str) -> tuple[str, str]:
    """Return a channel's figure and the unit behind it, as a screen shows it."""
    match unit:
        case "A":
            return milliamps(value), "mA"
        case "degC":
            return number(value, 0), "°C"
        case _:
            return number(value, 1 if value is not None and abs(value) < 300 else 0), unit


def statement(value: str | None) -> str:
    """Say one of the four statements as screens do; None is `not judged`."""
    return _STATEMENT[value]


def look(finding: Finding) -> str:
    """Return what a finding looks like: its severity, or `question`, which is no fault."""
    return "question" if finding.kind is Kind.QUESTION else finding.severity.value


def timing(finding: Finding) -> str:
    """Say when it began, when it was said, when a person acknowledged or answered it, when it went."""
    began, raised = duration(finding.onset_s), duration(finding.raised_s)
    seen = None if finding.acknowledged_s is None else duration(finding.acknowledged_s)
    if finding.kind is Kind.QUESTION:
        said = f"since {began}, asked at {raised}"
        if seen is not None:
            return f"{said}, answered at {seen}"
        return (
            said if finding.cleared_s is None else f"{said}, over at {duration(finding.cleared_s)} unanswered"
        )
    said = f"began at {began}, raised at {raised}"
    if seen is not None:
        said += f", acknowledged at {seen}"
    if finding.cleared_s is not None:
        said += f", cleared at {duration(finding.cleared_s)}"
    return said


def waits(finding: Finding) -> bool:
    """Whether an open warning or trip, or a question, has no word from a person yet."""
    asks = finding.kind is Kind.QUESTION or finding.severity is not Severity.REMARK
    return asks and finding.open and finding.acknowledged_s is None


def calls(finding: Finding) -> bool:
    """Whether it waits for a word, and a person is called to it: no warning that follows from another is."""
    return waits(finding) and (finding.under is None or look(finding) != "warning")


def findings_listed(findings: Sequence[Finding], most: int) -> tuple[tuple[Finding, ...], str]:
    """Return the `most` telling findings, and a sentence on the others, "" where there are none.

    Those that are open or wait for a word come first, then the worst, then the earliest; the order is kept.
    """

    def place(one: Finding) -> tuple[bool, bool, int, float, int]:
        return not one.open, not one.trip_waits, -one.severity.rank, one.raised_s, one.id

    if len(findings) <= most:
        return tuple(findings), ""
    listed = {one.id for one in sorted(findings, key=place)[:most]}
    kinds = Counter(one.kind.value for one in findings if one.id not in listed)
    rest = ", ".join(f"{count:,} {kind}" for kind, count in kinds.most_common())
    return tuple(one for one in findings if one.id in listed), (
        f"{kinds.total():,} more are in the store and not listed here: {rest}. "
        "Listed are those that are open, then the worst, then the earliest."
    )


def marks_listed(marks: Sequence[Mark], most: int) -> tuple[tuple[Mark, ...], str]:
    """Return the `most` telling marks, and a sentence on the others: first what persons said."""
    if len(marks) <= most:
        return tuple(marks), ""
    said_first = sorted(range(len(marks)), key=lambda k: (marks[k].text.startswith(NOTED), k))
    listed = sorted(said_first[:most])
    return tuple(marks[k] for k in listed), (
        f"{len(marks) - len(listed):,} more are in the store and not listed here. "
        "Listed is what persons said, then what soakbench noted first."
    )


def asked(mark: str) -> tuple[str, str]:
    """Return whether a mark was `said`, `asked` of the daemon or `noted` by it, and its text."""
    ask, text = ask_of(mark)
    if mark.startswith(NOTED):
        return "noted", mark.removeprefix(NOTED)
    if ask is Ask.MARK:
        return "said", mark
    if ask is Ask.ACKNOWLEDGE:
        return "asked", f"acknowledge finding {text}" if text else "acknowledge all findings"
    return "asked", "stop the soak" if ask is Ask.STOP else ask.value


def mark_rows(marks: Iterable[Mark]) -> list[tuple[float, str, str]]:
    """Return marks as they are shown, in order of time: elapsed seconds, kind as of `asked`, text.

    What was said later of an earlier time stands at that time, as `said later`.
    """
    rows = []
    for mark in marks:
        shown, late = as_shown(mark)
        kind, text = ("said later", shown.text) if late else asked(mark.text)
        rows.append((shown.t_us / 1e6, kind, text))
    return sorted(rows, key=lambda row: row[0])


def stretches(bands: Iterable[tuple[float, float]]) -> str:
    """Say stretches of time one after the other: `48 min to 54 min, 1 h to 1 h 10 min`."""
    return ", ".join(f"{duration(from_s)} to {duration(to_s)}" for from_s, to_s in bands)


def clicks(count: int) -> str:
    """Say how many clicks there were."""
    return f"{count:,} click{'' if count == 1 else 's'} on all channels, none judged"


def window(low_mA: float | None, high_mA: float | None) -> str:
    """Say a window by its ends: `70 to 80`, `from 70`, `up to 80`; empty where there is none."""
    if low_mA is None:
        return "" if high_mA is None else f"up to {high_mA:g}"
    return f"from {low_mA:g}" if high_mA is None else f"{low_mA:g} to {high_mA:g}"


def whom(finding: Finding, labels: dict[str, str]) -> str:
    """Say which channel a finding is about; candidates are joined by `or`; empty where it is all of them."""
    if finding.channel is not None:
        return labels.get(finding.channel, finding.channel)
    noise = finding.kind is Kind.MEASURING_FAULT and finding.severity is Severity.REMARK
    if finding.kind in _OF_ALL or noise or len(finding.channels) > 4:
        return ""
    return " or ".join(labels.get(name, name) for name in finding.channels)
