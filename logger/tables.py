"""What a terminal shows: the tables of check, judge and soaks. Milliamps and plain words are at home here."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Console, Group
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from logger.errors import FileExistsAlready, RequestError
from logger.requests import Ask, as_shown, ask_of
from logger.units import number, quantity, shown

if TYPE_CHECKING:  # neither is needed to draw, and both are slow to import
    from logger.blocks import Mark
    from logger.calibration_session import Helped
    from logger.check import Advice
    from logger.convert import Calibration
    from logger.link.search import Port, Seen
    from logger.run_benches import Ended
    from logger.score.figures import Figure, Row, Score
    from logger.store.reader import Soak
    from logger.store.whole import SoakSeen, Verified

RESULT_WORDS = {
    "pass": "pass",
    "conditional pass": "pass, too close to call",
    "conditional fail": "fail, too close to call",
    "fail": "fail",
    None: "not judged",
}
"""A statement as screens say it."""

SIGNS = {"remark": "·", "question": "?", "warning": "▲", "trip": "■"}


def refuse_to_overwrite(path: Path, *, force: bool) -> None:
    """Raise where somebody's file would be overwritten, or its folder does not exist."""
    if path.is_dir():
        raise RequestError(f"{path} is a folder: name a file")
    if path.exists() and not force:
        raise FileExistsAlready(path)
    if not path.parent.is_dir():
        raise RequestError(f"there is no folder {path.parent} to write {path.name} into: make it first")


def write_json(document: object, where: str, *, force: bool) -> None:
    """Write a JSON document to a file, or to standard output where `where` is `-`."""
    text = json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
    if where == "-":
        print(text)
        return
    path = Path(where)
    refuse_to_overwrite(path, force=force)
    write_text(path, text + "\n")


def write_text(path: Path, text: str) -> None:
    """Write a file, with a plain sentence where that can't be done."""
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RequestError(f"{path} can't be written ({error.strerror}): name another place") from error


def show(*parts: object) -> None:
    """Print on standard output; as wide as the terminal, and no narrower than 100 where there is none."""
    console = Console(soft_wrap=False)
    if not console.is_terminal:
        console = Console(width=160)
    console.print(Group(*(part for part in parts if part is not None)), highlight=False)  # type: ignore[arg-type]


def answer(parts: Iterable[object], document: object, json_to: str | None, *, force: bool) -> None:
    """Print what a command found, or write it as JSON where that is asked for; only one of both is worked out
    if `parts` is a generator."""
    if json_to is None:
        show(*parts)
    else:
        write_json(document, json_to, force=force)


def duration(seconds: float | None) -> str:
    """Return `2 h 05 min`, `5 min 10 s` or `12 s`; a dash for what does not exist."""
    if seconds is None:
        return "–"
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {left:02d} s" if minutes else f"{left} s"


# ---- judge


def verdict_parts(document: dict[str, Any]) -> Iterator[object]:
    """Lay out a `soakbench.judge/1` document for a terminal."""
    soak = document["soak"]
    yield Text.assemble((f"{RESULT_WORDS[soak['verdict']]}: ", "bold"), soak["says"], "\n")
    yield _pairs_table([c for c in document["channels"] if c["measures"] == "pair current"])
    yield from _sides_line(soak)
    others = [c for c in document["channels"] if c["measures"] != "pair current"]
    if others:
        yield _others_table(others)
    yield from _finding_lines(document["findings"])
    yield _soak_line(soak)


