"""The pages on which a person writes the job record: one form a page, drawn once: nothing typed is lost.

A form is data in an element (`data-form`), which `assets/forms.js` makes native controls of and sends to
`dashboard/record_forms.py`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from dash import Dash, Input, Output, dcc, html

from dashboard import photographs, record_forms, words
from dashboard.bench import Absent, Bench
from dashboard.pages import parts
from dashboard.pages.parts import Children
from dashboard.record_forms import DEEDS, NO_CHECKLIST, fields_of
from logger import check, jobs
from logger.bench_readings import QUANTITIES
from logger.entries import FIELDS, TABLES, UNITS, Field, Kind
from logger.errors import RequestError
from logger.jobs import AS_LEFT, MAY_FOLLOW, Change, ChecklistItem, Hours, Job, State, hours
from logger.store.job import moment
from logger.store.reader import Reader
from logger.valves import known_types

Page = tuple[str, Children]
"""A page's title, and what stands on it."""


def layout(address: Sequence[str]) -> list[Any]:
    """Return the frame of the page at this address: its parts, `jobs` or `valves` first."""
    return [dcc.Store(id="record-page", data=list(address)), html.Div(id="record-forms", className="record")]


def register(app: Dash, bench: Bench) -> None:
    """Add the callback that draws such a page, once."""

    @app.callback(
        Output("record-forms", "children"),
        Output("title", "data", allow_duplicate=True),
        Input("record-page", "data"),
        prevent_initial_call="initial_duplicate",
    )
    def draw(address: list[str]) -> tuple[Any, str]:
        nothing = Absent("There is no such page", "See the jobs, or the valves, by the ways above.")
        found = bench.read(lambda reader: _page(reader, address), nothing)
        if isinstance(found, Absent) and address == ["jobs", "new"] and not bench.reader.exists():
            found = _book_in(None)  # the first job makes the store
        if isinstance(found, Absent):
            return parts.nothing(found), f"{found.title} · soakbench"
        return found[1], f"{found[0]} · soakbench"


def _page(reader: Reader, address: list[str]) -> Page:
    match address:
        case ["jobs", "new"]:
            return _book_in(reader)
        case ["valves"]:
            return _valves(reader)
        case ["valves", number]:
            return _valve(reader, int(number))
        case ["jobs", number, *rest]:
            page = _of_job(reader, int(number), rest)
            if page is not None:
                return page
    raise RequestError("there is no such page")


def _of_job(reader: Reader, number: int, rest: list[str]) -> Page | None:
    match rest:
        case ["history"]:
            return _history_page(reader.job(number, deleted=True))
        case ["soak", soak] if soak.isdecimal():
            return _soak_away(reader.job(number), int(soak))
        case [what, row] if what in TABLES and row.isdecimal():
            return _row(reader, reader.job(number, deleted=True), TABLES[what], int(row))
    job = reader.job(number)
    match rest:
        case ["edit"]:
            return _row(reader, job, "job", job.id)
        case ["amp"]:
            return _row(reader, job, "amp", job.amp.id)
        case ["state"]:
            return _state(job)
        case ["checklist"]:
            return _checklist(job)
        case ["report"]:
            return _report(job)
        case ["add", name]:
            return _add(reader, job, name.replace("-", " "))
    return None


# ---- forms as data


