"""The job record's domain: what a job is made of, its states, the plan that a complaint asks for, the
hours of its valves, its verdict. Pure: no I/O, no clock.

What a person typed stands as typed, text with its white space trimmed and numbers in the unit beside them.
What is derived (hours, the verdict) is worked out from that each time, and is never stored.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from functools import cached_property
from typing import Any, Final

from logger.decision import COND_FAIL, FAIL, ORDER, upper_statement, worst
from logger.errors import EntryError, RequestError, entered
from logger.setup import Decision

AS_FOUND: Final = "as found"
AS_LEFT: Final = "as left"
STAGES: Final = (AS_FOUND, AS_LEFT)
"""Before a pot was touched, and after the work."""


class State(StrEnum):
    """Where a job is. The values are what files and screens say."""

    RECEIVED = "received"
    ON_THE_BENCH = "on the bench"
    SOAKING = "soaking"
    WAITING_FOR_PARTS = "waiting for parts"
    WAITING_FOR_CUSTOMER = "waiting for customer"
    READY = "ready"
    COLLECTED = "collected"


_WAITS: Final = (State.WAITING_FOR_PARTS, State.WAITING_FOR_CUSTOMER)
MAY_FOLLOW: Final[Mapping[State, tuple[State, ...]]] = {
    State.RECEIVED: (State.ON_THE_BENCH, State.SOAKING, *_WAITS, State.COLLECTED),
    State.ON_THE_BENCH: (State.SOAKING, *_WAITS, State.READY, State.COLLECTED),
    State.SOAKING: (State.ON_THE_BENCH, *_WAITS, State.READY),
    State.WAITING_FOR_PARTS: (State.ON_THE_BENCH, State.WAITING_FOR_CUSTOMER, State.COLLECTED),
    State.WAITING_FOR_CUSTOMER: (
        State.ON_THE_BENCH,
        State.WAITING_FOR_PARTS,
        State.READY,
        State.COLLECTED,
    ),
    State.READY: (State.ON_THE_BENCH, State.SOAKING, State.WAITING_FOR_CUSTOMER, State.COLLECTED),
    # An amp that comes back is a new job; this way only for one that was closed by mistake.
    State.COLLECTED: (State.READY,),
}
"""What may come after each state."""


def state_of(text: str) -> State:
    """Read a state as a person writes it; RequestError names them all."""
    try:
        return State(" ".join(text.replace("-", " ").lower().split()))
    except ValueError:
        raise RequestError(f"{text!r} is no state of a job: it is one of {', '.join(State)}") from None


def check_move(now: State, wanted: State) -> None:
    """Raise RequestError where one state can't follow the other."""
    if wanted is not now and wanted not in MAY_FOLLOW[now]:
        raise RequestError(
            f'a job that is "{now}" can\'t become "{wanted}": from there it goes to '
            f"{', '.join(MAY_FOLLOW[now])}"
        )


# ---- what a person typed

LONGEST_LINE: Final = 200
LONGEST_TEXT: Final = 20_000


def line(value: str, what: str, *, needed: bool = False) -> str:
    """Return one line of text, its white space made single; RequestError where it can't be one."""
    return _printable(" ".join(value.split()), what, LONGEST_LINE, needed=needed)


def paragraphs(value: str, what: str, *, needed: bool = False) -> str:
    """Return text that may have several lines."""
    text = "\n".join(row.rstrip() for row in value.replace("\r\n", "\n").expandtabs().split("\n"))
    return _printable(text.strip(), what, LONGEST_TEXT, needed=needed)


def _printable(text: str, what: str, most: int, *, needed: bool) -> str:
    if needed and not text:
        raise RequestError(f"{what} is missing: say it in a few words")
    if len(text) > most:
        raise RequestError(f"{what} has {len(text):,} letters, and {most:,} is the most: say it shorter")
    bad = next((letter for letter in text if not letter.isprintable() and letter != "\n"), None)
    if bad is not None:
        raise RequestError(f"{what} holds {bad!r}, which can't be printed: write it without")
    return text