def _pairs_table(pairs: Sequence[dict[str, Any]]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("pair")
    table.add_column("result")
    for head in ("settled, mA", "from the others, mA", "drift, mA/h", "dissipation, %", "settled at"):
        table.add_column(head, justify="right")
    for pair in pairs:
        says = pair["statements"]
        table.add_row(
            escape(pair["label"]),
            RESULT_WORDS[pair["verdict"]],
            _with_u(pair["settled_mA"], pair["expanded_uncertainty_mA"]) + _mark(says, "own window"),
            _with_u(pair["from_others_mA"], pair["from_others_expanded_uncertainty_mA"], sign=True)
            + _mark(says, "from the others"),
            _interval(pair["drift_mA_per_h"], pair["drift_interval_mA_per_h"]) + _mark(says, "drift"),
            _with_u(pair["dissipation_pct"], pair["dissipation_expanded_uncertainty_pct"])
            + _mark(says, "dissipation"),
            duration(pair["settled_at_s"]),
        )
    return table


def _sides_line(soak: dict[str, Any]) -> Iterator[object]:
    statements = soak.get("statements", {})
    if "side balance" in statements:
        figure = _with_u(soak["side_balance_pct"], soak["side_balance_expanded_uncertainty_pct"], sign=True)
        word = RESULT_WORDS[statements["side balance"]]
        yield Text(f"side balance, push less pull: {figure} % of their mean: {word}\n")


def _mark(statements: dict[str, str | None], name: str) -> str:
    """Return a sign behind a figure that is not a plain pass: ? too close to call, ! fail."""
    return {"conditional pass": " ?", "conditional fail": " ?!", "fail": " !"}.get(
        statements.get(name) or "", ""
    )


def _others_table(channels: Sequence[dict[str, Any]]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("channel")
    table.add_column("measures")
    for head in ("mean", "least", "greatest"):
        table.add_column(head, justify="right")
    for channel in channels:
        unit = channel.get("unit", "")
        figures = [_figure(channel.get(key), unit) for key in ("mean", "least", "greatest")]
        table.add_row(escape(channel["label"]), channel["measures"], *figures)
    return table


def _finding_lines(findings: Sequence[dict[str, Any]]) -> Iterator[object]:
    if not findings:
        yield Text("Nothing was found.\n")
        return
    lines = Text()
    for finding in findings:
        seen_s, cleared_s = finding.get("acknowledged_s"), finding["cleared_s"]
        asked = finding["kind"] == "question"
        look = "question" if asked else finding["severity"]
        since = ""
        if seen_s is not None:
            since = f", {'answered' if asked else 'acknowledged'} at {duration(seen_s)}"
        if cleared_s is not None and not (asked and seen_s is not None):
            since += f", until {duration(cleared_s)}"
        indent = "    " if finding.get("under") is not None else ""
        lines.append(
            f"{indent}{SIGNS[look]} {look} {finding['id']} at {duration(finding['raised_s'])}: "
            f"{finding['says']}{since}\n",
            style="bold" if finding["severity"] == "trip" else "",
        )
    yield lines


def _soak_line(soak: dict[str, Any]) -> Text:
    line = f"Seen {duration(soak['duration_s'])}, judged {duration(soak['judged_s'])}, {soak['scans']} scans"
    if soak["scans_missing"]:
        line += f", {soak['scans_missing']} missing"
    skipped = soak["lines_skipped"]
    if skipped["count"]:
        line += f", {skipped['count']} bad lines skipped (the first is line {skipped['first']})"
    if soak.get("clicks"):
        line += f", {soak['clicks']} click{'s' * (soak['clicks'] > 1)} on all channels"
    return Text(f"{line}. ± is the expanded uncertainty, 95 %. soakbench is no certified protective device.")


def _with_u(value: float | None, u: float | None, *, sign: bool = False) -> str:
    if value is None:
        return "–"
    figure = f"{value:+.1f}" if sign else f"{value:.1f}"
    return figure if u is None else f"{figure} ±{u:.1f}"


def _interval(value: float | None, interval: Sequence[float | None] | None) -> str:
    if value is None:
        return "–"
    if not interval or interval[0] is None or interval[1] is None:
        return f"{value:+.2f}"
    return f"{value:+.2f} ({interval[0]:+.2f} to {interval[1]:+.2f})"


def _figure(value: float | None, unit: str) -> str:
    return "–" if value is None else f"{value:.1f} {unit.replace('degC', '°C')}"


# ---- match


def match_parts(document: dict[str, Any]) -> Iterator[object]:
    """Lay out a `soakbench.match/1` document for a terminal."""
    both = document["by"] != "current"
    yield Text(f"{document['says']}\n")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("set", justify="right")
    table.add_column("valves", overflow="fold")
    for head in ("mean, mA", "apart, mA", *(("apart at the step, mA",) if both else ()), "apart, %"):
        table.add_column(head, justify="right")
    for place, one in enumerate(document["sets"], 1):
        steps = [_apart_mA(one["step_spread_mA"], one["step_expanded_uncertainty_mA"])] if both else []
        table.add_row(
            str(place),
            escape(", ".join(one["valves"])),
            f"{one['mean_mA']:.1f}",
            _apart_mA(one["spread_mA"], one["expanded_uncertainty_mA"]),
            *steps,
            f"{one['spread_pct']:.1f}",
        )
    yield table
    if document["left_out"]:
        left = "".join(f"  {one['name']}: {one['says']}\n" for one in document["left_out"])
        yield Text(f"Left out:\n{left}")
    uncertain = any(one["expanded_uncertainty_mA"] is not None for one in document["sets"])
    notes = [*document["notes"]]
    if uncertain:
        notes.append("± is the expanded uncertainty, 95 %; what all valves share cancels in it.")
    if notes:
        yield Text("\n".join(notes))


def _apart_mA(value: float, U: float | None) -> str:
    return quantity(value, U if U is not None else math.nan, "mA").removesuffix(" mA")


# ---- compare


def compare_parts(document: dict[str, Any]) -> Iterator[object]:
    """Lay out a `soakbench.compare/1` document for a terminal."""
    this = document["this"]
    for over in document["earlier"]:
        head = (
            f"soak {this['soak']} ({this['started'][:10]}) over soak {over['soak']} ({over['started'][:10]})"
        )
        yield Text.assemble((f"{head}: ", "bold"), " ".join(over["says"]))
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
        table.add_column("pair")
        nominal = f"at {document['nominal_mains_V']:g} V mains, mA"
        for title in (
            "settled, mA",
            nominal,
            "from the others, mA",
            "drift, mA/h",
            "dissipation, %",
            "bias, V",
        ):
            table.add_column(title, justify="right")
        for pair in over["pairs"]:
            table.add_row(
                escape(pair["label"]),
                _change(pair["settled"], "mA"),
                _change(pair["at_nominal_mains"], "mA"),
                _change(pair["from_the_others"], "mA"),
                _change(pair["drift"], "mA_per_h"),
                _change(pair["dissipation"], "pct"),
                _change(pair["bias"], "V"),
            )
        yield table
        if over["notes"]:
            yield Text("\n".join(f"{note[:1].upper()}{note[1:]}." for note in over["notes"]) + "\n")
    yield Text(
        "Each figure is what has changed; * is beyond its uncertainty (95 %). Where nothing has changed one "
        "figure in 20 is so by chance."
    )


def _change(found: dict[str, Any] | None, unit: str) -> str:
    if found is None:
        return "–"
    star = " *" if found["significant"] else ""
    interval = found.get(f"interval_{unit}")
    if interval is not None:
        return f"{_interval(found[f'difference_{unit}'], interval)}{star}"
    size = quantity(found[f"difference_{unit}"], found[f"expanded_uncertainty_{unit}"], unit)
    return f"{size.removesuffix(f' {unit}')}{star}"


# ---- check


def ports_parts(found: Sequence[tuple[Port, Seen]]) -> Iterator[object]:
    """Lay out what is on which port, and what a set-up is to say for it."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for title in ("port", "what it is", "in the set-up"):
        table.add_column(title, overflow="fold")
    for port, seen in found:
        about = f"\n{port.about}" if port.about else ""
        table.add_row(
            Text(f"{port.path}{about}"), Text(seen.says), Text("\n".join(_link_lines(port, seen, found)))
        )
    yield table


def ports_document(found: Sequence[tuple[Port, Seen]]) -> dict[str, Any]:
    """Return what is on which port as plain JSON types."""
    return {
        "schema": "soakbench.ports/1",
        "ports": [
            {
                "port": port.path,
                "about": port.about or None,
                "serial_number": port.serial_number or None,
                "is": seen.what,
                "says": seen.says,
                "board": None if seen.daq is None else seen.daq.board_id,
                "channels": None if seen.daq is None else len(seen.daq.full_count),
                "setup": _link_lines(port, seen, found),
            }
            for port, seen in found
        ],
    }


def _link_lines(port: Port, seen: Seen, found: Sequence[tuple[Port, Seen]]) -> list[str]:
    """Return the lines of a set-up's [link] for one port; none where soakbench has no use for it."""
    match seen.what:
        case "bench DAQ":
            several = sum(one.daq is not None for _, one in found) > 1
            assert seen.daq is not None
            where = "auto" if port.listed else port.path
            board = [f'board = "{seen.daq.board_id}"'] if several else []
            return ['kind = "lines"', f'port = "{where}"', *board]
        case "numbers":
            return ['kind = "csv"', f'port = "{port.path}"']
        case _:
            return []


def advice_parts(advice: Advice, cautions: Sequence[str]) -> Iterator[object]:
    """Lay out what `check` says."""
    yield Text(f"{advice.aim}\n")
    yield _wiring_table(advice)
    yield Text(f"{advice.wiring_means}\n")
    yield _limits_table(advice)
    for item in advice.decidable:
        yield Text(item.told)
    yield Text(
        f"\nThe shortest crackle that is seen: {advice.shortest_crackle_s:g} s (two scans); "
        "what is shorter is averaged away or taken for noise."
    )
    yield Text("\nBefore a hand goes in:\n" + "\n".join(f"  {line}" for line in cautions))


def advice_document(advice: Advice) -> dict[str, Any]:
    """Return what `check` says as plain JSON types."""
    return {
        "schema": "soakbench.check/1",
        "aim": advice.aim,
        "pins_are": advice.place,
        "wiring": [
            {
                "channel": wire.channel,
                "measures": wire.measures,
                "pins": list(wire.pins),
                "leads": wire.leads,
                "part": wire.part,
                "expected_V": wire.expected_v,
                "at_limit_V": wire.limit_v,
                "full_scale_V": wire.full_scale_v,
                "reads_up_to": wire.reads_up_to or None,
                "step": wire.step if wire.step == wire.step else None,
                "headroom": wire.headroom,
            }
            for wire in advice.wiring
        ],
        "limits": [
            {"name": row.name, "value": row.value, "stated": row.stated, "reason": row.reason}
            for row in advice.limits
        ],
        "decidable": [
            {
                "what": item.what,
                "limit": item.limit,
                "expanded_uncertainty": item.expanded_uncertainty,
                "unit": item.unit,
                "says": item.says,
                "helps": item.helps,
            }
            for item in advice.decidable
        ],
        "odd": advice.odd,
        "shortest_crackle_s": advice.shortest_crackle_s,
    }


def _wiring_table(advice: Advice) -> Table:
    table = Table(
        box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), title="Wiring", title_justify="left"
    )
    for at, head in enumerate(advice.wiring_heads):
        table.add_column(head, overflow="fold") if at < 3 else table.add_column(head, justify="right")
    for wire in advice.wiring:
        table.add_row(*map(escape, wire.told(advice.place)))
    return table


def _limits_table(advice: Advice) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title="Limits", title_justify="left")
    for head in ("limit", "value", "from"):
        table.add_column(head, overflow="fold")
    for row in advice.limits:
        table.add_row(*row.told)
    return table