def form(
    deed: str,
    *,
    job: int = 0,
    table: str = "job",
    row: int = 0,
    seen: int | None = None,
    values: Mapping[str, str] | None = None,
    only: Sequence[str] | None = None,
    options: Mapping[str, Sequence[tuple[str, str]]] | None = None,
    known: Mapping[str, Sequence[str]] | None = None,
    labels: Mapping[str, str] | None = None,
    button: str = "",
    plan: bool = False,
    stays: bool = False,
    more: Sequence[str] = (),
) -> html.Div:
    """Return a form: `values` are what stands in it at first, `only` which fields it shows.

    `options`: of a choice, what is sent and what is read; `known`: names that are offered. `stays`: the page
    stays when it was done. `plan`: says which soak the complaint asks for. `more`: fields that are seldom
    wanted, which a person opens.
    """
    about = DEEDS[deed]
    shown = [one for one in fields_of(deed, table) if only is None or one.name in only]
    told = {
        "deed": deed,
        "job": job,
        "table": table,
        "row": row,
        "seen": seen,
        "button": button or about.button,
        "signed": about.signed,
        "stays": stays,
        "plan": plan,
        "fields": [
            _field(one, about, (values or {}).get(one.name, ""), options or {}, labels or {})
            | ({"more": True} if one.name in more else {})
            for one in shown
        ],
        "known": {
            one.known: list(dict.fromkeys(filter(None, (known or {})[one.known])))
            for one in shown
            if one.known in (known or {})
        },
    }
    data: dict[str, Any] = {"data-form": json.dumps(told, ensure_ascii=False)}
    return html.Div(className="form", **data)


def _field(
    one: Field,
    about: record_forms.Deed,
    value: str,
    options: Mapping[str, Sequence[tuple[str, str]]],
    labels: Mapping[str, str],
) -> dict[str, Any]:
    choices = options.get(one.name) or [(text, text) for text in one.options]
    told: dict[str, Any] = {
        "name": one.name,
        "label": labels.get(one.name, one.label),
        "kind": one.kind.value,
        "value": value,
    }
    if one.name == "note":
        told["short"] = True
    if one.kind is Kind.FILE:
        told |= {"accept": about.accept, "most_bytes": about.most_bytes}
    if choices:
        told |= {"options": choices, "grows": bool(one.known)}
    for name in ("unit", "needed", "hint", "known", "when"):
        if getattr(one, name) and not (choices and name == "known"):
            told[name] = getattr(one, name)
    return told


def _known(reader: Reader | None, job: Job | None = None) -> dict[str, list[str]]:
    """Return the names that are offered: those that the store has."""
    found = {"quantities": list(QUANTITIES), "units": list(UNITS), "types": known_types()}
    if reader is None:
        return found
    valves = reader.valves()
    found["valves"] = [one.label for one in valves]
    found["types"] = [*(one.type for one in valves), *found["types"]]
    if job is not None:
        sockets = [one.socket for one in job.fittings]
        for soak in job.soaks[-1:]:
            sockets += [name for pair in reader.soak(soak.id).setup.pairs for name in pair.sockets]
        found["sockets"] = sorted(dict.fromkeys(sockets), key=jobs.by_number)
        found["fuses"] = [*(one.position for one in job.fuses), "mains", "HT", "bias", "heaters"]
        found["instruments"] = [one.instrument for one in job.readings]
    return found


def _setups(reader: Reader | None) -> list[tuple[str, str]]:
    """Return the set-ups that soaks ran with, one an amplifier and the newest first, as choices."""
    by_amp: dict[str, tuple[str, str]] = {}
    for soak in reversed([] if reader is None else reader.soaks()):
        by_amp.setdefault(soak.amp, (str(soak.id), f"{soak.amp}, as of soak {soak.id}"))
    return [("", "not named"), *by_amp.values()]


def _head(title: str, way: str, to: str, *facts: str) -> html.Header:
    return html.Header(
        [
            html.Div(
                [
                    html.H1(title),
                    html.Nav([dcc.Link(f"← {way}", href=parts.href(to))], className="near"),
                ],
                className="head-row",
            ),
            *([html.P([html.Span(fact) for fact in facts], className="facts")] if facts else []),
        ],
        className="page-head",
    )


def _of(job: Job) -> tuple[str, str]:
    return f"Job {job.id}", f"/jobs/{job.id}"


# ---- the pages


