"""Who may see and who may change: passwords, sessions, strangers, too many guesses, proxies."""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from http import HTTPStatus
from pathlib import Path
from typing import Any

import pytest
from dashboard_soak import token_of
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st

from dashboard import access as guard
from dashboard.access import HEADER, IN_ALL, LASTS_S, PER_ADDRESS, WINDOW_S, Access, Attempts
from dashboard.app import create_app, make_server
from dashboard.passwords import Passwords, Role
from logger.clock import ManualClock
from logger.errors import RequestError

MAY_CHANGE = "four words nobody guesses"
MAY_VIEW = "wall by the coffee machine"
HOME = "http://192.0.2.7:8050"
ELSEWHERE = {"REMOTE_ADDR": "192.0.2.40"}


class Shop:
    """A dashboard that is served elsewhere than on this machine, and somebody's browser."""

    def __init__(self, folder: Path, **how: Any) -> None:
        self.clock = ManualClock()
        self.passwords = Passwords(folder / "soak.db")
        self.passwords.set(Role.CHANGE, MAY_CHANGE, n=2)
        self.passwords.set(Role.VIEW, MAY_VIEW)
        self.server = create_app(
            folder / "soak.db", self.clock, Access(self.clock, self.passwords, **how)
        ).server

    def browser(self, address: str = ELSEWHERE["REMOTE_ADDR"]) -> FlaskClient:
        client = self.server.test_client()
        client.environ_base["REMOTE_ADDR"] = address
        return client

    def log_in(
        self, client: FlaskClient, password: str, *, to: str = "/", home: str = HOME, **change: Any
    ) -> Any:
        page = client.get("/log-in", base_url=home, query_string={"to": to})
        found = re.search(r'name="form" value="([0-9a-f]+)"', page.get_data(as_text=True))
        assert found is not None
        sent = {"form": found[1], "to": to, "password": password, **change.pop("data", {})}
        headers = {"Origin": home, **change.pop("headers", {})}
        headers = {name: value for name, value in headers.items() if value is not None}
        return client.post("/log-in", base_url=home, data=sent, headers=headers, **change)

    def log_in_once_more(self, client: FlaskClient, password: str, form: str) -> Any:
        """Send a form that another tab still shows."""
        sent = {"form": form, "to": "/", "password": password}
        return client.post("/log-in", base_url=HOME, data=sent, headers={"Origin": HOME})

    def ask(self, client: FlaskClient, **headers: str) -> Any:
        """Ask the daemon, which isn't there, to stop: state is "not reached" for whoever may ask."""
        sent = {"Origin": HOME, HEADER: token_of(client, HOME), **headers}
        return client.post("/ask", base_url=HOME, headers=sent, json={"ask": "stop", "text": ""})


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path)


def inside(client: FlaskClient) -> bool:
    answer = client.get("/bias/now?once", base_url=HOME)
    assert answer.status_code in (HTTPStatus.OK, HTTPStatus.UNAUTHORIZED)
    return answer.status_code == HTTPStatus.OK


# ---------------------------------------------------------------- without a session


def test_without_a_session_no_address_says_anything_but_the_page_to_log_in(shop: Shop) -> None:
    client = shop.browser()
    every = {
        (method, re.sub(r"<[^>]*>", "1", rule.rule))
        for rule in shop.server.url_map.iter_rules()
        for method in (rule.methods or set()) - {"OPTIONS", "HEAD"}
    }
    assert len(every) > 15
    said = {one: client.open(one[1], method=one[0], base_url=HOME).status_code for one in every}
    open_to_all = {one for one, status in said.items() if status != HTTPStatus.UNAUTHORIZED}
    assert open_to_all == {("GET", "/log-in"), ("POST", "/log-in")}
    assert said["POST", "/log-in"] == HTTPStatus.FORBIDDEN
    for asset in ("soakbench.css", "favicon.svg"):
        with client.get(f"/assets/{asset}", base_url=HOME) as answer:
            assert answer.status_code == HTTPStatus.OK
    for address in (
        "/assets/soakbench.js",
        "/assets/../app.py",
        "/assets/soakbench.css/",
        "//assets/soakbench.css",
    ):
        assert client.get(address, base_url=HOME).status_code in (401, 308, 404), address