def figure(value: float, what: str, *, least: float = -math.inf) -> float:
    """Return a finite number that is at least `least`."""
    if not math.isfinite(value) or value < least:
        floor = f" from {least:g}" if math.isfinite(least) else ""
        raise RequestError(f"{what} must be a number{floor}, got {value:g}")
    return float(value)


# ---- the complaint, and the soak it asks for

SHOWS: Final = ("cold", "hot", "loud", "after standby", "when knocked")
"""When a complaint shows."""


def shows_of(text: str) -> tuple[str, ...]:
    """Read when a complaint shows, as `hot, when knocked`, into the fixed order; RequestError names them."""
    said = [" ".join(part.replace("-", " ").lower().split()) for part in text.split(",") if part.strip()]
    unknown = [part for part in said if part not in SHOWS]
    if unknown:
        raise RequestError(
            f"a complaint can't show {unknown[0]!r}: it is one of {', '.join(SHOWS)}, or several set apart "
            "by commas; more belongs into the complaint's text"
        )
    return tuple(one for one in SHOWS if one in said)


@dataclass(frozen=True)
class Proposal:
    """A soak's plan for a complaint: steps with their minutes, and what a person does meanwhile."""

    steps: tuple[tuple[str, float], ...]
    do: tuple[str, ...]

    @property
    def toml(self) -> str:
        """The plan as a set-up file writes it."""
        rows = "".join(f'  {{step = "{step}", minutes = {minutes:g}}},\n' for step, minutes in self.steps)
        return f"[plan]\nsteps = [\n{rows}]\n"

    @property
    def minutes(self) -> float:
        """All steps together."""
        return sum(minutes for _, minutes in self.steps)


AS_FOUND_PLAN: Final = Proposal(
    (("warm-up", 15.0), ("soak", 5.0)),
    (
        "read the bias volts at each socket and write them down before a pot is touched: without them "
        '"aged since last year" only means that somebody turned it',
    ),
)
"""The soak before anything was done; 20 minutes, common practice, no source."""


def propose_plan(shows: Iterable[str]) -> Proposal:
    """Return the soak that a complaint asks for. The times are common practice, no source."""
    when = set(shows)
    steps = [("warm-up", 30.0), ("soak", 240.0 if "hot" in when else 120.0)]
    do = []
    if "cold" in when:
        do.append("let it stand cold over night first, and start recording 20 s before HT is switched on")
    if "hot" in when:
        do.append("soak it in its case, with its covers on, as warm as it stands at the customer's")
    if "when knocked" in when:
        do.append(
            "knock on it lightly with something that insulates, from outside or with one hand, and mark each "
            'place: soakbench request mark "tapped V5"'
        )
    if "loud" in when:
        steps += [("signal", 30.0), ("soak", 30.0)]
        do.append("signal only into a load of its full power; say signal-on and signal-off to soakbench")
    if "after standby" in when:
        steps += [("heaters only", 15.0), ("warm-up", 30.0), ("soak", 60.0)]
    if "cold" in when:
        steps += [("off", 60.0), ("warm-up", 30.0), ("soak", 60.0)]
    return Proposal(tuple(steps), tuple(do))


# ---- what the record holds


@dataclass(frozen=True, kw_only=True)
class Kept:
    """What each part of the record carries: who made it when, and how often it was changed since.

    `version` is 1 for what nobody changed; an edit names the version it saw. `deleted` is when it was marked
    as deleted; it stays.
    """

    id: int
    version: int
    made: datetime
    made_by: str
    deleted: datetime | None = None


@dataclass(frozen=True, kw_only=True)
class Amp(Kept):
    """An amplifier, without its maker's name: what the shop calls it. `rated_w`: its output power."""

    uuid: str
    name: str
    serial: str
    notes: str
    rated_w: float | None

    @property
    def label(self) -> str:
        """Name and serial number, where it has one."""
        return f"{self.name}, serial {self.serial}" if self.serial else self.name


@dataclass(frozen=True, kw_only=True)
class Valve(Kept):
    """One valve, by its serial or bag number. Seller's figures: `seller_a` in A, `seller_s` in S."""

    uuid: str
    label: str
    type: str
    batch: str
    seller_a: float | None
    seller_s: float | None
    seller_note: str
    notes: str


