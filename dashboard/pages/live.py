"""The Live page: what the amplifier does now, what is wrong, and the chart of the run."""

from __future__ import annotations

import math
from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html

from dashboard import alarm, chart, words
from dashboard.bench import IN_FORCE, Absent, Bench, Look
from dashboard.chart import spoken
from dashboard.pages import parts
from dashboard.pages.parts import Children
from dashboard.told import Told
from logger import units
from logger.finding import Finding, Kind, Severity
from logger.requests import Ask
from logger.setup import Channel, Setup

POLL_MS: Final = 1000
_PLACES: Final = {
    "head": ("live-head", "children"),
    "trips": ("live-trips", "children"),
    "findings": ("live-findings", "children"),
    "figures": ("live-figures", "children"),
    "asks": ("live-asks", "children"),
    "mute": ("live-controls", "hidden"),
    "hidden": ("live-chart", "hidden"),
    "title": ("title", "data"),
}
"""Where each part of the page stands."""


def layout() -> list[Any]:
    """Return the page's frame; its callbacks fill it."""
    return [
        dcc.Store(id="which", data="last"),
        dcc.Store(id="calibration", data=IN_FORCE),
        dcc.Store(id="live-known"),
        chart.unit_store("live-unit"),
        dcc.Interval(id="live-tick", interval=POLL_MS),
        html.Header(id="live-head", className="page-head"),
        html.Div(
            [
                # Remarks and warnings wait for a pause in what is being read aloud, trips don't.
                html.Section(id="live-trips", **{"aria-live": "assertive", **spoken("Trips")}),
                html.Section(id="live-findings", **{"aria-live": "polite", **spoken("Open findings")}),
                html.Section(id="live-figures", **spoken("Figures now")),
                _controls(),
                html.Div(chart.component(), id="live-chart"),
            ],
            id="live-body",
        ),
        alarm.keys(),
        parts.caution(),
    ]


def _controls() -> html.Section:
    """Return what is asked of the daemon: where the text of a mark is typed never changes under the hand."""
    return html.Section(
        [
            html.H2("Ask the daemon", className="unseen"),
            html.Div(
                [
                    html.Div(id="live-asks", className="asks"),
                    html.Div(
                        [
                            html.Label("Text of a mark", htmlFor="mark-text", className="unseen"),
                            dcc.Input(
                                id="mark-text",
                                type="text",
                                maxLength=200,
                                placeholder="what was done: tapped V5",
                                autoComplete="off",
                            ),
                            parts.ask_button("Mark", Ask.MARK),
                        ],
                        className="asks mark",
                    ),
                ],
                className="controls",
            ),
            html.P(className="asked", role="status"),
            html.Dialog(
                [
                    html.H2("Stop the soak?"),
                    html.P(
                        "Its verdict is made from what was measured so far, and nothing is watched any more. "
                        "An armed cut-out opens, and with it the mains goes off."
                    ),
                    html.Div(
                        [
                            html.Button("Go on soaking", type="button", className="key"),
                            parts.ask_button("Stop the soak", Ask.STOP),
                        ],
                        className="asks",
                    ),
                ],
                id="stop-sure",
                **spoken("Stop the soak?"),
            ),
        ],
        id="live-controls",
        hidden=True,
    )


