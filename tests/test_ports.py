"""Who is on which port: bench DAQs are found, and what is none is not disturbed."""

from __future__ import annotations

import contextlib
import json
import os
import select
import threading
import tty
from collections.abc import Callable
from pathlib import Path

import pytest
from tiny_daq import TinyDaq, board

import soakbench
from logger.link import search
from logger.link.frames import frame
from logger.link.lines import banner_body, command_line
from logger.link.port import Connected
from logger.link.search import Port, look_at, look_at_each
from logger.link.wire import Line
from logger.setup import parse

LINE = Line()
WHO = command_line("who")


class Foreign:
    """Some other device on a pseudo-terminal: says something by itself, or in answer; keeps what it hears."""

    def __init__(
        self, link: Path, says: bytes = b"", answer: Callable[[bytes], bytes] = lambda _heard: b""
    ) -> None:
        self.path = str(link)
        self.heard = b""
        self._says, self._answer = says, answer
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        link.symlink_to(os.ttyname(self._slave))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Foreign:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)

    def _run(self) -> None:
        while not self._stop.is_set():
            if self._says:
                with contextlib.suppress(BlockingIOError):  # nobody reads it
                    os.write(self._master, self._says)
            if select.select([self._master], [], [], 0.05)[0]:
                heard = os.read(self._master, 4096)
                self.heard += heard
                os.write(self._master, self._answer(heard))


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(search, "PATIENCE_S", 1.0)


def test_two_boards_are_told_apart_and_a_foreign_device_hears_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with (
        TinyDaq(tmp_path / "a", daq=board(2, "bench-01")) as one,
        TinyDaq(tmp_path / "b", daq=board(3, "bench-02")) as two,
        Foreign(tmp_path / "c", says=b"$STATUS IDLE 0.000\r\n") as foreign,
    ):
        paths = [one.port, two.port, foreign.path]
        assert soakbench.main(["ports", *paths, "--json", "-"]) == 0
        found = json.loads(capsys.readouterr().out)["ports"]
        assert soakbench.main(["ports", *paths]) == 0
        shown = capsys.readouterr().out
    assert [(port["is"], port["board"], port["channels"]) for port in found] == [
        ("bench DAQ", "bench-01", 2),
        ("bench DAQ", "bench-02", 3),
        ("something else", None, None),
    ]
    assert found[1]["setup"] == ['kind = "lines"', f'port = "{two.port}"', 'board = "bench-02"']
    assert "bench-02" in shown
    assert foreign.heard == b""
    assert {command if isinstance(command, str) else command.name for command in one.commands} == {"who"}


def test_a_board_that_was_left_running_is_recognised_by_its_scans(tmp_path: Path) -> None:
    with TinyDaq(tmp_path / "a", speed=10) as daq:
        daq._rate = 10.0
        assert look_at(daq.port, LINE).daq == daq.daq


@pytest.mark.parametrize(
    ("answer", "what"),
    [
        (lambda _: b"", "silent"),
        (lambda _: b"ERROR\r\n", "something else"),
        (lambda heard: heard, "something else"),  # an echo has a right CRC, and is no answer
        (lambda _: b"\x00\xff" * 400, "something else"),
    ],
)
def test_a_silent_device_is_asked_once(tmp_path: Path, answer: Callable[[bytes], bytes], what: str) -> None:
    with Foreign(tmp_path / "a", answer=answer) as foreign:
        seen = look_at(foreign.path, LINE)
    assert seen.what == what
    assert seen.daq is None
    assert foreign.heard == WHO


def test_a_stray_byte_or_a_garbled_banner_does_not_hide_a_board(tmp_path: Path) -> None:
    banner = frame(banner_body(board(2)), end=b"\r\n")
    asked = []

    def garbled(heard: bytes) -> bytes:
        asked.append(heard)
        return b"\x00" + banner if len(asked) == 1 else banner

    with Foreign(tmp_path / "a", answer=garbled) as daq:
        assert look_at(daq.path, LINE).daq == board(2)
    assert asked == [WHO, WHO]


def test_a_board_that_prints_numbers_is_told_and_not_asked(tmp_path: Path) -> None:
    with Foreign(tmp_path / "a", says=b"76.1;75.9;455\r\n") as printer:
        seen = look_at(printer.path, LINE)
    assert (seen.what, seen.says) == ("numbers", "it prints 3 numbers a line, like '76.1;75.9;455'")
    assert printer.heard == b""


def test_a_port_that_is_in_use_or_not_there_is_said_so(tmp_path: Path) -> None:
    with TinyDaq(tmp_path / "a") as daq:
        wire = search.open_wire(daq.port, LINE)
        in_use = look_at(daq.port, LINE)
        wire.close()
    assert (in_use.what, "in use" in in_use.says) == ("not opened", True)
    assert "there is no port" in look_at(str(tmp_path / "none"), LINE).says


def test_they_are_looked_at_side_by_side(tmp_path: Path) -> None:
    with (
        Foreign(tmp_path / "a") as silent,
        TinyDaq(tmp_path / "b") as daq,
    ):
        first = next(iter(look_at_each([silent.path, daq.port], LINE)))
    assert first.path == daq.port  # the silent one keeps nobody waiting


def test_auto_takes_the_board_that_the_set_up_names(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from logger.link.kinds import open_link

    text = (
        'schema = "soakbench.setup/1"\n[amp]\nname = "Theatre PA 240 W"\nvalve = "EL34"\nnominal_ht_V = 455\n'
        '[link]\nkind = "lines"\nboard = "bench-02"\nscans_per_s = 10\n'
        '[plan]\nsteps = [{step = "soak", minutes = 60}]\n'
        '[[channel]]\nname = "pair1"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
        '[[channel]]\nname = "pair2"\nmeasures = "pair current"\nsense_ohm = 1.0\n'
    )
    with (
        TinyDaq(tmp_path / "a", daq=board(2, "bench-01")) as one,
        TinyDaq(tmp_path / "b", daq=board(2, "bench-02"), speed=10) as two,
    ):
        monkeypatch.setattr("logger.link.port.ports", lambda: [Port(one.port, True), Port(two.port, True)])
        link = open_link(parse(text))
        link.start()
        events = link.take(10.0)
        link.close()
        assert events[0] == Connected(two.daq, two.port, again=False)
        refused = open_link(parse(text), port=one.port)
        refused.start()
        with pytest.raises(search.LinkError, match="the set-up wants the board bench-02"):
            refused.take(10.0)


def test_without_a_port_the_exit_code_says_that_no_bench_was_reached(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(search, "ports", list)
    assert soakbench.main(["ports"]) == 3
    assert "lists no serial port" in capsys.readouterr().err
