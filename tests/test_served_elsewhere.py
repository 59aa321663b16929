"""The dashboard as others reach it: by https, behind a real proxy under a sub-path, in a real browser."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import test_dashboard
from dashboard_soak import RunningSoak
from playwright.sync_api import Browser, Page

from dashboard import tls
from dashboard.access import Access
from dashboard.app import create_app, make_server
from dashboard.passwords import Passwords, Role
from logger.errors import RequestError

MAY_CHANGE = "four words nobody guesses"
MAY_VIEW = "wall by the coffee machine"

chromium = test_dashboard.chromium


def _stop(server: Any, thread: threading.Thread) -> None:
    if isinstance(server, tls.Front):
        server.close()
    else:
        tls.end(server)
    thread.join(10.0)
    assert not thread.is_alive()


@contextlib.contextmanager
def _served(soak: RunningSoak, speaks: ssl.SSLContext | None = None, **how: Any) -> Iterator[int]:
    passwords = Passwords(soak.path)
    if not passwords.exist():
        passwords.set(Role.CHANGE, MAY_CHANGE, n=2)
        passwords.set(Role.VIEW, MAY_VIEW)
    access = Access(soak.clock, passwords, **how)
    server = make_server(create_app(soak.path, soak.clock, access), port=0, speaks=speaks)
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield int(server.effective_port)
    finally:
        _stop(server, thread)


@pytest.fixture(scope="module")
def soak(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningSoak]:
    soak = RunningSoak(tmp_path_factory.mktemp("soak") / "soak.db")
    soak.go_on(60.0)
    yield soak
    soak.writer.close()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Make a certificate of our own, for this machine, and its key."""
    if shutil.which("openssl") is None:
        pytest.skip("no openssl here: apt-get install openssl")
    folder = tmp_path_factory.mktemp("certificate")
    made, key = folder / "bench1.pem", folder / "bench1.key"
    kind = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    names = ["-subj", "/CN=bench1.example", "-addext", "subjectAltName=IP:127.0.0.1,DNS:localhost"]
    files = ["-keyout", str(key), "-out", str(made)]
    subprocess.run(["openssl", "req", "-x509", *kind, *names, *files], check=True, capture_output=True)
    return made, key


class Visitor:
    """Somebody at another computer: a browser that holds each page to what all must keep."""

    def __init__(self, browser: Browser, home: str) -> None:
        self.home = home
        self.console: list[str] = []
        self.foreign: list[str] = []
        self.refused: list[tuple[int, str]] = []
        self._context = browser.new_context(ignore_https_errors=True)
        self._context.set_default_timeout(30_000)
        self.page = self._context.new_page()
        self.page.on("console", lambda said: self.console.append(f"{said.type}: {said.text}"))
        self.page.on("pageerror", lambda error: self.console.append(f"error: {error}"))
        self.page.on(
            "request", lambda sent: None if sent.url.startswith(home) else self.foreign.append(sent.url)
        )
        self.page.on(
            "response",
            lambda got: self.refused.append((got.status, got.url)) if got.status >= 400 else None,
        )

    def log_in(self, password: str) -> Page:
        self.page.fill("#password", password)
        self.page.click("button[type=submit]")
        return self.page

    def cookies(self) -> list[Any]:
        """Return the sessions' cookies."""
        return [one for one in self._context.cookies() if not one["name"].endswith("-form")]

    def leave(self) -> None:
        self._context.close()


@pytest.fixture
def visit(chromium: Browser) -> Iterator[Any]:
    with contextlib.ExitStack() as stack:

        def come(home: str) -> Visitor:
            visitor = Visitor(chromium, home)
            stack.callback(visitor.leave)
            return visitor

        yield come


# ---------------------------------------------------------------- https


def _get(port: int, how: ssl.SSLContext, address: str) -> http.client.HTTPResponse:
    connection = http.client.HTTPSConnection("127.0.0.1", port, context=how, timeout=30)
    connection.request("GET", address, headers={"Connection": "close"})
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return answer


