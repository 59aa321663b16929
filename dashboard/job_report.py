"""The report of a job: the customer's page, the workshop's sheet, and a page for each soak behind it.

`gather` reads the store; all else says it in words. A sheet is made of sections, a section of blocks: facts,
lines, a table or photographs, so that each way to print it knows four things and no more.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from dashboard import customer, pictures, report, report_files, words
from dashboard.report import LOOKS, ReportData, capital, moment_words, sentence
from dashboard.report_chart import chart_png, chart_svg, shortened
from dashboard.report_files import Paper, Report
from dashboard.shop import NO_SHOP, Shop
from dashboard.shop import load as load_shop
from logger import compare
from logger.bench_readings import power_of
from logger.clock import Clock
from logger.errors import RequestError
from logger.jobs import (
    AS_FOUND,
    AS_LEFT,
    BenchReading,
    ChecklistItem,
    Fitting,
    Hours,
    Job,
    JobVerdict,
    by_number,
    judge,
)
from logger.store.photographs import path_of
from logger.store.reader import Reader, Soak
from logger.units import quantity

Json = dict[str, Any]
_NO_HOURS: Final = Hours()
_LONG_ITEM: Final = 90


@dataclass(frozen=True)
class Compared:
    """One soak of the job over the last one of an earlier visit: the `soakbench.compare/1` document."""

    soak: int
    kind: str
    document: Json


@dataclass(frozen=True)
class JobData:
    """All that a job's report is made of. `photos`: JPEG bytes by photograph, None where there is no file."""

    job: Job
    hours: Mapping[int, Hours]
    soaks: tuple[ReportData, ...]
    compared: tuple[Compared, ...]
    photos: Mapping[int, bytes | None]
    printed: datetime

    @property
    def verdict(self) -> JobVerdict:
        """The job's verdict."""
        return judge(self.job)

    @property
    def shown(self) -> ReportData | None:
        """The soak that the customer is shown: the last as left, else the last."""
        left = [one for one in self.soaks if one.soak.kind == AS_LEFT] or list(self.soaks)
        return left[-1] if left else None


def write(
    reader: Reader,
    job_id: int,
    out: Path,
    *,
    clock: Clock,
    force: bool = False,
    paper: Paper = "a4",
    shop_file: Path | None = None,
) -> Path:
    """Write a job's report to `out` and return that path: PDF, HTML, or a PNG of its last soak's chart.

    The file appears whole or not at all. Raises what `report.write_report` does.
    """
    report_files.check_place(out, force=force)
    shop = NO_SHOP if shop_file is None else load_shop(shop_file)
    data = gather(reader, job_id, clock)
    match out.suffix.lower():
        case ".png":
            if data.shown is None:
                raise RequestError(f"job {job_id} has no soak, so there is no chart to draw")
            made = chart_png(data.shown.series, report.story_of(data.shown))
        case ".html":
            made = report_files.page_html(of_job(data, shop)).encode()
        case _:
            made = report_files.compile_pdf(of_job(data, shop), paper)
    return report_files.put(made, out, force=force)


def gather(reader: Reader, job_id: int, clock: Clock) -> JobData:
    """Read a job with its soaks, photographs and what an earlier visit measured."""
    job = reader.job(job_id)
    soaks = [reader.soak(one.id) for one in job.soaks]
    return JobData(
        job=job,
        hours=reader.valve_hours(),
        soaks=tuple(report.gather(reader, one.id, clock) for one in soaks if one.scans),
        compared=tuple(_compared(reader, soaks)),
        photos={one.id: pictures.photograph(path_of(reader.path, one)) for one in job.photographs},
        printed=clock.wall(),
    )


def _compared(reader: Reader, soaks: Sequence[Soak]) -> Iterable[Compared]:
    """Hold the first soak as found and the last as left against the amp's last visit, where there was one."""
    found = [one for one in soaks if one.kind == AS_FOUND and one.ended is not None and one.scans]
    left = [one for one in soaks if one.kind == AS_LEFT and one.ended is not None and one.scans]
    for one in [*found[:1], *left[-1:]]:
        before = compare.last_visit(reader, one)
        if before is not None:
            then = compare.visit(reader, before.id)
            yield Compared(one.id, one.kind, compare.document(compare.visit(reader, one.id), [then]))