# ---- target


def target_parts(document: dict[str, Any]) -> Iterator[object]:
    """Lay out a `soakbench.target/1` document for a terminal."""
    held, rating = document["held_to"], document["rating"]
    aims = document["aim"] == "target"
    what = "To aim at" if aims else "At the rating, not to be aimed at"
    memory = ", a figure from memory" if held["from_memory"] else ""
    yield Text(
        f"{what}: {document['pct']:g} % of {held['says']}{memory}, {document['watts_per_valve']:.2f} W in "
        f"each {rating['valve']}, {document['connection']}, {document['bias']} bias, at "
        f"{document['ht_V']['value']:.0f} V HT ({document['ht_V']['from']})\n"
    )
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("idle current")
    for head in ("aim" if aims else "at the rating", "from", "to"):
        table.add_column(head, justify="right")
    for name, key, unit in (
        ("anode (plate), a valve", "anode_mA_per_valve", "mA"),
        ("cathode, a valve", "cathode_mA_per_valve", "mA"),
        (f"cathode, a pair of {document['valves_per_pair']}", "cathode_mA_per_pair", "mA"),
        (f"reads at {document['sense_ohm']['value']:g} ohm", "reads_mV", "mV"),
    ):
        span = document[key]
        table.add_row(name, *(f"{span[end]:.1f} {unit}" for end in ("value", "low", "high")))
    yield table
    share = document["screen_fraction"]
    published = "" if share["stated"] else " (the type's published range)"
    screen = f"screen's share {_span(share, '', 3)}{published}"
    if document["connection"] == "triode":
        screen = "the whole current counts"
    yield Text(
        f"From and to: as far as what is stated allows together: HT {_span(document['ht_V'], 'V', 1)}, "
        f"{screen}, resistor {_span(document['sense_ohm'], 'ohm', 3)}.\n"
    )
    yield from _pairs_aims(document)
    yield from _set_now(document)
    yield from _rating_parts(rating)
    for line in document["cautions"]:
        yield Text(line)