def register(app: Dash, bench: Bench) -> None:
    """Add the page's callbacks."""
    chart.keep_unit(app, "live-unit")
    told = Told()

    @app.callback(
        Output("live-known", "data"),
        Input("live-tick", "n_intervals"),
        Input("live-unit", "data"),
        State("live-known", "data"),
    )
    def follow(_: int | None, unit: str | None, known: str | None) -> str:
        look = bench.look()
        if isinstance(look, Absent):
            now: dict[str, Any] = {
                "head": None,
                "trips": None,
                "findings": None,
                "figures": parts.nothing(look),
                "asks": None,
                "mute": True,
                "hidden": True,
                "title": f"{look.title} · soakbench",
            }
        else:
            trips = [one for one in look.open_findings if one.severity is Severity.TRIP]
            others = [one for one in look.open_findings if one.severity is not Severity.TRIP]
            now = {
                "head": head(look),
                "trips": [
                    *opened(look),
                    *(parts.finding_block(*pair, look.soak.setup) for pair in parts.led(trips)),
                ],
                "findings": open_findings(look, others),
                "figures": figures_now(look, unit or units.PAIR_UNITS[0]),
                "asks": asks(look),
                "mute": not look.running,
                "hidden": not look.running or look.soak.last_t_us is None,
                "title": title(look),
            }
        return told.tell(known, now, _PLACES)


def state_in_words(look: Look) -> str:
    """Say the state with its step's time left: `soaking · 42 min of 2 h left`."""
    now = look.soak.now or {}
    state = str(now.get("state") or "waiting for the first scan")
    ends_s, begun_s = now.get("step_ends_s"), now.get("step_from_s")
    if ends_s is None or begun_s is None:
        return state
    left_s = ends_s - look.now_s
    step = now.get("step") or "step"
    length = words.duration(ends_s - begun_s)
    if left_s <= 0:
        return f"{state} · {step} of {length} done"
    usual = (state, step) in (("soaking", "soak"), ("warming", "warm-up"))
    rest = f"{state} · {'' if usual else f'{step}, '}{words.duration(left_s)} of {length} left"
    plan_ends_s = now.get("plan_ends_s")
    if plan_ends_s is not None and plan_ends_s > ends_s + 1.0:
        rest += f", plan done in {words.duration(plan_ends_s - look.now_s)}"
    return rest


def age_in_words(look: Look) -> str:
    """Say how old the figures are."""
    if look.age_s is None:
        return "no scan yet"
    if look.stale:
        return f"no reading for {words.duration(look.age_s)}"
    return f"last scan {max(1, math.ceil(look.age_s))} s ago"


def title(look: Look) -> str:
    """Return the tab's title: it tells the state, the worst first."""
    amp = look.soak.amp
    if not look.running:
        return f"ended · {amp}"
    elapsed = words.duration(look.now_s)
    if look.stale and look.soak.last_t_us is not None:
        return f"NO READING · {words.duration(look.age_s or 0.0)} · {amp}"
    if _cutout(look).get("why"):
        return f"CUT-OUT OPEN · {elapsed} · {amp}"
    worst = parts.worst_first([one for one in look.open_findings if one.severity is not Severity.REMARK])
    if worst:
        named = worst[0].channel or worst[0].kind.value
        return f"{worst[0].severity.value.upper()} {named} · {elapsed} · {amp}"
    return f"{(look.soak.now or {}).get('state') or 'waiting'} · {elapsed} · {amp}"


def head(look: Look) -> Children:
    """Return amplifier, state, time left and the age of the last scan."""
    soak = look.soak
    if not look.running:
        return [html.H1(soak.amp)]
    stale = look.stale and soak.last_t_us is not None
    return [
        html.H1(soak.amp),
        html.P(
            [
                html.Span(state_in_words(look), className="state"),
                html.Span(f"{words.duration(look.now_s)} elapsed"),
                html.Span(age_in_words(look), className="age stale" if stale else "age"),
                *_cutout_fact(look),
                *_feed_facts(look),
            ],
            className="facts",
        ),
    ]


def _cutout(look: Look) -> dict[str, Any]:
    """Return how the cut-out of a running soak stands; empty where none is armed."""
    return (look.soak.now or {}).get("cutout") or {} if look.running else {}


def _cutout_fact(look: Look) -> Children:
    """Return the cut-out's state in a word or two; nothing is known of it while no scan comes."""
    setup = look.soak.setup
    if not setup.armed:
        return [] if setup.cutout is None else [html.Span("cut-out not armed")]
    state = "unknown" if look.stale else _cutout(look).get("state", "unknown")
    return [html.Span(f"cut-out {state}", className=f"cutout {state}")]