def test_five_viewers_poll_by_https_while_others_never_shake_hands(
    soak: RunningSoak, certificate: tuple[Path, Path]
) -> None:
    """Slow and nonsensical strangers hold up nobody; each viewer's figures come, and from his own address."""
    with (
        _served(soak, tls.context(*certificate)) as port,
        contextlib.ExitStack() as stack,
    ):
        for _ in range(30):
            stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=30))
        nonsense = stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=30))
        nonsense.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        assert b"200" not in nonsense.recv(1000)
        trusting = ssl.create_default_context(cafile=certificate[0])
        answers: list[list[int]] = [[] for _ in range(5)]

        def view(mine: list[int]) -> None:
            connection = http.client.HTTPSConnection("127.0.0.1", port, context=trusting, timeout=30)
            for _ in range(40):
                connection.request("GET", "/bias/now")
                answer = connection.getresponse()
                answer.read()
                mine.append(answer.status)
            connection.close()

        viewers = [threading.Thread(target=view, args=(mine,)) for mine in answers]
        for viewer in viewers:
            viewer.start()
        for viewer in viewers:
            viewer.join(60)
        assert answers == [[401] * 40] * 5, "each is asked to log in, and answered every time"
        assert _get(port, trusting, "/log-in").status == 200


def test_nobody_gets_past_the_tls_to_the_server_behind_it(
    soak: RunningSoak, certificate: tuple[Path, Path]
) -> None:
    access = Access(soak.clock)
    server = make_server(create_app(soak.path, soak.clock, access), port=0, speaks=tls.context(*certificate))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        connection = http.client.HTTPConnection("127.0.0.1", server._port, timeout=30)
        connection.request("GET", "/bias/now", headers={"X-Forwarded-Proto": "https"})
        answer = connection.getresponse()
        assert (answer.status, b"by https" in answer.read()) == (403, True)
        connection.close()
    finally:
        _stop(server, thread)


def test_a_server_that_was_never_run_lets_its_ports_go(
    soak: RunningSoak, certificate: tuple[Path, Path]
) -> None:
    server = make_server(create_app(soak.path, soak.clock), port=0, speaks=tls.context(*certificate))
    port = server.effective_port
    server.close()
    with socket.create_server(("127.0.0.1", port)):
        pass


def test_a_certificate_that_is_none_is_refused_in_a_sentence(
    certificate: tuple[Path, Path], tmp_path: Path
) -> None:
    made, key = certificate
    other, locked = tmp_path / "other.key", tmp_path / "locked.key"
    make = ["openssl", "genpkey", "-algorithm", "EC", "-pkeyopt", "ec_paramgen_curve:prime256v1"]
    subprocess.run([*make, "-out", other], check=True, capture_output=True)
    lock = ["openssl", "pkey", "-in", key, "-aes256", "-passout", "pass:x", "-out", locked]
    subprocess.run(lock, check=True, capture_output=True)
    both = tmp_path / "both.pem"
    both.write_text(made.read_text() + key.read_text())
    assert tls.context(both, None).get_ca_certs() == []
    cases = [
        (tmp_path / "none.pem", key, "there is no file"),
        (made, tmp_path / "none.key", "there is no file"),
        (made, None, "the key stands in the certificate's"),
        (key, key, "can't be used"),
        (Path(__file__), key, "can't be used"),
        (made, other, "is not that of the certificate"),
        (made, locked, "asks for a passphrase"),
    ]
    for one, with_key, says in cases:
        with pytest.raises(RequestError, match=says):
            tls.context(one, with_key)