def _span(span: dict[str, float], unit: str, places: int) -> str:
    low, high = (f"{span[end]:.{places}f}" for end in ("low", "high"))
    return f"{low} {unit}".strip() if low == high else f"{low} to {high} {unit}".strip()


def _pairs_aims(document: dict[str, Any]) -> Iterator[object]:
    """Lay out each pair's aim and what it draws, where there is more to say than the table above."""
    pairs = document["pairs"]
    if len(pairs) == 1 and pairs[0]["draws_mA"] is None:
        return
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("pair")
    for head in ("aim, mA" if document["aim"] == "target" else "at the rating, mA", "reads, mV"):
        table.add_column(head, justify="right")
    for head in ("draws, mA", "of the rating, %"):
        table.add_column(head, justify="right")
    for pair in pairs:
        table.add_row(
            escape(pair["label"]),
            f"{pair['cathode_mA_per_pair']['value']:.1f}",
            f"{pair['reads_mV']['value']:.1f}",
            *(
                "–" if span is None else f"{span['value']:.1f} ({span['low']:.1f} to {span['high']:.1f})"
                for span in (pair["draws_mA"], pair["dissipation_pct"])
            ),
        )
    yield table


def _set_now(document: dict[str, Any]) -> Iterator[object]:
    way = document["set_now"]
    if way is None:
        return
    names = [pair["name"] for pair in document["pairs"]]
    labels = {pair["name"]: pair["label"] for pair in document["pairs"]}
    if way["running"]:
        yield Text(
            f"By the running forecast, {way['running'][0]['minute']:.0f} min after HT on:", style="bold"
        )
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
        table.add_column("pair")
        for head in ("set now, mA", "reads, mV", f"ends at, mA ({way['interval_pct']} %)"):
            table.add_column(head, justify="right")
        for row in way["running"]:
            ends = row["ends_mA"]
            table.add_row(
                escape(labels[row["pair"]]),
                f"{row['set_mA']:.1f}",
                f"{row['set_mV']:.1f}",
                f"{ends['low']:.1f} to {ends['high']:.1f}",
            )
        yield table
    if not way["rows"]:
        if not way["running"]:
            yield Text(
                "What to set now can't be said yet: it takes a whole soak of this amp that began cold, or a "
                "running one from 8 minutes after HT on.\n"
            )
        return
    soaks = ", ".join(map(str, way["learnt_from"]))
    yield Text(f"Set now, mA, in order to end there (learnt from soak {soaks}):", style="bold")
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("HT on for", justify="right")
    for name in names:
        table.add_column(escape(labels[name]), justify="right")
    table.add_column("other valves", justify="right")
    cells: dict[float, dict[str | None, str]] = {}
    for row in way["rows"]:
        half = (row["ends_mA"]["high"] - row["ends_mA"]["low"]) / 2.0
        volts = "" if abs(row["set_mV"] - row["set_mA"]) < 0.05 else f", {row['set_mV']:.1f} mV"
        cells.setdefault(row["minute"], {})[row["pair"]] = f"{row['set_mA']:.1f} ±{half:.1f}{volts}"
    for minute, by_pair in cells.items():
        table.add_row(f"{minute:g} min", *(by_pair.get(name, "–") for name in (*names, None)))
    yield table
    yield Text(
        f"±: where it ends, in {way['interval_pct']} of 100 cases, if the current is turned by at most "
        f"{way['turn_at_most_pct']:.0f} %; after more, set it again 10 minutes later. Other valves: if they "
        "were changed since; learnt from how far the pairs differed.\n"
    )