def test_a_page_leads_to_the_log_in_and_back_to_where_one_wanted(shop: Shop) -> None:
    client = shop.browser()
    sent = client.get("/soak/7?x=1", base_url=HOME, headers={"Accept": "text/html"})
    assert (sent.status_code, sent.location) == (303, "/log-in?to=/soak/7%3Fx%3D1")
    page = client.get(sent.location, base_url=HOME)
    assert "<script" not in page.get_data(as_text=True)
    assert "form-action 'self'" in page.headers["Content-Security-Policy"]
    assert "script-src" not in page.headers["Content-Security-Policy"]
    assert page.headers["Referrer-Policy"] == "same-origin"
    assert page.headers["Cache-Control"] == "no-store"
    answer = shop.log_in(client, MAY_CHANGE, to="/soak/7?x=1")
    assert (answer.status_code, answer.location) == (303, "/soak/7?x=1")
    assert inside(client)
    assert client.get("/log-in?to=/bias", base_url=HOME).location == "/bias"


@pytest.mark.parametrize(
    "to",
    [
        "//elsewhere.example",
        "/\\elsewhere.example",
        "https://elsewhere.example/",
        "javascript:alert(1)",
        "",
        "/a\r\nX-Evil: 1",
        "/\t/elsewhere.example",
        "/x\\y",
        "\u202e/",
        "/%0d%0aSet-Cookie:x",
        '/"><script>',
    ],
)
def test_after_the_log_in_one_stays_with_us_and_no_address_becomes_a_header_or_markup(
    shop: Shop, to: str
) -> None:
    client = shop.browser()
    page = client.get("/log-in", base_url=HOME, query_string={"to": to}).get_data(as_text=True)
    assert "<script" not in page
    answer = shop.log_in(client, MAY_VIEW, to=to)
    assert answer.status_code == 303
    assert answer.location.startswith("/")
    assert not answer.location.startswith(("//", "/\\"))
    assert "X-Evil" not in answer.headers


@given(st.text())
def test_where_to_go_on_to_is_always_a_path_of_ours(to: str) -> None:
    way = Access(ManualClock())._way(to)
    assert re.fullmatch(r"/([!-.0-\[\]-~][!-\[\]-~]*)?", way)


# ---------------------------------------------------------------- sessions


def test_the_right_password_lets_in_and_the_cookie_is_kept_from_scripts(shop: Shop) -> None:
    client = shop.browser()
    answer = shop.log_in(client, MAY_CHANGE)
    (cookie,) = [one for one in answer.headers.getlist("Set-Cookie") if "-form=" not in one]
    parts = cookie.split("; ")
    assert {"HttpOnly", "SameSite=Lax", "Path=/", f"Max-Age={24 * 3600}"} <= set(parts)
    assert "Secure" not in parts
    assert shop.ask(client).json["state"] == "not reached"
    secure = shop.browser()
    answer = shop.log_in(secure, MAY_CHANGE, home="https://192.0.2.7")
    assert all("; Secure" in one for one in answer.headers.getlist("Set-Cookie"))


def test_each_log_in_has_a_session_of_its_own_whatever_cookie_came_along(shop: Shop) -> None:
    client = shop.browser()
    name, _ = session_cookie(shop.log_in(client, MAY_VIEW))
    other = shop.browser()
    other.set_cookie(name, "of my choosing", domain="192.0.2.7")
    assert not inside(other)
    shop.log_in(other, MAY_VIEW)
    assert inside(other)
    stolen = shop.browser()
    stolen.set_cookie(name, "of my choosing", domain="192.0.2.7")
    assert not inside(stolen)
    assert token_of(client, HOME) != token_of(other, HOME)


def session_cookie(answer: Any) -> tuple[str, str]:
    """Return name and value of the session's cookie, as the log-in's answer sets it."""
    (cookie,) = [one for one in answer.headers.getlist("Set-Cookie") if "-form=" not in one]
    name, value = cookie.split(";")[0].split("=", 1)
    return name, value