# ------------------------------------------------------------------ the report


def of_job(data: JobData, shop: Shop = NO_SHOP) -> Report:
    """Return the report of a job."""
    job = data.job
    charts, pages = {}, []
    for one in data.soaks:
        page = report.document(one, of_job=True)
        charts[page["chart"]["name"]] = chart_svg(one.series, report.story_of(one))
        pages.append(page)
    if data.shown is not None:
        charts["customer"] = chart_svg(data.shown.series, report.story_of(data.shown), plain=True)
    photos = {f"photo-{number}.jpg": jpeg for number, jpeg in data.photos.items() if jpeg is not None}
    title = f"Report on job {job.id}: {shortened(job.amp.label, 200)}"
    return Report(
        words={
            **report.report_head(title, shop),
            "footer": report_files.on_paper(f"{report.footer_words()}, {moment_words(data.printed)}"),
            "short": report_files.on_paper(f"{shortened(job.amp.name, 30)} · job {job.id}"),
            "customer": report_files.on_paper(_customers(data)),
            "job": report_files.on_paper(_sheet(data)),
            "soaks": pages,
        },
        charts=charts,
        pictures={**report.shop_pictures(shop), **photos},
        printed=data.printed,
    )


def _customers(data: JobData) -> Json:
    job, verdict = data.job, data.verdict
    sign, look = LOOKS[verdict.statement]
    facts = [
        ["Job", str(job.id)],
        ["Your reference", job.customer],
        ["Received", day(job.received)],
        ["Printed", day(data.printed)],
    ]
    return customer.page(
        title="Report on your amplifier",
        amp=job.amp.label,
        facts=[[name, value] for name, value in facts if value],
        word=f"{sign}{capital(words.statement(verdict.statement))}",
        look=look,
        stands=verdict.stands,
        says=customer.result(
            verdict.statement, None if data.shown is None else data.shown.end_s, verdict.says
        ),
        decided=customer.decided(verdict),
        lists=[
            customer.listed("What you told us", [job.complaint] if job.complaint else []),
            customer.listed("What we did", [one.what for one in job.work]),
            customer.listed("What was fitted", customer.fitted(job, _fitted(job))),
            customer.listed("Since the last visit", _since(data)),
        ],
        chart=None if data.shown is None else report.customer_chart(data.shown),
    )


def _since(data: JobData) -> list[str]:
    """Say in a sentence or two how it came, over the visit before."""
    return [
        said
        for one in data.compared
        if one.kind == AS_FOUND
        for said in one.document["earlier"][0]["says"][:2]
    ]


def day(moment: datetime) -> str:
    """Print a day in the zone of the machine that prints."""
    local = moment.astimezone()
    return f"{local.day} {local:%B %Y}"


def short_moment(moment: datetime) -> str:
    """Print a moment, short, in the zone of the machine that prints."""
    return f"{moment.astimezone():%Y-%m-%d %H:%M}"


# ------------------------------------------------------------------ the workshop's sheet


def _sheet(data: JobData) -> Json:
    job = data.job
    return {
        "title": f"Job {job.id}",
        "amp": shortened(job.amp.label, 200),
        "facts": [[name, value] for name, value in _facts(data) if value],
        "verdict": _verdict(data.verdict),
        "sections": [one for one in _sections(data) if one["blocks"]],
    }


def _facts(data: JobData) -> list[list[str]]:
    job = data.job
    return [
        ["Customer's reference", shortened(job.customer, 80)],
        ["State", job.state.value],
        ["Received", moment_words(job.received)],
        ["Collected", "" if job.closed is None else moment_words(job.closed)],
        ["Printed", moment_words(data.printed)],
        ["Rated power", "" if job.amp.rated_w is None else f"{job.amp.rated_w:g} W"],
        ["Booked in by", shortened(job.made_by, 60)],
        ["Record", job.uuid[:8]],
    ]