def _rating_parts(rating: dict[str, Any]) -> Iterator[object]:
    names = {
        "anode": "anode (plate)",
        "anode_plus_screen": "anode + screen",
        "grid1": "grid 1 circuit, at most",
    }
    sheet = ", ".join(rating[key] for key in ("publisher", "date", "system") if rating[key])
    title = f"{rating['valve']}, limits of the sheet: {sheet}"
    if rating["choice"]:
        title += f"\nSheet {rating['sheet']}: {rating['choice']}; others: {', '.join(rating['other_sheets'])}"
    yield Text(title)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for head in ("limit", "value", "holds for", "source"):
        table.add_column(head)
    sources: list[str] = []
    for figure in rating["figures"]:
        part, unit = figure["figure"].rsplit("_", 1)
        value = "none printed" if figure["value"] is None else f"{figure['value']:g} {unit}"
        if figure["source"] not in sources:
            sources.append(figure["source"])
        table.add_row(
            names.get(part, part),
            f"{value}, from memory" if figure["from_memory"] else value,
            figure["when"] or "–",
            str(sources.index(figure["source"]) + 1),
        )
    yield table
    yield Text("".join(f"{number}: {source}\n" for number, source in enumerate(sources, 1)))


# ---- calibrations


def calibrations_table(found: Sequence[Calibration]) -> Table:
    """Lay out the calibrations of a store, one a row."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for head in ("calibration", "made (UTC)", "board", "channels", "by", "with"):
        table.add_column(head, justify="right" if head == "calibration" else "left")
    for one in found:
        table.add_row(
            str(one.id),
            f"{one.made:%Y-%m-%d %H:%M}" if one.made else "–",
            escape(one.board_id),
            escape(", ".join(one.channels)),
            escape(one.by),
            escape(one.instrument),
        )
    return table


def calibration_parts(found: Calibration, helped: Sequence[Helped]) -> Iterator[object]:
    """Lay out one calibration: each channel's correction, and what it does to the uncertainty."""
    yield calibrations_table([found])
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("channel")
    for head in ("gain off by, %", "offset", "resistor, ohm", "at", "U before", "U now"):
        table.add_column(head, justify="right")
    for row in helped:
        one = row.found
        resistor = "–" if one.sense_ohm is None else quantity(one.sense_ohm, 2 * (one.u_sense_ohm or 0.0), "")
        at, unit = shown(row.at, row.unit)
        table.add_row(
            escape(row.channel),
            quantity(100.0 * (one.gain - 1.0), 200.0 * one.u_gain, "").strip(),
            quantity(one.offset, 2.0 * one.u_offset, row.unit),
            resistor.strip(),
            f"{number(at)} {unit}",
            *(f"{number(shown(U, row.unit)[0], 2)} {unit}" for U in (row.before_U, row.after_U)),
        )
    yield table
    yield Text("± and U: 95 %. What warms and drifts after a calibration stays in U.")


