"""MQTT: how the bench stands, kept at the broker; what happens, numbered and in order. See docs/mqtt.md.

What matters goes through the outbox: it leaves when the broker has taken it, one after the other, so that it
arrives in order, and once for whoever goes by bench and sequence. Of readings only the newest counts. Each
try to connect is a client of its own, in a loop of its own (aiomqtt needs a selector loop; Windows' usual
one is none). An acknowledgement that names an error is no acknowledgement: MQTT 5 says which it was.

What can be asked is a mark and a stop, where the set-up allows it, through the store like everybody's.
Acknowledging a finding can't, and nothing can be told to the cut-out.
"""

from __future__ import annotations

import asyncio
import json
import math
import random
import re
import ssl
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

import aiomqtt
from aiomqtt.exceptions import MqttConnectError

from logger.clock import Clock
from logger.errors import NotReached, RequestError
from logger.feeds.feed import (
    BackOff,
    Began,
    Ended,
    Feed,
    Inbox,
    Life,
    Marked,
    News,
    Readings,
    State,
    Told,
    stand,
)
from logger.feeds.outbox import Outbox, path_of
from logger.feeds.secret import Secret, from_environment, from_file
from logger.finding import Finding, Severity
from logger.requests import Ask
from logger.setup import Mqtt, Setup
from logger.store.asking import ask_daemon

SCHEMA: Final = "soakbench.mqtt/1"
REQUEST_SCHEMA: Final = "soakbench.mqtt.request/1"
KEEPALIVE_S: Final = 15
STATUS_EACH_S: Final = 30.0
"""So often the bench says that it is there; a status three times as old is not to be trusted."""
LONGEST_REQUEST: Final = 4096
OPEN_MOST: Final = 20
"""Findings in the list of those that are open, the worst first."""
_LONGEST: Final = 500
_TIMEOUT_S: Final = 5.0
_LOOK_S: Final = 0.05
_ENDS_WITHIN_S: Final = 1.2
_AT_ONCE: Final = 200
_TAKEN_OUT_EACH_S: Final = 0.25
"""So many events at most, or for so long, are sent before those that have arrived leave the outbox."""
_CONNECTIONS_A_MESSAGE: Final = 5
"""So many connections, each taken and then ended over the same message, and it is given up."""
_ID: Final = re.compile(r"[A-Za-z0-9._-]{1,64}", re.ASCII)
_NEVER: Final = (0x90, 0x95, 0x99)
"""MQTT 5.0, 3.4.2.1: topic name invalid, packet too large, payload format invalid; no later try helps."""


def level(name: str) -> str:
    """Return a name as one level of a topic: but for A-Z a-z 0-9 _ . - ~ it is percent-encoded (RFC 3986)."""
    return quote(name.strip(), safe="") or "%20"


class Topics:
    """The bench's topics."""

    def __init__(self, root: str, bench: str) -> None:
        self.bench = f"{root}/{level(bench)}"
        self.status = f"{self.bench}/status"
        self.soak = f"{self.bench}/soak"
        self.findings = f"{self.bench}/findings"
        self.event = f"{self.bench}/event"
        self.request = f"{self.bench}/request"
        self.answer = f"{self.bench}/answer"

    def channel(self, name: str) -> str:
        """Return a channel's."""
        return f"{self.bench}/channel/{level(name)}"


