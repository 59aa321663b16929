"""What the Bias page sees: the newest scan from the file beside the store, and what to do about it.

The scan is read at every look, many times a second; what takes longer, or changes seldom, comes from the
store once a second (the forecasts), every few seconds (the aim, which follows HT) and once a soak (what
earlier soaks of the amp taught). `Feed` looks once for all who watch, and sends each only what is new to him.
Nothing here writes.
"""

from __future__ import annotations

import json
import math
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from dashboard.bench import Absent, Bench, Look, Seen
from dashboard.pages import live, parts
from logger import bias, target
from logger.bias import Advice, Course, Span
from logger.clock import Clock
from logger.errors import RequestError, StoreError
from logger.setup import Channel, Setup
from logger.store.now import Now, Open, read_now
from logger.store.reader import Soak

STALE_AFTER_S: Final = 1.0
"""Who turns a trimmer is told sooner than a gap is one, and after three scans at the soonest."""
_STORE_S: Final = 0.9
_AIM_S: Final = 5.0
_OFF: Final = "HT is off: there is nothing to set."


@dataclass
class _Known:
    """What is remembered of a soak between looks."""

    soak: Soak
    setup: Setup
    read_s: float
    aims_a: list[float] = field(default_factory=list)
    aims_s: float = -math.inf
    no_aim: str = ""
    learnt: list[bias.Setting] | None = None


class Setting:
    """Looks at the newest scan of one store's soak. Any thread may ask."""

    def __init__(self, bench: Bench, clock: Clock) -> None:
        self._bench = bench
        self._clock = clock
        self._seen = Seen(clock)
        self._lock = threading.Lock()
        self._known: _Known | None = None
        self._absent: tuple[float, dict[str, Any]] | None = None

    def now(self) -> dict[str, Any]:
        """Return how the pairs stand now, for the page's script; `says` is what changes seldom."""
        try:
            newest = read_now(self._bench.reader.path)
            if newest is None:
                return self._nothing()
            with self._lock:
                soak = self._soak(newest.soak_id)
            if soak.soak.ended is not None:  # what was left by a daemon that was killed
                return self._nothing()
        except RequestError:
            return self._nothing()
        except StoreError as error:
            message = str(error)
            what = f"{message[:1].upper()}{message[1:]}."
            return {"absent": {"title": "The newest scan is not known", "says": what, "command": ""}}
        late_s = (self._clock.wall().timestamp() * 1e6 - newest.written_us) / 1e6
        age_s = self._seen.age_s((newest.soak_id, newest.t_us), late_s)
        setup = soak.setup
        stale = age_s > max(STALE_AFTER_S, 3.0 / setup.link.scans_per_s)
        drawn = [newest.values[column] for column in setup.pair_columns]
        pairs = self._pairs(soak, newest, drawn)
        return {
            "t_s": newest.t_us / 1e6,
            "age_s": round(max(age_s, 0.0), 2),
            "stale": stale,
            "pairs": [_pair(one, value) for one, value in zip(pairs, drawn, strict=True)],
            "says": self._about(soak, newest, pairs),
        }

    def _nothing(self) -> dict[str, Any]:
        """Say why there is no scan, looking at the store once a second only."""
        now_s = self._clock.monotonic_s()
        if self._absent is None or not 0.0 <= now_s - self._absent[0] < _STORE_S:
            self._absent = now_s, {"absent": _absent(self._bench.look())}
        return self._absent[1]

    def _soak(self, soak_id: int) -> _Known:
        """Return the soak as the store has it, not older than a second."""
        now_s, known = self._clock.monotonic_s(), self._known
        if known is None or known.soak.id != soak_id:
            soak = self._bench.reader.soak(soak_id)
            known = self._known = _Known(soak, soak.setup, now_s)
            threading.Thread(target=self._learn, args=(known,), daemon=True).start()
        elif not 0.0 <= now_s - known.read_s < _STORE_S:
            known.soak, known.read_s = self._bench.reader.soak(soak_id), now_s
        if not 0.0 <= now_s - known.aims_s < _AIM_S:
            known.aims_s = now_s
            try:
                case = target.from_soak(self._bench.reader, known.soak)
                known.aims_a = target.aims_a(case)
                known.no_aim = _not_settable(known.setup)
            except RequestError as error:
                known.no_aim = f"No aim: {error}."
        return known

    def _learn(self, known: _Known) -> None:
        """Look at how this amp warmed up before; it takes reading up to ten soaks."""
        try:
            case = target.from_soak(self._bench.reader, known.soak)
            known.learnt = target.learnt(self._bench.reader, known.soak, target.aims_a(case))[1]
        except (RequestError, StoreError):
            known.learnt = []  # the page says that there is no forecast

    def _pairs(self, known: _Known, newest: Now, drawn: list[float]) -> list[Advice | None]:
        if known.no_aim or newest.told.state not in bias.SETTABLE_IN:
            return [None] * len(drawn)
        courses = self._courses(known)
        return list(bias.advise(known.setup, drawn, known.aims_a, courses))

    def _courses(self, known: _Known) -> list[Course | None]:
        """Return each pair's course: by the running forecast, else by what was learnt of this amp."""
        told = known.soak.now or {}
        on_s = told.get("on_s")
        out: list[Course | None] = []
        for pair, channel in enumerate(known.setup.pairs):
            now = told.get("channels", {}).get(channel.name, {})
            of = [now.get(key) for key in ("forecast_from", "ends", "ends_low", "ends_high")]
            if all(of):
                begun, value, low, high = of
                out.append(Course(Span(value / begun, low / begun, high / begun)))
            elif on_s is not None and known.learnt:
                out.append(bias.course_at(known.learnt, pair, on_s / 60.0))
            else:
                out.append(None)
        return out

    def _about(self, known: _Known, newest: Now, pairs: list[Advice | None]) -> dict[str, Any]:
        soak, setup, told = known.soak, known.setup, newest.told
        look = Look(soak, (), 0.0)
        labels = parts.labels_of(setup)
        worst = told.findings[0] if told.findings and told.findings[0].severity != "remark" else None
        state = f"{worst.severity.upper()} {' or '.join(worst.channels)}" if worst else told.state
        return {
            "soak": soak.id,
            "amp": soak.amp,
            "title": f"{state} · bias · {soak.amp}",
            "state": live.state_in_words(look) if (soak.now or {}).get("state") == told.state else told.state,
            "setting": told.state == "setting bias",
            "pairs": [
                {
                    "name": channel.name,
                    "label": channel.label,
                    "spoken": _spoken(channel),
                    "sense_ohm": channel.sense_ohm,
                    "valves": setup.valves_on(channel),
                }
                for channel in setup.pairs
            ],
            "adjust": _adjust(setup, pairs),
            "note": _note(known, newest, pairs),
            "findings": [_finding(one, labels) for one in told.findings],
            "more": told.more,
            "cutout": told.cutout,
        }