def _book_in(reader: Reader | None) -> Page:
    amps = [] if reader is None else reader.amps()
    new = ("", "one that was not here before")
    drawn = form(
        "book in",
        values={"checklist": "full"},
        options={
            "amp_id": [new, *((str(one.id), one.label) for one in reversed(amps))],
            "setup": _setups(reader),
            "checklist": [*((name, name) for name in _templates()), (NO_CHECKLIST, "none")],
        },
        known=_known(reader),
        plan=True,
        more=("rated_w", "notes", "received", "setup"),
    )
    return "Book in", [_head("Book in an amplifier", "Jobs", "/jobs"), drawn, parts.caution()]


def _templates() -> list[str]:
    field = next(one for one in DEEDS["checklist"].fields if one.name == "checklist")
    return list(field.options)


def _add(reader: Reader, job: Job, name: str) -> Page | None:
    deed = DEEDS.get(name)
    if deed is None or name in ("book in", "edit", "delete", "restore", "tick", "take soak"):
        return None
    values = {"bias": "fixed"}
    if name in ("reading", "readings"):
        values["stage"] = AS_LEFT if any(one.kind == AS_LEFT for one in job.soaks) else "as found"
    options = {"setup": _setups(reader)}
    if name == "soak":
        options["soak"] = [
            (str(one.id), f"soak {one.id}, {one.amp}, {parts.when(one.started)}{_whose(one.job_id)}")
            for one in reversed(reader.soaks())
            if one.job_id != job.id
        ]
        if not options["soak"]:
            none = "There is no other soak in this store. One of this job begins with:"
            command = html.Pre(html.Code(f"soakbench run SETUP --job {job.id}"), className="command")
            return deed.title, [_head(deed.title, *_of(job)), html.P(none, className="none"), command]
    if name == "take out":
        options["socket"] = [
            (one.socket, f"{one.socket}: {one.valve.label}")
            for one in sorted(job.fitted_now, key=lambda one: jobs.by_number(one.socket))
        ]
    body: Children = [_head(deed.title, *_of(job), job.amp.label)]
    if name == "overrule":
        judged = jobs.judge(job)
        body.append(html.P(f"By what was measured: {words.statement(judged.statement)}. {judged.says}"))
    body.append(
        form(
            name,
            job=job.id,
            values=values,
            options=options,
            known=_known(reader, job),
            more=_SELDOM.get(name, ()),
        )
    )
    if name == "reading":
        way = dcc.Link("Take in a csv file", href=parts.href(f"/jobs/{job.id}/add/readings"))
        body.append(html.P(way, className="forth"))
    if name in ("fit", "take out", "reading", "readings"):
        body.append(parts.caution())
    return deed.title, body


_SELDOM: Final[Mapping[str, Sequence[str]]] = {
    "reading": ("least", "most", "limit_source", "taken", "note"),
    "fit": ("batch", "seller_a", "seller_s", "seller_note", "fitted"),
    "take out": ("removed",),
}
"""Fields that most entries of a deed leave empty."""


def _whose(job_id: int | None) -> str:
    return "" if job_id is None else f" (now of job {job_id})"


def _soak_away(job: Job, number: int) -> Page | None:
    if number not in {one.id for one in job.soaks}:
        return None
    title = f"Take soak {number} away from job {job.id}"
    says = "The soak itself stays as it is, and can belong to a job again."
    return title, [
        _head(title, *_of(job), job.amp.label),
        html.P(says),
        form("take soak", job=job.id, table="job", row=number),
    ]


def _state(job: Job) -> Page:
    may = [(state.value, state.value) for state in (job.state, *MAY_FOLLOW[job.state])]
    drawn = form(
        "edit",
        job=job.id,
        row=job.id,
        seen=job.version,
        values={"state": job.state.value},
        only=("state",),
        options={"state": may},
    )
    body: Children = [_head("Change state", *_of(job), job.amp.label), drawn]
    not_seen = jobs.judge(job).not_seen
    if not_seen and State.COLLECTED in MAY_FOLLOW[job.state]:
        body += [html.H2("Still open"), html.Ul([html.Li(text) for text in not_seen])]
    return "Change state", body