def _verdict(verdict: JobVerdict) -> Json:
    """Say what was worked out, and beside it, never in its place, what a person decided."""
    sign, look = LOOKS[verdict.statement]
    found: Json = {
        "word": f"{sign}{capital(words.statement(verdict.statement))}",
        "look": look,
        "says": sentence(shortened(verdict.says, 600)),
        "parts": [
            [part.what, _said(part.statement), sentence(shortened(part.says, 300))] for part in verdict.parts
        ],
        "not_seen": [sentence(shortened(one, 300)) for one in verdict.not_seen],
        "overruled": None,
    }
    over = verdict.overruled
    if over is not None:
        sign, look = LOOKS[over.statement]
        found["overruled"] = {
            "word": f"{sign}{capital(words.statement(over.statement))}",
            "look": look,
            "reason": shortened(over.reason, 1200),
            "signed": f"{over.made_by}, {moment_words(over.made)}",
        }
    return found


def _said(statement: str | None) -> Json:
    sign, look = LOOKS[statement]
    return {"text": f"{sign}{words.statement(statement)}", "look": look}


def _sections(data: JobData) -> list[Json]:
    job = data.job
    return [
        _section("Complaint and condition", _complaint(job)),
        _section("States", _states(job)),
        _section("Soaks", [_soaks(data)] if job.soaks else []),
        *(_comparison(one) for one in data.compared),
        _section("Work", _work(job)),
        _section("Valves", _valves(data)),
        _section("Fuses", _fuses(job)),
        _section("Bench readings", _readings(data)),
        _section("Checklist", _checklist(job.checklist)),
        _section("Remarks", _remarks(job)),
        _section("What a person decided before", _lapsed(data)),
        _section("Photographs", _photographs(data)),
        _section("Cautions", [_lines(report.CAUTIONS)]),
    ]


def _section(title: str, blocks: Sequence[Json]) -> Json:
    return {"title": title, "blocks": list(blocks)}


def _lines(lines: Iterable[str]) -> Json:
    return {"kind": "lines", "lines": list(lines)}


def _table(head: Sequence[str], widths: Sequence[float], rows: Sequence[Sequence[Any]]) -> Json:
    """Return a table; a cell is a text, a text with its look, or several of these under each other."""
    return {
        "kind": "table",
        "head": list(head),
        "widths": list(widths),
        "rows": [[_cell(cell) for cell in row] for row in rows],
    }


def _cell(cell: Any) -> list[Json]:
    parts = cell if isinstance(cell, list) else [cell]
    return [
        {"text": part, "look": "plain"} if isinstance(part, str) else part
        for part in parts
        if part not in ("", None)
    ]


def _quiet(text: str) -> Json:
    return {"text": text, "look": "quiet"}


def _complaint(job: Job) -> list[Json]:
    shows = f" Shows: {', '.join(job.shows)}." if job.shows else ""
    lines = [
        f"{shortened(job.complaint, 2000)}{shows}" if job.complaint else shows.strip(),
        f"Condition: {shortened(job.condition, 2000)}" if job.condition else "",
        f"The amplifier: {shortened(job.amp.notes, 2000)}" if job.amp.notes else "",
    ]
    kept = [line for line in lines if line]
    return [_lines(kept)] if kept else []


def _soaks(data: JobData) -> Json:
    rows = []
    for one in data.job.soaks:
        ended = "still runs" if one.ended is None else str(one.how)
        verdict = _said(one.statement) if one.ended is not None else _quiet("not ended")
        why = "" if one.verdict is None else shortened(one.verdict["soak"]["says"], 300)
        rows.append(
            [
                f"{one.id}",
                one.kind,
                short_moment(one.started),
                [words.duration(one.last_s or 0.0), _quiet(ended)],
                [verdict, _quiet(why)],
            ]
        )
    return _table(["Soak", "", "Began", "Seen for", "Verdict"], [1, 1.5, 2.4, 1.8, 6], rows)


