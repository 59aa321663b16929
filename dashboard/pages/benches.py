"""The Benches page: a card a bench, the worst first, each a way to that bench's own pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from hashlib import sha256
from typing import Any, Final

from dash import Dash, Input, Output, State, dcc, html

from dashboard import alarm, chart, words
from dashboard.chart import spoken
from dashboard.overview import Overview, Post, Worst, worst_first, worst_pair
from dashboard.pages import live, parts
from dashboard.pages.parts import Children
from dashboard.told import Around, Told
from logger import units
from logger.store.now import Open

POLL_MS: Final = 1000
COLLECTED_POLL_MS: Final = 3000
_PARTS: Final = ("what", "pair", "findings", "age")
"""The parts of a card that are sent apart from each other."""
_ORDER: Final = (
    "The worst first: trip, warning, no reading, then the rest, each in its own place. A card names the pair "
    "to look at first: the worst finding's, else the one farthest from the others. ± is expanded "
    "uncertainty, 95 %."
)
_COLLECTED: Final = (
    "As collected, not live: each card tells how its bench stood when the last scan came that was collected, "
    "and how old that is. What happens now is seen at the bench."
)


def layout(*, collected: bool) -> list[Any]:
    """Return the page's frame; `collected`: whether it shows a database, and not the benches' own stores."""
    return [
        dcc.Store(id="benches-known"),
        chart.unit_store("benches-unit"),
        dcc.Interval(id="benches-tick", interval=COLLECTED_POLL_MS if collected else POLL_MS),
        html.Header(id="benches-head", className="page-head"),
        *([html.P(_COLLECTED, className="as-collected")] if collected else []),
        # What is read aloud: remarks never, and neither do ages that count on.
        _aloud("benches-trips", "assertive"),
        _aloud("benches-warnings", "polite"),
        html.Ul(id="benches-list", className="benches", **spoken("Benches, the worst first")),
        html.P(_ORDER, className="hint"),
        alarm.keys(),
        parts.caution(),
    ]


def _aloud(place: str, how: str) -> html.P:
    spoken_how: dict[str, Any] = {"aria-live": how}
    return html.P(id=place, className="unseen", **spoken_how)


def register(app: Dash, overview: Overview) -> None:
    """Add the page's callbacks."""
    chart.keep_unit(app, "benches-unit")
    told = Told()

    @app.callback(
        Output("benches-known", "data"),
        Input("benches-tick", "n_intervals"),
        Input("benches-unit", "data"),
        State("benches-known", "data"),
    )
    def follow(_: int | None, unit: str | None, known: str | None) -> str:
        posts = worst_first(overview.posts())
        now: dict[str, Any] = {
            "head": head(posts),
            "title": title(posts),
            "trips": aloud(posts, "trip"),
            "warnings": aloud(posts, "warning"),
        }
        places = {
            "head": ("benches-head", "children"),
            "title": ("title", "data"),
            "trips": ("benches-trips", "children"),
            "warnings": ("benches-warnings", "children"),
        }
        cards = {card_id(post): card_parts(post, unit or units.PAIR_UNITS[0]) for post in posts}
        for own, filled in cards.items():
            for name in _PARTS:
                place = f"{own}-{name}"
                now[place], places[place] = filled[name], (place, "children")
        around = Around(
            ("benches-list", "children"),
            [(card_id(post), post.level, post.where) for post in posts],
            [f"{own}-{name}" for own in cards for name in _PARTS],
            lambda: [card(post, cards[card_id(post)]) for post in posts],
        )
        return told.tell(known, now, places, around=around)


def card_id(post: Post) -> str:
    """Return a bench's id on the page, the same whatever else is there."""
    return f"bench-{sha256(post.name.encode()).hexdigest()[:12]}"


def head(posts: Sequence[Post]) -> Children:
    """Return how many benches there are, and how many of them are not as they should be."""
    said = {"trip": "with a trip", "warning": "with a warning", "stale": "without a reading"}
    count = Counter(post.level for post in posts)
    facts: Children = [html.Span(f"{len(posts)} bench{'' if len(posts) == 1 else 'es'}")]
    running = sum(post.look is not None and post.look.running for post in posts)
    facts.append(html.Span(f"{running or 'none'} with a soak running"))
    for level, what in said.items():
        if count[level]:
            facts.append(html.Span([_sign(level), f"{count[level]} {what}"], className=f"count {level}"))
    return [html.H1("Benches"), html.P(facts, className="facts")]


def title(posts: Sequence[Post]) -> str:
    """Return the tab's title: it tells the worst."""
    worst = posts[0] if posts and posts[0].level != "plain" else None
    if worst is None:
        return "Benches · soakbench"
    what = "NO READING" if worst.level == "stale" else worst.level.upper()
    return f"{what} {worst.name} · benches"


def aloud(posts: Sequence[Post], severity: str) -> str:
    """Say the findings of a severity, bench by bench; it changes only where one comes or goes."""
    return " ".join(
        f"{severity.capitalize()} at {post.name}: {parts.sentence(one.says)}"
        for post in posts
        for one in post.open
        if one.severity == severity
    )


def card(post: Post, filled: dict[str, Any]) -> html.Li:
    """Return a bench's card. Its whole face is the way to the bench; the name is the link."""
    signed: Children = []
    if post.level != "plain":
        word = {"stale": "Not reached" if post.lost else "No reading"}.get(
            post.level, post.level.capitalize()
        )
        signed = [html.Span([_sign(post.level), html.Strong(word)], className="bench-level")]
    own = card_id(post)
    return html.Li(
        [
            html.Div([html.H2(_way(post)), *signed], className="bench-head"),
            *(html.Div(filled[name], id=f"{own}-{name}", className=f"bench-{name}") for name in _PARTS),
        ],
        id=own,
        className=f"bench {post.level}{' leads' if post.where else ''}",
    )