def calibrations_document(found: Sequence[Calibration]) -> dict[str, Any]:
    """Return the calibrations of a store as plain JSON types."""
    return {
        "schema": "soakbench.calibrations/1",
        "calibrations": [calibration_document(one) for one in found],
    }


def calibration_document(found: Calibration) -> dict[str, Any]:
    """Return one calibration as plain JSON types."""
    return {
        "schema": "soakbench.calibration/1",
        "calibration": found.id,
        "board": found.board_id,
        "made": found.made.isoformat() if found.made else None,
        "by": found.by,
        "instrument": found.instrument,
        "channels": {
            name: one.model_dump(mode="json") | {"wiring": found.wiring.get(name, "")}
            for name, one in found.channels.items()
        },
    }


# ---- soaks


def budget_parts(document: dict[str, Any]) -> Iterator[object]:
    """Lay out a `soakbench.budget/1` document for a terminal: a table a figure, what helps most last."""
    for figure in document["channels"]:
        unit = figure["unit"].replace("degC", "°C")
        k = figure["coverage_factor"]
        factor = "" if k is None else f" (95 %, k = {k:.2f}, u = {figure['standard_uncertainty']:.3g} {unit})"
        yield Text(
            f"{figure['name']}, {figure['quantity']}, {figure['at']}: {figure['value']:.4g} ± "
            f"{figure['expanded_uncertainty']:.2g} {unit}{factor}",
            style="bold",
        )
        table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
        table.add_column("term")
        table.add_column("± or u", justify="right")
        table.add_column("distribution")
        for head in ("sensitivity", f"contribution, {unit}", "share"):
            table.add_column(head, justify="right")
        for term in figure["terms"]:
            table.add_row(
                escape(term["term"]),
                f"{term['value']:.3g} {term['unit']}",
                term["distribution"],
                f"{term['sensitivity']:.3g} {unit} a unit",
                f"{term['contribution']:.2g}",
                f"{100 * term['share']:.1f} %",
            )
        yield table
        for note in figure["notes"]:
            yield Text(f"{note[0].upper()}{note[1:]}.")
        yield Text(f"{figure['says']}\n")
    yield Text(
        "What the set-up does not state is a default of soakbench's, no measured property of your parts."
    )


def score_parts(score: Score) -> Iterator[object]:
    """Yield the tables of `soakbench score`: false alarms, kinds and sizes, the rest, what it means."""
    yield _score_false(score)
    yield _score_kinds(score.rows)
    shown = {id(f) for f in (*score.false_by_class, *score.false_by_kind)}
    for row in score.rows:
        shown |= {id(f) for f in (row.found, row.median, row.late, row.ratio, row.kind_right)}
        shown |= {id(row.named), id(row.blamed)}
    rest = Table(box=box.SIMPLE_HEAD, title="all together", title_justify="left")
    for title, justify in (
        ("", "left"),
        ("", "right"),
        ("95 %", "right"),
        ("of", "right"),
        ("goal", "right"),
    ):
        rest.add_column(title, justify=justify)  # type: ignore[arg-type]
    for figure in score.figures:
        if id(figure) in shown:
            continue
        missed = " missed" if figure.missed else "" if figure.reached else " not yet"
        goal = "" if figure.goal is None else f"{figure.goal:g}{missed}"
        rest.add_row(figure.name, _score_value(figure), _score_interval(figure), f"{figure.n:,}", goal)
    yield rest
    for sentence in score.says:
        yield Text(sentence)
    yield Text(f"Seeds: {score.half}. A dash is what was not reached, or does not exist.")


