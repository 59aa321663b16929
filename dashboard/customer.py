"""The customer's page of a report: the result in plain words, what was done and fitted, one chart, when to
bring it back, or that it is not to be used.

One page, whatever was written: what is too long for it stands in the workshop's sheet behind it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from dashboard import words
from dashboard.report_chart import shortened
from logger.jobs import Fitting, Job, JobVerdict

Json = dict[str, Any]

BRING_BACK: Final = (
    "a valve's plate glows red, or there is smoke or a burnt smell: switch off and pull the plug at once",
    "a fuse blows: fit one of the marked value once; if that blows too, leave it",
    "it hums, crackles or goes quiet as it did not when you took it home",
    "it was dropped or got wet, or a valve was broken or changed",
)
"""When an amp should come back; common practice, no source."""

_OFF: Final = "Leave it switched off, with the plug out, and let nobody else use it."

_CLOSING: Final[dict[str | None, tuple[str, tuple[str, ...]]]] = {
    "pass": ("Bring it back if", BRING_BACK),
    "conditional pass": ("Bring it back if", BRING_BACK),
    "conditional fail": (
        "Not to be used until we have agreed what is to be done",
        (_OFF, "Ask us whether it is to be mended, or measured again more closely."),
    ),
    "fail": (
        "Not to be used until it is mended",
        (_OFF, "Have it mended by who mends valve amplifiers for a living, and measured again afterwards."),
    ),
    None: (
        "Ask us before you use it",
        (
            "Nothing on this page says that it may be used: too little was measured to judge it.",
            "Leave it switched off, with the plug out, until we have told you.",
        ),
    ),
}

_MIND: Final = "Don't open it: high tension is lethal, also long after it was switched off."
_IN_USE: Final = " Connect the loudspeakers before you switch on. Valves are hot; let air get to them."

_RESULTS: Final[dict[str | None, str]] = {
    "pass": "It passed: all that we judged is within its limits, by more than our measuring can be wrong.",
    "conditional pass": "It passed, but part of it lies so close to a limit that our measuring can't tell "
    "which side it is on.",
    "conditional fail": "It did not pass: part of it lies just beyond a limit, as far as our measuring can "
    "tell.",
    "fail": "It did not pass: something that we measured or found is beyond its limit.",
    None: "It was not judged: too little was measured for a verdict.",
}


def result(statement: str | None, seen_s: float | None, says: str) -> list[str]:
    """Say a verdict to who knows nothing of amplifiers."""
    lines = [_RESULTS[statement]]
    if seen_s is not None:
        lines.append(
            f"We ran it on the bench for {words.duration(seen_s)} and watched every output valve pair."
        )
    if statement != "pass" and says:
        lines.append(shortened(says, 300))
    return lines


def page(
    *,
    title: str,
    amp: str,
    facts: list[list[str]],
    word: str,
    look: str,
    stands: str | None,
    says: list[str],
    decided: str = "",
    lists: list[Json],
    chart: Json | None,
) -> Json:
    """Put a customer's page together; what `stands`, in the end, says whether the amp may be used."""
    heading, lines = _CLOSING[stands]
    return {
        "title": title,
        "amp": shortened(amp, 120),
        "facts": [[name, shortened(value, 90)] for name, value in facts],
        "verdict": {"word": word, "look": look, "says": says, "decided": decided},
        "lists": [one for one in lists if one["lines"]],
        "chart": chart,
        "closing": {"title": heading, "lines": list(lines)},
        "mind": _MIND + (_IN_USE if lines is BRING_BACK else ""),
    }


def listed(title: str, lines: Sequence[str]) -> Json:
    """Return a list; paper shows as many of its lines as have room on the page."""
    return {"title": title, "lines": [shortened(" ".join(line.split()), 150) for line in lines]}


def decided(verdict: JobVerdict) -> str:
    """Say what a person decided, which stands beside the verdict, never in its place; "" where nobody did."""
    over = verdict.overruled
    if over is None:
        return ""
    moment = over.made.astimezone()
    when = f"{moment.day} {moment:%B %Y}"
    said = words.statement(over.statement)
    return f"{shortened(over.made_by, 60)} decided otherwise on {when}: {said}. {shortened(over.reason, 200)}"


def fitted(job: Job, fresh: Sequence[Fitting]) -> list[str]:
    """Say what was fitted: valves by type, fuses of another value than found, parts."""
    by_type: dict[str, list[Fitting]] = {}
    for one in fresh:
        by_type.setdefault(one.valve.type or "valve", []).append(one)
    lines = []
    for kind, ones in by_type.items():
        sockets = ", ".join(f"{one.socket} ({one.valve.label})" for one in ones)
        count = f"{len(ones)} valves" if len(ones) > 1 else "1 valve"
        lines.append(f"{count} {kind}: {sockets}" if kind != "valve" else f"{count}: {sockets}")
    listed_already = {kind.lower() for kind in by_type}
    for fuse in job.fuses:
        if fuse.fitted and fuse.fitted != fuse.found:
            found = f" (found: {fuse.found})" if fuse.found else ""
            lines.append(f"fuse, {fuse.position}: {fuse.fitted}{found}")
            listed_already.add("fuse")
    for work in job.work:
        # the valves by socket, and the fuses by position, say more than the parts list
        part = work.part.strip()
        if part and part.lower() not in listed_already and part.lower().split()[0] not in listed_already:
            count = "" if work.quantity in (None, 1.0) else f"{work.quantity:g} × "
            lines.append(f"{count}{part}")
    return lines