_IN_JOB: Final[Mapping[str, Callable[[Job], Sequence[Any]]]] = {
    "job": lambda job: [job],
    "amp": lambda job: [job.amp],
    "valve": lambda job: [one.valve for one in job.fittings],
    "fitting": lambda job: job.fittings,
    "fuse": lambda job: job.fuses,
    "checklist_item": lambda job: job.checklist,
    "work_item": lambda job: job.work,
    "remark": lambda job: job.remarks,
    "bench_reading": lambda job: job.readings,
    "photograph": lambda job: job.photographs,
}
"""What of each table belongs to a job."""
_WORD: Final = {TABLES[word]: word for word in reversed(tuple(TABLES))}


def _row(reader: Reader, job: Job, table: str, number: int) -> Page | None:
    """Return the page on which one row of the record is changed, deleted or restored, its history below."""
    row = next((one for one in _IN_JOB[table](job) if one.id == number), None)
    if row is None:
        return None
    named = name_of(table, row)
    title = f"Change {named}"
    history = _history(reader.history(table, number))
    body: Children = [
        _head(title, *_of(job), job.amp.label, f"entered by {row.made_by}, {parts.when(row.made)}")
    ]
    if table == "photograph":
        address = parts.href(photographs.address(row, small=True))
        body.append(html.Img(src=address, alt=row.caption or row.name, className="shown"))
    if row.deleted is not None:
        body.append(html.P(f"Marked as deleted on {parts.when(row.deleted)}.", className="none"))
        body.append(form("restore", job=job.id, table=table, row=number))
    elif table == "checklist_item":
        body.append(_tick(job, row))
    else:
        body.append(_edit_form(reader, job, table, row))
    body += history
    if row.deleted is None and table not in ("amp", "valve"):
        says = "It is only marked so: it stays in the store, and can be restored."
        inside = [html.P(says), form("delete", job=job.id, table=table, row=number, seen=row.version)]
        body.append(html.Details([html.Summary(html.H2(f"Delete {named}")), *inside], className="delete"))
    return title, body


def _edit_form(reader: Reader | None, job: Job | None, table: str, row: Any) -> html.Div:
    values = {one.name: one.written(getattr(row, one.name)) for one in FIELDS[table]}
    options = {}
    if isinstance(row, Job):
        options["state"] = [(one.value, one.value) for one in (row.state, *MAY_FOLLOW[row.state])]
    return form(
        "edit",
        job=0 if job is None else job.id,
        table=table,
        row=row.id,
        seen=row.version,
        values=values,
        options=options,
        known=_known(reader, job),
        plan=table == "job",
    )


def name_of(table: str, row: Any) -> str:
    """Return what a person calls a row."""
    word = _WORD[table]
    match table:
        case "job":
            return f"job {row.id}"
        case "amp":
            return "the amplifier"
        case "valve" | "bench_reading":
            return f"{word} {row.label}"
        case "fitting":
            return f"{row.socket}, {row.valve.label}"
        case "fuse":
            return f"fuse {row.position}"
        case "checklist_item" | "work_item":
            return f"“{parts.shortened(row.what)}”"
        case "remark":
            return f"remark “{parts.shortened(row.text)}”"
        case _:
            return f"photograph {parts.shortened(row.caption or row.name)}"


# ---- the checklist


def _tick(job: Job, item: ChecklistItem, *, stays: bool = False) -> html.Div:
    reopen = [("", "still open")] if item.result is not None else []
    return form(
        "tick",
        job=job.id,
        table="checklist_item",
        row=item.id,
        seen=item.version,
        values={
            "result": item.result or "",
            "value": FIELDS["checklist_item"][1].written(item.value),
            "note": item.note,
        },
        only=("result", "value", "note") if item.asks else ("result", "note"),
        options={"result": [*((one, one) for one in jobs.RESULTS), *reopen]},
        labels={"value": f"Read, in {item.asks}"},
        stays=stays,
    )