class Documents:
    """What is said, as JSON documents. Pure."""

    def __init__(self, setup: Setup, bench_id: str) -> None:
        self._setup = setup
        self._head = {"schema": SCHEMA, "bench": bench_id, "name": _short(setup.bench.name)}
        self._soak: Began | None = None
        self._open: dict[int, Finding] = {}
        self._t_s = 0.0
        self._state = ""
        self._ended: Ended | None = None

    def take(self, told: Told) -> None:
        """Take in what the daemon says."""
        match told:
            case Began():
                self._soak, self._ended = told, None
                self._t_s, self._state = 0.0, ""
                self._open = {one.id: one for one in told.findings if one.open}
            case News():
                if told.finding.open and told.what != "withdrawn":
                    self._open[told.finding.id] = told.finding
                else:
                    self._open.pop(told.finding.id, None)
            case State():
                self._state = told.state
            case Ended():
                self._ended = told
                self._state = "ended"
        if not isinstance(told, Began):
            self._t_s = told.t_s

    def at(self, t_s: float) -> str:
        """Return a time of the soak as ISO 8601, in UTC."""
        assert self._soak is not None
        return _iso(self._soak.started + timedelta(seconds=t_s))

    def status(self, status: str, now: datetime, *, waiting: int, lost: int) -> dict[str, Any]:
        """How the bench stands: online, offline, fault; `lost` is said by the broker in its place."""
        program = f"soakbench {version('soakbench')}"
        whole = {"status": status, "at": _iso(now), "program": program, "waiting": waiting, "lost": lost}
        return {**self._head, **whole}

    def event(self, event: str, t_s: float, **more: Any) -> dict[str, Any]:
        """Something that happened; its sequence is the outbox's to add."""
        assert self._soak is not None
        head = {**self._head, "event": event, "soak": self._soak.soak_id, "t_s": t_s, "at": self.at(t_s)}
        return {**head, **more}

    def soak(self) -> dict[str, Any] | None:
        """How the soak stands; None where none has begun."""
        if self._soak is None:
            return None
        severities = [one.severity.value for one in self._open.values()]
        return {
            **self._head,
            "soak": self._soak.soak_id,
            "amp": _short(self._setup.amp.name),
            "started": _iso(self._soak.started),
            "t_s": self._t_s,
            "at": self.at(self._t_s),
            "state": self._state,
            "open": {one.value: severities.count(one.value) for one in Severity},
            "how": None if self._ended is None else self._ended.how,
            "verdict": None if self._ended is None else self._ended.verdict,
        }

    def findings(self) -> dict[str, Any] | None:
        """What is open, the worst first."""
        if self._soak is None:
            return None
        worst = sorted(self._open.values(), key=lambda one: (-one.severity.rank, -one.raised_s, one.id))
        return {
            **self._head,
            "soak": self._soak.soak_id,
            "at": self.at(self._t_s),
            "findings": [finding_document(one) for one in worst[:OPEN_MOST]],
            "more": max(0, len(worst) - OPEN_MOST),
        }

    def channels(self, readings: Readings) -> list[tuple[str, dict[str, Any]]]:
        """Each channel's name and newest reading."""
        assert self._soak is not None
        head = {
            **self._head,
            "soak": self._soak.soak_id,
            "t_s": readings.t_s,
            "at": self.at(readings.t_s),
        }
        return [
            (
                channel.name,
                {
                    **head,
                    "channel": channel.name,
                    "measures": channel.measures,
                    "unit": channel.unit,
                    "value": value if math.isfinite(value) else None,
                },
            )
            for channel, value in zip(self._setup.channel, readings.values, strict=True)
        ]


def finding_document(finding: Finding) -> dict[str, Any]:
    """Return a finding as MQTT tells it."""
    return {
        "id": finding.id,
        "kind": finding.kind.value,
        "severity": finding.severity.value,
        "channel": finding.channel,
        "channels": list(finding.channels),
        "says": _short(finding.says),
        "advice": _short(finding.advice),
        "onset_s": finding.onset_s,
        "raised_s": finding.raised_s,
        "cleared_s": finding.cleared_s,
        "acknowledged_s": finding.acknowledged_s,
        "under": finding.under,
    }


class _Refused(Exception):
    """The broker has refused what was published; `for_good` where no later try helps."""

    @property
    def for_good(self) -> bool:
        return getattr(self.args[0], "value", None) in _NEVER