def _feed_facts(look: Look) -> Children:
    """Return how each feed stands: what is lost on the way to others is said here."""
    out: Children = []
    for feed in (look.soak.now or {}).get("feeds", []):
        lost = f", {feed['dropped']} lost" if feed["dropped"] else ""
        well = feed["stands"] in ("working", "ended")
        says = "" if well or not feed["says"] else f": {feed['says']}"
        out.append(html.Span(f"{feed['name']} {feed['stands']}{lost}{says}", className="feed"))
    return out


def opened(look: Look) -> Children:
    """Return why the cut-out stands open, what HT does meanwhile, and what to do; nothing while it does not.

    One that has not been closed yet has no reason: then it is only said what to do.
    """
    now = _cutout(look)
    if now.get("state") != "open" or look.stale:
        return []
    if not now["why"]:
        return [html.P(f"The cut-out is open: {now['do']}.", className="hint to-do")]
    ht = look.soak.setup.first("HT")
    channels = (look.soak.now or {}).get("channels", {})
    ht_v = None if ht is None else (channels.get(look.soak.setup.channel[ht].name) or {}).get("value")
    still = "" if ht_v is None else f" HT reads {words.number(ht_v, 0)} V; a reading of zero proves nothing."
    since = words.duration(now["since_s"])
    return [
        html.Section(
            [
                html.H2(f"The cut-out opened at {since}"),
                html.P([html.Strong(f"{now['why']}."), still]),
                html.P(f"{now['do'][:1].upper()}{now['do'][1:]}."),
            ],
            className="silent",
            role="alert",
        )
    ]


def open_findings(look: Look, findings: list[Finding]) -> Children:
    """Return the open findings, the worst first, each with those under it."""
    if not look.running:
        return []
    blocks: Children = [parts.finding_block(*pair, look.soak.setup) for pair in parts.led(findings)]
    over = [one.kind is Kind.QUESTION for one in look.findings if not one.open]
    if over:
        counts = [
            f"{'one' if count == 1 else count} {what}{'' if count == 1 else 's'} {done}"
            for what, done, count in (
                ("finding", "cleared", over.count(False)),
                ("question", "answered or over", over.count(True)),
            )
            if count
        ]
        blocks.append(
            html.P(
                [
                    f"{', '.join(counts)}: ",
                    dcc.Link("see the soak's page", href=parts.href(f"/soak/{look.soak.id}")),
                ],
                className="cleared-note",
            )
        )
    return blocks


def asks(look: Look) -> Children:
    """Return the buttons that the state leaves something to do."""
    state = (look.soak.now or {}).get("state")
    signal = Ask.SIGNAL_OFF if state == "under signal" else Ask.SIGNAL_ON
    buttons: Children = [
        parts.ask_button("Setting bias", Ask.SETTING_BIAS),
        parts.ask_button(signal.value.capitalize(), signal),
    ]
    if any(words.waits(one) for one in look.open_findings) or _cutout(look).get("why"):
        buttons.append(parts.ask_button("Acknowledge all", Ask.ACKNOWLEDGE))
    return [*buttons, parts.ask_button("Stop the soak …", Ask.STOP)]


