"""What a person does to the job record by a form: each deed as data, and the one address that takes them.

A form is fields (`logger/entries.py`), and a deed is a method of `Record`: what it refuses comes back at its
field, and nothing is kept of what was refused. What was sent twice is entered once.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from http import HTTPStatus
from typing import Any, Final

from flask import Flask, Response, jsonify, request
from flask.json import loads

from dashboard import words
from dashboard.access import Access
from dashboard.bench import Bench
from logger import checklist, setup
from logger.bench_readings import COLUMNS, read_csv, with_sheet_limit
from logger.clock import Clock
from logger.decision import ORDER
from logger.entries import FIELDS, Field, Kind, read
from logger.errors import EntryError, NotReached, Overtaken, RequestError, entered
from logger.jobs import AS_LEFT, RESULTS, STAGES, propose_plan, shows_of
from logger.store import photographs
from logger.store.record import Record

ADDRESS: Final = "/record"
PLAN: Final = "/record/plan"
MOST_CSV_BYTES: Final = 2_000_000
NO_CHECKLIST: Final = "none"
_REMEMBERED: Final = 500
"""So many entries are known again when they are sent a second time."""


@dataclass(frozen=True)
class Sent:
    """What a form sent: whose job, which row as of which version, what was said, a file's name and bytes."""

    job: int
    table: str
    row: int
    seen: int | None
    said: Mapping[str, Any]
    file: tuple[str, bytes] | None = None
    setup_of: Callable[[int], setup.Setup] = field(repr=False, default=lambda _: _no_setup())


def _no_setup() -> setup.Setup:
    raise RequestError("there is no such soak")


@dataclass(frozen=True)
class Done:
    """What was done, in a few words, and which page shows it; "" for the one that asked."""

    says: str
    to: str = ""


@dataclass(frozen=True)
class Deed:
    """One thing that a person does: what its page is called, what its button says, its fields, the doing.

    `signed`: a person's name stands below it, so it is asked anew each time. `accept`, `most_bytes`: of a
    file that goes with it.
    """

    title: str
    button: str
    fields: tuple[Field, ...]
    do: Callable[[Record, Sent], Done]
    signed: bool = False
    accept: str = ""
    most_bytes: int = 0


def _some(table: str, *names: str) -> tuple[Field, ...]:
    by_name = {one.name: one for one in FIELDS[table]}
    return tuple(by_name[name] for name in names)


def _job_page(sent: Sent) -> str:
    return f"/jobs/{sent.job}"


# ---- the deeds


def _book_in(record: Record, sent: Sent) -> Done:
    said = dict(sent.said)
    known, template, soak = said.pop("amp_id", None), said.pop("checklist", None), said.pop("setup", None)
    if known is None and not (said.get("name") or "").strip():
        raise EntryError({"name": "choose an amplifier that was here before, or say what the shop calls it"})
    items: list[dict[str, str]] = []
    if template not in (None, NO_CHECKLIST):
        items = _items(sent, template, soak)
    name, notes = said.pop("name", ""), said.pop("notes", "")
    with entered("shows"):
        said["shows"] = shows_of(said.pop("shows", ""))
    number = record.book_in(
        amp=name if known is None else _number(known, "amp_id"), amp_notes=notes, checklist=items, **said
    )
    return Done(f"job {number} is booked in", f"/jobs/{number}")


def _items(sent: Sent, template: str, soak: str | None) -> list[dict[str, str]]:
    with entered("checklist"):
        found = checklist.templates().get(template)
        if found is None:
            raise RequestError(f"there is no checklist {template!r}: choose another")
    with entered("setup"):
        return checklist.items(found, None if soak is None else sent.setup_of(_number(soak, "setup")))


