"""Alerts: a message to a phone when a finding opens, worsens or clears, through apprise.

`Messages` is what is said and when: pure. Each address has an inbox and a thread of its own, so that a mail
server that hangs keeps no webhook waiting. A message that can't be sent is tried again for an hour.

An alert may come late or not at all. It protects nothing, and says so.
"""

from __future__ import annotations

import logging
import random
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from datetime import time as time_of_day
from typing import Any, Final

from logger.clock import Clock
from logger.errors import RequestError
from logger.feeds.feed import BackOff, Began, Ended, Feed, Inbox, News, Told
from logger.feeds.secret import Secret, from_environment, from_file
from logger.finding import Finding, Severity
from logger.setup import Alerts, Setup
from logger.units import duration

NO_PROTECTION: Final = "An alert may come late or not at all: soakbench is no protective device."
GIVEN_UP_S: Final = 3600.0
"""How long a message that can't be sent is tried again."""
MOST_ADDRESSES: Final = 20
_LOOK_S: Final = 0.25
_HOUR_S: Final = 3600.0
_LONGEST: Final = 400
_OUTLET_ROOM: Final = 100
_OUTLETS_END_S: Final = 1.0

Send = Callable[["Message"], bool]


@dataclass(frozen=True)
class Message:
    """What is sent: plain text."""

    title: str
    body: str
    severity: Severity


class Messages:
    """What is to be said of a soak's findings, and when. Pure: the time is given.

    `now_s` counts and never runs backwards; `local` is the wall clock where the technician is.
    """

    def __init__(self, rules: Alerts, setup: Setup) -> None:
        self._rules = rules
        self._where = f"{_line(setup.bench.name)}, {_line(setup.amp.name)}"
        self._bench = _line(setup.bench.name)
        self._least = Severity(rules.least).rank
        self._quiet = _hours(rules.quiet)
        self._soak: Began | None = None
        self._said: dict[int, Finding] = {}
        self._repeats: dict[int, tuple[Finding, float, float]] = {}  # since when, and when it was last said
        self._held: list[str] = []  # remarks, in quiet hours
        self._times: dict[bool, deque[float]] = {False: deque(), True: deque()}  # of trips apart
        self._too_many = 0

    def take(self, told: Told, now_s: float, local: datetime) -> list[Message]:
        """Take in what the daemon says; return what is to be sent for it."""
        match told:
            case Began():
                self._soak = told
                self._said.clear()
                self._repeats.clear()
                still = [one for one in told.findings if one.open and one.acknowledged_s is None]
                return [message for one in still for message in self._tell("still open", one, now_s, local)]
            case News():
                return self._news(told, now_s, local)
            case Ended():
                self._repeats.clear()
        return []

    def due(self, now_s: float, local: datetime) -> list[Message]:
        """Return what is due by the clock: trips not acknowledged, remarks that waited, what was too much."""
        out = []
        for key, (finding, since_s, last_s) in list(self._repeats.items()):
            if now_s - last_s >= self._rules.repeat_min * 60.0:
                self._repeats[key] = finding, since_s, now_s
                what = f"not acknowledged for {duration(now_s - since_s)}"
                out += self._limited(self._message(what, finding, local), now_s)
        if self._held and not self._is_quiet(local):
            lines, self._held = self._held, []
            remarks = "1 remark" if len(lines) == 1 else f"{len(lines)} remarks"
            body = "\n".join([*lines[:20], *([f"and {len(lines) - 20} more"] if len(lines) > 20 else [])])
            out += self._limited(
                Message(
                    f"{self._bench}: {remarks} while it was quiet",
                    f"{body}\n{self._where}.\n{NO_PROTECTION}",
                    Severity.REMARK,
                ),
                now_s,
            )
        if self._too_many and self._room(False, now_s):
            count, self._too_many = self._too_many, 0
            out += self._limited(
                Message(
                    f"{self._bench}: {count} alerts were not sent",
                    f"There were more than {self._rules.most_per_h} in an hour: look at the Live page.\n"
                    f"{self._where}.\n{NO_PROTECTION}",
                    Severity.WARNING,
                ),
                now_s,
            )
        return out

    def _news(self, news: News, now_s: float, local: datetime) -> list[Message]:
        finding = news.finding
        match news.what:
            case "opened":
                return self._tell("", finding, now_s, local)
            case "worsened":
                return self._tell("worse", finding, now_s, local)
            case "acknowledged":
                self._repeats.pop(finding.id, None)
            case "eased":
                if finding.severity is not Severity.TRIP:
                    self._repeats.pop(finding.id, None)
            case "cleared" | "withdrawn":
                self._repeats.pop(finding.id, None)
                if self._said.pop(finding.id, None) is not None:
                    return self._send(news.what, finding, now_s, local)
        return []

    def _tell(self, what: str, finding: Finding, now_s: float, local: datetime) -> list[Message]:
        """Say a finding that is open, if it is to be said: what follows from another only as a trip."""
        trip = finding.severity is Severity.TRIP
        if finding.severity.rank < self._least or (finding.under is not None and not trip):
            return []
        self._said[finding.id] = finding
        if trip and finding.acknowledged_s is None:
            self._repeats[finding.id] = finding, now_s, now_s
        return self._send(what, finding, now_s, local)

    def _send(self, what: str, finding: Finding, now_s: float, local: datetime) -> list[Message]:
        message = self._message(what, finding, local)
        if finding.severity is Severity.REMARK and self._is_quiet(local):
            self._held.append(f"{message.title}: {_line(finding.says)}")
            return []
        return self._limited(message, now_s)

    def _message(self, what: str, finding: Finding, local: datetime) -> Message:
        named = " ".join(filter(None, (finding.channel, finding.kind.value)))
        title = f"{finding.severity.value.upper()}{f', {what}' if what else ''}: {named} ({self._bench})"
        at_s = finding.cleared_s if what == "cleared" else finding.raised_s
        lines = [_line(finding.says), *([f"Do: {_line(finding.advice)}"] if finding.advice else [])]
        if self._soak is not None and at_s is not None:
            when = (self._soak.started + timedelta(seconds=at_s)).astimezone(local.tzinfo)
            lines.append(
                f"{self._where}, soak {self._soak.soak_id}: {when:%Y-%m-%d %H:%M:%S %z}, "
                f"{duration(at_s)} into it."
            )
        return Message(_line(title), "\n".join([*lines, NO_PROTECTION]), finding.severity)

    def _limited(self, message: Message, now_s: float) -> list[Message]:
        """Let a message through, or count it: so many an hour, and as many trips."""
        trip = message.severity is Severity.TRIP
        if not self._room(trip, now_s):
            self._too_many += 1
            return []
        self._times[trip].append(now_s)
        return [message]

    def _room(self, trip: bool, now_s: float) -> bool:
        times = self._times[trip]
        while times and now_s - times[0] >= _HOUR_S:
            times.popleft()
        return len(times) < self._rules.most_per_h

    def _is_quiet(self, local: datetime) -> bool:
        if self._quiet is None:
            return False
        begins, ends = self._quiet
        at = local.time()
        return begins <= at < ends if begins <= ends else at >= begins or at < ends