def test_who_logs_out_is_out_and_only_he(shop: Shop) -> None:
    client, other = shop.browser(), shop.browser()
    name, value = session_cookie(shop.log_in(client, MAY_VIEW))
    shop.log_in(other, MAY_VIEW)
    headers = {"Origin": HOME, HEADER: token_of(client, HOME)}
    strange = {**headers, "Origin": "http://elsewhere.example"}
    assert client.post("/log-out", base_url=HOME, headers=strange).status_code == HTTPStatus.FORBIDDEN
    assert inside(client)
    assert client.post("/log-out", base_url=HOME, headers=headers).json["state"] == "done"
    client.set_cookie(name, value, domain="192.0.2.7")  # as it was before
    assert not inside(client)
    assert inside(other)


@pytest.mark.parametrize(("password", "role"), [(MAY_CHANGE, Role.CHANGE), (MAY_VIEW, Role.VIEW)])
def test_a_session_ends_in_time(shop: Shop, password: str, role: Role) -> None:
    client = shop.browser()
    shop.log_in(client, password)
    shop.clock.advance(LASTS_S[role] - 1.0)
    assert inside(client)
    shop.clock.advance(1.0)
    assert not inside(client)


def test_a_changed_password_ends_its_sessions_and_leaves_the_other_ones(shop: Shop) -> None:
    changer, viewer = shop.browser(), shop.browser()
    shop.log_in(changer, MAY_CHANGE)
    shop.log_in(viewer, MAY_VIEW)
    Passwords(shop.passwords.path.with_name("soak.db")).set(Role.CHANGE, "five words nobody guesses")
    assert not inside(changer)
    assert inside(viewer)
    assert shop.log_in(changer, MAY_CHANGE).status_code == HTTPStatus.FORBIDDEN
    assert shop.log_in(changer, "five words nobody guesses").status_code == 303


def test_an_answer_that_goes_on_ends_with_its_session(shop: Shop) -> None:
    client = shop.browser()
    shop.log_in(client, MAY_VIEW)
    with client.get("/bias/now", base_url=HOME) as answer:
        lines = iter(answer.response)
        assert b"absent" in next(lines)
        shop.passwords.set(Role.VIEW, "the other coffee machine")
        assert list(lines) == []


def test_who_may_only_view_sees_everything_and_is_told_that_he_changes_nothing(shop: Shop) -> None:
    client = shop.browser()
    shop.log_in(client, MAY_VIEW)
    for address in ("/", "/jobs", "/_dash-layout", "/_dash-dependencies", "/bias/now?once"):
        assert client.get(address, base_url=HOME).status_code == HTTPStatus.OK
    page = client.get("/", base_url=HOME, headers={"Accept": "text/html"}).get_data(as_text=True)
    assert '<meta name="soakbench-role" content="view">' in page
    answer = shop.ask(client)
    assert answer.status_code == HTTPStatus.FORBIDDEN
    assert "view only" in answer.json["reason"]


def test_every_address_that_changes_anything_is_guarded(shop: Shop) -> None:
    """Also those that are yet to come: what takes a POST refuses who may only view, and who has no token."""
    viewer, changer = shop.browser(), shop.browser()
    shop.log_in(viewer, MAY_VIEW)
    shop.log_in(changer, MAY_CHANGE)
    reading = {"/_dash-update-component", "/log-in", "/log-out"}
    guarded = {
        re.sub(r"<[^>]*>", "1", rule.rule)
        for rule in shop.server.url_map.iter_rules()
        if (rule.methods or set()) & {"POST", "PUT", "PATCH", "DELETE"}
    } - reading
    assert "/ask" in guarded
    for address in guarded:
        own = {"Origin": HOME, HEADER: token_of(viewer, HOME)}
        answer = viewer.post(address, base_url=HOME, headers=own, json={})
        assert (answer.status_code, answer.json["state"]) == (HTTPStatus.FORBIDDEN, "refused"), address
        assert "view only" in answer.json["reason"], address
        answer = changer.post(address, base_url=HOME, headers={"Origin": HOME}, json={})
        assert answer.status_code == HTTPStatus.FORBIDDEN, address
        strange = {"Origin": "http://elsewhere.example", HEADER: token_of(changer, HOME)}
        answer = changer.post(address, base_url=HOME, headers=strange, json={})
        assert answer.status_code == HTTPStatus.FORBIDDEN, address


