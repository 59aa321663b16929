"""MQTT at a real Mosquitto: killed, paused, refusing, full; what matters arrives once and in order."""

from __future__ import annotations

import contextlib
import json
import math
import os
import random
import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema
import paho.mqtt.client as paho
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from test_daemon import SETUP, GivenLink, Run, idle, scan_block
from test_feeds import finding

from logger.clock import SystemClock
from logger.errors import RequestError, StoreError
from logger.feeds.feed import Began, Ended, Feed, Feeds, Marked, News, Readings, State, stand
from logger.feeds.mqtt import Documents, MqttWork, Topics, finding_document, level, request_of
from logger.feeds.outbox import Outbox, path_of
from logger.finding import Severity
from logger.requests import Ask
from logger.setup import Mqtt, parse
from logger.store.reader import Reader

DOCS = Path(__file__).parent.parent / "docs"
SCHEMA = json.loads((DOCS / "mqtt.schema.json").read_text(encoding="utf-8"))
CHECK = jsonschema.Draft202012Validator(SCHEMA)
STARTED = datetime(2026, 3, 1, 14, 0, 0, tzinfo=UTC)
PASSWORD = "hush-4711"
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")

needs_broker = pytest.mark.skipif(MOSQUITTO is None, reason="Debian's package mosquitto is not installed")


def until(done: Callable[[], object], within_s: float = 20.0) -> None:
    """Wait for something that surely comes."""
    end_s = time.monotonic() + within_s
    while not done():
        assert time.monotonic() < end_s, "it did not come"
        time.sleep(0.02)


class Broker:
    """A Mosquitto on a port of its own."""

    def __init__(self, folder: Path, conf: str = "allow_anonymous true\n", listener: str = "") -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        self._conf = folder / "mosquitto.conf"
        text = f"user {os.environ.get('USER', 'root')}\nlog_dest none\n{conf}"
        self._conf.write_text(f"{text}listener {self.port} 127.0.0.1\n{listener}")
        self.start()

    def start(self) -> None:
        assert MOSQUITTO is not None
        self.process = subprocess.Popen([MOSQUITTO, "-c", str(self._conf)], stderr=subprocess.DEVNULL)

        def answers() -> bool:
            assert self.process.poll() is None, "the broker has ended"
            with socket.socket() as line:
                return line.connect_ex(("127.0.0.1", self.port)) == 0

        until(answers)

    def kill(self) -> None:
        self.process.send_signal(signal.SIGCONT)
        self.process.kill()
        self.process.wait()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    broker = Broker(tmp_path)
    yield broker
    broker.kill()


class Viewer:
    """A consumer that keeps a session, and all that it has got."""

    def __init__(self, port: int, user: str | None = None, ca: Path | None = None) -> None:
        self.got: list[tuple[str, dict[str, Any], bool]] = []
        self._there = threading.Event()
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id="viewer", protocol=paho.MQTTv5)
        client.on_connect = lambda *_: client.subscribe("#", 1)
        client.on_subscribe = lambda *_: self._there.set()
        client.on_message = self._message
        client.reconnect_delay_set(0.05, 0.1)  # type: ignore[arg-type]
        if user:
            client.username_pw_set(user, PASSWORD)
        if ca:
            client.tls_set(str(ca))
        lasts = Properties(PacketTypes.CONNECT)
        lasts.SessionExpiryInterval = 3600
        client.connect("127.0.0.1", port, clean_start=False, properties=lasts)
        client.loop_start()
        self.client = client
        assert self._there.wait(20.0)

    def _message(self, _client: object, _data: object, message: Any) -> None:
        if not message.topic.endswith("/request"):
            self.got.append((message.topic, json.loads(message.payload), message.retain))

    def of(self, topic: str) -> list[dict[str, Any]]:
        return [document for at, document, _ in list(self.got) if at == topic]

    def events(self) -> list[dict[str, Any]]:
        """Return each event once, by bench and sequence, as it came."""
        seen: dict[tuple[str, int], dict[str, Any]] = {}
        for at, document, _ in list(self.got):
            if at.endswith("/event"):
                seen.setdefault((document["bench"], document["sequence"]), document)
        return list(seen.values())

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def setup_at(port: int, more: str = "tls = false", name: str = "bench-1") -> Any:
    return parse(f'{SETUP}\n[bench]\nname = "{name}"\n[mqtt]\nhost = "127.0.0.1"\nport = {port}\n{more}\n')


