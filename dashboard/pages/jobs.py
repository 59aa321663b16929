"""The Jobs pages: the list, and one job with all that its record holds; from there to what changes it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html, no_update

from dashboard import photographs, words
from dashboard.bench import Absent, Bench
from dashboard.chart import digest, spoken
from dashboard.pages import compare, parts
from dashboard.pages.parts import Children
from dashboard.told import plain_tree
from logger import jobs
from logger.bench_readings import power_of
from logger.errors import RequestError
from logger.jobs import AS_FOUND, AS_LEFT, STAGES, BenchReading, ChecklistItem, Fitting, Job, JobVerdict
from logger.store.reader import Reader, Soak

POLL_MS: Final = 10_000
_COLLECTED: Final = 25
"""How many of the jobs that were collected stand on the list at first."""
_NO_JOBS: Final = Absent(
    "No job yet",
    "A job is one visit of an amplifier: what it came with, what was measured and done, its soaks and its "
    "verdict. Book one in, here or with a command, then let a soak belong to it:",
    'soakbench jobs new --amp "NAME" --complaint "hums when hot"\nsoakbench run SETUP --job 1',
)


def layout(*, every: bool = False) -> list[Any]:
    """Return the frame of the list; `every`: all that were ever collected too."""
    return [
        dcc.Store(id="jobs-every", data=every),
        dcc.Store(id="jobs-known"),
        dcc.Interval(id="jobs-tick", interval=POLL_MS),
        html.Div(id="jobs-list"),
    ]


def job_layout(number: int) -> list[Any]:
    """Return the frame of one job."""
    return [
        dcc.Store(id="job-number", data=number),
        dcc.Store(id="job-known"),
        dcc.Interval(id="job-tick", interval=POLL_MS),
        html.Header(id="job-head", className="page-head"),
        html.Section(id="job-verdict", **{"aria-live": "polite", **spoken("Verdict")}),
        html.Div(id="job-parts"),
        parts.caution(),
    ]


def register(app: Dash, bench: Bench) -> None:
    """Add the callbacks of both pages."""

    @app.callback(
        Output("jobs-list", "children"),
        Output("title", "data", allow_duplicate=True),
        Output("jobs-known", "data"),
        Input("jobs-tick", "n_intervals"),
        State("jobs-every", "data"),
        State("jobs-known", "data"),
        prevent_initial_call="initial_duplicate",
    )
    def follow_list(_: int | None, every: bool, known: dict[str, str] | None) -> tuple[Any, ...]:
        found = bench.read(lambda reader: listed(reader, every=every), _NO_JOBS)
        if isinstance(found, Absent):
            none: Children = [parts.nothing(found)]
            if found is _NO_JOBS:
                none.append(_book_in())
            return _fresh({"list": none, "title": f"{found.title} · soakbench"}, known)
        shown, left_out = found
        gone = bench.read(deleted_jobs, _NO_JOBS) if every else []
        drawn = job_list(shown, left_out, gone if isinstance(gone, list) else [])
        return _fresh({"list": drawn, "title": list_title(shown)}, known)

    @app.callback(
        Output("job-head", "children"),
        Output("job-verdict", "children"),
        Output("job-parts", "children"),
        Output("title", "data", allow_duplicate=True),
        Output("job-known", "data"),
        Input("job-tick", "n_intervals"),
        State("job-number", "data"),
        State("job-known", "data"),
        prevent_initial_call="initial_duplicate",
    )
    def follow_job(_: int | None, number: int, known: dict[str, str] | None) -> tuple[Any, ...]:
        none_such = Absent(f"There is no job {number} in this store", "List them all:", "soakbench jobs list")
        found = bench.read(lambda reader: _whole(bench, reader, number), none_such)
        if isinstance(found, Absent):
            now: dict[str, Any] = {"head": None, "verdict": parts.nothing(found), "parts": None}
            return _fresh({**now, "title": f"{found.title} · soakbench"}, known)
        job, waits, known_jobs, soaks = found
        judged = jobs.judge(job)
        now = {
            "head": head(job, [one.id for one in known_jobs]),
            "verdict": verdict(job, judged, waits),
            "parts": job_parts(job, judged, soaks, known_jobs),
            "title": title(job, judged),
        }
        return _fresh(now, known)


def _fresh(now: dict[str, Any], known: dict[str, str] | None) -> tuple[Any, ...]:
    """Return what changed since it was last sent, then the digests of all."""
    seen = {name: digest(plain_tree(value)) for name, value in now.items()}
    sent = (no_update if known and known.get(name) == seen[name] else value for name, value in now.items())
    return (*sent, seen)


# ---- the list


def listed(reader: Reader, *, every: bool) -> tuple[list[Job], int]:
    """Return whole jobs, those that wait longest first, then the collected ones from the newest; and how
    many of these were left out.
    """
    found = reader.jobs()
    if not found:
        raise RequestError("there is no job")
    still = sorted((one for one in found if one.closed is None), key=lambda one: (one.received, one.id))
    done = sorted((one for one in found if one.closed is not None), key=_closed, reverse=True)
    shown = [*still, *(done if every else done[:_COLLECTED])]
    return [reader.job(one.id) for one in shown], len(found) - len(shown)


def deleted_jobs(reader: Reader) -> list[Job]:
    """Return the jobs that are marked as deleted."""
    return [one for one in reader.jobs(deleted=True) if one.deleted is not None]


def _book_in() -> html.Nav:
    return html.Nav(
        [parts.way("Book in an amplifier", "/jobs/new", changes=True), parts.way("Valves", "/valves")],
        className="ways do",
        **spoken("The job record"),
    )


def _closed(job: Job) -> tuple[datetime, int]:
    return job.closed or job.received, job.id


def list_title(shown: Sequence[Job]) -> str:
    """Return the tab's title: how many wait."""
    count = sum(job.closed is None for job in shown)
    return f"{count or 'no'} open job{'' if count == 1 else 's'} · soakbench"