def test_a_token_of_another_session_changes_nothing(shop: Shop) -> None:
    client, other = shop.browser(), shop.browser()
    shop.log_in(client, MAY_CHANGE)
    shop.log_in(other, MAY_CHANGE)
    answer = shop.ask(client, **{HEADER: token_of(other, HOME)})
    assert answer.status_code == HTTPStatus.FORBIDDEN
    assert "load it again" in answer.json["reason"]


# ---------------------------------------------------------------- logging in


@pytest.mark.parametrize(
    "change",
    [
        {"headers": {"Origin": "http://elsewhere.example"}},
        {"headers": {"Origin": "null"}},
        {"headers": {"Origin": None}},
        {"headers": {"Sec-Fetch-Site": "cross-site"}},
        {"data": {"form": ""}},
        {"data": {"form": "0" * 64}},
        {"data": {"form": "\u00e9"}},
        {"data": {"password": ""}},
        {"data": {"password": "wrong"}},
        {"data": {"password": MAY_CHANGE + "\x00"}},
        {"data": {"password": MAY_CHANGE.upper()}},
        {"data": {"password": "x" * 5_000}},
    ],
)
def test_another_sites_form_or_another_password_logs_nobody_in(shop: Shop, change: dict[str, Any]) -> None:
    client = shop.browser()
    answer = shop.log_in(client, MAY_CHANGE, **change)
    assert answer.status_code == HTTPStatus.FORBIDDEN
    assert 'role="alert"' in answer.get_data(as_text=True)
    assert not inside(client)


def test_a_form_taken_from_another_browser_logs_nobody_in(shop: Shop) -> None:
    victim, attacker = shop.browser(), shop.browser()
    page = attacker.get("/log-in", base_url=HOME).get_data(as_text=True)
    found = re.search(r'name="form" value="([0-9a-f]+)"', page)
    assert found is not None
    answer = shop.log_in(victim, MAY_VIEW, data={"form": found[1]})
    assert answer.status_code == HTTPStatus.FORBIDDEN


def test_two_tabs_can_log_in_one_after_the_other_and_the_older_session_ends(shop: Shop) -> None:
    client = shop.browser()
    page = client.get("/log-in", base_url=HOME).get_data(as_text=True)
    found = re.search(r'name="form" value="([0-9a-f]+)"', page)
    assert found is not None
    first = session_cookie(shop.log_in(client, MAY_VIEW, data={"form": found[1]}))
    again = session_cookie(shop.log_in_once_more(client, MAY_CHANGE, found[1]))
    assert first[0] == again[0]
    client.set_cookie(*first, domain="192.0.2.7")
    assert not inside(client)
    client.set_cookie(*again, domain="192.0.2.7")
    assert inside(client)


def test_a_log_in_of_a_megabyte_is_refused_with_a_sentence(shop: Shop) -> None:
    answer = shop.log_in(shop.browser(), "x" * 900_000)
    assert answer.status_code == HTTPStatus.REQUEST_ENTITY_TOO_LARGE
    assert answer.json["reason"] == "what was sent is too long: at most 10 kB are taken here"


def test_who_guesses_waits_also_with_the_right_password_and_others_do_not(shop: Shop) -> None:
    guesser, owner = shop.browser(), shop.browser("192.0.2.41")
    for _ in range(PER_ADDRESS):
        assert shop.log_in(guesser, "guess").status_code == HTTPStatus.FORBIDDEN
    answer = shop.log_in(guesser, MAY_CHANGE)
    assert answer.status_code == HTTPStatus.TOO_MANY_REQUESTS
    assert "wait 11 min" in answer.get_data(as_text=True)
    assert not inside(guesser)
    assert shop.log_in(owner, MAY_CHANGE).status_code == 303
    shop.clock.advance(float(answer.headers["Retry-After"]))
    assert shop.log_in(guesser, MAY_CHANGE).status_code == 303