@dataclass(frozen=True, kw_only=True)
class Fitting(Kept):
    """One valve in one socket of one amp, from `fitted` to `removed` (None: it still sits there).

    `how`: found (it sat there when the amp came) or fitted. `job_id` and `out_job_id`: in which jobs.
    """

    amp_id: int
    valve_id: int
    socket: str
    how: str
    fitted: datetime
    removed: datetime | None
    why_removed: str
    job_id: int | None
    out_job_id: int | None
    valve: Valve
    amp: str


@dataclass(frozen=True, kw_only=True)
class Fuse(Kept):
    """One fuse's place: what was found in it, what its holder is marked, what was fitted."""

    job_id: int
    position: str
    found: str
    marked: str
    fitted: str


@dataclass(frozen=True, kw_only=True)
class ChecklistItem(Kept):
    """One thing to do or to measure. `asks`: the unit of what is to be read, "" where nothing is.

    `result`: None while it is open, else fine, fault or does not apply; `value` is what a person read.
    """

    job_id: int
    place: int
    section: str
    what: str
    caution: str
    asks: str
    result: str | None
    value: float | None
    note: str
    done: datetime | None
    done_by: str


RESULTS: Final = ("fine", "fault", "does not apply")
"""What a person may say of an item of a checklist."""


@dataclass(frozen=True, kw_only=True)
class WorkItem(Kept):
    """Something that was done: its parts and its time."""

    job_id: int
    what: str
    part: str
    quantity: float | None
    minutes: float | None


@dataclass(frozen=True, kw_only=True)
class Remark(Kept):
    """A line or more of text."""

    job_id: int
    text: str


@dataclass(frozen=True, kw_only=True)
class BenchReading(Kept):
    """A figure that a person read from an instrument, in the unit it was read in.

    `uncertainty` is the expanded one (95 %), None where nobody said. `least` and `most` are the limits that
    it is judged against, with `limit_source`; both None: it is reported, not judged. `place`: a socket,
    pair or winding.
    """

    job_id: int
    taken: datetime
    stage: str
    quantity: str
    place: str
    value: float
    unit: str
    uncertainty: float | None
    instrument: str
    load_ohm: float | None
    tap_ohm: float | None
    weighting: str
    bandwidth: str
    least: float | None
    most: float | None
    limit_source: str
    note: str

    @property
    def label(self) -> str:
        """Quantity and place."""
        return f"{self.quantity}, {self.place}" if self.place else self.quantity

    def statement(self, width_U: float) -> str | None:
        """Judge it against its limits; None where it has none."""
        U = self.uncertainty or 0.0
        return worst(
            (
                upper_statement(-self.value, U, -self.least, width_U) if self.least is not None else None,
                upper_statement(self.value, U, self.most, width_U) if self.most is not None else None,
            )
        )


@dataclass(frozen=True, kw_only=True)
class Photograph(Kept):
    """A photograph; `file` is its name in the folder beside the store. `name`: what it was called."""

    job_id: int
    checksum: str
    kind: str
    size_bytes: int
    width_px: int
    height_px: int
    name: str
    caption: str

    @property
    def file(self) -> str:
        """Its file's name beside the store."""
        return f"{self.checksum}.{'jpg' if self.kind == 'jpeg' else self.kind}"


@dataclass(frozen=True, kw_only=True)
class Overruling:
    """A person's own verdict, signed and dated, with the reason. It is never changed nor taken away."""

    id: int
    job_id: int
    made: datetime
    made_by: str
    statement: str
    reason: str


@dataclass(frozen=True, kw_only=True)
class Change:
    """One field that was edited: what was there, what is there since; `version` is the row's afterwards."""

    id: int
    made: datetime
    made_by: str
    table: str
    row_id: int
    version: int
    field: str
    was: Any
    became: Any