def _score_false(score: Score) -> Table:
    table = Table(box=box.SIMPLE_HEAD, title="false alarms per 1,000 pair-hours", title_justify="left")
    table.add_column("")
    for title in ("rate", "95 %", "pair-hours"):
        table.add_column(title, justify="right")
    for figure in (score.figures[0], *score.false_by_class, *score.false_by_kind):
        name = figure.name.removeprefix("false alarms, ")
        table.add_row(name, _score_value(figure), _score_interval(figure), f"{figure.n:,}")
    return table


def _score_kinds(rows: Sequence[Row]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, title="faults", title_justify="left")
    for title, justify in (("kind", "left"), ("x limit", "right"), ("n", "right"), ("found", "right")):
        table.add_column(title, justify=justify)  # type: ignore[arg-type]
    for title in ("95 %", "delay, median", "95th", "ideal", "ratio", "right kind", "named", "blames another"):
        table.add_column(title, justify="right")
    for row in rows:
        ratio = "" if row.ratio is None else f"{_score_value(row.ratio)} {_score_interval(row.ratio)}"
        table.add_row(
            row.kind,
            "" if row.size is None else f"{row.size:g}",
            str(row.n),
            _score_value(row.found),
            _score_interval(row.found),
            _score_delay(row.median.value, row),
            _score_delay(row.late.value, row),
            "" if row.ratio is None else _score_delay(row.bound_s, row),
            ratio,
            _score_value(row.kind_right),
            _score_value(row.named),
            _score_value(row.blamed),
        )
    return table


def _score_delay(value: float, row: Row) -> str:
    if value != value:
        return "–"
    return f"{value:.0f} scans" if row.in_scans else duration(value)


def _score_value(figure: Figure) -> str:
    return _score_number(figure.value, figure.unit)


def _score_number(value: float, unit: str) -> str:
    if value != value:
        return "–"
    if unit == "share":
        return f"{value:.0%}" if value in (0.0, 1.0) else f"{value * 100:.1f} %"
    if unit == "of idle":
        return f"{value * 100:.1f} %"
    if unit == "":
        return f"{value:.0f}"
    return duration(value) if unit == "s" else f"{value:.2f}{' mA' if unit == 'mA' else ''}"


def _score_interval(figure: Figure) -> str:
    if figure.low != figure.low and figure.high != figure.high:
        return ""
    low, high = (_score_number(end, figure.unit) for end in (figure.low, figure.high))
    return f"{low} to {high}"


def soaks_table(soaks: Sequence[Soak]) -> Table:
    """Lay out the soaks of a store, one a row."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for head, justify in (
        ("soak", "right"),
        ("started (UTC)", "left"),
        ("amp", "left"),
        ("bench", "left"),
        ("seen", "right"),
        ("ended", "left"),
        ("result", "left"),
    ):
        table.add_column(head, justify=justify)  # type: ignore[arg-type]
    for soak in soaks:
        table.add_row(
            str(soak.id),
            f"{soak.started:%Y-%m-%d %H:%M}",
            escape(soak.amp),
            escape(soak.bench),
            duration(None if soak.last_t_us is None else soak.last_t_us / 1e6),
            (soak.how or "running") + (", thinned" if soak.thinned is not None else ""),
            RESULT_WORDS[soak.verdict["soak"]["verdict"]] if soak.verdict else "–",
        )
    return table


def verified_parts(found: Verified) -> Iterator[object]:
    """Lay out what `soakbench verify` looked at: a soak a row, and a word on the whole."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for head in ("soak", "scans", "last whole scan", ""):
        table.add_column(head, justify="left" if not head else "right")
    for soak in found.soaks:
        table.add_row(str(soak.id), f"{soak.scans:,}", duration(soak.last_s), _standing(soak))
    if found.soaks:
        yield table
    counts = ((len(found.soaks), "soak"), (found.jobs, "job"), (found.photographs, "photograph"))
    seen = ", ".join(f"{n} {what}{'' if n == 1 else 's'}" for n, what in counts)
    word = "The store is whole" if found.whole else f"Something is wrong, {len(found.wrong)} of it"
    yield Text(
        f"{word}: {seen} looked at.",
        style="bold",
    )