def test_many_addresses_together_guess_no_more_than_so_often() -> None:
    attempts = Attempts(clock := ManualClock())
    for at in range(IN_ALL):
        assert attempts.wait_s(f"198.51.100.{at}") == 0.0
        clock.advance(1.0)
    assert attempts.wait_s("203.0.113.1") == pytest.approx(WINDOW_S - IN_ALL)
    clock.advance(WINDOW_S - IN_ALL)
    assert attempts.wait_s("203.0.113.1") == 0.0
    assert attempts.wait_s("203.0.113.2") > 0.0


def test_a_person_with_many_addresses_of_ipv6_is_one_and_right_passwords_count_for_nothing() -> None:
    attempts = Attempts(ManualClock())
    for at in range(PER_ADDRESS):
        assert attempts.wait_s(f"2001:db8::{at + 1:x}") == 0.0
    assert attempts.wait_s("2001:db8::ffff:1") == WINDOW_S
    assert attempts.wait_s("2001:db8:0:1::1") == 0.0
    for _ in range(3 * IN_ALL):
        assert attempts.wait_s("192.0.2.1") == 0.0
        attempts.forgive("192.0.2.1")


# ---------------------------------------------------------------- passwords


def test_the_key_is_scrypts_as_rfc_7914_has_it(tmp_path: Path) -> None:
    """RFC 7914, section 12: password "pleaseletmein", salt "SodiumChloride", N 16384, r 8, p 1."""
    passwords = Passwords(tmp_path / "soak.db")
    key = (
        "7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2"
        "d5432955613f0fcf62d49705242a9af9e61e85dc0d651e40dfcf017b45575887"
    )
    said = {
        "schema": "soakbench.password/1",
        "n": 16384,
        "r": 8,
        "p": 1,
        "salt": "SodiumChloride",
        "change": key,
    }
    passwords.path.write_text(json.dumps(said))
    passwords.path.chmod(0o600)
    assert passwords.role_of("pleaseletmein") is Role.CHANGE
    assert passwords.role_of("pleaseletmeout") is None


def test_a_password_file_is_its_owners_alone_and_holds_no_password(shop: Shop) -> None:
    if os.name == "posix":
        assert shop.passwords.path.stat().st_mode & 0o777 == 0o600
    text = shop.passwords.path.read_text()
    assert MAY_CHANGE not in text
    assert MAY_VIEW not in text
    assert [one.name for one in shop.passwords.path.parent.iterdir()] == ["soak.db-password"]


def test_letters_are_the_same_however_they_were_typed(tmp_path: Path) -> None:
    passwords = Passwords(tmp_path / "not there yet" / "soak.db")
    passwords.set(Role.CHANGE, "Sch\u00f6ne R\u00f6hren", n=2)
    assert passwords.role_of("Scho\u0308ne Ro\u0308hren") is Role.CHANGE


@pytest.mark.parametrize(
    ("role", "password", "says"),
    [
        (Role.CHANGE, "", "8 to 1000 characters"),
        (Role.CHANGE, "short", "8 to 1000 characters"),
        (Role.CHANGE, "x" * 1001, "8 to 1000 characters"),
        (Role.CHANGE, MAY_VIEW, "take another"),
        (Role.VIEW, MAY_CHANGE, "take another"),
    ],
)
def test_a_password_that_is_none_changes_nothing(shop: Shop, role: Role, password: str, says: str) -> None:
    before = shop.passwords.path.read_bytes()
    with pytest.raises(RequestError, match=says):
        shop.passwords.set(role, password)
    assert shop.passwords.path.read_bytes() == before


def test_the_password_to_view_comes_second(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="set the one that may change first"):
        Passwords(tmp_path / "soak.db").set(Role.VIEW, MAY_VIEW)


