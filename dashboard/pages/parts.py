"""What the pages share: findings in words, signs, and what stands where there is nothing to show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from dash import html

from dashboard import words
from dashboard.bench import Absent
from dashboard.chart import spoken
from dashboard.figures import PALETTE, pair_style
from logger.finding import Finding, Severity
from logger.setup import Setup

SHAPE: Final = {Severity.REMARK: "•", Severity.WARNING: "▲", Severity.TRIP: "■"}

CAUTION: Final = (
    "Lethal voltage inside, also after switching off; an HT reading of zero proves nothing. Glass is hot. "
    "One hand. Power off before moving valves or leads. No signal without a load. Never leave an amplifier "
    "running with nobody in the building. soakbench is no certified protective device."
)

Children = list[Any]


def hidden() -> dict[str, Any]:
    """Return what keeps a sign from being read aloud: the word beside it says the same."""
    return {"aria-hidden": "true"}


def labels_of(setup: Setup) -> dict[str, str]:
    """Return each channel's name as shown, with its sockets."""
    return {channel.name: channel.label for channel in setup.channel}


def sign(severity: Severity) -> html.Span:
    """Return a severity's shape; never alone, the word stands beside it."""
    return html.Span(SHAPE[severity], className=f"sign {severity.value}", **hidden())


def worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """Order findings: the worst first, the newest of equals before the older."""
    return sorted(findings, key=lambda one: (-one.severity.rank, -one.raised_s, one.id))


def led(findings: Sequence[Finding]) -> list[tuple[Finding, list[Finding]]]:
    """Put each finding under the one it follows from, if that is among them too."""
    shown = {finding.id for finding in findings}
    leading = [finding for finding in findings if finding.under not in shown]
    return [
        (leader, [finding for finding in worst_first(findings) if finding.under == leader.id])
        for leader in worst_first(leading)
    ]


def timing(finding: Finding) -> str:
    """Say when it began, when it was said, when it went."""
    said = f"began at {words.duration(finding.onset_s)}, raised at {words.duration(finding.raised_s)}"
    if finding.cleared_s is not None:
        said += f", cleared at {words.duration(finding.cleared_s)}"
    return said


def finding_block(finding: Finding, followers: Sequence[Finding], setup: Setup) -> html.Article:
    """Return one leading finding with those under it: what to do, what, how much, since when."""
    labels = labels_of(setup)
    whom = words.whom(finding, labels)
    head: Children = [
        html.Span(str(finding.id), className="numeral"),
        sign(finding.severity),
        html.Strong(words.severity(finding.severity)),
        html.Span(finding.kind.value),
    ]
    if whom:
        head.append(html.Span(whom, className="whom"))
    head.append(html.Span(timing(finding), className="timing"))
    body: Children = [html.H2(head, className="finding-head")]
    if finding.advice and finding.open:
        body.append(html.P(finding.advice, className="advice"))
    body.append(html.P(f"{sentence(finding.says)}", className="says"))
    if followers:
        body.append(
            html.Ul(
                [
                    html.Li(
                        [
                            html.Span(str(follower.id), className="numeral"),
                            sign(follower.severity),
                            html.Span(
                                [
                                    f"{words.severity(follower.severity)}, {follower.kind.value}: "
                                    f"{sentence(follower.says)} ",
                                    html.Span(timing(follower), className="timing"),
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
    return html.Article(body, className=f"finding {finding.severity.value} {state}")


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


def line_sample(index: int) -> html.Span:
    """Return a short piece of a pair's line, as the charts draw it."""
    style = pair_style(index)
    outlined = " outlined" if style.colour == PALETTE[6][0] else ""
    kind = "dashed" if style.dash != "solid" else "solid"
    return html.Span(
        className=f"line-sample{outlined}",
        style={"borderTopColor": style.colour, "borderTopStyle": kind},
        **hidden(),
    )


def caution() -> html.P:
    """Return the usual cautions, where the work is."""
    return html.P([html.Strong("Caution. "), CAUTION], className="caution")
