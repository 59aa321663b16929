"""The job record as a terminal shows it, and as JSON. Milliamps and plain words are at home here."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import fields
from datetime import datetime
from typing import TYPE_CHECKING, Any

from rich import box
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from logger.bench_readings import power_of
from logger.jobs import Hours, Job, JobVerdict, judge, propose_plan, reading_words
from logger.tables import RESULT_WORDS, duration

if TYPE_CHECKING:
    from logger.jobs import BenchReading, Change, ChecklistItem, Fitting, JobSoak, Valve

_NO_HOURS = Hours()


def jobs_table(jobs: Sequence[Job]) -> Table:
    """Lay out jobs, one a row."""
    table = _table("job>", "state", "received (UTC)", "amp", "customer", "complaint")
    for job in jobs:
        table.add_row(
            str(job.id),
            job.state.value,
            f"{job.received:%Y-%m-%d}",
            escape(job.amp.label),
            escape(job.customer),
            escape(_first_line(job.complaint)),
        )
    return table


def job_parts(job: Job, hours: Mapping[int, Hours], *, history: bool = False) -> Iterator[object]:
    """Lay out one job: what stands, what was fitted and read, its verdict last."""
    yield _head(job)
    if job.fittings:
        yield fittings_table(job.fittings, lambda one: hours.get(one.valve_id, _NO_HOURS))
    if job.fuses:
        table = _table("fuse", "as found", "as marked", "as fitted")
        for fuse in job.fuses:
            table.add_row(*map(escape, (fuse.position, fuse.found, fuse.marked, fuse.fitted)))
        yield table
    if job.checklist:
        yield checklist_table(job.checklist)
    if job.readings:
        yield readings_table(job.readings, job.amp.rated_w)
    if job.work:
        table = _table("no.>", "work", "part", "quantity>", "time>")
        for work in job.work:
            minutes = "" if work.minutes is None else f"{work.minutes:g} min"
            quantity = "" if work.quantity is None else f"{work.quantity:g}"
            table.add_row(str(work.id), escape(work.what), escape(work.part), quantity, minutes)
        yield table
    for remark in job.remarks:
        yield Text(f"remark {remark.id}, {_when(remark.made)}, {remark.made_by}: {remark.text}")
    for photo in job.photographs:
        caption = f": {photo.caption}" if photo.caption else ""
        yield Text(f"photograph {photo.id} ({photo.name}, {photo.width_px} x {photo.height_px}){caption}")
    if job.soaks:
        yield _soaks_table(job.soaks)
    if history:
        yield history_table(job.history)
    yield from verdict_lines(judge(job), job)


def _head(job: Job) -> Text:
    text = Text()
    text.append(f"Job {job.id}, {job.state}: {job.amp.label}\n", style="bold")
    closed = "" if job.closed is None else f", collected {_when(job.closed)}"
    text.append(f"received {_when(job.received)}{closed}")
    text.append(f", customer's reference {job.customer}\n" if job.customer else "\n")
    shows = f" (shows {', '.join(job.shows)})" if job.shows else ""
    if job.complaint or shows:
        text.append(f"complaint: {job.complaint}{shows}\n")
    if job.condition:
        text.append(f"condition: {job.condition}\n")
    if job.amp.notes:
        text.append(f"the amp: {job.amp.notes}\n")
    return text


def fittings_table(
    fittings: Sequence[Fitting], hours: Callable[[Fitting], Hours], *, amps: bool = False
) -> Table:
    """Lay out which valve sat where, with the hours that `hours` gives; `amps`: name the amp too."""
    table = _table(
        *(("amp",) if amps else ()),
        *("socket", "valve", "type", "how", "from (UTC)", "to (UTC)", "at heat>", "at idle>", "why out"),
    )
    for one in fittings:
        seen = hours(one)
        table.add_row(
            *((escape(one.amp),) if amps else ()),
            escape(one.socket),
            escape(one.valve.label),
            escape(one.valve.type),
            one.how,
            _when(one.fitted),
            "still there" if one.removed is None else _when(one.removed),
            duration(seen.heat_s),
            duration(seen.idle_s),
            escape(one.why_removed),
        )
    return table


def checklist_table(items: Sequence[ChecklistItem]) -> Table:
    """Lay out a checklist, one item a row, with its caution below it."""
    table = _table("no.>", "", "item", "read>", "note", "by")
    section = None
    for item in items:
        if item.section != section:
            table.add_row("", "", Text(item.section, style="bold"))
            section = item.section
        sign = {None: "open", "fine": "fine", "fault": "FAULT", "does not apply": "none"}[item.result]
        what = Text(item.what)
        if item.caution and item.result is None:
            what.append(f"\n{item.caution}", style="italic")
        read = item.asks if item.value is None else f"{item.value:g} {item.asks}"
        table.add_row(str(item.id), sign, what, read, escape(item.note), escape(item.done_by))
    return table


def readings_table(readings: Sequence[BenchReading], rated_w: float | None) -> Table:
    """Lay out bench readings, one a row."""
    table = _table("no.>", "", "quantity", "value>", "instrument", "with", "taken (UTC)")
    for one in readings:
        conditions = [
            f"{one.load_ohm:g} ohm load" if one.load_ohm is not None else "",
            f"{one.tap_ohm:g} ohm tap" if one.tap_ohm is not None else "",
            one.weighting and f"weighting {one.weighting}",
            one.bandwidth,
            one.note,
        ]
        power = power_of(one)
        if power is not None:
            conditions.append(power.words(rated_w))
        table.add_row(
            str(one.id),
            one.stage,
            escape(one.label),
            escape(reading_words(one)),
            escape(one.instrument),
            escape("; ".join(part for part in conditions if part)),
            _when(one.taken),
        )
    return table


def _soaks_table(soaks: Sequence[JobSoak]) -> Table:
    table = _table("soak>", "", "started (UTC)", "seen>", "ended", "result")
    for soak in soaks:
        result = RESULT_WORDS[soak.statement] if soak.ended is not None else "–"
        table.add_row(
            str(soak.id), soak.kind, _when(soak.started), duration(soak.last_s), soak.how or "running", result
        )
    return table


def history_table(history: Sequence[Change]) -> Table:
    """Lay out edits, one field a row."""
    table = _table("when (UTC)", "who", "what", "field", "was", "became")
    for change in history:
        what = f"{change.table.replace('_', ' ')} {change.row_id}"
        values = (_shown(change.field, change.was), _shown(change.field, change.became))
        table.add_row(
            f"{change.made:%Y-%m-%d %H:%M:%S}",
            escape(change.made_by),
            what,
            change.field.removesuffix("_us"),
            *map(escape, values),
        )
    return table


def _shown(field: str, value: Any) -> str:
    if value is None:
        return "–"
    if field.endswith("_us"):
        from logger.store.job import moment

        return _when(moment(value))
    return str(value)


def verdict_lines(verdict: JobVerdict, job: Job) -> Iterator[object]:
    """Lay out a job's verdict: what counts first, then ours where a person overruled it."""
    text = Text()
    text.append(f"Result: {RESULT_WORDS[verdict.stands]}. ", style="bold")
    over = verdict.overruled
    if over is not None:
        text.append(f"{over.made_by} said so on {_when(over.made)} UTC: {over.reason}\n")
        text.append(f"By what was measured: {RESULT_WORDS[verdict.statement]}. ")
    text.append(f"{verdict.says}\n" if verdict.statement is not None else "\n")
    for part in verdict.not_seen:
        text.append(f"not judged: {part}\n")
    for one in job.overrulings:
        if over is None or one.id != over.id:
            text.append(
                f'{one.made_by} said "{RESULT_WORDS[one.statement]}" on {_when(one.made)} UTC, which no '
                f"longer stands: {one.reason}\n"
            )
    yield text