_GOOD = {"schema": "soakbench.password/1", "n": 2, "r": 8, "p": 1, "salt": "s", "change": "k"}


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{",
        "null",
        "\u00ff",
        json.dumps({**_GOOD, "schema": "x"}),
        json.dumps({**_GOOD, "n": 2**40}),
        json.dumps({**_GOOD, "n": "2"}),
        json.dumps({**_GOOD, "change": ""}),
        json.dumps({**_GOOD, "view": 7}),
    ],
)
def test_a_file_that_is_no_password_file_lets_nobody_in_and_stays(shop: Shop, text: str) -> None:
    client = shop.browser()
    shop.log_in(client, MAY_CHANGE)
    shop.passwords.path.write_text(text, encoding="utf-8")
    answer = client.get("/bias/now?once", base_url=HOME)
    assert answer.status_code == HTTPStatus.SERVICE_UNAVAILABLE
    assert "is no password file of soakbench" in answer.json["reason"]
    with pytest.raises(RequestError, match="move it away"):
        shop.passwords.set(Role.CHANGE, MAY_CHANGE)
    with pytest.raises(RequestError, match="move it away"):
        Access(shop.clock, shop.passwords)
    assert shop.passwords.path.read_text(encoding="utf-8") == text


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX")
def test_a_password_file_that_others_may_read_is_not_relied_on(shop: Shop) -> None:
    shop.passwords.path.chmod(0o640)
    with pytest.raises(RequestError, match="others than you may read"):
        Access(shop.clock, Passwords(shop.passwords.path.with_name("soak.db")))


def test_without_its_file_nobody_gets_in(shop: Shop) -> None:
    client = shop.browser()
    shop.log_in(client, MAY_CHANGE)
    shop.passwords.path.unlink()
    assert client.get("/bias/now?once", base_url=HOME).status_code == HTTPStatus.SERVICE_UNAVAILABLE


# ---------------------------------------------------------------- where it is served, and what it is called


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7", "bench.example", ""])
def test_elsewhere_is_refused_without_a_password_in_one_sentence(host: str, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="others can reach the dashboard: it needs a password first"):
        make_server(create_app(tmp_path / "none.db"), host=host, port=0)


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.7"])
def test_a_proxy_is_not_to_be_got_past(host: str, shop: Shop) -> None:
    with pytest.raises(RequestError, match=r"leave --host at 127\.0\.0\.1"):
        Access(shop.clock, shop.passwords, behind_proxy=True).may_be_served_at(host)
    with pytest.raises(RequestError, match="it needs a password first"):
        Access(shop.clock, behind_proxy=True)


@pytest.mark.parametrize(
    ("host", "known"),
    [
        ("localhost:8050", True),
        ("127.0.0.1", True),
        ("[::1]:8050", True),
        ("192.0.2.7", True),
        ("BENCH1.example.:8050", True),
        ("elsewhere.example", False),
        ("bench1.example.elsewhere.example", False),
        ("127.0.0.1.elsewhere.example", False),
    ],
)
def test_a_dashboard_answers_to_its_own_names_only(tmp_path: Path, host: str, known: bool) -> None:
    shop = Shop(tmp_path, names=["bench1.example"])
    answer = shop.browser().get("/log-in", headers={"Host": host})
    assert answer.status_code == (HTTPStatus.OK if known else HTTPStatus.BAD_REQUEST)
    if not known:
        assert f"not called {host}" in answer.get_data(as_text=True)


def test_on_this_machine_it_goes_by_this_machines_names_only(tmp_path: Path) -> None:
    client = create_app(tmp_path / "none.db").server.test_client()
    asked = {host: client.get("/", headers={"Host": host}).status_code for host in _HOSTS_HERE}
    assert asked == _HOSTS_HERE


_HOSTS_HERE = {"localhost": 200, "127.0.0.1:8050": 200, "[::1]": 200, "192.0.2.7": 400, "bench.example": 400}


def test_on_this_machine_a_proxy_that_nobody_told_of_gets_nothing(tmp_path: Path) -> None:
    client = create_app(tmp_path / "none.db").server.test_client()
    headers = {"Host": "127.0.0.1", "X-Forwarded-For": "192.0.2.40"}
    answer = client.get("/", headers=headers)
    assert answer.status_code == HTTPStatus.FORBIDDEN
    assert "--behind-proxy" in answer.get_data(as_text=True)