def _number(text: str, name: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise EntryError({name: "choose one of those that are listed"})
    return int(text)


def _edit(record: Record, sent: Sent) -> Done:
    record.edit(sent.table, sent.row, sent.seen, **sent.said)
    return Done("it is changed", _job_page(sent) if sent.job else f"/valves/{sent.row}")


def _delete(record: Record, sent: Sent) -> Done:
    record.delete(sent.table, sent.row, sent.seen)
    return Done("it is marked as deleted", "/jobs" if sent.table == "job" else _job_page(sent))


def _restore(record: Record, sent: Sent) -> Done:
    record.restore(sent.table, sent.row)
    return Done("it is there again", _job_page(sent))


def _fit(record: Record, sent: Sent) -> Done:
    said = dict(sent.said)
    socket, label = said.pop("socket", ""), said.pop("label", "")
    said = {name: value for name, value in said.items() if value is not None}
    renamed = {"type": "valve_type", "fitted": "when", "why_removed": "why"}
    record.fit_valve(
        sent.job, socket, label, **{renamed.get(name, name): value for name, value in said.items()}
    )
    return Done(f"{label.strip()} sits in {socket.strip()}", _job_page(sent))


def _take_out(record: Record, sent: Sent) -> Done:
    socket = sent.said.get("socket", "")
    why, when = sent.said.get("why_removed") or "", sent.said.get("removed")
    record.take_out(sent.job, socket, why=why, when=when)
    return Done(f"{socket.strip()} is empty", _job_page(sent))


def _fuse(record: Record, sent: Sent) -> Done:
    said = {name: value for name, value in sent.said.items() if name == "position" or value}
    record.set_fuse(sent.job, said.pop("position", ""), **said)
    return Done("the fuse is noted", _job_page(sent))


def _work(record: Record, sent: Sent) -> Done:
    said = dict(sent.said)
    record.add_work(sent.job, said.pop("what", ""), **said)
    return Done("the work is noted", _job_page(sent))


def _remark(record: Record, sent: Sent) -> Done:
    record.remark(sent.job, sent.said.get("text", ""))
    return Done("the remark is noted", _job_page(sent))


def _reading(record: Record, sent: Sent) -> Done:
    one = {name: value for name, value in sent.said.items() if value is not None}
    valve, bias, sharing = one.pop("valve", ""), one.pop("bias", "fixed"), one.pop("sharing", 1.0)
    for name in ("stage", "quantity", "value", "unit"):
        if name not in one:
            raise EntryError({name: f"{name}: say it, a reading is nothing without"})
    if valve and one["quantity"] == "grid leak":
        with entered("valve"):
            one, _ = with_sheet_limit(one, valve, bias, round(sharing))
    record.read_bench(sent.job, [one])
    return Done("the reading is noted", _job_page(sent))


def _readings(record: Record, sent: Sent) -> Done:
    with entered("file"):
        name, data = _file_of(sent)
        if len(data) > MOST_CSV_BYTES:
            raise RequestError(f"{name} is larger than {MOST_CSV_BYTES // 10**6} MB: divide it")
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise RequestError(f"{name} is no text in UTF-8 ({error.reason}): save it as that") from error
        found = read_csv(text, sent.said.get("stage") or AS_LEFT, name)
    made = record.read_bench(sent.job, found)
    count = "1 reading is" if len(made) == 1 else f"{len(made)} readings are"
    return Done(f"{count} noted", _job_page(sent))


def _photograph(record: Record, sent: Sent) -> Done:
    with entered("file"):
        name, data = _file_of(sent)
        found = photographs.looked_into(data, name)
    record.attach(sent.job, found, sent.said.get("caption") or "")
    return Done("the photograph is kept", _job_page(sent))


def _file_of(sent: Sent) -> tuple[str, bytes]:
    if sent.file is None:
        raise RequestError("choose a file")
    return sent.file


def _checklist(record: Record, sent: Sent) -> Done:
    added = record.add_checklist(
        sent.job, _items(sent, sent.said.get("checklist") or "", sent.said.get("setup"))
    )
    return Done(f"{added} items are added", f"{_job_page(sent)}/checklist")


def _tick(record: Record, sent: Sent) -> Done:
    result = sent.said.get("result")
    if not result:
        record.edit("checklist_item", sent.row, sent.seen, result=None, value=None, note="")
        return Done("open again")
    value, note = sent.said.get("value"), sent.said.get("note") or ""
    record.tick_off(sent.row, result, value, note, sent.seen)
    return Done(result, f"{_job_page(sent)}/checklist")


def _give_soak(record: Record, sent: Sent) -> Done:
    record.give_soak(_number(sent.said.get("soak") or "", "soak"), sent.job)
    return Done("the soak belongs to this job", _job_page(sent))


def _take_soak(record: Record, sent: Sent) -> Done:
    record.give_soak(sent.row, None)
    return Done("the soak belongs to no job", _job_page(sent))


def _overrule(record: Record, sent: Sent) -> Done:
    record.overrule(sent.job, sent.said.get("statement") or "", sent.said.get("reason") or "")
    return Done("it stands in the record, signed", _job_page(sent))


_NEW_AMP: Final = ("amp_id", ("",))
_LEAK: Final = ("quantity", ("grid leak",))
_VALVE: Final = tuple(
    replace(one, needed=one.name == "label")
    for one in _some("valve", "label", "type", "batch", "seller_a", "seller_s", "seller_note")
)
_SETUP: Final = Field(
    "setup",
    "Names of pairs and sockets",
    Kind.CHOICE,
    known="setups",
    hint="From the set-up of a soak; else one item stands for all.",
)

DEEDS: Final[Mapping[str, Deed]] = {
    "book in": Deed(
        "Book in an amplifier",
        "Book in",
        (
            Field("amp_id", "Amplifier", Kind.CHOICE, known="amps"),
            *(
                replace(one, when=_NEW_AMP, needed=False)
                for one in _some("amp", "name", "serial", "rated_w", "notes")
            ),
            *_some("job", "customer", "complaint", "shows", "condition"),
            replace(_some("job", "received")[0], needed=False, hint="Empty: now."),
            Field(
                "checklist",
                "Checklist",
                Kind.CHOICE,
                needed=True,
                options=(*checklist.templates(), NO_CHECKLIST),
            ),
            _SETUP,
        ),
        _book_in,
    ),
    "edit": Deed("Change", "Save", (), _edit),
    "delete": Deed("Delete", "Delete", (), _delete),
    "restore": Deed("Restore", "Restore", (), _restore),
    "fit": Deed(
        "Fit a valve",
        "Fit it",
        (
            *_some("fitting", "socket"),
            *_VALVE,
            Field("found", "It sat there when the amplifier came in", Kind.YES),
            replace(
                _some("fitting", "why_removed")[0],
                label="Why the one before came out",
                hint="What sits in the socket now comes out.",
            ),
            replace(_some("fitting", "fitted")[0], needed=False, hint="Empty: now."),
        ),
        _fit,
    ),
    "take out": Deed(
        "Take a valve out",
        "Take it out",
        (
            *_some("fitting", "socket", "why_removed"),
            replace(_some("fitting", "removed")[0], hint="Empty: now."),
        ),
        _take_out,
    ),
    "fuse": Deed("Note a fuse", "Note it", FIELDS["fuse"], _fuse),
    "work": Deed("Note work done", "Note it", FIELDS["work_item"], _work),
    "remark": Deed("Write a remark", "Note it", FIELDS["remark"], _remark),
    "reading": Deed(
        "Note a reading",
        "Note it",
        (
            *FIELDS["bench_reading"],
            Field(
                "valve",
                "Limit by the sheet of this type",
                known="types",
                when=_LEAK,
                hint="In place of Not above; as EL34.",
            ),
            Field("bias", "Its bias", Kind.CHOICE, options=("fixed", "cathode"), needed=True, when=_LEAK),
            Field("sharing", "Valves on this grid leak", Kind.NUMBER, least=1.0, when=_LEAK),
        ),
        _reading,
    ),
    "readings": Deed(
        "Readings from a csv file",
        "Take them in",
        (
            Field(
                "file",
                "The file",
                Kind.FILE,
                needed=True,
                hint="Its first line names the columns: quantity, value, unit, and any of "
                f"{', '.join(one for one in COLUMNS if one not in ('quantity', 'value', 'unit'))}. "
                "It is taken whole or not at all.",
            ),
            Field("stage", "Rows that don't say when are", Kind.CHOICE, options=STAGES, needed=True),
        ),
        _readings,
        accept=".csv,.txt,text/csv",
        most_bytes=MOST_CSV_BYTES,
    ),
    "photograph": Deed(
        "Add a photograph",
        "Add it",
        (
            Field(
                "file",
                "Photograph",
                Kind.FILE,
                needed=True,
                hint="JPEG or PNG, up to 50 MB. Kept byte by byte: also the place and time that a camera "
                "wrote into it.",
            ),
            *FIELDS["photograph"],
        ),
        _photograph,
        accept="image/jpeg,image/png",
        most_bytes=photographs.MOST_BYTES,
    ),
    "checklist": Deed(
        "Add a checklist",
        "Add it",
        (
            Field("checklist", "Checklist", Kind.CHOICE, options=tuple(checklist.templates()), needed=True),
            _SETUP,
        ),
        _checklist,
    ),
    "tick": Deed(
        "Checklist",
        "Save",
        (replace(FIELDS["checklist_item"][0], options=RESULTS), *FIELDS["checklist_item"][1:]),
        _tick,
    ),
    "soak": Deed(
        "Let a soak belong to this job",
        "Let it belong",
        (Field("soak", "Soak", Kind.CHOICE, known="soaks", needed=True),),
        _give_soak,
    ),
    "take soak": Deed("Take a soak away from this job", "Take it away", (), _take_soak),
    "overrule": Deed(
        "Put your own verdict over what was measured",
        "Sign",
        (
            Field("statement", "Your verdict", Kind.CHOICE, options=ORDER, needed=True),
            Field(
                "reason",
                "Why",
                Kind.TEXT,
                needed=True,
                hint="It stands in the record and the report with your name and today's date, and is never "
                "erased. It holds until something later is there to be judged.",
            ),
        ),
        _overrule,
        signed=True,
    ),
}
"""Every deed, by what it is called on the wire."""


def fields_of(deed: str, table: str) -> tuple[Field, ...]:
    """Return the fields of a deed; an edit's are those of its table."""
    return FIELDS[table] if deed == "edit" else DEEDS[deed].fields


# ---- the address


class _Remembered:
    """What was entered under which key, so that what comes twice is entered once."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self._answers: dict[str, tuple[str, dict[str, Any]]] = {}

    def answer(self, key: str, content: str) -> dict[str, Any] | None:
        """Return what this was answered before; None where it is new."""
        if not key or key not in self._answers:
            return None
        known, answer = self._answers[key]
        if known == content:
            return answer
        reason = "this form was entered already, as it was then: look at the job, and change it there"
        return {"state": "refused", "reason": reason}

    def keep(self, key: str, content: str, answer: dict[str, Any]) -> None:
        """Remember an answer."""
        if key:
            while len(self._answers) >= _REMEMBERED:
                del self._answers[next(iter(self._answers))]
            self._answers[key] = (content, answer)


def register(server: Flask, bench: Bench, clock: Clock, access: Access) -> None:
    """Add the address that takes a form, and the one that says which soak a complaint asks for.

    It takes `{"deed", "job", "table", "row", "seen", "said": {field: text}, "by", "key"}`, as JSON or, with
    a file, as the part `entry` of a form's data; it answers `{"state", "reason", "faults": {field: sentence},
    "says", "to"}`, and where an edit was overtaken `"stands": {field: text}` and `"seen"`.
    """
    remembered = _Remembered()

    @server.post(ADDRESS)
    def enter() -> tuple[Response, int]:
        # a photograph may be larger than all else that comes here
        refused = access.refusal(photographs.MOST_BYTES + 1_000_000)
        if refused is not None:
            return jsonify(state="refused", reason=refused[0]), refused[1]
        try:
            uploaded = request.files.get("file")
            entry: Any = request.get_json(silent=True) or loads(request.form.get("entry", "null"))
            file = None if uploaded is None else (uploaded.filename or "file", uploaded.read())
        except ValueError:
            entry, file = None, None
        try:
            deed, sent, by, key = _taken(entry, file, bench)
        except (KeyError, TypeError, ValueError):
            reason = "it takes an object with deed, said, by and what it is about"
            return jsonify(state="refused", reason=reason), HTTPStatus.BAD_REQUEST
        content = hashlib.sha256(repr((entry, file)).encode("utf-8", "surrogatepass")).hexdigest()
        with remembered.lock:
            answer = remembered.answer(key, content)
            if answer is None:
                answer = carry_out(deed, sent, by, bench, clock, entry["said"])
                if answer["state"] == "done":
                    remembered.keep(key, content, answer)
        return jsonify(answer), HTTPStatus.OK

    @server.get(PLAN)
    def plan() -> Response:
        try:
            shows = shows_of(request.args.get("shows", ""))
        except RequestError:
            shows = ()
        proposal = propose_plan(shows)
        steps = ", ".join(f"{step} {minutes:g} min" for step, minutes in proposal.steps)
        lasts = words.duration(60.0 * proposal.minutes)
        return jsonify(says=[f"The soak it asks for: {steps}; {lasts} in all.", *proposal.do])


def _taken(entry: Any, file: tuple[str, bytes] | None, bench: Bench) -> tuple[str, Sent, str, str]:
    """Return a deed's name, what was sent with it, by whom, and its key; KeyError, TypeError, ValueError."""
    deed, table = entry["deed"], entry.get("table") or "job"
    said, by, key = entry["said"], entry["by"], entry.get("key", "")
    numbers = [entry.get(name) for name in ("job", "row", "seen")]
    if deed not in DEEDS or table not in FIELDS or not isinstance(said, dict):
        raise ValueError
    if not all(isinstance(one, str) for one in (by, key, *said, *said.values())):
        raise TypeError
    if not all(one is None or (type(one) is int and 0 <= one < 10**9) for one in numbers):
        raise TypeError
    job, row, seen = numbers

    def setup_of(soak: int) -> setup.Setup:
        return bench.reader.soak(soak).setup

    return deed, Sent(job or 0, table, row or 0, seen, {}, file, setup_of), by, key


def carry_out(
    deed: str, sent: Sent, by: str, bench: Bench, clock: Clock, said: Mapping[str, str]
) -> dict[str, Any]:
    """Do it, and return what is answered; what was refused says at which field."""
    fields = fields_of(deed, sent.table)
    unknown = [name for name in said if name not in {one.name for one in fields}]
    try:
        if unknown:
            raise RequestError(f"there is no field {unknown[0]!r} here: load the page again")
        values = read(fields, said)
        path = bench.reader.path  # a database of several benches has none, and takes no entries
        with entered("by"):
            record = Record(path, clock, by)
        done = DEEDS[deed].do(record, replace(sent, said=values))
    except Overtaken as error:
        stands = {one.name: one.written(error.stands.get(one.name)) for one in fields}
        reason = f"{_capital(str(error))}."
        return {"state": "refused", "reason": reason, "stands": stands, "seen": error.version}
    except EntryError as error:
        faults = {name: f"{_capital(says)}." for name, says in error.faults.items()}
        return {"state": "refused", "reason": "", "faults": faults}
    except RequestError as error:
        return {"state": "refused", "reason": f"{_capital(str(error))}."}
    except NotReached as error:
        return {"state": "not reached", "reason": f"{_capital(str(error))}."}
    return {"state": "done", "reason": "", "says": done.says, "to": done.to}


def _capital(sentence: str) -> str:
    return sentence[:1].upper() + sentence[1:]