def feeds_at(setup: Any, store: Path, environment: dict[str, str] | None = None, **options: Any) -> Feeds:
    clock = SystemClock()
    usual: dict[str, Any] = {"rng": random.Random(1), "first_s": 0.02, "timeout_s": 0.5, **options}
    work = MqttWork(setup, store, clock, environment or {}, **usual)
    return Feeds([Feed("mqtt", work, clock, first_s=0.05)])


def put(feeds: Feeds, *items: Any) -> None:
    for item in items:
        feeds._put(item)


def ten_minutes() -> list[Any]:
    """What happens in ten minutes of a soak in which a pair runs away."""
    out: list[Any] = []
    for second in range(600):
        out.append(Readings(float(second), (0.07 + second * 1e-5, math.nan, 455.0)))
        if second % 60 == 30:
            out.append(Marked(float(second), f"mark {second}", False))
    out.insert(100, News(50.0, "opened", finding()))
    out.insert(400, News(300.0, "worsened", finding(severity=Severity.TRIP)))
    out.insert(500, State(420.0, "cooling"))
    out.append(News(599.0, "cleared", finding(severity=Severity.TRIP, cleared_s=599.0)))
    return out


def names(events: list[dict[str, Any]]) -> list[str]:
    return [event.get("what") or event.get("text") or event["event"] for event in events]


@needs_broker
def test_what_happens_arrives_in_order_and_what_stands_is_kept(broker: Broker, tmp_path: Path) -> None:
    viewer = Viewer(broker.port)
    feeds = feeds_at(setup_at(broker.port), tmp_path / "soak.db")
    feeds.start()
    put(feeds, Began(3, STARTED), State(0.0, "warming"), Readings(1.0, (0.076, math.nan, 455.0)))
    put(feeds, News(2.0, "opened", finding()), Marked(3.0, "tapped V5", False))
    until(lambda: len(viewer.events()) == 4)
    put(feeds, Ended(4.0, "stopped", "fail"))
    assert feeds.close(10.0) == []
    until(lambda: [one["status"] for one in viewer.of("soakbench/bench-1/status")][-1:] == ["offline"])
    assert names(viewer.events()) == ["began", "state", "opened", "tapped V5", "ended"]
    assert [one["sequence"] for one in viewer.events()] == [1, 2, 3, 4, 5]
    assert viewer.of("soakbench/bench-1/channel/pair1")[-1]["value"] == 0.076
    assert viewer.of("soakbench/bench-1/channel/pair2")[-1]["value"] is None
    for _, document, _ in viewer.got:
        CHECK.validate(document)
    viewer.close()
    late = Viewer(broker.port)  # same session: what is kept comes again
    until(lambda: len({at for at, _, kept in late.got if kept}) == 6)
    kept = {at.rpartition("bench-1/")[2]: document for at, document, kept in late.got if kept}
    assert set(kept) == {"status", "soak", "findings", "channel/pair1", "channel/pair2", "channel/ht"}
    assert kept["status"]["status"] == "offline"
    assert kept["soak"]["verdict"] == "fail"
    assert kept["findings"]["findings"][0]["says"] == "pair1 runs away"
    late.close()
    assert feeds.states[0].sent == 5


@needs_broker
@pytest.mark.parametrize("how", ["killed", "paused"])
def test_after_ten_minutes_without_a_broker_all_that_matters_arrives_once_and_in_order(
    how: str, broker: Broker, tmp_path: Path
) -> None:
    viewer = Viewer(broker.port)
    feeds = feeds_at(setup_at(broker.port), tmp_path / "soak.db")
    feeds.start()
    put(feeds, Began(3, STARTED))
    until(lambda: len(viewer.events()) == 1)
    broker.kill() if how == "killed" else broker.process.send_signal(signal.SIGSTOP)
    items = ten_minutes()
    for at in range(0, len(items), 60):
        put(feeds, *items[at : at + 60])
        until(lambda: feeds.states[0].waiting == 0)
    until(lambda: feeds.states[0].stands == "trying again")
    before = len([one for one in viewer.got if "/channel/" in one[0]])
    broker.start() if how == "killed" else broker.process.send_signal(signal.SIGCONT)
    wanted = [one for one in items if not isinstance(one, Readings)]
    until(lambda: len(viewer.events()) == 1 + len(wanted))
    until(lambda: 599.0 in [one["t_s"] for one in viewer.of("soakbench/bench-1/channel/pair1")[-1:]])
    assert [one["sequence"] for one in viewer.events()] == list(range(1, 2 + len(wanted)))
    assert [one["t_s"] for one in viewer.events()[1:]] == [one.t_s for one in wanted]
    if how == "killed":
        assert len([one for one in viewer.got if "/channel/" in one[0]]) - before <= 2 * 3
        assert len([one for one in viewer.got if one[0].endswith("/event")]) == 1 + len(wanted)
    assert feeds.close(10.0) == []
    assert feeds.states[0].dropped == 0
    viewer.close()