# ---- over the visit before


def _comparison(one: Compared) -> Json:
    then = one.document["earlier"][0]
    rows = []
    for pair in then["pairs"]:
        change = pair["at_nominal_mains"] or pair["settled"]
        rows.append(
            [
                pair["label"],
                *(_figure(change, name, "mA") for name in ("now", "before")),
                _change(change, "mA"),
                _change(pair["from_the_others"], "mA"),
                _change(pair["bias"], "V"),
            ]
        )
    at = f"at {one.document['nominal_mains_V']:g} V mains" if _nominal(then["pairs"]) else "as measured"
    head = ["Pair", f"Now, {at}", "Then", "Change", "Change from the others", "Change of its bias"]
    names = [pair["name"] for pair in then["pairs"]]
    lines = [sentence(shortened(said, 600), names) for said in [*then["says"], *then["notes"]]]
    began = datetime.fromisoformat(then["started"])
    return _section(
        f"{capital(one.kind)} (soak {one.soak}), over the visit before: soak {then['soak']}, {then['kind']}, "
        f"{day(began)}",
        [
            _lines(lines),
            _table(head, [3, 2, 2, 3, 3, 3], rows),
            _lines(["Behind ± stands U (95 %). Bold: the change is beyond it."]),
        ]
        if rows
        else [_lines(lines)],
    )


def _nominal(pairs: Sequence[Mapping[str, Any]]) -> bool:
    return all(pair["at_nominal_mains"] is not None for pair in pairs)


def _figure(change: Mapping[str, Any] | None, name: str, unit: str) -> str:
    if change is None:
        return "–"
    return f"{words.number(change[f'{name}_{unit}'], 1)} {unit}"


def _change(change: Mapping[str, Any] | None, unit: str) -> Any:
    """Print a change with its uncertainty, bold where it is beyond it."""
    if change is None:
        return _quiet("not known")
    text = quantity(change[f"difference_{unit}"], change[f"expanded_uncertainty_{unit}"], unit)
    text = text.replace("-", words.MINUS)
    is_zero = float(text.split(" ")[0].replace(words.MINUS, "-")) == 0.0
    signed = text.removeprefix(words.MINUS) if is_zero else text if text[0] == words.MINUS else f"+{text}"
    return {"text": signed, "look": "strong" if change["significant"] else "plain"}


# ---- what was done and fitted


def _work(job: Job) -> list[Json]:
    if not job.work:
        return []
    rows: list[list[Any]] = []
    for one in job.work:
        count = "" if one.quantity is None or not one.part else f"{one.quantity:g} × "
        minutes = "" if one.minutes is None else f"{one.minutes:g} min"
        rows.append([shortened(one.what, 400), f"{count}{one.part}", minutes])
    total = sum(one.minutes or 0.0 for one in job.work)
    if total:
        rows.append([{"text": "Together", "look": "strong"}, "", words.duration(60.0 * total)])
    return [_table(["What", "Part", "Time"], [7, 4, 3], rows)]


def _fitted(job: Job) -> list[Fitting]:
    """Return what was put in during this job and was there when it left."""
    return [
        one
        for ones in job.sat.values()
        for one in ones
        if one.how == "fitted" and one.job_id == job.id and one.out_job_id != job.id
    ]


def _valves(data: JobData) -> list[Json]:
    job = data.job
    rows = []
    for socket, ones in job.sat.items():
        new = [one for one in ones if one.how == "fitted" and one.job_id == job.id]
        came = [one for one in ones if one not in new]
        gone = [one for one in ones if one.out_job_id == job.id]
        rows.append(
            [
                {"text": socket, "look": "strong"},
                [part for one in came for part in _valve(one, data.hours)] or [_quiet("empty, or not noted")],
                [part for one in new for part in _valve(one, data.hours)]
                or [_quiet("empty" if gone else "the same")],
                "; ".join(one.why_removed for one in gone if one.why_removed),
            ]
        )
    if not rows:
        return []
    return [
        _table(["Socket", "As it came", "Fitted", "Taken out because"], [1.2, 5, 5, 2.6], rows),
        _lines(
            [
                "Hours are those of all recorded soaks, here and in other amplifiers: at heat (told from the "
                "amplifier's state), and of these at idle."
            ]
        ),
    ]