@dataclass(frozen=True, kw_only=True)
class JobSoak:
    """What the record knows of one of a job's soaks; `logger.store.reader.Reader.soak` has the rest.

    `states`: state and the second it began at. `last_s`: the last scan's time, None before the first.
    `verdict`: the `soakbench.judge/1` document of one that ended; None where a crash broke it off
    (`logger.judge.judged_job` makes that good). `setup_text`: the set-up it ran with.
    """

    id: int
    job_id: int
    amp_id: int
    kind: str
    started: datetime
    ended: datetime | None
    how: str | None
    last_s: float | None
    states: tuple[tuple[str, float], ...]
    verdict: Mapping[str, Any] | None
    setup_text: str

    @cached_property
    def width_U(self) -> float:
        """The guard band as agreed before the soak, as a multiple of U."""
        # of the decision alone: a whole set-up takes long to read, and this one was read when its soak began
        return Decision.model_validate(tomllib.loads(self.setup_text).get("decision", {})).width_U

    @property
    def unjudged(self) -> bool:
        """Whether it ended with scans and without a verdict: a crash broke it off."""
        return self.ended is not None and self.verdict is None and self.last_s is not None

    def with_verdict(self, document: Mapping[str, Any]) -> JobSoak:
        """Return it with the verdict, and with the states that the verdict knows."""
        return replace(self, verdict=document, states=states_of(document["soak"]))

    @property
    def statement(self) -> str | None:
        """The soak's verdict, None where it has none."""
        return None if self.verdict is None else self.verdict["soak"]["verdict"]


@dataclass(frozen=True, kw_only=True)
class Job(Kept):
    """A whole job as it stands. What was deleted is left out, unless it was asked for.

    `fittings` are all of its amp, those of earlier jobs too, the oldest first; `soaks` are this job's own.
    `history` has every edit of the job and of what belongs to it, the oldest first.
    """

    uuid: str
    amp: Amp
    customer: str
    complaint: str
    shows: tuple[str, ...]
    condition: str
    state: State
    received: datetime
    closed: datetime | None
    fittings: tuple[Fitting, ...] = ()
    fuses: tuple[Fuse, ...] = ()
    checklist: tuple[ChecklistItem, ...] = ()
    work: tuple[WorkItem, ...] = ()
    remarks: tuple[Remark, ...] = ()
    readings: tuple[BenchReading, ...] = ()
    photographs: tuple[Photograph, ...] = ()
    overrulings: tuple[Overruling, ...] = ()
    soaks: tuple[JobSoak, ...] = ()
    history: tuple[Change, ...] = ()

    @property
    def sat(self) -> dict[str, tuple[Fitting, ...]]:
        """What sat in each socket at any time of this job, the oldest first; V9 before V10."""
        found: dict[str, list[Fitting]] = {}
        for one in sorted(self.fittings, key=lambda one: (by_number(one.socket), one.fitted, one.id)):
            gone = one.removed is not None and one.removed <= self.received and one.out_job_id != self.id
            later = self.closed is not None and one.fitted > self.closed
            of_later = one.job_id is not None and one.job_id > self.id and one.fitted > self.received
            if not gone and (one.job_id == self.id or not (later or of_later)):
                found.setdefault(one.socket, []).append(one)
        return {socket: tuple(ones) for socket, ones in found.items()}

    @property
    def fitted_now(self) -> tuple[Fitting, ...]:
        """What sits in the amp, as far as the record knows."""
        return tuple(one for one in self.fittings if one.removed is None)


def by_number(text: str) -> list[tuple[int, str]]:
    """Return what sorts names by the numbers in them: V9 before V10."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", text) if part]


def as_of(row: Mapping[str, Any], changes: Iterable[Change], version: int) -> dict[str, Any]:
    """Return a row's fields as they were at a version: its changes since undone, the last first."""
    then = dict(row)
    for change in sorted(changes, key=lambda one: one.version, reverse=True):
        if change.version > version:
            then[change.field] = change.was
    then["version"] = version
    return then


def states_of(told: Mapping[str, Any]) -> tuple[tuple[str, float], ...]:
    """Return the states, each with the second it began at, of a soak's verdict or of how it stands."""
    return tuple((one["state"], one["from_s"]) for one in told.get("states", []))


# ---- hours of valves

HEATED: Final = frozenset({"bring-up", "warming", "setting bias", "soaking", "under signal", "standby"})
"""States in which valves are hot."""
_IDLING: Final = frozenset({"warming", "setting bias", "soaking"})