class _Client(aiomqtt.Client):
    """A client that knows what an acknowledgement said: aiomqtt takes each for a good one."""

    refused: Any = None
    left: Any = None
    """Why the connection was ended from the other side, if it was."""

    def _on_disconnect(
        self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None
    ) -> None:
        self.left = reason_code
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: Any, properties: Any) -> None:
        if reason_code is not None and reason_code.is_failure:
            self.refused = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    async def say(self, topic: str, document: Mapping[str, Any], qos: int, retain: bool) -> None:
        """Publish one and wait until it is taken; one at a time. Raises _Refused with the broker's reason."""
        self.refused = None
        await self.publish(topic, _text(document), qos=qos, retain=retain)
        if self.refused is not None:
            raise _Refused(self.refused)


class MqttWork:
    """The feed's work: what comes goes into the outbox, and from there to the broker."""

    def __init__(
        self,
        setup: Setup,
        store: Path,
        clock: Clock,
        environment: Mapping[str, str],
        *,
        rng: random.Random | None = None,
        first_s: float = 1.0,
        timeout_s: float = _TIMEOUT_S,
        ask: Callable[[Path, Ask, str, Clock], Any] = ask_daemon,
    ) -> None:
        assert setup.mqtt is not None
        self._setup, self._mqtt = setup, setup.mqtt
        self._store = store
        self._clock = clock
        self._environment = environment
        self._back_off = BackOff(rng or random.Random(), first_s)
        self._timeout_s = timeout_s
        self._ask = ask
        self._topics = Topics(self._mqtt.topic, setup.bench.name)

    def __call__(self, inbox: Inbox) -> None:
        """Tell the broker until the inbox is closed and what was in it is sent, or time is up.

        RequestError where password or certificate can't be had, StoreError where the outbox can't be used.
        """
        password = password_of(self._mqtt, self._environment)
        tls = _tls(self._mqtt)
        with (
            Outbox(path_of(self._store)) as outbox,
            asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner,
        ):
            runner.run(_Run(self, inbox, outbox, password, tls).run())


