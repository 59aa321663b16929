"""What the pages share: findings in words, signs, and what stands where there is nothing to show."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

from dash import dcc, html
from flask import has_request_context, request

from dashboard import words
from dashboard.bench import Absent
from dashboard.chart import spoken
from dashboard.figures import PALETTE, pair_style
from logger.finding import Finding, Kind
from logger.requests import Ask
from logger.setup import Setup

SHAPE: Final = {"remark": "•", "question": "?", "warning": "▲", "trip": "■"}
"""By what a finding looks like (`words.look`)."""

_VERDICT_LOOK: Final = {"conditional pass": "warning", "conditional fail": "warning", "fail": "trip"}

CAUTION: Final = (
    "Lethal voltage inside, also after switching off; an HT reading of zero proves nothing. Glass is hot. "
    "One hand. Power off before moving valves or leads. No signal without a load. Never leave an amplifier "
    "running with nobody in the building. soakbench is no certified protective device."
)

Children = list[Any]


def href(path: str) -> str:
    """Return where a page or file of ours is asked for, under the sub-path that it is served under."""
    return f"{request.script_root if has_request_context() else ''}{path}"


def when(moment: datetime) -> str:
    """Return a time as people here read a clock."""
    return f"{moment.astimezone():%Y-%m-%d %H:%M}"


def shortened(text: str, most: int = 60) -> str:
    """Return a text's beginning where it is long."""
    text = " ".join(text.split())
    return text if len(text) <= most else f"{text[: most - 1].rstrip()}…"


def way(text: str, to: str, *, changes: bool = False) -> dcc.Link:
    """Return a way to a page of ours; `changes`: to a form, which who only views is not shown."""
    return dcc.Link(text, href=href(to), className="forth changes" if changes else "forth")


def change(to: str, of: str, text: str = "Change") -> dcc.Link:
    """Return a quiet way to where something is changed; `of`: what, for ears."""
    return dcc.Link([text, html.Span(f" {of}", className="unseen")], href=href(to), className="change")


def hidden() -> dict[str, Any]:
    """Return what keeps a sign from being read aloud: the word beside it says the same."""
    return {"aria-hidden": "true"}


def labels_of(setup: Setup) -> dict[str, str]:
    """Return each channel's name as shown, with its sockets."""
    return {channel.name: channel.label for channel in setup.channel}


def sign(look: str) -> html.Span:
    """Return the shape of what a finding looks like; never alone, the word stands beside it."""
    return html.Span(SHAPE[look], className=f"sign {look}", **hidden())


def rank(finding: Finding) -> int:
    """Return 0 to 3, greater is worse: a question waits for an answer, so it comes before other remarks."""
    return tuple(SHAPE).index(words.look(finding))


def worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """Order findings: the worst first, the newest of equals before the older."""
    return sorted(findings, key=lambda one: (-rank(one), -one.raised_s, one.id))


def led(findings: Sequence[Finding]) -> list[tuple[Finding, list[Finding]]]:
    """Put each finding under the one it follows from, if that is among them too."""
    shown = {finding.id for finding in findings}
    leading = [finding for finding in findings if finding.under not in shown]
    return [
        (leader, [finding for finding in worst_first(findings) if finding.under == leader.id])
        for leader in worst_first(leading)
    ]


def timing(finding: Finding, *, running: bool) -> html.Span:
    """Return when it was what, and what it still waits for where `reply` does not say that."""
    said = words.timing(finding)
    if finding.kind is Kind.QUESTION:
        said += ", not answered" if words.waits(finding) and not running else ""
    elif running and words.waits(finding) and not words.calls(finding):
        said += ", not acknowledged"
    return html.Span(said, className="timing")


def ask_button(text: str, ask: Ask, of: str = "", label: str = "") -> html.Button:
    """Return a button that asks it of the daemon (`assets/soakbench.js`); `of`: what goes with it."""
    said = spoken(label) if label else {}
    told: dict[str, Any] = {"data-ask": ask.value, "data-text": of}
    return html.Button(text, type="button", className=f"key {ask.value.replace(' ', '-')}", **told, **said)


def reply(finding: Finding) -> Children:
    """Return the button by which a person answers or acknowledges what calls in a running soak, if any."""
    if not words.calls(finding):
        return []
    number = str(finding.id)
    if finding.kind is Kind.QUESTION:
        button = ask_button("Answer yes", Ask.ACKNOWLEDGE, number, f"Answer yes to question {number}")
        return [html.P(button, className="reply")]
    button = ask_button("Acknowledge", Ask.ACKNOWLEDGE, number, f"Acknowledge finding {number}")
    return [html.P([button, html.Span("Not acknowledged.")], className="reply")]