class Feed:
    """The newest scan as lines for whoever watches, as soon as it is there; looked for once for all of them.

    A line is a JSON object. `scan`: time in s, age in s, whether it is stale (0 or 1), each pair's current in
    tenths of a microampere, each pair's distance from its target in half windows, each pair's word by its
    place in `WORDS`; a list's null is what does not exist. `plan`, before the first scan and where it is
    another: of each pair aim, what to set, window's low and high in A, the pair that leads, and where it
    ends over what it draws with the low and high of that; shorter where there is no more to say. `says`: what
    changes seldom, as `Setting.now` has it, and likewise. Or `absent` alone: why there is no scan.

    Whoever has watched for so many lines is let go and asks again, as does who comes when as many as there
    are threads for are there already: he gets one line.
    """

    WORDS: Final = ("", "more", "less", "on target")
    MOST: Final = 24
    _LINES: Final = 300
    _LOOK_S: Final = 0.03
    _AT_LEAST_S: Final = 0.5

    def __init__(self, setting: Setting, seats: threading.Semaphore | None = None) -> None:
        """Look through `setting`; `seats`, where feeds of one server share them, has MOST."""
        self._setting = setting
        self._news = threading.Condition()
        self._seats = seats or threading.Semaphore(self.MOST)
        self._watching = 0
        self._told: dict[str, str] = {}
        self._count = 0

    def lines(self, *, once: bool = False) -> Iterator[bytes]:
        """Return what to send; the first line is all of it."""
        return iter([self._alone()]) if once else self._followed()

    def _alone(self) -> bytes:
        return _line(_parts(self._setting.now()), {})

    def _followed(self) -> Iterator[bytes]:
        if not self._seats.acquire(blocking=False):
            yield self._alone()
            return
        known: dict[str, str] = {}
        with self._news:
            self._watching += 1
            if self._watching == 1:
                self._told = {}
                threading.Thread(target=self._look, daemon=True).start()
        try:
            seen = -1
            for _ in range(self._LINES):
                with self._news:
                    self._news.wait_for(lambda: self._told and self._count != seen, timeout=5.0)  # noqa: B023
                    told, seen = self._told, self._count
                yield _line(told, known)
                known = told
        finally:
            self._seats.release()
            with self._news:
                self._watching -= 1

    def _look(self) -> None:
        """Look for a new scan for as long as anybody watches."""
        calm, pause = 0, threading.Event()
        while True:
            told = _parts(self._setting.now())
            with self._news:
                if not self._watching:
                    return
                calm += 1
                if told.get("key") != self._told.get("key") or calm * self._LOOK_S >= self._AT_LEAST_S:
                    self._told, calm = told, 0
                    self._count += 1
                    self._news.notify_all()
            pause.wait(self._LOOK_S)