def figures_now(look: Look, unit: str = units.PAIR_UNITS[0]) -> Any:
    """Return the figures now, or in their place why there are none."""
    soak = look.soak
    if not look.running:
        return _ended(look)
    if soak.last_t_us is None:
        return html.Section(
            [
                html.H2("Waiting for the first scan"),
                html.P("The soak has begun and no scan has come yet: are the DAQ's lead and supply in?"),
            ],
            className="panel nothing",
        )
    channels = (soak.now or {}).get("channels", {})
    tiles = _pair_tiles(look, channels, unit)
    others = [
        _tile(channel, channels.get(channel.name), look.stale)
        for channel in soak.setup.channel
        if channel.measures not in ("pair current", "push button")
    ]
    content: Children = []
    if look.stale:
        content.append(_silent(look))
    content.append(html.H2("Figures now", className="unseen"))
    grids: Children = [html.Div(tiles, className="pairs")]
    if others:
        grids.append(html.Div(others, className="others"))
    few = " few" if len(tiles) <= 4 else ""
    content.append(html.Div(grids, className=f"grids{few}"))
    note = "± is expanded uncertainty, 95 %."
    if soak.setup.first("HT") is not None:
        several = any(soak.setup.valves_on(pair) > 1 for pair in soak.setup.pairs)
        note += " Per cent is anode dissipation" + (", mean of the valves of a pair." if several else ".")
    note += " Where a pair ends is a forecast from 8 minutes of HT on, 9 of 10 end inside;"
    note += " when it settles is rougher."
    content.append(html.P(note, className="hint"))
    return html.Div(content, className="figures stale" if look.stale else "figures")


def _silent(look: Look) -> html.Section:
    since_s = look.age_s or 0.0
    return html.Section(
        [
            # Said once: a text that counts seconds would be read aloud each second.
            html.P("No reading comes from the DAQ any more.", className="unseen", role="alert"),
            html.H2(f"No reading for {words.duration(since_s)}"),
            html.P(
                "Nothing is known of the amplifier since. Look at the DAQ's lead and supply, and whether the "
                "daemon (soakbench run) still runs. Until then watch the amplifier itself, or switch it off."
            ),
        ],
        className="silent hatched",
    )


def _ended(look: Look) -> html.Section:
    soak = look.soak
    verdict = (soak.verdict or {}).get("soak", {})
    ended = soak.ended.astimezone() if soak.ended else None
    facts = f"Soak {soak.id} {soak.how or 'ended'}"
    if ended:
        facts += f" on {ended:%Y-%m-%d} at {ended:%H:%M}"
    body: Children = [html.H2("No soak is running"), html.P(f"{facts}.")]
    if verdict:
        body.append(
            html.P([html.Strong(f"Result: {words.statement(verdict['verdict'])}. "), verdict.get("says", "")])
        )
    body.append(
        html.P(dcc.Link("See the whole soak", href=parts.href(f"/soak/{soak.id}"), className="forth"))
    )
    body.append(html.P("The next soak is shown here as soon as it begins:"))
    body.append(html.Pre(html.Code("soakbench run SETUP")))
    return html.Section(body, className="panel nothing")


def _pair_tiles(look: Look, channels: dict[str, Any], unit: str) -> Children:
    setup = look.soak.setup
    worst: dict[str, Finding] = {}
    for finding in look.open_findings:
        for name in {finding.channel, *(() if finding.channel else finding.channels)}:
            if name is not None and (name not in worst or parts.rank(finding) > parts.rank(worst[name])):
                worst[name] = finding
    pairs = setup.pairs

    def badness(channel: Channel) -> tuple[int, float]:
        found = worst.get(channel.name)
        difference = (channels.get(channel.name) or {}).get("from_others")
        return (-(parts.rank(found) + 1) if found else 0, -abs(difference or 0.0))

    place = {channel.name: rank for rank, channel in enumerate(sorted(pairs, key=badness))}
    return [
        _pair_tile(
            channel,
            index,
            channels.get(channel.name) or {},
            worst.get(channel.name),
            place[channel.name],
            look,
            unit,
        )
        for index, channel in enumerate(pairs)
    ]