def _standing(soak: SoakSeen) -> str:
    if soak.thinned is not None:
        return f"thinned on {soak.thinned.at:%Y-%m-%d}: the rest is in the archive"
    return "" if soak.ended else "not ended"


def verified_document(found: Verified) -> dict[str, Any]:
    """Return a `soakbench.verify/1` document."""
    return {
        "schema": "soakbench.verify/1",
        "whole": found.whole,
        "wrong": found.wrong,
        "remarks": found.remarks,
        "soaks": [
            {
                "soak": one.id,
                "scans": one.scans,
                "last_t_s": one.last_s,
                "ended": one.ended,
                "thinned": None if one.thinned is None else one.thinned.at.isoformat(),
            }
            for one in found.soaks
        ],
        "jobs": found.jobs,
        "photographs": found.photographs,
    }


def check_lines(checks: Sequence[dict[str, str]] | None) -> Iterator[object]:
    """Lay out what the checks before power said of a soak: those that were not fine, one a line."""
    if checks is None:
        return
    rest = [one for one in checks if one["result"] != "fine"]
    lines = Text()
    for one in rest:
        word = "STOP" if one["result"] == "stop" else one["result"]
        lines.append(
            f"before power: {one['check']}: {word}: {one['says']}{one['do'] and '; '}{one['do']}\n",
            style="bold" if word == "STOP" else "",
        )
    fine = len(checks) - len(rest)
    lines.append(f"before power: {fine} of {len(checks)} checks fine\n")
    yield lines


def mark_lines(marks: Sequence[Mark]) -> Iterator[object]:
    """Lay out what persons said and asked during a soak, one a line; nothing where nobody did."""
    if not marks:
        return
    lines = Text()
    for mark in marks:
        kind = "mark" if ask_of(mark.text)[0] is Ask.MARK else "request"
        shown, late = as_shown(mark)
        # a terminal obeys what can't be printed
        text = "".join(letter if letter.isprintable() else "?" for letter in shown.text)
        made = f", made at {duration(mark.t_us / 1e6)}" if late else ""
        lines.append(f"{kind} at {duration(shown.t_us / 1e6)}{made}: {text}\n")
    yield lines


def marks_document(marks: Sequence[Mark]) -> list[dict[str, Any]]:
    """Return a soak's marks as plain JSON types."""
    return [{"t_s": mark.t_us / 1e6, "text": mark.text} for mark in marks]


def benches_table(ended: Sequence[Ended]) -> Table:
    """Lay out how each of several benches ended."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for head in ("bench", "how", "exit code", "started", "soak", "result", "store"):
        table.add_column(head)
    for one in ended:
        table.add_row(
            escape(one.name),
            one.how,
            "–" if one.code is None else str(one.code),
            {0: "–", 1: "once"}.get(one.starts, f"{one.starts} times"),
            "–" if one.soak is None else str(one.soak),
            "–" if one.soak is None else RESULT_WORDS[one.verdict],
            escape(str(one.store)),
        )
    return table


def benches_document(ended: Sequence[Ended]) -> dict[str, Any]:
    """Return how each of several benches ended as `soakbench.benches/1`."""
    return {
        "schema": "soakbench.benches/1",
        "benches": [
            {
                "name": one.name,
                "how": one.how,
                "exit_code": one.code,
                "starts": one.starts,
                "store": str(one.store),
                "log": str(one.log),
                "soak": one.soak,
                "verdict": one.verdict,
            }
            for one in ended
        ],
    }


def soak_document(soak: Soak) -> dict[str, Any]:
    """Return what the list knows of a soak as plain JSON types."""
    return {
        "soak": soak.id,
        "uuid": str(soak.uuid),
        "started": soak.started.isoformat(),
        "ended": soak.ended.isoformat() if soak.ended else None,
        "how": soak.how,
        "kind": soak.kind,
        "bench": soak.bench,
        "amp": soak.amp,
        "scans": soak.scans,
        "seen_s": None if soak.last_t_us is None else soak.last_t_us / 1e6,
        "verdict": soak.verdict["soak"]["verdict"] if soak.verdict else None,
        "thinned": None
        if soak.thinned is None
        else {
            "at": soak.thinned.at.isoformat(),
            "archive": soak.thinned.archive,
            "kept_s": [list(stretch) for stretch in soak.thinned.kept],
        },
    }