_HEADS: Final = ("Job", "Amplifier", "Customer's reference", "State", "Received", "Result")


def job_list(shown: Sequence[Job], left_out: int, gone: Sequence[Job] = ()) -> Children:
    """Return the list: open jobs first, those marked as deleted last."""
    still = [job for job in shown if job.closed is None]
    done = [job for job in shown if job.closed is not None]
    body: Children = [html.Header(html.H1("Jobs"), className="page-head"), _book_in()]
    body.append(html.H2("Open"))
    if still:
        body.append(parts.table(_HEADS, [_list_row(job) for job in still], "jobs"))
    else:
        body.append(html.P("None. Book in an amplifier to begin the next one.", className="none"))
    if done:
        body.append(html.H2("Collected"))
        body.append(parts.table(_HEADS, [_list_row(job) for job in done], "jobs"))
    if left_out:
        count = "one more" if left_out == 1 else f"{left_out} more"
        body.append(
            html.P(
                dcc.Link(f"All jobs: {count} collected earlier", href=parts.href("/jobs/all")),
                className="forth",
            )
        )
    if gone:
        body.append(html.H2("Marked as deleted"))
        ways = [
            html.Li(parts.way(f"Job {one.id}, {one.amp.name}", f"/jobs/{one.id}/job/{one.id}"))
            for one in gone
        ]
        body.append(html.Ul(ways, className="ways"))
    return body


def _list_row(job: Job) -> list[Any]:
    received = f"{job.received.astimezone():%Y-%m-%d}"
    dates: Children = [received]
    if job.closed is not None:
        dates.append(parts.quiet(f"collected {job.closed.astimezone():%Y-%m-%d}"))
    amp: Children = [job.amp.name]
    if job.amp.serial:
        amp.append(parts.quiet(f"serial {job.amp.serial}"))
    return [
        dcc.Link(f"Job {job.id}", href=parts.href(f"/jobs/{job.id}"), className="forth"),
        amp,
        job.customer or "–",
        job.state.value,
        dates,
        _list_result(job),
    ]


def _list_result(job: Job) -> Any:
    if any(soak.unjudged and soak.kind == AS_LEFT for soak in job.soaks):
        return parts.quiet("a soak was broken off: see the job")
    found = jobs.judge(job)
    said: Children = [parts.said(found.stands)]
    if found.overruled is not None:
        said.append(parts.quiet(f"said by {found.overruled.made_by}"))
    return said


# ---- one job


def _whole(bench: Bench, reader: Reader, number: int) -> tuple[Job, list[str], list[Job], list[Soak]]:
    job, waits = bench.judged(reader.job(number))
    return job, waits, reader.jobs(), reader.soaks()


def title(job: Job, judged: JobVerdict) -> str:
    """Return the tab's title: state and verdict first."""
    result = "" if judged.stands is None else f", {words.statement(judged.stands)}"
    return f"{job.state.value}{result} · job {job.id} · {job.amp.name}"