@needs_broker
def test_what_was_sent_and_not_taken_out_of_the_outbox_is_told_again_under_its_number(
    broker: Broker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    takes_out, refused = Outbox.sent, []

    def full_once(outbox: Outbox, sequences: Sequence[int]) -> None:
        if sequences and not refused:
            refused.extend(sequences)
            raise StoreError("the outbox can't be used: make room")
        takes_out(outbox, sequences)

    monkeypatch.setattr(Outbox, "sent", full_once)
    store = tmp_path / "soak.db"
    viewer = Viewer(broker.port)
    feeds = feeds_at(setup_at(broker.port), store)
    put(feeds, Began(3, STARTED), *(Marked(float(k), f"mark {k}", False) for k in range(40)))
    feeds.start()
    until(lambda: len(viewer.events()) == 41 and len(viewer.of("soakbench/bench-1/event")) > 41)
    assert feeds.close(10.0) == []
    came = [one["sequence"] for one in viewer.of("soakbench/bench-1/event")]
    assert came == [*refused, *range(1, 42)]
    assert [one["sequence"] for one in viewer.events()] == list(range(1, 42))
    with Outbox(path_of(store)) as outbox:
        assert (outbox.waiting, outbox.lost) == (0, 0)
    viewer.close()


@needs_broker
def test_a_bench_that_is_gone_is_told_by_the_broker_and_one_that_breaks_by_itself(
    broker: Broker, tmp_path: Path
) -> None:
    viewer = Viewer(broker.port)
    topic = "soakbench/bench-1/status"
    store = tmp_path / "soak.db"
    feeds = feeds_at(setup_at(broker.port), store)
    feeds.start()
    until(lambda: viewer.of(topic))
    (online,) = viewer.of(topic)
    # another client of that id takes the connection: to the broker the bench is gone without a word
    thief = paho.Client(CallbackAPIVersion.VERSION2, client_id=online["bench"], protocol=paho.MQTTv5)
    thief.connect("127.0.0.1", broker.port)
    thief.loop_start()
    until(lambda: "lost" in [one["status"] for one in viewer.of(topic)])
    thief.loop_stop()
    until(lambda: viewer.of(topic)[-1]["status"] == "online")
    put(feeds, Readings(0.0, ()), Began(3, STARTED), Readings(1.0, (1.0,)))  # too few values: it breaks
    until(lambda: "fault" in [one["status"] for one in viewer.of(topic)])
    assert feeds.close(10.0) == []
    viewer.close()


@needs_broker
def test_a_log_in_that_is_refused_is_said_without_the_password(tmp_path: Path) -> None:
    broker = Broker(tmp_path, "allow_anonymous false\n")
    setup = setup_at(broker.port, 'tls = false\nuser = "bench-1"\npassword_env = "P"')
    feeds = feeds_at(setup, tmp_path / "soak.db", {"P": PASSWORD})
    feeds.start()
    put(feeds, Began(3, STARTED))
    until(lambda: feeds.states[0].stands == "trying again")
    assert "refuses the log-in" in feeds.states[0].says
    feeds.close(10.0)
    broker.kill()
    shown = repr(feeds.states) + path_of(tmp_path / "soak.db").read_bytes().decode("latin-1")
    assert PASSWORD not in shown
    with Outbox(path_of(tmp_path / "soak.db")) as outbox:
        assert outbox.waiting == 1


@needs_broker
def test_what_a_full_broker_will_never_take_is_given_up_and_counted(tmp_path: Path) -> None:
    broker = Broker(tmp_path, "allow_anonymous true\nmessage_size_limit 420\n")
    viewer = Viewer(broker.port)
    feeds = feeds_at(setup_at(broker.port), tmp_path / "soak.db")
    feeds.start()
    put(feeds, Began(3, STARTED), Marked(1.0, "x" * 450, False), Marked(2.0, "short", False))
    until(lambda: names(viewer.events()) == ["began", "short"])
    assert [one["sequence"] for one in viewer.events()] == [1, 3]
    assert feeds.states[0].dropped == 1
    feeds.close(10.0)
    viewer.close()
    broker.kill()


@needs_broker
def test_with_the_configuration_that_is_shipped_each_may_do_what_it_should(tmp_path: Path) -> None:
    for command in (
        "req -x509 -newkey rsa:2048 -nodes -keyout ca.key -out ca.pem -subj /CN=ca -days 2",
        "req -newkey rsa:2048 -nodes -keyout server.key -out server.csr -subj /CN=127.0.0.1",
        "x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -out server.pem -days 2 "
        "-extfile names",
    ):
        (tmp_path / "names").write_text("subjectAltName=IP:127.0.0.1\n")
        subprocess.run(["openssl", *command.split()], cwd=tmp_path, check=True, capture_output=True)
    users = ("bench-1", "bench-2", "viewer", "technician")
    passwords = tmp_path / "soakbench.passwd"
    passwords.write_text("")
    for user in users:
        subprocess.run(["mosquitto_passwd", "-b", passwords, user, PASSWORD], check=True)
    conf = (DOCS / "mosquitto" / "soakbench.conf").read_text()
    conf = conf.replace("/etc/mosquitto/certs/", f"{tmp_path}/").replace("/etc/mosquitto/", f"{tmp_path}/")
    conf = conf.replace("/var/lib/mosquitto/", f"{tmp_path}/")
    shutil.copy(DOCS / "mosquitto" / "soakbench.acl", tmp_path)
    before, _, after = conf.partition("listener 8883\n")
    for owned in tmp_path.iterdir():
        owned.chmod(0o600)
    broker = Broker(tmp_path, before, after)
    ca = tmp_path / "ca.pem"
    more = f'ca_file = "{ca}"\nuser = "{{}}"\npassword_env = "P"\nrequests = ["mark"]'
    asked: list[tuple[Ask, str]] = []

    def ask(_store: Path, what: Ask, text: str, _clock: object) -> Any:
        asked.append((what, text))
        return SimpleNamespace(reason=None)

    feeds = feeds_at(
        setup_at(broker.port, more.format("bench-1")), tmp_path / "a.db", {"P": PASSWORD}, ask=ask
    )
    feeds.start()
    viewer = Viewer(broker.port, "viewer", ca)
    put(feeds, Began(3, STARTED), Readings(1.0, (0.07, 0.07, 455.0)))
    until(lambda: len(viewer.events()) == 1 and viewer.of("soakbench/bench-1/channel/ht"))
    stranger = feeds_at(setup_at(broker.port, more.format("bench-2")), tmp_path / "b.db", {"P": PASSWORD})
    stranger.start()
    until(lambda: stranger.states[0].stands == "trying again")
    assert "look at its ACL" in stranger.states[0].says
    stranger.close(10.0)

    def request(client: Any, number: str, ask: str, text: str = "", retain: bool = False) -> None:
        whole = {"schema": "soakbench.mqtt.request/1", "id": number, "ask": ask, "text": text}
        client.publish("soakbench/bench-1/request", json.dumps(whole), qos=1, retain=retain)

    request(viewer.client, "0", "mark", "a viewer asks nothing")
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="tech", protocol=paho.MQTTv5)
    client.username_pw_set("technician", PASSWORD)
    client.tls_set(str(ca))
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    until(client.is_connected)
    for _ in range(2):
        request(client, "1", "mark", "tapped V5")
    request(client, "2", "stop")
    request(client, "3", "acknowledge", "1")
    request(client, "4", "mark", "two\nlines")
    client.publish("soakbench/bench-1/request", "{" * 100, qos=1)
    request(client, "5", "mark", "kept", retain=True)
    until(lambda: len(viewer.of("soakbench/bench-1/answer")) == 6)
    answers = {one["id"]: one for one in viewer.of("soakbench/bench-1/answer")}
    assert asked == [(Ask.MARK, "tapped V5"), (Ask.MARK, "kept")]  # it came first as any other
    assert {number: one["state"] for number, one in answers.items()} == {
        "1": "done",
        "2": "refused",
        "3": "refused",
        "4": "refused",
        "5": "done",
    }
    for one in answers.values():
        CHECK.validate(one)
    client.disconnect()
    client.loop_stop()
    feeds.close(10.0)
    viewer.close()
    broker.kill()