def finding_block(finding: Finding, followers: Sequence[Finding], setup: Setup) -> html.Article:
    """Return one leading finding with those under it: what to do, what, how much, since when.

    Of a question what is asked comes first. Of a running soak: it says how to answer or acknowledge.
    """
    labels = labels_of(setup)
    whom, look = words.whom(finding, labels), words.look(finding)
    asks = finding.kind is Kind.QUESTION
    head: Children = [
        html.Span(str(finding.id), className="numeral"),
        sign(look),
        html.Strong(look.capitalize()),
    ]
    if not asks:
        head.append(html.Span(finding.kind.value))
    if whom:
        head.append(html.Span(whom, className="whom"))
    head.append(timing(finding, running=True))
    body: Children = [html.H2(head, className="finding-head")]
    told: Children = [html.P(sentence(finding.says), className="says")]
    if finding.advice and finding.open:
        told.insert(1 if asks else 0, html.P(finding.advice, className="advice"))
    body += [*told, *reply(finding)]
    if followers:
        body.append(
            html.Ul(
                [
                    html.Li(
                        [
                            html.Span(str(follower.id), className="numeral"),
                            sign(words.look(follower)),
                            html.Span(
                                [
                                    f"{_named(follower)}: {sentence(follower.says)} ",
                                    timing(follower, running=True),
                                    *reply(follower),
                                ]
                            ),
                        ]
                    )
                    for follower in followers
                ],
                className="followers",
                **spoken("What follows from it"),
            )
        )
    state = "open" if finding.open else "cleared"
    return html.Article(body, className=f"finding {look} {state}")


def _named(finding: Finding) -> str:
    """Return severity and kind: `Warning, mismatch`; of a question the word alone."""
    look = words.look(finding).capitalize()
    return look if finding.kind is Kind.QUESTION else f"{look}, {finding.kind.value}"


def sentence(text: str) -> str:
    """End a sentence with its full stop."""
    return text if text.endswith((".", "?", "…")) else f"{text}."


def with_code(text: str) -> Children:
    """Return a text with what stands between backticks set as a command."""
    pieces = text.split("`")
    return [html.Code(piece) if at % 2 else piece for at, piece in enumerate(pieces) if piece]


def nothing(absent: Absent) -> html.Section:
    """Return what stands in the place of figures that don't exist."""
    body: Children = [html.H1(absent.title), html.P(absent.what_to_do)]
    if absent.command:
        body.append(html.Pre(html.Code(absent.command)))
    return html.Section(body, className="panel nothing")


def verdict_look(statement: str | None) -> str:
    """Return what a verdict looks like: as a warning, as a trip, or plain."""
    return _VERDICT_LOOK.get(statement or "", "plain")


def verdict_word(statement: str | None) -> html.H2:
    """Return a verdict as the first thing that is read, its sign before it."""
    look, word = verdict_look(statement), words.statement(statement)
    signed: Children = [sign(look)] if look in SHAPE else []
    return html.H2([*signed, html.Span(f"{word[:1].upper()}{word[1:]}")], className="verdict-word")


def said(statement: str | None, of: str = "") -> html.Span:
    """Return a statement with its sign; `of` names what it is about where the column does not."""
    look = verdict_look(statement) if statement else "unjudged"
    content: Children = [sign(look)] if look in SHAPE else []
    content.append(html.Span(f"{of}: {words.statement(statement)}" if of else words.statement(statement)))
    return html.Span(content, className=f"statement {look}")


def labelled(label: str) -> dict[str, Any]:
    """Return what names a cell on a phone, where the table's head is not shown."""
    return {"data-label": label}


def table(heads: Sequence[str], rows: Sequence[Sequence[Any]], name: str = "") -> html.Table:
    """Return a table of texts, the first of each row its head; on a phone each row is a block."""
    body = [
        html.Tr(
            [
                html.Th(row[0], scope="row"),
                *(
                    html.Td(cell, className="nil" if cell == "–" else "", **labelled(head))
                    for cell, head in zip(row[1:], heads[1:], strict=True)
                ),
            ]
        )
        for row in rows
    ]
    head = html.Thead(html.Tr([html.Th(text, scope="col") for text in heads]))
    return html.Table([head, html.Tbody(body)], className=f"records {name}".rstrip())


def figure(value: str, behind: str, *, sure: bool = False) -> html.Div:
    """Return a figure with what stands smaller behind it, as one line; `sure` makes it bold."""
    figured = html.Span(value, className="figure sure" if sure else "figure")
    return html.Div([figured, html.Span(f" {behind}", className="uncertainty")])


def quiet(text: str) -> html.Span:
    """Return a line of detail below a figure or a name."""
    return html.Span(text, className="beside")


def line_sample(index: int) -> html.Span:
    """Return a short piece of a pair's line, as the charts draw it."""
    dashed = "" if pair_style(index).dash == "solid" else " dashed"
    return html.Span(className=f"line-sample pair-{index % len(PALETTE) + 1}{dashed}", **hidden())


def unit_key() -> html.Button:
    """Return the key that changes the unit of all currents on every page (`assets/soakbench.js`)."""
    does: dict[str, Any] = {"data-does": "unit", "aria-keyshortcuts": "U"}
    return html.Button("Unit: mA a pair", id="unit-key", type="button", className="key quiet", **does)


def caution() -> html.P:
    """Return the usual cautions, where the work is."""
    return html.P([html.Strong("Caution. "), CAUTION], className="caution")