def head(job: Job, numbers: Sequence[int]) -> Children:
    """Return amplifier, number, state and dates, and the ways to its neighbours."""
    near: Children = []
    before, after = ([one for one in numbers if one < job.id], [one for one in numbers if one > job.id])
    if before:
        near.append(dcc.Link(f"← Job {before[-1]}", href=parts.href(f"/jobs/{before[-1]}")))
    if after:
        near.append(dcc.Link(f"Job {after[0]} →", href=parts.href(f"/jobs/{after[0]}")))
    facts: Children = [
        html.Span(f"Job {job.id}"),
        html.Span(job.state.value, className="state"),
        html.Span(f"received {parts.when(job.received)}"),
    ]
    if job.closed is not None:
        facts.append(html.Span(f"collected {parts.when(job.closed)}"))
    if job.amp.serial:
        facts.append(html.Span(f"serial {job.amp.serial}"))
    if job.amp.rated_w is not None:
        facts.append(html.Span(f"rated {job.amp.rated_w:g} W"))
    if job.customer:
        facts.append(html.Span(f"customer's reference {job.customer}"))
    return [
        html.Div(
            [html.H1(job.amp.name), html.Nav(near, className="near", **spoken("Other jobs"))],
            className="head-row",
        ),
        html.P(facts, className="facts"),
        html.Nav(
            [
                parts.way("Change state", f"/jobs/{job.id}/state", changes=True),
                parts.way("Report", f"/jobs/{job.id}/report"),
                parts.way("History", f"/jobs/{job.id}/history"),
            ],
            className="ways do",
            **spoken("This job"),
        ),
    ]


def verdict(job: Job, judged: JobVerdict, waits: Sequence[str]) -> html.Div:
    """Return what counts, why, what was not seen, and what persons said instead."""
    body: Children = [parts.verdict_word(judged.stands)]
    over = judged.overruled
    if over is not None:
        body.append(
            html.P(
                [html.Strong(f"{over.made_by} said so on {parts.when(over.made)}. "), over.reason],
                className="verdict-says said",
            )
        )
        ours = words.statement(judged.statement)
        body.append(html.P(f"By what was measured: {ours}. {judged.says}", className="anew"))
    else:
        body.append(html.P(judged.says, className="verdict-says"))
    if judged.parts:
        rows = [
            html.Li(
                [html.Strong(part.what), parts.said(part.statement), html.Span(part.says, className="says")]
            )
            for part in judged.parts
        ]
        body.append(html.Ul(rows, className="reasons"))
    if judged.not_seen:
        body.append(html.H3("Not judged, or still open"))
        body.append(html.Ul([html.Li(text) for text in judged.not_seen], className="unseen-yet"))
    gone = [one for one in job.overrulings if over is None or one.id != over.id]
    if gone:
        body.append(html.H3("Said earlier, and no longer standing"))
        body.append(
            html.Ul(
                [
                    html.Li(
                        f"{one.made_by}, {parts.when(one.made)}: {words.statement(one.statement)}. "
                        f"{one.reason}",
                        className="said",
                    )
                    for one in gone
                ],
                className="unseen-yet",
            )
        )
    body += [html.P(text, className="anew", role="status") for text in waits]
    overrule = parts.way("Put your own verdict over it", f"/jobs/{job.id}/add/overrule", changes=True)
    body.append(html.P(overrule))
    return html.Div(body, className=f"panel verdict {parts.verdict_look(judged.stands)}")