def addresses_of(rules: Alerts, environment: Mapping[str, str]) -> list[Secret]:
    """Return the addresses; RequestError, without one of them in it, where they can't be had."""
    out = [one for name in rules.addresses_env for one in from_environment(name, environment)]
    if rules.addresses_file is not None:
        out += from_file(rules.addresses_file)
    if len(out) > MOST_ADDRESSES:
        raise RequestError(f"{len(out)} alert addresses: {MOST_ADDRESSES} at most")
    return out


@dataclass(frozen=True)
class Address:
    """One that is written to: `name` tells it from the others without its secret."""

    name: str
    send: Send


def opened(addresses: Sequence[Secret]) -> list[Address]:
    """Return what sends to each address; RequestError names, by number, those that apprise doesn't know."""
    # It and what it is made of log addresses; what went wrong is said by us, without them.
    for logged in ("apprise", "urllib3", "requests"):
        logging.getLogger(logged).setLevel(logging.CRITICAL + 1)
    import apprise

    asset = apprise.AppriseAsset(
        app_id="soakbench",
        app_desc="soakbench",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        image_path_mask="",
        http_redirects=False,
        result_log_memory_size=0,
        result_log_disk_size=0,
        storage_mode=apprise.PersistentStoreMode.MEMORY,
    )
    out, unknown = [], []
    for number, address in enumerate(addresses, 1):
        one = apprise.Apprise(asset=asset)
        why = ""
        try:
            known = one.add(address.reveal()) and len(one) == 1
        except Exception as error:  # what it says may hold the address
            known, why = False, f" ({type(error).__name__})"
        if not known:
            unknown.append(f"{number}{why}")
            continue
        out.append(Address(f"address {number} ({one[0].service_name})", _sender(one)))
    if unknown:
        raise RequestError(
            f"alert address {', '.join(unknown)} is none that apprise knows: count the lines where they stand"
        )
    return out


def _sender(one: Any) -> Send:
    import apprise

    types = {
        Severity.REMARK: apprise.NotifyType.INFO,
        Severity.WARNING: apprise.NotifyType.WARNING,
        Severity.TRIP: apprise.NotifyType.FAILURE,
    }

    def send(message: Message) -> bool:
        try:
            return bool(
                one.notify(
                    title=message.title,
                    body=message.body,
                    notify_type=types[message.severity],
                    body_format=apprise.NotifyFormat.TEXT,
                    interpret_escapes=False,
                )
            )
        except Exception:  # as above; that it has failed is said by whoever sends
            return False

    return send