def plan_lines(shows: Sequence[str]) -> Iterator[object]:
    """Lay out the soak that a complaint asks for."""
    plan = propose_plan(shows)
    steps = ", ".join(f"{step} {minutes:g} min" for step, minutes in plan.steps)
    text = Text(f"proposed soak: {steps} ({duration(60.0 * plan.minutes)})\n")
    for sentence in plan.do:
        text.append(f"  {sentence}\n")
    yield text


def valves_table(valves: Sequence[Valve], fittings: Sequence[Fitting], hours: Mapping[int, Hours]) -> Table:
    """Lay out valves, one a row, with where they sit and their hours."""
    here = {one.valve_id: one for one in fittings if one.removed is None}
    table = _table(
        *(
            "no.>",
            "valve",
            "type",
            "batch",
            "seller's mA>",
            "mA/V>",
            "sits in",
            "at heat>",
            "at idle>",
            "soaks>",
        )
    )
    for valve in valves:
        seen = hours.get(valve.id, _NO_HOURS)
        place = here.get(valve.id)
        table.add_row(
            str(valve.id),
            escape(valve.label),
            escape(valve.type),
            escape(valve.batch),
            "" if valve.seller_a is None else f"{1000.0 * valve.seller_a:g}",
            "" if valve.seller_s is None else f"{1000.0 * valve.seller_s:g}",
            "" if place is None else escape(f"{place.amp}, {place.socket}"),
            duration(seen.heat_s),
            duration(seen.idle_s),
            str(seen.soaks),
        )
    return table