class _Run:
    """One run of the feed, in its loop."""

    def __init__(
        self,
        work: MqttWork,
        inbox: Inbox,
        outbox: Outbox,
        password: Secret | None,
        tls: ssl.SSLContext | None,
    ) -> None:
        self._work, self._inbox, self._outbox = work, inbox, outbox
        self._mqtt, self._topics = work._mqtt, work._topics
        self._password, self._tls = password, tls
        self._documents = Documents(work._setup, outbox.bench)
        self._life = Life()
        self._kept: dict[str, tuple[Mapping[str, Any], int]] = {}  # retained topics: document, QoS
        self._due: dict[str, None] = {}  # those of them that the broker has not got
        self._soak_id: int | None = None
        self._over = asyncio.Event()
        self._wake = asyncio.Event()
        self._speaks = asyncio.Lock()
        self._lost = outbox.lost
        self._over_it = "", 0  # over what the connection was ended last, and how often in a row

    async def run(self) -> None:
        taking = asyncio.create_task(self._take_all())
        telling = asyncio.create_task(self._tell_all())
        try:
            done, _ = await asyncio.wait((taking, telling), return_when=asyncio.FIRST_COMPLETED)
            for one in done:
                one.result()
            await taking
            await asyncio.wait((telling,), timeout=_ENDS_WITHIN_S)
        finally:
            for task in (taking, telling):
                task.cancel()
            await asyncio.wait((taking, telling), timeout=_ENDS_WITHIN_S)
        left = self._outbox.waiting
        if left:
            self._inbox.stands("trying again", f"{left} wait in {self._outbox.path.name} for the next start")

    # ---- what comes

    async def _take_all(self) -> None:
        while True:
            items = self._inbox.take()
            if items:
                self._keep(items)
                self._wake.set()
            elif self._inbox.closed:
                self._over.set()
                self._wake.set()
                return
            await asyncio.sleep(_LOOK_S)

    def _keep(self, items: list[Told]) -> None:
        """Write down what matters, and what is to stand at the broker."""
        matters = [one for one in items if not isinstance(one, Readings)]
        if matters:
            with self._outbox.batch():
                for one in matters:
                    self._documents.take(one)
                    self._write_down(one)
        for newest in items:
            if isinstance(newest, Readings) and self._soak_id is not None:
                self._documents.take(newest)
                for name, document in self._documents.channels(newest):
                    self._retain(self._topics.channel(name), document, 0)
        if self._soak_id is not None:
            if matters:
                self._retain(self._topics.findings, self._documents.findings(), 1)
                self._retain(self._topics.soak, self._documents.soak(), 1)
            else:
                self._retain(self._topics.soak, self._documents.soak(), 0)
        lost = self._outbox.lost
        self._inbox.dropped(lost - self._lost)
        self._lost = lost

    def _retain(self, topic: str, document: Mapping[str, Any] | None, qos: int) -> None:
        if document is not None:
            waits = topic in self._due and topic in self._kept
            self._kept[topic] = document, max(qos, self._kept[topic][1]) if waits else qos
            self._due[topic] = None

    def _write_down(self, one: Told) -> None:
        event = self._documents.event
        match one:
            case Began():
                self._soak_id = one.soak_id
                self._outbox.add(event("resumed" if one.resumed else "began", 0.0))
                self._catch_up(one)
            case State():
                self._outbox.add(event("state", one.t_s, state=one.state))
            case Marked():
                self._outbox.add(event("mark", one.t_s, text=_short(one.text), noted=one.noted))
            case Ended():
                self._outbox.add(event("ended", one.t_s, how=one.how, verdict=one.verdict))
            case News():
                self._news(one.t_s, one.what, one.finding)

    def _catch_up(self, began: Began) -> None:
        """Tell what a daemon that was killed has not told any more, and take back what is no more."""
        told = self._outbox.told(began.soak_id)
        life = Life.of({number: stood for number, (stood, _) in told.items()})
        for finding in began.findings:
            at_s = finding.cleared_s if finding.cleared_s is not None else finding.raised_s
            for what in life.news(finding):
                self._news(at_s, what, finding)
        for number in told.keys() - {one.id for one in began.findings}:
            document = told[number][1]
            self._outbox.add(
                self._documents.event("finding", document["raised_s"], what="withdrawn", finding=document)
            )
            self._outbox.untell(began.soak_id, number)

    def _news(self, t_s: float, what: str, finding: Finding) -> None:
        assert self._soak_id is not None
        document = finding_document(finding)
        self._outbox.add(self._documents.event("finding", t_s, what=what, finding=document))
        if what == "withdrawn":
            self._outbox.untell(self._soak_id, finding.id)
        else:
            self._outbox.tell(self._soak_id, finding.id, stand(finding), document)

    # ---- what goes out

    async def _tell_all(self) -> None:
        """Connect, tell, and try again; ends once the soak is over and all is told, or can't be."""
        while True:
            try:
                await self._session()
                return
            except MqttConnectError as error:
                why = f"the broker {self._broker} refuses the log-in ({_plain(error)})"
            except _Refused as error:
                why = f"the broker {self._broker} refuses what it is told ({_plain(error)}): look at its ACL"
            except (aiomqtt.MqttError, OSError, ValueError, ExceptionGroup) as error:
                why = f"the broker {self._broker} is not reached ({_plain(error)})"
            if self._over.is_set():
                return
            self._inbox.stands("trying again", why)
            with suppress(TimeoutError):
                await asyncio.wait_for(self._over.wait(), self._work._back_off.wait_s())

    @property
    def _broker(self) -> str:
        return f"{self._mqtt.host}:{self._mqtt.port_number}"

    def _status(self, status: str) -> dict[str, Any]:
        return self._documents.status(
            status, self._work._clock.wall(), waiting=self._outbox.waiting, lost=self._outbox.lost
        )

    async def _session(self) -> None:
        """Be at the broker until the soak is over or something breaks."""
        will = aiomqtt.Will(self._topics.status, _text(self._status("lost")), qos=1, retain=True)
        client = _Client(
            self._mqtt.host,
            self._mqtt.port_number,
            username=self._mqtt.user,
            password=None if self._password is None else self._password.reveal(),
            identifier=self._outbox.bench,
            protocol=aiomqtt.ProtocolVersion.V5,
            clean_start=True,
            will=will,
            keepalive=KEEPALIVE_S,
            timeout=self._work._timeout_s,
            tls_context=self._tls,
            max_queued_incoming_messages=100,
        )
        async with client:
            try:
                await self._be_there(client)
            except BaseException:
                # A clean end of the connection, which the library makes of each, sends no will.
                with suppress(Exception):
                    await asyncio.wait_for(client.say(self._topics.status, self._status("fault"), 1, True), 1)
                raise
            await client.say(self._topics.status, self._status("offline"), 1, True)

    async def _be_there(self, client: _Client) -> None:
        if self._mqtt.requests:
            granted = await client.subscribe(self._topics.request, qos=1)
            if any(getattr(code, "is_failure", False) for code in granted):
                raise _Refused(f"{granted[0]}, to listen for requests")
        await client.say(self._topics.status, self._status("online"), 1, True)
        self._due = dict.fromkeys(self._kept)
        self._inbox.stands("working", f"connected to {self._broker}")
        self._work._back_off.reset()
        hearing = asyncio.create_task(self._hear(client))  # also notices that the connection is gone
        speaking = asyncio.create_task(self._speak(client))
        try:
            done, _ = await asyncio.wait((hearing, speaking), return_when=asyncio.FIRST_COMPLETED)
            for one in done:
                one.result()
        finally:
            for task in (hearing, speaking):
                task.cancel()
            await asyncio.wait((hearing, speaking))

    async def _speak(self, client: _Client) -> None:
        """Send what waits, then what is to stand at the broker, the oldest first."""
        next_s = self._work._clock.monotonic_s() + STATUS_EACH_S
        while True:
            self._wake.clear()
            while await self._events(client):
                pass
            due, self._due = list(self._due), {}
            for topic in due:
                if topic not in self._kept:
                    continue
                document, qos = self._kept[topic]
                try:
                    await self._say(client, topic, document, qos, retain=True)
                except BaseException as error:
                    refused = isinstance(error, _Refused) and error.for_good
                    if refused or self._ends_it(client, topic):
                        self._inbox.dropped()
                        del self._kept[topic]  # it is said anew when it changes
                    if refused:
                        continue
                    self._due = dict.fromkeys([*due[due.index(topic) :], *self._due])
                    raise
            if self._over.is_set() and self._outbox.waiting == 0 and not self._due:
                return
            if self._work._clock.monotonic_s() >= next_s:
                next_s = self._work._clock.monotonic_s() + STATUS_EACH_S
                await self._say(client, self._topics.status, self._status("online"), 1, retain=True)
            with suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), 1.0)

    async def _events(self, client: _Client) -> bool:
        """Send the oldest of what waits, in order; say whether there was any.

        Each is taken out only once the broker has it, but many in one commit: a disk takes longer for that
        than a broker for an event. A kill in between has those told again, under the same numbers.
        """
        clock = self._work._clock
        arrived: list[int] = []
        events = self._outbox.oldest(_AT_ONCE)
        until_s = clock.monotonic_s() + _TAKEN_OUT_EACH_S
        try:
            for sequence, document in events:
                try:
                    told = {**document, "sequence": sequence}
                    await self._say(client, self._topics.event, told, 1, retain=False)
                except BaseException as error:
                    refused = isinstance(error, _Refused) and error.for_good
                    if refused or self._ends_it(client, str(sequence)):
                        self._outbox.lose()
                        self._outbox.sent([sequence])
                        self._inbox.dropped()
                        self._lost += 1
                    if not refused:
                        raise
                else:
                    self._inbox.sent()
                    arrived.append(sequence)
                if clock.monotonic_s() >= until_s:
                    break
        finally:
            self._outbox.sent(arrived)
        return bool(events)

    def _ends_it(self, client: _Client, what: str) -> bool:
        """Whether the broker ends each connection over this: one may not even refuse what is too long."""
        if client.left is None:
            return False
        self._over_it = what, (self._over_it[1] + 1 if self._over_it[0] == what else 1)
        return self._over_it[1] >= _CONNECTIONS_A_MESSAGE

    async def _say(
        self, client: _Client, topic: str, document: Mapping[str, Any], qos: int, *, retain: bool
    ) -> None:
        async with self._speaks:
            await client.say(topic, document, qos, retain)

    # ---- what is asked

    async def _hear(self, client: _Client) -> None:
        async for message in client.messages:
            answer = await self._answer(message)
            if answer is not None:
                await self._say(client, self._topics.answer, answer, 1, retain=False)

    async def _answer(self, message: aiomqtt.Message) -> dict[str, Any] | None:
        """Do what is asked, once, and return what is answered; None where it is no request at all."""
        head = self._documents._head
        if not isinstance(message.payload, bytes) or len(message.payload) > LONGEST_REQUEST:
            return None
        try:
            asked = json.loads(message.payload)
        except (ValueError, RecursionError):
            return None
        number = asked.get("id") if isinstance(asked, dict) else None
        if not isinstance(number, str) or not _ID.fullmatch(number):
            return None

        def answered(reason: str | None) -> dict[str, Any]:
            state = "done" if reason is None else "refused"
            return {**head, "id": number, "state": state, "reason": reason}

        if message.retain:
            return answered("a request that is kept at the broker would come again at each start")
        try:
            ask, text = request_of(asked, self._mqtt)
        except RequestError as error:
            return answered(str(error))
        new, before = self._outbox.asked(number)
        if not new:
            return (
                answered("it was asked before, and how that ended is not known")
                if before is None
                else {**json.loads(before)}
            )
        try:
            done = await asyncio.to_thread(self._work._ask, self._work._store, ask, text, self._work._clock)
            answer = answered(done.reason)
        except (RequestError, NotReached) as error:
            answer = answered(_short(str(error)))
        self._outbox.answered(number, _text(answer))
        return answer


