"""Asking the running daemon for something from another process: through its store, which it looks at.

A request is a row (`schema` says which) written under the same lock file as every other write. It is
answered, or withdrawn when nobody answers in time: nothing is left behind that a later daemon might take up.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import Final

import sqlalchemy as sa

from logger.clock import Clock
from logger.errors import NotReached, StoreError
from logger.requests import Ask, text_of
from logger.store import schema, sqlite
from logger.store.reader import Reader, to_us
from logger.store.request import DAEMON_ENDED, Request, fetch_requests

ANSWERED_WITHIN_S: Final = 5.0
"""Far longer than a daemon takes: it looks every 0.2 s, and may wait 2 s for the store."""
_LOOK_S: Final = 0.05
_LOOK_WHETHER_IT_RUNS_S: Final = 0.5


def ask_daemon(
    path: Path | str, ask: Ask, text: str, clock: Clock, wait_s: float = ANSWERED_WITHIN_S
) -> Request:
    """Ask the daemon that runs on a store, wait for its answer and return it, done or refused.

    RequestError where the text is wrong for what is asked, NotReached where no daemon runs on this store or
    none answers in time, StoreError where the store can't be used. It is then withdrawn, unless the store is
    what failed. Never creates a store.
    """
    text_of(ask, text)
    path = Path(path).expanduser().absolute()
    if not path.exists():
        raise StoreError(f"there is no store {path}: name the one that soakbench run writes to with --db")
    if not sqlite.daemon_runs(path):
        raise NotReached(f"no soakbench runs on the store {path}: soakbench run SETUP starts one")
    number = _write_down(path, ask, text, clock)
    try:
        answer = _answered(path, number, clock, wait_s)
    except BaseException:
        # whoever asked has gone away (Ctrl-C), or can't read the store: what made that so is what is told
        with suppress(StoreError):
            _withdraw(path, number, "whoever asked went away before it was answered")
        raise
    if answer is not None:
        return answer
    runs = sqlite.daemon_runs(path)
    why = f"nobody answered within {wait_s:g} s" if runs else DAEMON_ENDED
    answer = _withdraw(path, number, why)
    if answer is not None:
        return answer
    if not runs:
        raise NotReached(
            f"the soakbench on the store {path} ended before it answered: the request was withdrawn"
        )
    raise NotReached(
        f"what runs on the store {path} didn't answer within {wait_s:g} s: the request was withdrawn; "
        "see what it says where it was started, or give it longer with --wait"
    )


def _answered(path: Path, number: int, clock: Clock, wait_s: float) -> Request | None:
    """Wait for the answer; None where none came in time, or the daemon has ended."""
    reader = Reader(path)
    until_s = clock.monotonic_s() + wait_s
    look_s = clock.monotonic_s() + _LOOK_WHETHER_IT_RUNS_S
    while True:
        request = reader.request(number)
        if request.state != "asked":
            return request
        now_s = clock.monotonic_s()
        if now_s >= until_s:
            return None
        if now_s >= look_s:
            look_s = now_s + _LOOK_WHETHER_IT_RUNS_S
            if not sqlite.daemon_runs(path):
                return None
        clock.sleep(min(_LOOK_S, until_s - now_s))


def _write_down(path: Path, ask: Ask, text: str, clock: Clock) -> int:
    values = {
        "made_us": to_us(clock.wall()),
        "ask": ask.value,
        "text": " ".join(text.split()),
        "state": "asked",
    }
    with sqlite.writing(path, "nothing can be asked") as connection:
        made = sa.insert(schema.request).values(values).returning(schema.request.c.id)
        return int(connection.execute(made).scalar_one())


def _withdraw(path: Path, number: int, why: str) -> Request | None:
    """Take a request back; returns the answer if it had one by now."""
    table = schema.request
    with sqlite.writing(path, "nothing can be asked") as connection:
        taken = connection.execute(
            sa.update(table)
            .where(table.c.id == number, table.c.state == "asked")
            .values(state="refused", reason=why)
        )
        if taken.rowcount:
            return None
        (answer,) = fetch_requests(connection, table.c.id == number)
        return answer