def _way(post: Post) -> Any:
    if not post.where:
        return html.Span(post.name)
    if post.where.startswith("/soak/"):
        return dcc.Link(post.name, href=parts.href(post.where))
    # another dashboard, which is loaded whole
    return html.A(post.name, href=parts.href(post.where) if post.where.startswith("/") else post.where)


def _sign(level: str) -> html.Span:
    shape = {"stale": "▨"}.get(level) or parts.SHAPE[level]
    return html.Span(shape, className=f"sign {level}", **parts.hidden())


def card_parts(post: Post, unit: str) -> dict[str, Children]:
    """Return what stands on a card, by part."""
    return {
        "what": _what(post),
        "pair": _pair(post, unit),
        "findings": _findings(post),
        "age": [html.P(said, className="age")] if (said := age_in_words(post)) else [],
    }


def _what(post: Post) -> Children:
    """Return the amplifier, its job, and the state with its step's time left; or why there is none."""
    out: Children = []
    if post.look is not None:
        soak = post.look.soak
        job = "" if soak.job_id is None else f" · job {soak.job_id}"
        named = f", {parts.shortened(post.reference, 40)}" if job and post.reference else ""
        out.append(html.P(f"{parts.shortened(soak.amp, 80)}{job}{named}", className="bench-amp"))
        out.append(html.P(state_in_words(post), className="state"))
    if post.says:
        out.append(html.P(post.says, className="bench-says"))
    return out


def state_in_words(post: Post) -> str:
    """Say the state and what is left of its step; of an ended soak when it ended, and the result."""
    look = post.look
    assert look is not None
    soak = look.soak
    if soak.ended is not None:
        result = (soak.verdict or {}).get("soak")
        said = f", result: {words.statement(result['verdict'])}" if result else ""
        return f"soak {soak.id} {soak.how} {parts.when(soak.ended)}{said}"
    if post.stale:
        return f"was {(soak.now or {}).get('state') or 'waiting for the first scan'}"
    return live.state_in_words(look)


def age_in_words(post: Post) -> str:
    """Say how old the last scan is; one that was collected never as if it were of now."""
    look = post.look
    if look is None or not look.running:
        return ""
    if post.live:
        return live.age_in_words(look)
    if post.age_s is None:
        return "no scan was collected yet"
    if post.stale:
        late = words.duration(post.age_s)
        return f"nothing newer collected for {late}: do the bench and the collector run?"
    old = "less than 1 min" if post.age_s < 60.0 else words.duration(60.0 * (post.age_s // 60.0))
    return f"as of the last collected scan, {old} old"


def _pair(post: Post, unit: str) -> Children:
    """Return the worst pair with its current, and why it is that."""
    if post.look is None:
        return []
    worst = worst_pair(post.look, post.open)
    if worst is None:
        return []
    setup, channel = post.look.soak.setup, worst.channel
    by, unit = 1000.0 * words.per_mA(unit, setup, channel), units.pair_unit(unit)
    sockets = f" {'/'.join(channel.sockets)}" if channel.sockets else ""
    named: Children = [html.Span(channel.name, className="name")]
    if sockets:
        named.append(html.Span(sockets, className="sockets"))
    stale = post.stale
    if stale or worst.value_a is None:
        figure: Children = [html.Span("no reading", className="no-reading")]
        if stale and worst.value_a is not None:
            figure.append(
                html.Span(f" was {words.number(worst.value_a * by)} {unit}", className="uncertainty")
            )
    else:
        uncertain = words.uncertainty(words.times(worst.U_a, by))
        figure = [
            html.Span(words.number(worst.value_a * by), className="value"),
            html.Span([f" {uncertain} ", html.Abbr(unit, className="unit")], className="uncertainty"),
        ]
    why = _why(worst, len(setup.pairs), by)
    return [
        html.P(named, className="bench-name"),
        html.P(figure, className="bench-figure"),
        *([html.P(why, className="bench-why")] if why else []),
    ]


def _why(worst: Worst, pairs: int, by: float) -> str:
    others = "the other" if pairs == 2 else "the others"
    apart = (
        "" if worst.others_a is None else f"{words.number(worst.others_a * by, signed=True)} from {others}"
    )
    if worst.found is not None:
        return f"{worst.found.kind}{f', {apart}' if apart else ''}"
    if worst.settled:
        result = "" if worst.statement == "pass" else f", {words.statement(worst.statement)}"
        return f"settled{result}{f', {apart}' if apart else ''}"
    if apart and worst.limit_a is not None:
        return f"{apart}, limit {words.number(worst.limit_a * by)}"
    return apart


def _findings(post: Post) -> Children:
    """Return how many findings are open, the worst's sentence, and what to do about it."""
    if not post.open:
        return []
    worst = post.open[0]
    return [
        html.P(counted(post.open, post.more), className="bench-count"),
        html.P(parts.sentence(worst.says), className="says"),
        *([html.P(post.advice, className="advice")] if post.advice else []),
    ]


def counted(still: Sequence[Open], more: int = 0) -> str:
    """Say how many findings of each severity are open: `1 trip, 2 warnings open`."""
    count = Counter("question" if one.kind == "question" else one.severity for one in still)
    said = [
        f"{count[look]} {look}{'' if count[look] == 1 else 's'}"
        for look in ("trip", "warning", "question", "remark")
        if count[look]
    ]
    return f"{', '.join(said)}{f' and {more} more' if more else ''} open"