class Outlet:
    """What is sent to one address: in order, each until it has gone or is an hour old."""

    def __init__(self, address: Address, clock: Clock, rng: random.Random, first_s: float = 2.0) -> None:
        self.name = address.name
        self._send = address.send
        self._clock = clock
        self._back_off = BackOff(rng, first_s, most_s=300.0)
        self.feed = Feed(address.name, self.work, clock, room=_OUTLET_ROOM)

    def work(self, inbox: Inbox) -> None:
        """Send what comes."""
        inbox.stands("working")
        while True:
            for message, since_s in inbox.take(_LOOK_S):
                self._deliver(message, since_s, inbox)
            if inbox.closed and not inbox.state.waiting:
                return

    def _deliver(self, message: Message, since_s: float, inbox: Inbox) -> None:
        while not self._send(message):
            late_s = self._clock.monotonic_s() - since_s
            if late_s >= GIVEN_UP_S or inbox.closed:
                inbox.dropped()
                return
            wait_s = self._back_off.wait_s()
            inbox.stands("trying again", f"it takes nothing since {duration(late_s)}")
            inbox.wait_closed(wait_s)
        inbox.sent()
        inbox.stands("working")
        self._back_off.reset()


class AlertWork:
    """The feed's work: addresses opened, messages made, each handed to every outlet."""

    def __init__(
        self,
        setup: Setup,
        clock: Clock,
        environment: Mapping[str, str],
        *,
        open_addresses: Callable[[Sequence[Secret]], list[Address]] = opened,
        rng: random.Random | None = None,
    ) -> None:
        assert setup.alerts is not None
        self._setup, self._rules = setup, setup.alerts
        self._clock = clock
        self._environment = environment
        self._open = open_addresses
        self._rng = rng or random.Random()
        self._counted = 0, 0

    def __call__(self, inbox: Inbox) -> None:
        """Send until the inbox is closed. RequestError where no address can be had."""
        self._counted = 0, 0
        addresses = self._open(addresses_of(self._rules, self._environment))
        outlets = [Outlet(one, self._clock, self._rng) for one in addresses]
        for outlet in outlets:
            outlet.feed.start()
        messages = Messages(self._rules, self._setup)
        try:
            while True:
                items = inbox.take(_LOOK_S)
                now_s, local = self._clock.monotonic_s(), self._clock.wall().astimezone()
                made = [one for item in items for one in messages.take(item, now_s, local)]
                for message in [*made, *messages.due(now_s, local)]:
                    for outlet in outlets:
                        outlet.feed.inbox.put((message, now_s))
                self._say(inbox, outlets)
                if inbox.closed and not items:
                    return
        finally:
            for outlet in outlets:
                outlet.feed.inbox.close()
            for outlet in outlets:
                outlet.feed.join(_OUTLETS_END_S)
            self._say(inbox, outlets)

    def _say(self, inbox: Inbox, outlets: Sequence[Outlet]) -> None:
        states = [one.feed.inbox.state for one in outlets]
        sent, dropped = sum(one.sent for one in states), sum(one.dropped for one in states)
        inbox.sent(sent - self._counted[0])
        inbox.dropped(dropped - self._counted[1])
        self._counted = sent, dropped
        ill = [one for one in states if one.stands not in ("starting", "working", "ended")]
        if ill:
            inbox.stands(ill[0].stands, f"{ill[0].name}: {ill[0].says}")
        else:
            inbox.stands("working", f"{len(outlets)} address{'' if len(outlets) == 1 else 'es'}")


def feed(setup: Setup, clock: Clock, environment: Mapping[str, str]) -> Feed:
    """Return the feed of a set-up with [alerts]."""
    return Feed("alerts", AlertWork(setup, clock, environment), clock)


def trial_message(setup: Setup, local: datetime) -> Message:
    """Return what `soakbench alert-test` sends."""
    return Message(
        f"soakbench alert test ({_line(setup.bench.name)})",
        f"Somebody tries whether alerts of {_line(setup.bench.name)} arrive: nothing is wrong.\n"
        f"{local:%Y-%m-%d %H:%M:%S %z}.\n{NO_PROTECTION}",
        Severity.REMARK,
    )


def try_each(
    setup: Setup, environment: Mapping[str, str], local: datetime, within_s: float = 30.0
) -> list[tuple[str, bool]]:
    """Send a test message to each address at once; return their names and whether each took it in time."""
    assert setup.alerts is not None
    addresses = opened(addresses_of(setup.alerts, environment))
    message = trial_message(setup, local)
    taken: dict[str, bool] = {}

    def send(address: Address) -> None:
        taken[address.name] = address.send(message)

    threads = [threading.Thread(target=send, args=(one,), daemon=True) for one in addresses]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(within_s)
    return [(one.name, taken.get(one.name, False)) for one in addresses]


def _hours(quiet: str | None) -> tuple[time_of_day, time_of_day] | None:
    if quiet is None:
        return None
    begins, ends = (time_of_day.fromisoformat(part) for part in quiet.split("-"))
    return begins, ends


def _line(text: str) -> str:
    """Return a text as one line of what can be printed: names come from files."""
    plain = "".join(letter if letter.isprintable() else " " for letter in text)
    plain = " ".join(plain.split())
    return plain if len(plain) <= _LONGEST else f"{plain[: _LONGEST - 1]}…"