@needs_broker
def test_a_mark_asked_over_mqtt_stands_in_the_record(broker: Broker, tmp_path: Path) -> None:
    viewer = Viewer(broker.port)
    store = tmp_path / "soak.db"
    setup = setup_at(broker.port, 'tls = false\nrequests = ["mark", "stop"]')
    feeds = feeds_at(setup, store)
    asked: list[int] = []

    def wait() -> None:
        if not asked and viewer.of("soakbench/bench-1/status"):
            asked.append(1)
            whole = {"schema": "soakbench.mqtt.request/1", "id": "m", "ask": "mark", "text": "tapped V5"}
            for _ in range(2):
                viewer.client.publish("soakbench/bench-1/request", json.dumps(whole), qos=1)
        time.sleep(0.02)

    class Waiting(GivenLink):
        def take(self, timeout_s: float) -> list[Any]:
            if len(self._events) == 1 and len(viewer.of("soakbench/bench-1/answer")) < 2:
                wait()
                return []
            return super().take(timeout_s)

    link = Waiting([scan_block(0, [idle(i) for i in range(60)]), scan_block(60, [idle(60)])])
    Run(store, link, clock=SystemClock(), feeds=feeds)()
    assert [mark.text for mark in Reader(store).marks(1)] == ["tapped V5"]
    assert [one["state"] for one in viewer.of("soakbench/bench-1/answer")] == ["done", "done"]
    viewer.close()