def test_what_a_stranger_says_was_forwarded_counts_only_behind_a_proxy(tmp_path: Path) -> None:
    shop = Shop(tmp_path)
    guesser = shop.browser()
    for at in range(PER_ADDRESS):
        shop.log_in(guesser, "guess", headers={"X-Forwarded-For": f"198.51.100.{at}"})
    answer = shop.log_in(guesser, MAY_CHANGE, headers={"X-Forwarded-For": "198.51.100.77"})
    assert answer.status_code == HTTPStatus.TOO_MANY_REQUESTS


@pytest.mark.parametrize("path", ["bench1", "/bench 1", "/../x", "//x", '/"><b>', "/a//b", "/b;x"])
def test_a_sub_path_is_a_plain_path(path: str) -> None:
    with pytest.raises(RequestError, match="--path is a path"):
        Access(ManualClock(), root=path)


# ---------------------------------------------------------------- what is too long


@pytest.mark.parametrize("chunked", [False, True])
def test_what_is_too_long_is_refused_with_a_sentence(shop: Shop, chunked: bool) -> None:
    client = shop.browser()
    shop.log_in(client, MAY_CHANGE)
    headers = {"Origin": HOME, HEADER: token_of(client, HOME), "Content-Type": "application/json"}
    data: Any = b'{"ask": "mark", "text": "' + b"x" * guard.MOST_BYTES + b'"}'
    how: dict[str, Any] = {"data": data}
    if chunked:
        import io

        how = {"input_stream": io.BytesIO(data), "environ_overrides": {"wsgi.input_terminated": True}}
    answer = client.post("/ask", base_url=HOME, headers=headers, **how)
    assert answer.status_code == HTTPStatus.REQUEST_ENTITY_TOO_LARGE
    assert answer.json == {
        "state": "refused",
        "reason": "what was sent is too long: at most 1 MB are taken here",
    }


# ---------------------------------------------------------------- the command


@pytest.fixture
def command(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[str]]:
    def run(*arguments: str, said: str = "") -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "soakbench", "dash", "--db", str(tmp_path / "soak.db"), *arguments],
            input=said,
            capture_output=True,
            text=True,
            timeout=60,
        )

    return run


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
def test_a_password_is_asked_for_twice_on_a_terminal_and_not_shown(tmp_path: Path) -> None:
    for second, code in ((MAY_CHANGE, 0), ("another one", 2)):
        here, there = os.openpty()
        command = [sys.executable, "-m", "soakbench", "dash", "--db", str(tmp_path / "soak.db")]
        with subprocess.Popen(
            [*command, "--set-password"], stdin=there, stdout=there, stderr=there, start_new_session=True
        ) as child:
            os.close(there)
            shown = b""
            for asked, answer in ((b"Password: ", MAY_CHANGE), (b"Once more: ", second)):
                while asked not in shown:
                    shown += os.read(here, 1000)
                os.write(here, f"{answer}\n".encode())
            with contextlib.suppress(OSError):  # the terminal's end, where nobody writes any more
                while piece := os.read(here, 1000):
                    shown += piece
            assert child.wait(60) == code, shown
        os.close(here)
        assert MAY_CHANGE.encode() not in shown
        assert second.encode() not in shown
    assert Passwords(tmp_path / "soak.db").role_of(MAY_CHANGE) is Role.CHANGE


def test_a_password_is_set_from_standard_input_and_never_shown(
    command: Callable[..., subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    refused = command("--host", "0.0.0.0")
    assert refused.returncode == 2
    assert refused.stderr.count("\n") == 1
    assert "--set-password" in refused.stderr
    done = command("--set-password", said=f"{MAY_CHANGE}\n")
    assert done.returncode == 0, done.stderr
    assert MAY_CHANGE not in done.stdout + done.stderr
    assert Passwords(tmp_path / "soak.db").role_of(MAY_CHANGE) is Role.CHANGE
    assert command("--path", "/bench1").returncode == 2
