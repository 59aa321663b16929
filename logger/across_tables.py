"""What `soakbench across` found as a terminal shows it: valves by batch, an amp's visits, benches."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from rich import box
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from logger.units import quantity


def parts(document: Mapping[str, Any]) -> Iterator[object]:
    """Lay out a `soakbench.across/1` document: what it says, its table, why a figure is missing, notes."""
    yield Text("\n".join(document["says"]) + "\n", style="bold")
    tables = {"valves": _valves, "amp": _amp, "benches": _benches}
    yield from tables[document["of"]](document)
    yield Text("\n".join(f"{note[:1].upper()}{note[1:]}." for note in document["notes"]))


def _valves(document: Mapping[str, Any]) -> Iterator[object]:
    for kind in document["types"]:
        table = _table(
            kind["type"],
            ("batch", "pairs", "amps", "typical, mA a valve", "at the same bias", "settles after, min"),
            f"early failures, first {document['early_h']:g} h",
        )
        missing = []
        for one in kind["batches"]:
            name = one["batch"] or "not recorded"
            missing += [
                f"{name}, {what}: {one[f'{key}_needs']}"
                for key, what in (("current", "at the same bias"), ("settling", "settling"))
                if one[f"{key}_needs"]
            ]
            table.add_row(
                escape(name),
                str(one["pairs"]),
                str(one["amps"]),
                _one(one["valve_mA"]),
                _percent(one["current"], "difference_pct", "differs"),
                _settling(one["settling"]),
                failures(one["failures"]),
            )
        yield table
        yield from _missing(missing)


def failures(found: Mapping[str, Any] | None) -> str:
    """Return early failures in a few words: how many, and by 1,000 hours with the interval."""
    if found is None:
        return "–"
    low, high = found["interval_per_1000_h"]
    return (
        f"{found['failed']} of {found['pairs']} pairs; {found['per_1000_h']:.1f} per 1,000 h "
        f"({low:.1f} to {high:.1f})"
    )


def _settling(found: Mapping[str, Any] | None) -> str:
    if found is None:
        return "–"
    low, high = found["interval_min"]
    left = f", {found['not_settled']} did not" if found["not_settled"] else ""
    return f"{found['mean_min']:.1f} ({low:.1f} to {high:.1f}){left}"


def _percent(found: Mapping[str, Any] | None, key: str, flag: str) -> str:
    """Return a difference in % with its interval, a star where it is more than chance."""
    if found is None:
        return "–"
    low, high = found["interval_pct"]
    return f"{found[key]:+.1f} % ({low:+.1f} to {high:+.1f}){' *' if found[flag] else ''}"


def _amp(document: Mapping[str, Any]) -> Iterator[object]:
    begun = {one["soak"]: one["started"][:10] for one in document["visits"]}
    table = _table(
        escape(document["amp"]),
        ("pair", "soak", "day", "settled, mA", "at nominal mains, mA", "from the others, mA"),
        "dissipation, %",
        "since the visit before, mA",
    )
    missing = []
    for pair in document["pairs"]:
        for place, row in enumerate(pair["visits"]):
            star = " *" if row["moved"] else ""
            new = ", other valves" if row["new_valves"] else ""
            table.add_row(
                escape(pair["label"]) if not place else "",
                str(row["soak"]),
                f"{begun[row['soak']]}{new}",
                _with_U(row, "settled", "mA"),
                _with_U(row, "nominal", "mA"),
                _with_U(row, "from_others", "mA"),
                _with_U(row, "dissipation", "pct"),
                f"{_with_U(row, 'changed', 'mA')}{star}",
            )
        if pair["slope"] is None:
            missing.append(f"{pair['label']}, slope: {pair['slope_needs']}")
    yield table
    slopes = _table("by the year", ("pair", "visits", "mA a year"))
    for pair in document["pairs"]:
        slope = pair["slope"]
        if slope is not None:
            low, high = slope["interval_mA_per_year"]
            star = " *" if slope["significant"] else ""
            slopes.add_row(
                escape(pair["label"]),
                str(slope["visits"]),
                f"{slope['mA_per_year']:+.2f} ({low:+.2f} to {high:+.2f}){star}",
            )
    if slopes.row_count:
        yield slopes
    yield from _missing(missing)


def _benches(document: Mapping[str, Any]) -> Iterator[object]:
    table = _table("", ("bench", "channel", "amps", "off by", "its parts allow, %"))
    missing = []
    for bench in document["benches"]:
        rows = [
            (one["channel"], one["amps"], one["offset"], one["offset_needs"]) for one in bench["channels"]
        ]
        whole = bench["whole"]
        rows.append(("the whole bench", whole["amps"] if whole else "–", whole, bench["whole_needs"]))
        for place, (name, amps, found, needs) in enumerate(rows):
            table.add_row(
                escape(bench["bench"]) if not place else "",
                escape(name),
                str(amps),
                _percent(found, "offset_pct", "off"),
                _one(found and found["parts_allow_pct"]),
            )
            if needs:
                missing.append(f"{bench['bench']}, {name}: {needs}")
    yield table
    yield from _missing(missing)


def _missing(sentences: list[str]) -> Iterator[object]:
    if sentences:
        yield Text("\n".join(f"{one}." for one in sentences) + "\n")


def _with_U(row: Mapping[str, Any], name: str, unit: str) -> str:
    value, U = row[f"{name}_{unit}"], row[f"{name}_expanded_uncertainty_{unit}"]
    if value is None:
        return "–"
    return quantity(value, U, unit).removesuffix(f" {unit}") if U else f"{value:.1f}"


def _one(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f}"


def _table(title: str, left: tuple[str, ...], *right: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, title=title or None, title_justify="left")
    for name in left + right:
        table.add_column(name)
    return table