def job_parts(job: Job, judged: JobVerdict, soaks: Sequence[Soak], known: Sequence[Job]) -> Children:
    """Return all sections of a job, each with the ways to add to it."""
    n = f"/jobs/{job.id}"
    sections: Sequence[tuple[str, Children, str, Sequence[tuple[str, str]]]] = (
        ("What it came with", _came_with(job), "", [("Change", f"{n}/edit"), ("Its amplifier", f"{n}/amp")]),
        ("Soaks", _soaks(job, soaks, known), "", [("Let a soak belong to it", f"{n}/add/soak")]),
        (
            "Checklist",
            _checklist(job.checklist, n),
            "Nothing is on it.",
            [("Go through it", f"{n}/checklist")]
            if job.checklist
            else [("Add a checklist", f"{n}/add/checklist")],
        ),
        (
            "Bench readings",
            _readings(job, judged),
            "None yet. Read the bias volts before a pot is touched.",
            [("Note a reading", f"{n}/add/reading"), ("Take in a csv file", f"{n}/add/readings")],
        ),
        (
            "Valves",
            _valves(job),
            "None noted. Note what sits in each socket, as found, before any is taken out.",
            [
                ("Fit a valve", f"{n}/add/fit"),
                *([("Take one out", f"{n}/add/take-out")] if job.fitted_now else []),
            ],
        ),
        ("Fuses", _fuses(job), "None noted.", [("Note a fuse", f"{n}/add/fuse")]),
        ("Work done", _work(job), "None noted.", [("Note work", f"{n}/add/work")]),
        ("Remarks", _remarks(job), "None.", [("Write a remark", f"{n}/add/remark")]),
        ("Photographs", _photographs(job), "None.", [("Add a photograph", f"{n}/add/photograph")]),
        ("States", _states(job), "", [("Change state", f"{n}/state")]),
    )
    return [
        html.Section(
            [
                html.Div(
                    [
                        html.H2(name),
                        html.Span([parts.way(text, to) for text, to in ways], className="ways do"),
                    ],
                    className="head-row",
                ),
                *(content or [html.P(none, className="none")]),
            ],
            className="job-part",
            **spoken(name),
        )
        for name, content, none, ways in sections
    ]


def _came_with(job: Job) -> Children:
    told = (
        ("Complaint", job.complaint or "none noted"),
        ("It shows", ", ".join(job.shows)),
        ("Condition", job.condition),
        ("The amplifier", job.amp.notes),
    )
    proposal = jobs.propose_plan(job.shows)
    steps = ", ".join(f"{step} {minutes:g} min" for step, minutes in proposal.steps)
    plan = html.Div(
        [
            html.Dt("The soak it asks for"),
            html.Dd([html.P(steps), *(html.P(text) for text in proposal.do)]),
        ]
    )
    return [
        html.Dl(
            [
                *(html.Div([html.Dt(name), html.Dd(text, className="said")]) for name, text in told if text),
                plan,
            ],
            className="conditions wide",
        )
    ]


def _soaks(job: Job, soaks: Sequence[Soak], known: Sequence[Job]) -> Children:
    if not job.soaks:
        said = f"None yet. A soak belongs to this job with: soakbench run SETUP --job {job.id}"
        return [html.P(said, className="none")]
    rows = []
    for one in job.soaks:
        rows.append(
            [
                dcc.Link(f"Soak {one.id}", href=parts.href(f"/soak/{one.id}"), className="forth"),
                one.kind,
                parts.when(one.started),
                "–" if one.last_s is None else words.duration(one.last_s),
                one.how or ("running" if one.ended is None else "ended"),
                parts.said(one.statement) if one.ended is not None else "–",
                compare.way_from(one.id, soaks, known) or "–",
                parts.change(f"/jobs/{job.id}/soak/{one.id}", f"soak {one.id}", "Take away"),
            ]
        )
    return [parts.table(("Soak", "Kind", "Begun", "Length", "Ended", "Result", "Compared", "Change"), rows)]


_FIRST: Final = "electrical safety"


def _checklist(items: Sequence[ChecklistItem], of: str) -> Children:
    """Return the checklist by sections, electrical safety first; what is open says what to mind."""
    if not items:
        return []
    names = list(dict.fromkeys(item.section for item in items))
    names.sort(key=lambda name: name != _FIRST)
    content: Children = []
    for name in names:
        own = [item for item in items if item.section == name]
        waits = sum(item.result is None for item in own)
        faults = sum(item.result == "fault" for item in own)
        told = [f"{count} {what}" for count, what in ((faults, "fault"), (waits, "still open")) if count]
        count = f"{len(own)} item{'' if len(own) == 1 else 's'}, {', '.join(told) or 'nothing open'}"
        heading = html.H3([f"{name[:1].upper()}{name[1:]}", html.Span(count, className="count")])
        rows = html.Ul([_check(item, of) for item in own], className="checks items")
        # What is done and without fault is a line that opens; electrical safety is always there to be read.
        content.append(html.Details([html.Summary(heading), rows], open=bool(told) or name == _FIRST))
    return content