def request_of(asked: Mapping[str, Any], mqtt: Mqtt) -> tuple[Ask, str]:
    """Return what a request's document asks for; RequestError where it can't be asked over MQTT."""
    if asked.get("schema") != REQUEST_SCHEMA:
        raise RequestError(f"a request's schema is {REQUEST_SCHEMA}")
    ask, text = asked.get("ask"), asked.get("text", "")
    if ask not in ("mark", "stop"):
        raise RequestError("only a mark and a stop can be asked over MQTT")
    if ask not in mqtt.requests:
        raise RequestError(f"this bench takes no {ask} over MQTT: its set-up does not allow it")
    if not isinstance(text, str) or not text.isprintable():
        raise RequestError("the text is one line of letters that can be printed")
    return Ask(ask), text


def password_of(mqtt: Mqtt, environment: Mapping[str, str]) -> Secret | None:
    """Return the password, None where there is no log-in; RequestError where it can't be had."""
    if mqtt.password_env is not None:
        return from_environment(mqtt.password_env, environment)[0]
    return None if mqtt.password_file is None else from_file(mqtt.password_file)[0]


def feed(setup: Setup, store: Path, clock: Clock, environment: Mapping[str, str]) -> Feed:
    """Return the feed of a set-up with [mqtt]."""
    return Feed("mqtt", MqttWork(setup, store, clock, environment), clock)


def _tls(mqtt: Mqtt) -> ssl.SSLContext | None:
    if not mqtt.tls:
        return None
    try:
        return ssl.create_default_context(cafile=mqtt.ca_file)
    except OSError as error:
        why = error.strerror or type(error).__name__
        raise RequestError(f"the certificate {mqtt.ca_file} can't be used ({why}): look at ca_file") from None


def _plain(error: BaseException) -> str:
    return _short(str(error) or type(error).__name__)[:120]


def _short(text: str) -> str:
    plain = "".join(letter if letter.isprintable() else " " for letter in text)
    return plain if len(plain) <= _LONGEST else f"{plain[: _LONGEST - 1]}…"


def _iso(at: datetime) -> str:
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _text(document: Mapping[str, Any]) -> str:
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