# ---- the outbox, and what is pure


def test_the_outbox_survives_keeps_order_and_never_gives_a_number_twice(tmp_path: Path) -> None:
    path = tmp_path / "soak.db-outbox"
    with Outbox(path, room=3) as outbox:
        bench = outbox.bench
        for k in range(5):
            assert outbox.add({"k": k}) == k + 1
        assert (outbox.waiting, outbox.lost) == (3, 2)
        outbox.sent([2])
        assert outbox.lost == 1, "it was given up on its way, and arrived"
        outbox.lose()
        outbox.sent([3])
    with Outbox(path, room=3) as outbox:
        assert outbox.bench == bench
        assert outbox.oldest() == [(4, {"k": 3})]
        assert outbox.oldest(9) == [(4, {"k": 3}), (5, {"k": 4})]
        outbox.sent([4, 5])
        assert outbox.oldest() == []
        assert outbox.add({"k": 9}) == 6
        assert outbox.asked("a") == (True, None)
        outbox.answered("a", "done")
        assert outbox.asked("a") == (False, "done")
        with contextlib.suppress(ZeroDivisionError), outbox.batch():
            outbox.add({"k": 1 / (outbox.add({"k": 10}) - 7)})
        assert outbox.waiting == 1


def test_a_daemon_started_again_tells_what_the_killed_one_had_not(tmp_path: Path) -> None:
    """The killed one had told of 1 as a warning, and of 2, which was never stored."""
    store = tmp_path / "soak.db"
    setup = setup_at(1)
    with Outbox(path_of(store)) as outbox:
        for one in (finding(), finding(id=2)):
            outbox.tell(7, one.id, stand(one), finding_document(one))
    feeds = feeds_at(setup, store)
    feeds.start()
    put(feeds, Began(7, STARTED, (finding(severity=Severity.TRIP), finding(id=3)), resumed=True))
    feeds.close(10.0)
    with Outbox(path_of(store)) as outbox:
        told = [
            (one.get("what", one["event"]), one.get("finding", {}).get("id"))
            for _, one in outbox.oldest(outbox.waiting)
        ]
    assert told == [("resumed", None), ("worsened", 1), ("opened", 3), ("withdrawn", 2)]


@given(st.text(max_size=60))
def test_a_name_is_one_level_whatever_it_holds(name: str) -> None:
    try:
        name.encode()
    except UnicodeEncodeError:
        return
    one = level(name)
    assert one
    assert not set(one) & set("+#/$\0 ")
    assert one.isascii()
    assert Topics("soakbench", name).event == f"soakbench/{one}/event"


def test_different_names_are_different_levels() -> None:
    assert level("a/b") == "a%2Fb"
    assert level("a%2Fb") == "a%252Fb"
    assert level("$SYS") == "%24SYS"


@given(st.dictionaries(st.text(max_size=8), st.text(max_size=8) | st.integers() | st.none(), max_size=5))
def test_nothing_but_a_mark_or_a_stop_can_be_asked(asked: dict[str, Any]) -> None:
    mqtt = Mqtt(host="broker", requests=["mark", "stop"])
    whole = {"schema": "soakbench.mqtt.request/1", **asked}
    with contextlib.suppress(RequestError):
        assert request_of(whole, mqtt)[0] in (Ask.MARK, Ask.STOP)
    for ask in Ask:
        if ask not in (Ask.MARK, Ask.STOP):
            with pytest.raises(RequestError, match="only a mark and a stop"):
                request_of({**whole, "schema": "soakbench.mqtt.request/1", "ask": ask.value}, mqtt)


def test_no_document_is_longer_than_the_docs_say() -> None:
    documents = Documents(setup_at(1), "0" * 36)
    documents.take(Began(1, STARTED))
    for k in range(30):
        documents.take(News(1.0, "opened", finding(id=k + 1, says="ü" * 5000, advice="ü" * 5000)))
    whole = documents.findings()
    assert whole is not None
    assert whole["more"] == 10
    assert len(json.dumps(whole, ensure_ascii=False).encode()) < 60_000
