"""What a person may say of each thing in the job record: its fields as data, and how typed text is read.

Pure. The command line, the pages' forms and the record itself rest on these. A field is named as the
dataclasses of `logger/jobs.py` name it; what is typed is text, milliamps at this edge only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, Final

from logger.bench_readings import QUANTITIES, moment_of, number_of
from logger.errors import EntryError, RequestError
from logger.jobs import RESULTS, SHOWS, STAGES, State


class Kind(StrEnum):
    """What a field takes."""

    LINE = "line"
    TEXT = "text"
    NUMBER = "number"
    TIME = "time"
    CHOICE = "choice"
    SEVERAL = "several"
    YES = "yes"
    FILE = "file"


@dataclass(frozen=True)
class Field:
    """One thing that a person may say.

    `label` is for people. A number is at or above `least`, or with `above` above it. `typed`: what a number's
    field is called where it is typed in thousandths of what the record holds (mA for A). `known`: which names
    of the store are offered for it. `when`: it only means something where another field says one of these.
    """

    name: str
    label: str
    kind: Kind = Kind.LINE
    unit: str = ""
    needed: bool = False
    least: float | None = None
    above: float | None = None
    options: tuple[str, ...] = ()
    typed: str = ""
    hint: str = ""
    known: str = ""
    when: tuple[str, tuple[str, ...]] | None = None

    def read(self, text: str) -> Any:
        """Return what was typed as the record takes it, None where nothing was; RequestError says why not."""
        if self.kind is Kind.NUMBER:
            value = number_of(text, self.label) if text.strip() else None
            return value / 1000.0 if self.typed and value is not None else value
        if self.kind is Kind.TIME:
            return moment_of(text) if text.strip() else None
        if self.kind is Kind.CHOICE and not text:
            return None
        if self.kind is Kind.YES:
            return bool(text)
        return text

    def written(self, value: Any) -> str:
        """Return a value as it would be typed."""
        match value:
            case None | False:
                return ""
            case True:
                return "yes"
            case float() | int():
                return f"{1000.0 * value if self.typed else value:.12g}"
            case datetime():
                return value.astimezone(UTC).isoformat()
            case tuple() | list():
                return ", ".join(value)
            case _:
                return str(value)


_LOUD: Final = ("quantity", ("output voltage", "output power"))
_HUM: Final = ("quantity", ("hum and noise",))

FIELDS: Final[Mapping[str, tuple[Field, ...]]] = {
    "amp": (
        Field("name", "What the shop calls it", needed=True, hint="As Theatre PA 240 W."),
        Field("serial", "Serial number"),
        Field("rated_w", "Rated output power", Kind.NUMBER, "W", above=0.0),
        Field("notes", "Notes on the amplifier", Kind.TEXT),
    ),
    "job": (
        Field("customer", "Customer's reference"),
        Field("complaint", "What is said to be wrong", Kind.TEXT),
        Field("shows", "It shows", Kind.SEVERAL, options=SHOWS),
        Field("condition", "How it came in", Kind.TEXT, hint="Dents, what is missing, what lies with it."),
        Field("state", "State", Kind.CHOICE, options=tuple(State), needed=True),
        Field("received", "Received", Kind.TIME, needed=True),
    ),
    "valve": (
        Field("label", "Serial or bag number", needed=True, known="valves"),
        Field("type", "Type", hint="As EL34.", known="types"),
        Field("batch", "Batch"),
        Field("seller_a", "Seller's current", Kind.NUMBER, "mA", above=0.0, typed="seller_mA"),
        Field(
            "seller_s", "Seller's transconductance", Kind.NUMBER, "mA/V", above=0.0, typed="seller_mA_per_V"
        ),
        Field("seller_note", "Seller's conditions", hint="As 250 V, -13.5 V."),
        Field("notes", "Notes on the valve", Kind.TEXT),
    ),
    "fitting": (
        Field("socket", "Socket", needed=True, hint="As the chassis calls it: V5.", known="sockets"),
        Field("fitted", "Fitted", Kind.TIME, needed=True),
        Field("removed", "Taken out", Kind.TIME, hint="Empty: it still sits there."),
        Field("why_removed", "Why it was taken out"),
    ),
    "fuse": (
        Field("position", "Which fuse", needed=True, hint="As mains, HT, bias.", known="fuses"),
        Field("found", "As found", hint="What was in it: T 6.3 A."),
        Field("marked", "As marked", hint="What its holder says."),
        Field("fitted", "As fitted", hint="What is in it now."),
    ),
    "checklist_item": (
        Field("result", "How it went", Kind.CHOICE, options=RESULTS),
        Field("value", "Read", Kind.NUMBER),
        Field("note", "Note", Kind.TEXT),
    ),
    "work_item": (
        Field("what", "What was done", needed=True),
        Field("part", "Part"),
        Field("quantity", "How many", Kind.NUMBER, above=0.0),
        Field("minutes", "Time", Kind.NUMBER, "min", least=0.0),
    ),
    "remark": (Field("text", "Remark", Kind.TEXT, needed=True),),
    "bench_reading": (
        Field("stage", "When", Kind.CHOICE, options=STAGES, needed=True),
        Field("quantity", "Quantity", needed=True, known="quantities"),
        Field("place", "Socket, pair or winding", known="sockets"),
        Field("value", "Value", Kind.NUMBER, needed=True),
        Field("unit", "Unit", needed=True, known="units"),
        Field(
            "uncertainty", "Uncertainty ±", Kind.NUMBER, least=0.0, hint="In the same unit, 95 %, if known."
        ),
        Field("instrument", "Instrument", hint="Which meter.", known="instruments"),
        Field("load_ohm", "Load", Kind.NUMBER, "ohm", above=0.0, when=_LOUD),
        Field("tap_ohm", "The tap it was on", Kind.NUMBER, "ohm", above=0.0, when=_LOUD),
        Field("weighting", "Weighting", hint="A, or none.", when=_HUM),
        Field("bandwidth", "Bandwidth", hint="As 20 Hz to 20 kHz.", when=_HUM),
        Field("least", "Not below", Kind.NUMBER, hint="In the same unit."),
        Field("most", "Not above", Kind.NUMBER, hint="In the same unit."),
        Field("limit_source", "Who says so", Kind.TEXT, hint="A limit wants its source."),
        Field("taken", "Read at", Kind.TIME),
        Field("note", "Note", Kind.TEXT),
    ),
    "photograph": (Field("caption", "What it shows"),),
}
"""What may be said of a row of each table of the record, and changed later."""

TABLES: Final[Mapping[str, str]] = {
    "job": "job",
    "amp": "amp",
    "valve": "valve",
    "fitting": "fitting",
    "fuse": "fuse",
    "check": "checklist_item",
    "work": "work_item",
    "remark": "remark",
    "reading": "bench_reading",
    "photo": "photograph",
    "photograph": "photograph",
}
"""What a person calls a row of each table."""

UNITS: Final = tuple(dict.fromkeys(unit for units in QUANTITIES.values() for unit in units))
"""The units of all known quantities."""


def table_of(what: str) -> str:
    """Return the table of what a person calls a row; RequestError names them all."""
    if what not in TABLES:
        raise RequestError(f"{what!r} is nothing of the record: it is one of {', '.join(TABLES)}")
    return TABLES[what]


def change(table: str, name: str, text: str) -> dict[str, Any]:
    """Return what a person writes as FIELD=VALUE as a change of the record."""
    for field in FIELDS[table]:
        if name in (field.name, field.typed) and not (field.typed and name == field.name):
            return {field.name: field.read(text)}
    return {name: text}


def read(fields: tuple[Field, ...], said: Mapping[str, str]) -> dict[str, Any]:
    """Return what was typed as values, by the fields' names; EntryError says all that is wrong, by field."""
    found: dict[str, Any] = {}
    faults: dict[str, str] = {}
    for field in fields:
        text = said.get(field.name)
        if text is None:
            continue
        try:
            value = field.read(text)
            if field.needed and (value is None or (isinstance(value, str) and not value.strip())):
                raise RequestError(f"{field.label.lower()}: say it, it can't be left empty")
            found[field.name] = value
        except RequestError as error:
            faults[field.name] = str(error)
    if faults:
        raise EntryError(faults)
    return found