def _check(item: ChecklistItem, of: str) -> html.Li:
    word = item.result or "open"
    signed: Children = [parts.sign("trip"), " "] if item.result == "fault" else []
    told: Children = [item.what]
    if item.value is not None:
        told.append(html.Span(f" {_number(item.value)} {item.asks}", className="figure"))
    elif item.asks and item.result is None:
        told.append(parts.quiet(f"to be read, in {item.asks}"))
    if item.caution and item.result is None:
        told.append(html.Span(item.caution, className="do"))
    if item.note:
        told.append(parts.quiet(item.note))
    by = item.done_by if item.done is None else f"{item.done_by}, {parts.when(item.done)}"
    return html.Li(
        [
            html.Span([*signed, word], className="result"),
            html.Span(told, className="says"),
            html.Span(
                [by, parts.change(f"{of}/check/{item.id}", item.what)] if item.result else by, className="by"
            ),
        ],
        className="trip" if item.result == "fault" else "fine" if item.result else "warning",
    )


def _readings(job: Job, judged: JobVerdict) -> Children:
    """Return what was read before and after, one quantity at one place a row."""
    if not job.readings:
        return []
    statements = {part.what: part.statement for part in judged.parts}
    rows: dict[tuple[str, str], dict[str, list[BenchReading]]] = {}
    for one in sorted(job.readings, key=lambda one: (one.taken, one.id)):
        rows.setdefault((one.quantity, one.place), {}).setdefault(one.stage, []).append(one)
    table = []
    for by_stage in rows.values():
        last = {stage: ones[-1] for stage, ones in by_stage.items()}
        newest = last.get(AS_LEFT) or last[AS_FOUND]
        table.append(
            [
                newest.label,
                *(_taken(by_stage.get(stage, []), job) for stage in STAGES),
                _limits(newest, statements.get(newest.label) if AS_LEFT in last else None),
                _with(last),
            ]
        )
    return [
        parts.table(("Quantity", "As found", "As left", "Limits", "Instrument"), table, "readings"),
        html.P("± is what the instrument may be wrong by, 95 %, as it was noted.", className="hint"),
    ]


def _taken(ones: Sequence[BenchReading], job: Job) -> Any:
    if not ones:
        return "–"
    last = ones[-1]
    behind = "" if last.uncertainty is None else f"±{last.uncertainty:g} "
    content: Children = [parts.figure(_number(last.value), f"{behind}{last.unit}")]
    power = power_of(last)
    if power is not None:
        content.append(parts.quiet(power.words(job.amp.rated_w)))
    if last.uncertainty is None:
        content.append(parts.quiet("uncertainty not stated"))
    if len(ones) > 1:
        earlier = ", ".join(_number(one.value) for one in ones[:-1])
        content.append(parts.quiet(f"read before: {earlier} {ones[0].unit}"))
    content.append(_change(job, "reading", last.id, f"{last.label}, {last.stage}"))
    return content


def _limits(one: BenchReading, statement: str | None) -> Any:
    limits = [
        f"at {word} {_number(limit)} {one.unit}"
        for word, limit in (("least", one.least), ("most", one.most))
        if limit is not None
    ]
    if not limits:
        return "–"
    content: Children = [" and ".join(limits)]
    if one.limit_source:
        content.append(parts.quiet(one.limit_source))
    if statement is not None:
        content.append(parts.said(statement))
    return content


def _with(last: dict[str, BenchReading]) -> Any:
    """Return the instrument and how it was read; where that differs between found and left, both."""
    told = {stage: _conditions(one) for stage, one in last.items()}
    if len(set(told.values())) == 1:
        first, *rest = next(iter(told.values()))
        return [first, *map(parts.quiet, rest)]
    return [
        line
        for stage in STAGES
        if stage in told
        for line in (parts.quiet(f"{stage}: {'; '.join(told[stage])}"),)
    ]


def _conditions(one: BenchReading) -> tuple[str, ...]:
    said = (
        f"{one.load_ohm:g} Ω load" if one.load_ohm is not None else "",
        f"{one.tap_ohm:g} Ω tap" if one.tap_ohm is not None else "",
        f"weighting {one.weighting}" if one.weighting else "",
        one.bandwidth,
        one.note,
    )
    return (one.instrument or "instrument not stated", *(text for text in said if text))