def test_by_https_one_logs_in_sees_figures_and_logs_out(
    soak: RunningSoak, certificate: tuple[Path, Path], visit: Any
) -> None:
    with _served(soak, tls.context(*certificate)) as port:
        visitor = visit(f"https://127.0.0.1:{port}")
        page = visitor.page
        page.goto(f"{visitor.home}/bias")
        assert page.title() == "Log in · soakbench"
        visitor.log_in("a guess")
        page.wait_for_selector("[role=alert]:has-text('not the password')")
        page.evaluate((Path(__file__).parent / "data" / "axe" / "axe.min.js").read_text(encoding="utf-8"))
        found = page.evaluate("axe.run().then(found => found.violations.map(one => one.id + ' ' + one.help))")
        assert found == []
        assert [status for status, _ in visitor.refused] == [403]
        visitor.console.clear()  # the browser reports the refusal there
        visitor.log_in(MAY_CHANGE)
        page.wait_for_selector("#bias-figure:has-text('.')")
        assert page.url == f"{visitor.home}/bias"
        (cookie,) = visitor.cookies()
        assert (cookie["secure"], cookie["httpOnly"], cookie["sameSite"]) == (True, True, "Lax")
        assert cookie["value"] not in page.evaluate("document.cookie")
        page.get_by_role("button", name="Log out").click()
        page.wait_for_selector("#password")
        page.goto(f"{visitor.home}/")
        assert page.url == f"{visitor.home}/log-in"
        assert visitor.foreign == []
        assert [said for said in visitor.console if "401" not in said] == []


def test_a_session_that_ends_shows_no_old_figures(soak: RunningSoak, visit: Any) -> None:
    with _served(soak) as port:
        visitor = visit(f"http://127.0.0.1:{port}")
        visitor.page.goto(f"{visitor.home}/bias")
        visitor.log_in(MAY_VIEW)
        visitor.page.wait_for_selector("#bias-figure:has-text('.')")
        Passwords(soak.path).set(Role.VIEW, f"{MAY_VIEW}, the other one")
        visitor.page.wait_for_selector("#password")
        assert visitor.page.url == f"{visitor.home}/log-in?ended&to=%2Fbias"
        assert "nothing is shown or sounded here" in visitor.page.locator("[role=alert]").inner_text()
        Passwords(soak.path).set(Role.VIEW, MAY_VIEW)