def _valve(one: Fitting, hours: Mapping[int, Hours]) -> list[Any]:
    valve, seen = one.valve, hours.get(one.valve_id, _NO_HOURS)
    batch = f", batch {valve.batch}" if valve.batch else ""
    seller = [
        text
        for text in (
            "" if valve.seller_a is None else f"{1000.0 * valve.seller_a:g} mA",
            "" if valve.seller_s is None else f"{1000.0 * valve.seller_s:g} mA/V",
            valve.seller_note,
        )
        if text
    ]
    told = [f"seller's figures: {', '.join(seller)}"] if seller else []
    if seen.soaks:
        told.append(f"{words.duration(seen.heat_s)} at heat, {words.duration(seen.idle_s)} at idle")
    kind = f", {valve.type}" if valve.type else ""
    return [f"{valve.label}{kind}{batch}", *(_quiet(part) for part in told)]


def _fuses(job: Job) -> list[Json]:
    if not job.fuses:
        return []
    rows = []
    for one in job.fuses:
        other = bool(one.found and one.marked and one.found != one.marked)
        found = {"text": one.found or "–", "look": "close" if other else "plain"}
        rows.append([one.position, found, one.marked or "–", one.fitted or "–"])
    return [_table(["Position", "As found", "As marked", "As fitted"], [2, 2, 2, 2], rows)]


# ---- what was read


def _readings(data: JobData) -> list[Json]:
    job = data.job
    if not job.readings:
        return []
    left = [one for one in job.soaks if one.kind == AS_LEFT and one.ended is not None]
    width_U = left[-1].width_U if left else 1.0
    groups: dict[tuple[str, str], dict[str, list[BenchReading]]] = {}
    for one in sorted(job.readings, key=lambda one: (one.taken, one.id)):
        stages = groups.setdefault((one.quantity, one.place), {AS_FOUND: [], AS_LEFT: []})
        stages[one.stage].append(one)
    rows = []
    order = list(dict.fromkeys(name for name, _ in groups))
    for (name, place), stages in sorted(
        groups.items(), key=lambda group: (order.index(group[0][0]), by_number(group[0][1]))
    ):
        both = [*stages[AS_FOUND], *stages[AS_LEFT]]
        rows.append(
            [
                f"{capital(name)}, {place}" if place else capital(name),
                *(
                    [part for one in stages[stage] for part in _read(one, width_U, job.amp.rated_w)]
                    or [_quiet("not read")]
                    for stage in (AS_FOUND, AS_LEFT)
                ),
                [_quiet(text) for text in dict.fromkeys(_with(one) for one in both) if text],
            ]
        )
    return [_table(["", "As found", "As left", "Instrument, and how"], [3, 3, 3, 4], rows)]


def _read(one: BenchReading, width_U: float, rated_w: float | None) -> list[Any]:
    """Return a reading as it was read, the power that it means, and what its limits make of it."""
    U = "" if one.uncertainty is None else f" ± {one.uncertainty:g}"
    # to the place of its uncertainty: -42 ± 0.2 V would look as if nobody had read the tenths
    places = max(_places(one.value), _places(one.uncertainty or 0.0))
    parts: list[Any] = [f"{one.value:.{places}f}{U} {one.unit}".replace("-", words.MINUS)]
    power = power_of(one)
    if power is not None:
        parts.append(_quiet(power.words(rated_w)))
    statement = one.statement(width_U) if one.stage == AS_LEFT else None
    if statement is not None:
        parts.append(_said(statement))
    return parts