def _parts(now: dict[str, Any]) -> dict[str, str]:
    """Return the parts of a line as JSON; `key` is another for each scan."""
    if "absent" in now:
        absent = _dumped(now["absent"])
        return {"key": absent, "absent": absent}
    pairs = now["pairs"]
    scan = [
        now["t_s"],
        now["age_s"],
        int(now["stale"]),
        [None if one["a"] is None else round(one["a"] * 1e7) for one in pairs],
        [None if one.get("off") is None else round(one["off"], 2) for one in pairs],
        "".join(str(Feed.WORDS.index(one.get("word", ""))) for one in pairs),
    ]
    keys = ("aim", "set", "low", "high", "lead")
    plan = [[one[key] for key in keys if key in one] + one.get("ends", []) for one in pairs]
    return {
        "key": f"{now['t_s']} {now['stale']} {now['says']['soak']}",
        "scan": _dumped(scan),
        "plan": _dumped(plan),
        "says": _dumped(now["says"]),
    }


def _line(told: dict[str, str], known: dict[str, str]) -> bytes:
    """Return a line with what is new to one who was told what is known."""
    new = [
        f'"{name}":{text}'
        for name, text in told.items()
        if name != "key" and (name in ("scan", "absent") or known.get(name) != text)
    ]
    return f"{{{','.join(new)}}}\n".encode()


def _dumped(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def _absent(look: Look | Absent) -> dict[str, str]:
    if isinstance(look, Absent):
        return {"title": look.title, "says": look.what_to_do, "command": look.command}
    if look.running:
        return {
            "title": "No scan is there to set by",
            "says": "soakbench run writes the newest scan beside the store, and none is there: no scan has "
            "come yet, or it has ended without closing the soak. The Live page says which.",
            "command": "",
        }
    return {
        "title": "No soak is running",
        "says": "Bias is set by what the pairs draw now: start a soak, then come back here.",
        "command": "soakbench run SETUP",
    }


def _not_settable(setup: Setup) -> str:
    if setup.amp.bias == "cathode":
        return "This amp has cathode bias: it sets its own current, and there is nothing to aim for."
    if setup.amp.operating_class == "A":
        return "This amp runs in class A: it sets its own current, and there is nothing to aim for."
    if setup.amp.adjust == "none":
        return 'By its set-up this amp has no bias pot (adjust = "none"): there is nothing to set.'
    return ""


def _adjust(setup: Setup, pairs: list[Advice | None]) -> str:
    """Say which pair is aimed with, where several hang on one pot."""
    match setup.amp.adjust:
        case "each side":
            return "One pot a side: aim with the hottest pair of each."
        case "level and balance":
            return "Level: aim with the hottest pair. Then balance the sides."
        case "one for all":
            return "One pot for all: aim with the hottest pair."
    return ""


def _note(known: _Known, newest: Now, pairs: list[Advice | None]) -> str:
    if known.no_aim:
        return known.no_aim
    match newest.told.state:
        case "off" | "standby" | "cooling":
            return _OFF
        case "bring-up":
            return "Bring-up on lamp limiter or variac: bias is set at full mains and HT."
        case "under signal":
            return "Signal is on: there is no idle current to set. Say signal off on Live first."
    if all(one is None or one.ends is None for one in pairs):
        return "No forecast before 8 minutes of HT: set it roughly, and come back."
    return ""


def _pair(advice: Advice | None, value_a: float) -> dict[str, Any]:
    """Return a pair for the script: amperes to a hundredth of a microampere, null for what does not exist.

    What it ends at, if left as it is, is relative to what it draws: so it changes with the forecast only.
    """
    out: dict[str, Any] = {"a": _json(value_a)}
    if advice is None:
        return out
    out |= {
        "aim": _json(advice.aim_a),
        "set": _json(advice.set_a),
        "low": _json(advice.low_a),
        "high": _json(advice.high_a),
        "off": None if math.isnan(advice.off) else round(advice.off, 3),
        "word": advice.word,
        "lead": advice.lead,
    }
    if advice.ends is not None:
        ends = advice.ends
        out["ends"] = [_json(one / value_a) for one in (ends.value, ends.low, ends.high)]
    return out


def _json(value: float) -> float | None:
    return round(value, 8) if math.isfinite(value) else None


def _finding(one: Open, labels: dict[str, str]) -> dict[str, Any]:
    look = "question" if one.kind == "question" else one.severity
    calls = not one.acknowledged and look != "remark"
    return {
        "id": one.id,
        "look": look,
        "shape": parts.SHAPE[look],
        "channels": list(one.channels),
        "says": parts.sentence(one.says),
        "calls": calls,
    }


def _spoken(channel: Channel) -> str:
    """Return a pair's name as a voice reads it well: `pair 1, V1 and V2`."""
    name = "".join(
        f" {letter}" if letter.isdigit() and at and channel.name[at - 1].isalpha() else letter
        for at, letter in enumerate(channel.name)
    )
    return f"{name}, {' and '.join(channel.sockets)}" if channel.sockets else name