def test_the_command_serves_by_https_until_it_is_interrupted(
    certificate: tuple[Path, Path], tmp_path: Path
) -> None:
    made, key = certificate
    command = [sys.executable, "-m", "soakbench", "dash", "--db", str(tmp_path / "soak.db"), "--port", "0"]
    with subprocess.Popen(
        [*command, "--certificate", str(made), "--key", str(key)], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        found = re.fullmatch(r"https://127\.0\.0\.1:(\d+)/", child.stdout.readline().strip())
        assert found is not None
        answer = _get(int(found[1]), ssl.create_default_context(cafile=made), "/")
        assert answer.status == 200
        child.send_signal(signal.SIGINT)
        assert child.wait(30) in (0, 130)


# ---------------------------------------------------------------- behind a proxy

_NGINX = """daemon off; pid {folder}/pid; error_log {folder}/error.log;
{user}
events {{ }}
http {{
  access_log off;
  client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy; fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi; scgi_temp_path {folder}/scgi;
  server {{
    listen 127.0.0.1:{port} ssl;
    ssl_certificate {certificate}; ssl_certificate_key {key};
    proxy_set_header Host $http_host;
    proxy_set_header X-Forwarded-For $remote_addr;
    proxy_set_header X-Forwarded-Proto $scheme;
    location /bench1/ {{ proxy_pass http://127.0.0.1:{taken_off}/; }}
    location /bench2/ {{ proxy_pass http://127.0.0.1:{left}; }}
  }}
}}
"""


@pytest.fixture
def proxy(soak: RunningSoak, certificate: tuple[Path, Path], tmp_path: Path) -> Iterator[str]:
    """Serve two benches behind a proxy, which takes the sub-path off for one and leaves it for the other."""
    nginx = shutil.which("nginx", path=f"{os.environ['PATH']}:/usr/sbin")
    if nginx is None:
        pytest.skip("no nginx here: apt-get install nginx")
    with (
        _served(soak, root="/bench1", behind_proxy=True) as taken_off,
        _served(soak, root="/bench2", behind_proxy=True) as left,
    ):
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        user = "user root;" if os.geteuid() == 0 else ""
        made, key = certificate
        text = _NGINX.format(
            folder=tmp_path, user=user, port=port, certificate=made, key=key, taken_off=taken_off, left=left
        )
        (tmp_path / "nginx.conf").write_text(text)
        with subprocess.Popen([nginx, "-p", tmp_path, "-c", tmp_path / "nginx.conf"]) as child:
            try:
                deadline = time.monotonic() + 30
                while True:
                    try:
                        socket.create_connection(("127.0.0.1", port), timeout=5).close()
                        break
                    except ConnectionRefusedError:
                        assert child.poll() is None, (tmp_path / "error.log").read_text()
                        assert time.monotonic() < deadline
                        time.sleep(0.02)
                yield f"https://127.0.0.1:{port}"
            finally:
                child.terminate()


def test_behind_a_proxy_every_page_is_under_its_sub_path(
    proxy: str, certificate: tuple[Path, Path], visit: Any
) -> None:
    visitor = visit(f"{proxy}/bench1/")
    page = visitor.page
    page.goto(visitor.home)
    visitor.log_in(MAY_CHANGE)
    page.wait_for_selector("#live-asks button")
    page.wait_for_selector("text=mA")
    assert page.url == visitor.home
    (cookie,) = visitor.cookies()
    assert (cookie["secure"], cookie["path"]) == (True, "/bench1")
    ways = page.locator("#ways a").evaluate_all("ways => ways.map(way => [way.textContent, way.pathname])")
    assert dict(ways)["Bias"] == "/bench1/bias"
    assert all(path.startswith("/bench1/") for _, path in ways)
    for name, path in ways:
        page.get_by_role("link", name=name, exact=True).click()
        page.wait_for_selector("#ways a.here:text-is('" + name + "')")
        assert page.url == f"{proxy}{path}"
        page.wait_for_selector("#page h1")
    page.goto(f"{visitor.home}bias")
    page.wait_for_selector("#bias-figure:has-text('.')")
    answer = page.evaluate('window.dash_clientside.soakbench.post("/ask", { ask: "mark", text: " " })')
    assert "a mark needs a text" in answer["reason"], "so it came through"
    assert visitor.foreign == []
    assert visitor.console == []
    assert visitor.refused == []
    # the other bench, whose proxy leaves the sub-path where it is, knows nothing of this session
    page.goto(f"{proxy}/bench2/jobs")
    assert page.url == f"{proxy}/bench2/log-in?to=/jobs"
    visitor.log_in(MAY_VIEW)
    page.wait_for_selector("#ways a.here:text-is('Jobs')")
    assert page.url == f"{proxy}/bench2/jobs"
    assert {one["path"] for one in visitor.cookies()} == {"/bench1", "/bench2"}


def test_what_is_longer_than_anything_we_take_is_refused_before_it_is_read(soak: RunningSoak) -> None:
    with _served(soak) as port:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
        connection.putrequest("POST", "/ask")
        connection.putheader("Content-Length", str(10**9))
        connection.endheaders()
        connection.send(b"x")
        assert connection.getresponse().status == 413
        connection.close()


def test_behind_a_proxy_who_views_is_told_so_on_every_button_that_changes(
    proxy: str, soak: RunningSoak, visit: Any
) -> None:
    visitor = visit(f"{proxy}/bench1/")
    page = visitor.page
    page.goto(visitor.home)
    visitor.log_in(MAY_VIEW)
    page.wait_for_selector("#live-asks button")
    said = page.locator("[data-ask]").evaluate_all(
        "all => all.map(one => getComputedStyle(one, '::after').content)"
    )
    assert len(said) > 3
    assert {json.loads(text).strip() for text in said} == {"(view only)"}
    assert page.get_by_text("view only", exact=True).is_visible()
    page.get_by_role("button", name="Setting bias").click()
    page.wait_for_selector(".asked:has-text('you are logged in to view only')")
    page.get_by_role("link", name="Jobs").click()
    page.get_by_role("link", name="Valves").wait_for()
    assert page.get_by_text("Book in an amplifier").is_hidden()
    assert soak.writer is not None
    assert visitor.foreign == []