def _pair_tile(
    channel: Channel,
    index: int,
    now: dict[str, Any],
    worst: Finding | None,
    place: int,
    look: Look,
    unit: str,
) -> html.Article:
    """Return a pair's current now, from the others, mean dissipation of its valves, and what is to come.

    The lines that may come and go have their room from the beginning, so that nothing jumps.
    """
    setup, stale = look.soak.setup, look.stale
    by, unit = 1000.0 * words.per_mA(unit, setup, channel), units.pair_unit(unit)
    found = None if worst is None else words.look(worst)
    sockets = f" {'/'.join(channel.sockets)}" if channel.sockets else ""
    named: Children = [parts.line_sample(index), html.Span(channel.name, className="name")]
    if sockets:
        named.append(html.Span(sockets, className="sockets"))
    if found is not None:
        named.append(
            html.Span(
                [parts.sign(found), html.Span(found, className="unseen")],
                className="tile-sign",
            )
        )
    value = now.get("value")
    if stale or value is None:
        figure: Children = [html.Span("no reading", className="no-reading")]
        facts: Children = []
        if stale and value is not None:
            facts = [html.Span(f"was {words.number(value * by)} {unit}", className="detail")]
    else:
        figure = [
            html.Span(words.number(value * by), className="value"),
            html.Span(
                [f"{words.uncertainty(words.times(now.get('U'), by))} ", html.Abbr(unit, className="unit")],
                className="uncertainty",
            ),
        ]
        facts = []
        others = now.get("from_others")
        if others is not None:
            rest = "from the other" if len(setup.pairs) == 2 else "from the others"
            facts.append(
                html.Span(
                    [
                        html.Span(words.number(others * by, signed=True), className="figure"),
                        html.Span(f" {rest}"),
                    ],
                    className="detail",
                )
            )
        percent = now.get("dissipation_pct")
        if percent is not None:
            facts.append(
                html.Span(
                    [
                        html.Span(f"{words.number(percent, 0)} %", className="figure"),
                        html.Span(f" of {setup.ceiling.says}{setup.ceiling.memory}"),
                    ],
                    className="detail",
                )
            )
    mark = f" {found}" if found is not None else ""
    return html.Article(
        [
            html.H3(named, className="tile-head"),
            html.P(figure, className="tile-figure"),
            html.P(facts, className="tile-facts"),
            html.P(_outlook(now, look, by, unit), className="tile-outlook"),
        ],
        className=f"tile pair{mark}{' hatched' if stale or value is None else ''}",
        style={"--place": place, "--facts": _fact_lines(setup)},
    )


def _fact_lines(setup: Setup) -> int:
    """Return how many lines a pair's facts can take."""
    return max(1, (len(setup.pairs) > 1) + (setup.first("HT") is not None))


def _outlook(now: dict[str, Any], look: Look, by: float, unit: str) -> Children:
    """Return where a pair ends and when it will be settled, or since when it is; else nothing."""
    if look.stale or now.get("value") is None:
        return []
    settled_at_s, low, high = now.get("settled_at_s"), now.get("ends_low"), now.get("ends_high")
    if settled_at_s is not None:
        return [html.Span(f"settled at {words.duration(settled_at_s)}", className="detail")]
    if low is None or high is None:
        return []
    ends: Children = [
        "ends at ",
        html.Span(words.between(low * by, high * by), className="figure"),
        f" {unit}",
    ]
    lines: Children = [html.Span(ends, className="detail")]
    coming = now.get("settles")
    if coming is not None:
        said = words.settles(coming["earliest_s"], coming["latest_s"], look.now_s)
        lines.append(html.Span(said, className="detail"))
    return lines


def _tile(channel: Channel, now: dict[str, Any] | None, stale: bool) -> html.Article:
    value = (now or {}).get("value")
    figure, unit = words.shown(value, channel.unit)
    if stale or value is None:
        shown: Children = [html.Span("no reading", className="no-reading")]
    else:
        shown = [
            html.Span(figure, className="value"),
            html.Span(f" {unit}", className="unit"),
        ]
    names = {"HT": "HT (B+)", "mains": "mains"}
    name = names.get(channel.measures, channel.name)
    return html.Article(
        [html.H3(name, className="tile-head"), html.P(shown, className="tile-figure")],
        className=f"tile{' hatched' if stale or value is None else ''}",
    )