def _valves(job: Job) -> Children:
    """Return which valve sat in which socket, as found and as left."""
    rows = []
    for socket, ones in job.sat.items():
        new = [one for one in ones if one.how == "fitted" and one.job_id == job.id]
        came = [one for one in ones if one not in new]
        stays = [one for one in ones if one.out_job_id != job.id]
        why = "; ".join(one.why_removed for one in ones if one.out_job_id == job.id and one.why_removed)
        found: Children = [part for one in came for part in _valve(one, job)] or [
            parts.quiet("empty, or not noted")
        ]
        left: Children = [part for one in stays if one in new for part in _valve(one, job)]
        if not left:
            left = [parts.quiet("the same" if stays else "empty")]
        rows.append([socket, found, left, why or "–"])
    if not rows:
        return []
    return [parts.table(("Socket", "As found", "As left", "Why taken out"), rows)]


def _valve(one: Fitting, job: Job) -> Children:
    valve = one.valve
    told = [valve.type, f"batch {valve.batch}" if valve.batch else ""]
    if valve.seller_a is not None:
        told.append(f"seller's {1000.0 * valve.seller_a:g} mA")
    said = ", ".join(text for text in told if text)
    return [
        html.Div(dcc.Link(valve.label, href=parts.href(f"/valves/{valve.id}"), className="name")),
        *([parts.quiet(said)] if said else []),
        _change(job, "fitting", one.id, f"{one.socket}, {valve.label}"),
    ]


def _fuses(job: Job) -> Children:
    if not job.fuses:
        return []
    rows = []
    for one in job.fuses:
        found: Children = [one.found or "–"]
        if one.found and one.marked and one.found != one.marked:
            found.append(html.Span([parts.sign("warning"), "not as marked"], className="statement warning"))
        change = _change(job, "fuse", one.id, f"fuse {one.position}")
        rows.append([one.position, found, one.marked or "–", one.fitted or "–", change])
    return [parts.table(("Fuse", "As found", "As marked", "As fitted", "Change"), rows)]


def _work(job: Job) -> Children:
    if not job.work:
        return []
    rows = []
    for one in job.work:
        count = "" if one.quantity is None or not one.part else f"{one.quantity:g} × "
        minutes = "–" if one.minutes is None else f"{one.minutes:g} min"
        change = _change(job, "work", one.id, one.what)
        rows.append([one.what, f"{count}{one.part}" or "–", minutes, change])
    total_min = sum(one.minutes or 0.0 for one in job.work)
    together = [html.P(f"Time noted: {words.duration(60.0 * total_min)}.", className="hint")]
    return [parts.table(("What", "Part", "Time", "Change"), rows), *(together if total_min else [])]


def _remarks(job: Job) -> Children:
    rows = [
        html.Li(
            [
                html.Span(f"{one.made_by}, {parts.when(one.made)}", className="beside"),
                html.P(one.text, className="said"),
                _change(job, "remark", one.id, parts.shortened(one.text)),
            ]
        )
        for one in job.remarks
    ]
    return [html.Ul(rows, className="remarks")] if rows else []


def _photographs(job: Job) -> Children:
    figures = []
    for one in job.photographs:
        caption = one.caption or one.name
        picture = html.Img(src=parts.href(photographs.address(one, small=True)), alt=caption)
        figures.append(
            html.Figure(
                [
                    html.A(picture, href=parts.href(photographs.address(one)), **spoken(f"{caption}, whole")),
                    html.Figcaption(
                        [
                            caption,
                            parts.quiet(f"{one.made_by}, {parts.when(one.made)}"),
                            _change(job, "photo", one.id, caption),
                        ]
                    ),
                ]
            )
        )
    return [html.Div(figures, className="photographs")] if figures else []


def _states(job: Job) -> Children:
    """Return when the job was in which state, as its history has it."""
    moved = [
        one for one in job.history if one.table == "job" and one.row_id == job.id and one.field == "state"
    ]
    told = [(one.made, str(one.became), one.made_by) for one in moved]
    begins = str(moved[0].was) if moved else job.state.value
    rows = [
        html.Li(
            [html.Span(parts.when(at), className="when"), html.Span(state), html.Span(by, className="by")],
        )
        for at, state, by in [(job.received, begins, job.made_by), *told]
    ]
    return [html.Ol(rows, className="states")]


def _change(job: Job, what: str, number: int, of: str) -> dcc.Link:
    return parts.change(f"/jobs/{job.id}/{what}/{number}", of)


def _number(value: float) -> str:
    """Print a figure as it was typed, with a true minus sign."""
    return f"{value:g}".replace("-", words.MINUS)