def _places(value: float) -> int:
    """Return how many decimals a person wrote, as far as the value tells."""
    digits = f"{value:.9f}".rstrip("0")
    return min(6, len(digits.partition(".")[2]))


def _with(one: BenchReading) -> str:
    limits = [
        f"{word} {limit:g} {one.unit}"
        for word, limit in (("at least", one.least), ("at most", one.most))
        if limit is not None
    ]
    source = f" ({one.limit_source})" if limits and one.limit_source else ""
    parts = [
        one.instrument,
        "" if one.load_ohm is None else f"{one.load_ohm:g} ohm load",
        "" if one.tap_ohm is None else f"{one.tap_ohm:g} ohm tap",
        f"weighting {one.weighting}" if one.weighting else "",
        one.bandwidth,
        f"limit: {' and '.join(limits)}{source}" if limits else "",
        "" if one.uncertainty is not None else "uncertainty not said",
        one.note,
    ]
    return shortened("; ".join(part for part in parts if part), 400)


def _checklist(items: Sequence[ChecklistItem]) -> list[Json]:
    """Lay out a checklist; a long source behind several items stands once, below."""
    if not items:
        return []
    tails: dict[str, int] = {}
    tables: dict[str, list[list[Any]]] = {}
    for item in items:
        what, bracket, tail = item.what.partition(" (")
        if bracket and len(item.what) > _LONG_ITEM:
            number = tails.setdefault(tail.removesuffix(")"), len(tails) + 1)
            what = f"{what} [{number}]"
        else:
            what = item.what
        sign, look = _RESULT_LOOKS[item.result]
        value = "" if item.value is None else f"{item.value:g} {item.asks}".replace("-", words.MINUS)
        note = [shortened(item.note, 300), _quiet(item.done_by)]
        tables.setdefault(item.section, []).append(
            [shortened(what, 300), {"text": sign, "look": look}, value, note]
        )
    blocks = [
        _table([capital(section), "Result", "Read", "Note, and who"], [7, 2, 2, 3], rows)
        for section, rows in tables.items()
    ]
    notes = [f"[{number}] {tail}" for tail, number in tails.items()]
    return [*blocks, _lines(notes)] if notes else blocks


_RESULT_LOOKS: Final[dict[str | None, tuple[str, str]]] = {
    None: ("open", "close"),
    "fine": ("fine", "plain"),
    "fault": ("■ fault", "bad"),
    "does not apply": ("does not apply", "quiet"),
}


# ---- the rest


def _remarks(job: Job) -> list[Json]:
    if not job.remarks:
        return []
    rows = [[[short_moment(one.made), _quiet(one.made_by)], shortened(one.text, 3000)] for one in job.remarks]
    return [_table(["", ""], [3, 10], rows)]


def _photographs(data: JobData) -> list[Json]:
    shown = []
    for one in data.job.photographs:
        caption = shortened(one.caption, 300) or shortened(one.name, 80)
        missing = data.photos.get(one.id) is None
        shown.append(
            {
                "name": "" if missing else f"photo-{one.id}.jpg",
                "alt": f"Photograph {one.id}: {caption}",
                "caption": f"{one.id}. {caption}" + (" (its file can't be read)" if missing else ""),
            }
        )
    return [{"kind": "photographs", "photographs": shown}] if shown else []


def _lapsed(data: JobData) -> list[Json]:
    stands = data.verdict.overruled
    lines = [
        f'{one.made_by}, {moment_words(one.made)}: "{words.statement(one.statement)}", which no longer '
        f"stands, since something was judged after it. The reason was: {shortened(one.reason, 600)}"
        for one in data.job.overrulings
        if stands is None or one.id != stands.id
    ]
    return [_lines(lines)] if lines else []


def _states(job: Job) -> list[Json]:
    moves = [
        f"{change.became} {short_moment(change.made)} ({change.made_by})"
        for change in job.history
        if change.table == "job" and change.field == "state"
    ]
    return [_lines([f"{'; '.join([f'received {short_moment(job.received)}', *moves])}."])]