@dataclass(frozen=True)
class Hours:
    """How long a valve was seen at heat, at idle (HT on, no signal) and under signal, over so many soaks.

    Heat is told from the amp's state, not measured: standby counts, bring-up too. `untold_s`: in soaks whose
    states are not known.
    """

    heat_s: float = 0.0
    idle_s: float = 0.0
    signal_s: float = 0.0
    untold_s: float = 0.0
    soaks: int = 0


def hours(fittings: Iterable[Fitting], soaks: Iterable[JobSoak]) -> dict[int, Hours]:
    """Return the hours of each valve, by its id, from where it sat when and from the soaks of those amps."""
    seen = list(soaks)
    found: dict[int, Hours] = {}
    for fitting in fittings:
        total = found.get(fitting.valve_id, Hours())
        for soak in seen:
            if soak.amp_id == fitting.amp_id and soak.last_s is not None:
                total = _added(total, fitting, soak, soak.last_s)
        found[fitting.valve_id] = total
    return found


def _added(total: Hours, fitting: Fitting, soak: JobSoak, last_s: float) -> Hours:
    """Add one soak's time, as far as the valve sat in the amp."""
    low_s = max(0.0, (fitting.fitted - soak.started) / timedelta(seconds=1))
    high_s = last_s
    if fitting.removed is not None:
        high_s = min(high_s, (fitting.removed - soak.started) / timedelta(seconds=1))
    if high_s <= low_s:
        return total
    by_state: dict[str, float] = {}
    ends = [from_s for _, from_s in soak.states[1:]] + [last_s]
    for (state, from_s), to_s in zip(soak.states, ends, strict=False):
        by_state[state] = by_state.get(state, 0.0) + max(0.0, min(to_s, high_s) - max(from_s, low_s))
    told_s = sum(by_state.values())
    return Hours(
        total.heat_s + sum(s for state, s in by_state.items() if state in HEATED),
        total.idle_s + sum(s for state, s in by_state.items() if state in _IDLING),
        total.signal_s + by_state.get("under signal", 0.0),
        total.untold_s + max(0.0, high_s - low_s - told_s),
        total.soaks + 1,
    )


# ---- the verdict


@dataclass(frozen=True)
class Judged:
    """One part of a verdict: what, its statement, and why in a few words."""

    what: str
    statement: str
    says: str


@dataclass(frozen=True)
class JobVerdict:
    """The verdict of a job: the worst statement of its parts; None where its soak was not judged.

    `not_seen` says what was not judged or is still open. `overruled` is a person's own verdict, where one
    stands: it came after all that the verdict rests on. `stands` is what counts.
    """

    statement: str | None
    says: str
    parts: tuple[Judged, ...]
    not_seen: tuple[str, ...]
    overruled: Overruling | None

    @property
    def stands(self) -> str | None:
        """The person's verdict where there is one, else ours."""
        return self.statement if self.overruled is None else self.overruled.statement