# ---- JSON


def job_document(job: Job, hours: Mapping[int, Hours]) -> dict[str, Any]:
    """Return a `soakbench.job/1` document."""
    verdict = judge(job)
    plan = propose_plan(job.shows)
    left_out = {"id", "fittings", "amp", "soaks", "readings"}
    document = {"schema": "soakbench.job/1", "job": job.id}
    document |= {name: value for name, value in _row(job).items() if name not in left_out}
    return document | {
        "amp": _row(job.amp),
        "valves": [fitting_document(one, hours) for one in job.fittings],
        "readings": [reading_document(one) for one in job.readings],
        "soaks": [
            {
                "soak": soak.id,
                "kind": soak.kind,
                "started": soak.started.isoformat(),
                "ended": None if soak.ended is None else soak.ended.isoformat(),
                "how": soak.how,
                "seen_s": soak.last_s,
                "verdict": soak.statement,
            }
            for soak in job.soaks
        ],
        "proposed_plan": {
            "steps": [{"step": step, "minutes": minutes} for step, minutes in plan.steps],
            "do": list(plan.do),
        },
        "verdict": {
            "statement": verdict.statement,
            "stands": verdict.stands,
            "says": verdict.says,
            "parts": [_row(part) for part in verdict.parts],
            "not_seen": list(verdict.not_seen),
            "overruled": None if verdict.overruled is None else verdict.overruled.id,
        },
    }


def jobs_document(jobs: Sequence[Job]) -> dict[str, Any]:
    """Return a `soakbench.jobs/1` document: the list, without what belongs to each."""
    names = ("state", "received", "closed", "customer", "complaint", "shows", "version")
    rows = []
    for job in jobs:
        plain = _row(job)
        rows.append({"job": job.id, "amp": _row(job.amp)} | {name: plain[name] for name in names})
    return {"schema": "soakbench.jobs/1", "jobs": rows}


def reading_document(one: BenchReading) -> dict[str, Any]:
    """Return a bench reading as plain JSON types, with the power where it is one of output."""
    power = power_of(one)
    return _row(one) | {
        "power_W": None if power is None else power.watts,
        "power_expanded_uncertainty_W": None if power is None else power.U_watts,
        "expected_share_of_rated": None if power is None or power.share is None else list(power.share),
    }


def fitting_document(one: Fitting, hours: Mapping[int, Hours]) -> dict[str, Any]:
    """Return a fitting as plain JSON types, its valve and that valve's hours with it."""
    plain = _row(one)
    return plain | {"valve": valve_document(one.valve, hours)}


def valve_document(valve: Valve, hours: Mapping[int, Hours]) -> dict[str, Any]:
    """Return a valve as plain JSON types, milliamps, and its hours over all soaks."""
    plain = _row(valve)
    amperes, siemens = plain.pop("seller_a"), plain.pop("seller_s")
    return plain | {
        "seller_mA": None if amperes is None else 1000.0 * amperes,
        "seller_mA_per_V": None if siemens is None else 1000.0 * siemens,
        "hours": _row(hours.get(valve.id, _NO_HOURS)),
    }


def history_document(history: Sequence[Change]) -> dict[str, Any]:
    """Return a `soakbench.history/1` document."""
    return {"schema": "soakbench.history/1", "history": [_row(change) for change in history]}


def valves_document(
    valves: Sequence[Valve], fittings: Sequence[Fitting], hours: Mapping[int, Hours]
) -> dict[str, Any]:
    """Return a `soakbench.valves/1` document: each valve with everywhere it sat."""
    return {
        "schema": "soakbench.valves/1",
        "valves": [
            valve_document(valve, hours)
            | {
                "sat_in": [
                    {name: value for name, value in _row(one).items() if name != "valve"}
                    for one in fittings
                    if one.valve_id == valve.id
                ]
            }
            for valve in valves
        ],
    }


def _row(part: Any) -> dict[str, Any]:
    """Return a dataclass as plain JSON types."""
    return {field.name: _plain(getattr(part, field.name)) for field in fields(part)}


def _plain(value: Any) -> Any:
    if hasattr(value, "__dataclass_fields__"):
        return _row(value)
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, (list, tuple)):
        return [_plain(one) for one in value]
    if isinstance(value, Mapping):
        return {str(name): _plain(one) for name, one in value.items()}
    return value


def _table(*heads: str) -> Table:
    """Return an empty table; a head that ends in > has its column to the right."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for head in heads:
        table.add_column(head.removesuffix(">"), justify="right" if head.endswith(">") else "left")
    return table


def _when(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M}"


def _first_line(text: str) -> str:
    first, _, rest = text.partition("\n")
    return f"{first} …" if rest else first