def _checklist(job: Job) -> Page:
    """Return all that is open, a form an item, and what is done below."""
    here = [one for one in job.checklist if one.deleted is None]
    waits = [one for one in here if one.result is None]
    body: Children = [_head("Checklist", *_of(job), job.amp.label, f"{len(waits)} of {len(here)} still open")]
    body += [html.P(text, className="do") for text in check.CAUTIONS]
    for name in dict.fromkeys(one.section for one in waits):
        body.append(html.H2(f"{name[:1].upper()}{name[1:]}"))
        for item in (one for one in waits if one.section == name):
            told: Children = [html.Summary(html.H3(item.what))]
            if item.caution:
                told.append(html.P(item.caution, className="do"))
            told.append(_tick(job, item, stays=True))
            body.append(html.Details(told, className="item", open=item is waits[0]))
    done = [one for one in here if one.result is not None]
    if done:
        rows = [
            [dcc.Link(one.what, href=parts.href(f"/jobs/{job.id}/check/{one.id}")), _told(one), one.done_by]
            for one in done
        ]
        body += [html.H2("Done"), parts.table(("Item", "How it went", "By"), rows)]
    if not here:
        body.append(html.P("Nothing is on it yet: add one of the checklists.", className="none"))
    add = dcc.Link("Add a checklist", href=parts.href(f"/jobs/{job.id}/add/checklist"))
    body.append(html.P(add, className="forth"))
    return "Checklist", body


def _told(item: ChecklistItem) -> str:
    value = "" if item.value is None else f", {item.value:g} {item.asks}"
    return f"{item.result}{value}{f'. {item.note}' if item.note else ''}"


# ---- valves


_NO_HOURS: Final = Hours()


def _valves(reader: Reader) -> Page:
    valves, fittings, run = reader.valves(), reader.fittings(), reader.valve_hours()
    title = "Valves"
    body: Children = [_head(title, "Jobs", "/jobs")]
    if not valves:
        says = "No valve yet. One comes into the record when it is fitted: open a job, then Fit a valve."
        return title, [*body, html.P(says, className="none")]
    rows = []
    for one in valves:
        sits = next((f for f in fittings if f.valve_id == one.id and f.removed is None), None)
        spent = run.get(one.id, _NO_HOURS)
        rows.append(
            [
                dcc.Link(one.label, href=parts.href(f"/valves/{one.id}"), className="forth"),
                one.type or "–",
                one.batch or "–",
                "–" if sits is None else f"{sits.amp}, {sits.socket}",
                words.duration(spent.heat_s),
                words.duration(spent.idle_s),
            ]
        )
    return title, [*body, parts.table(("Valve", "Type", "Batch", "Sits in", "At heat", "At idle"), rows)]


def _valve(reader: Reader, number: int) -> Page:
    """Return one valve's life over amplifiers, and the form that corrects it."""
    valve = next((one for one in reader.valves() if one.id == number), None)
    if valve is None:
        raise RequestError(f"there is no valve {number}")
    soaks = reader.job_soaks()
    rows = []
    for one in reader.fittings(valve_id=number):
        spent = hours([one], soaks)[number]
        job = (
            "–"
            if one.job_id is None
            else dcc.Link(f"Job {one.job_id}", href=parts.href(f"/jobs/{one.job_id}"))
        )
        until = "sits there" if one.removed is None else parts.when(one.removed)
        rows.append(
            [
                one.socket,
                one.amp,
                job,
                parts.when(one.fitted) if one.how == "fitted" else f"found {parts.when(one.fitted)}",
                [until, *([parts.quiet(one.why_removed)] if one.why_removed else [])],
                f"{words.duration(spent.heat_s)}, {words.duration(spent.idle_s)} at idle",
            ]
        )
    heads = ("Socket", "Amplifier", "Job", "From", "To", "At heat")
    title = f"Valve {valve.label}"
    return title, [
        _head(
            title, "Valves", "/valves", *filter(None, (valve.type, valve.batch and f"batch {valve.batch}"))
        ),
        parts.table(heads, rows) if rows else html.P("It was never fitted.", className="none"),
        html.H2("Correct it"),
        _edit_form(reader, None, "valve", valve),
        *_history(reader.history("valve", number)),
    ]