def judge(job: Job) -> JobVerdict:
    """Judge a job by its last soak as left, its last readings as left that have limits, and its checklist.

    A passing job needs a judged soak. What was overruled before a later soak, reading or result is open.
    """
    left = [soak for soak in job.soaks if soak.kind == AS_LEFT and soak.ended is not None]
    soak = max(left, key=lambda one: (one.started, one.id)) if left else None
    width_U = soak.width_U if soak is not None else 1.0
    parts: list[Judged] = []
    not_seen: list[str] = []
    rests_on: list[datetime] = []
    if soak is None:
        not_seen.append("no soak as left that has ended")
    else:
        assert soak.ended is not None
        rests_on.append(soak.ended)
        not_seen += _not_seen(soak)
        if soak.statement is not None and soak.verdict is not None:
            parts.append(Judged(f"soak {soak.id}", soak.statement, soak.verdict["soak"]["says"]))
    not_seen += [
        f"soak {one.id} still runs" for one in job.soaks if one.kind == AS_LEFT and one.ended is None
    ]
    for reading in _last_readings(job.readings):
        statement = reading.statement(width_U)
        if statement is not None:
            rests_on.append(reading.made)
            bare = "" if reading.uncertainty is not None else ", its uncertainty not stated"
            parts.append(Judged(reading.label, statement, f"{reading_words(reading)}{bare}"))
    for item in job.checklist:
        if item.result == "fault":
            rests_on += [item.done] if item.done is not None else []
            parts.append(Judged(item.what, FAIL, item.note or "noted as a fault"))
    still_open = [item.what for item in job.checklist if item.result is None]
    if still_open:
        more = f" and {len(still_open) - 3} more" if len(still_open) > 3 else ""
        not_seen.append(f"on the checklist still open: {'; '.join(still_open[:3])}{more}")
    statement = worst(part.statement for part in parts)
    if (soak is None or soak.statement is None) and statement not in (COND_FAIL, FAIL):
        statement = None
    last = max(job.overrulings, key=lambda one: (one.made, one.id), default=None)
    lapsed = last is not None and any(moment > last.made for moment in rests_on)
    return JobVerdict(
        statement,
        _says(statement, parts, not_seen),
        tuple(parts),
        tuple(not_seen),
        None if lapsed else last,
    )


def _not_seen(soak: JobSoak) -> list[str]:
    """Say what a soak that ended did not judge."""
    said = []
    if soak.how != "finished":
        after = "" if soak.last_s is None else f" after {soak.last_s / 60.0:.0f} min"
        said.append(f"soak {soak.id} was {soak.how}{after}")
    if soak.verdict is None:
        return [*said, f"soak {soak.id} was not judged"]
    gaps = [one for one in soak.verdict["findings"] if one["kind"] == "gap" and one["severity"] != "remark"]
    if gaps:
        said.append(f"soak {soak.id} has {len(gaps)} {'gap' if len(gaps) == 1 else 'gaps'} in its record")
    for channel in soak.verdict["channels"]:
        missed = [name for name, found in channel.get("statements", {}).items() if found is None]
        if missed:
            said.append(f"{channel.get('label', channel['name'])}: {', '.join(missed)}")
    if soak.statement is None and len(said) == (soak.how != "finished"):
        said.append(f"soak {soak.id}: {soak.verdict['soak']['says']}")
    return said


def _last_readings(readings: Sequence[BenchReading]) -> list[BenchReading]:
    """Return the last reading as left of each quantity at each place."""
    last: dict[tuple[str, str], BenchReading] = {}
    for one in sorted(readings, key=lambda one: (one.taken, one.id)):
        if one.stage == AS_LEFT:
            last[one.quantity, one.place] = one
    return list(last.values())


def reading_words(reading: BenchReading) -> str:
    """Return a reading's value as it was read, with its uncertainty and limits."""
    U = "" if reading.uncertainty is None else f" ± {reading.uncertainty:g}"
    limits = [
        f"at {word} {limit:g}"
        for word, limit in (("least", reading.least), ("most", reading.most))
        if limit is not None
    ]
    held = f", {' and '.join(limits)} {reading.unit}" if limits else ""
    return f"{reading.value:g}{U} {reading.unit}{held}"


def _says(statement: str | None, parts: Sequence[Judged], not_seen: Sequence[str]) -> str:
    if statement is None:
        return f"Not judged: {not_seen[0] if not_seen else 'nothing was measured'}."
    worst_parts = [part for part in parts if part.statement == statement]
    if statement not in (COND_FAIL, FAIL):
        return f"{worst_parts[0].says}" if len(parts) == 1 else f"{len(parts)} things judged: {statement}."
    names = "; ".join(f"{part.what}: {part.says}" for part in worst_parts[:3])
    return names if names.endswith(".") else f"{names}."


def overruling_of(statement: str, reason: str) -> tuple[str, str]:
    """Return what a person says instead of a verdict; RequestError without a reason."""
    said = " ".join(statement.replace("-", " ").lower().split())
    if said not in ORDER:
        raise EntryError({"statement": f"{statement!r} is no verdict: it is one of {', '.join(ORDER)}"})
    with entered("reason"):
        return said, paragraphs(reason, "the reason for overruling", needed=True)