# ---- history


_UNTOLD: Final = ("done_us", "done_by", "closed_us", "out_job_id")
"""What changes by itself beside what a person changed."""


def _history(changes: Sequence[Change]) -> Children:
    """Return every edit of a row, the newest first."""
    told = [_change(one) for one in reversed(changes) if one.field not in _UNTOLD]
    if not told:
        return []
    rows = [[parts.when(one.made), one.made_by, what] for one, what in told]
    return [html.H2("History"), parts.table(("When", "By", "What"), rows, "history")]


def _change(one: Change) -> tuple[Change, Children]:
    """Return an edit as what was there and what became of it."""
    if one.field == "deleted_us":
        return one, ["restored" if one.became is None else "marked as deleted"]
    if one.table == "soak":
        return one, [f"soak {one.row_id}: of job {one.was or 'none'}, then of {one.became or 'none'}"]
    name = one.field.removesuffix("_us")
    field = next((known for known in FIELDS[one.table] if known.name == name), None)
    timed = one.field.endswith("_us")

    def said(value: Any) -> str:
        if value is None or value == "":
            return "nothing"
        if timed:
            return parts.when(moment(value))
        return str(value) if field is None else f"{field.written(value)} {field.unit}".rstrip()

    label = name if field is None else field.label
    return one, [
        html.Strong(f"{label}: "),
        html.Del(said(one.was), className="said"),
        " → ",
        html.Ins(said(one.became), className="said"),
    ]


def _history_page(job: Job) -> Page:
    """Return what was deleted of a job, to be restored, and every edit."""
    title = f"History of job {job.id}"
    body: Children = [_head(title, *_of(job), job.amp.label)]
    gone = [
        (table, row)
        for table, rows in _IN_JOB.items()
        if table not in ("job", "amp", "valve")
        for row in rows(job)
        if row.deleted is not None
    ]
    body.append(html.H2("Marked as deleted"))
    if gone:
        rows = [
            [
                dcc.Link(name_of(table, row), href=parts.href(f"/jobs/{job.id}/{_WORD[table]}/{row.id}")),
                parts.when(row.deleted),
            ]
            for table, row in gone
        ]
        body.append(parts.table(("What", "Deleted"), rows))
    else:
        body.append(html.P("Nothing.", className="none"))
    known = {(table, row.id): name_of(table, row) for table, rows in _IN_JOB.items() for row in rows(job)}
    told = [_change(one) for one in reversed(job.history) if one.field not in _UNTOLD]
    body.append(html.H2("Every edit, the newest first"))
    if told:
        rows = [
            [parts.when(one.made), one.made_by, known.get((one.table, one.row_id), one.table), what]
            for one, what in told
        ]
        body.append(parts.table(("When", "By", "Of", "What"), rows, "history"))
    else:
        body.append(html.P("Nothing was changed since it was entered.", className="none"))
    return title, body


# ---- the report


def _report(job: Job) -> Page:
    title = f"Report of job {job.id}"
    ways = []
    for name, tail in (
        ("PDF, A4", ".pdf?paper=a4"),
        ("PDF, Letter", ".pdf?paper=letter"),
        ("One HTML page", ".html"),
        ("The chart alone, PNG", ".png"),
    ):
        named: dict[str, Any] = {"data-report": f"job{job.id}{tail.partition('?')[0]}"}
        to = parts.href(f"/jobs/{job.id}/report{tail}")
        ways.append(html.Li(html.A(name, href=to, className="key", **named)))
    says = (
        "The customer's page comes first, the workshop's sheet behind it. It is made when it is asked for, "
        "which takes some seconds."
    )
    polite: dict[str, Any] = {"aria-live": "polite"}
    return title, [
        _head(title, *_of(job), job.amp.label),
        html.P(says),
        html.Ul(ways, className="ways reports"),
        html.P(id="report-said", className="asked", role="status", **polite),
    ]
