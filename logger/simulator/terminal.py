"""A pseudo-terminal on which the simulated DAQ speaks the line protocol of `firmware_notes/protocol.md`.

    python -m logger.simulator.terminal drift --seed 4 --speed 60 --port-link /tmp/bench

It waits until a host has told a rate, then plays the scenario. With `--link csv`, `modbus` or `scpi` it is
one of the boards of `boards.py` instead, and with `--socket` it listens on the network. At speed 0 it goes
as fast as the line: the host's reading sets the pace and nothing is lost. At any other speed scans that the
host does not take are lost, as a board would lose them. The lines are written here and not by what reads
them.
"""

from __future__ import annotations

import argparse
import binascii
import contextlib
import os
import re
import signal
import sys
import threading
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final, Literal, TextIO

import numpy as np

from logger.blocks import NO_READING, DaqInfo
from logger.clock import Clock, SystemClock
from logger.errors import FileExistsAlready, NotReached, RequestError, SoakbenchError
from logger.simulator.boards import LINKS, SCANS_PER_S, CsvBoard, ModbusModule, ScanningMeter
from logger.simulator.calibration_bench import CalibrationBench
from logger.simulator.daq import CHANNELS
from logger.simulator.scenarios import NAMES, Past, Scenario, scenario
from logger.simulator.wires import Pty, Server, Wire

_LONGEST_COMMAND: Final = 128
_PENDING_ENOUGH: Final = 4096
_PENDING_TOO_MUCH: Final = 65536
_WAKE_S: Final = 0.02
_NOTICE_S: Final = 0.3
_DRAIN_S: Final = 10.0
_KEEP_OPEN_S: Final = 1.0
_OPENING_S: Final = 0.05  # a host that opens a port drops what had come before
CALIBRATION: Final = "calibration-bench"
"""Not an amplifier: known volts, currents and temperatures one after the other."""
_NUMBER: Final = re.compile(rb"(0|[1-9][0-9]{0,9})(\.[0-9]{1,3})?")


def line(body: str) -> bytes:
    """Return a line as the DAQ sends it: the body, its CRC, CR LF."""
    raw = body.encode("ascii")
    return b"%b,%04X\r\n" % (raw, binascii.crc_hqx(raw, 0xFFFF))


def scan_line(sequence: int, ms: int, counts: Sequence[int], flags: int) -> bytes:
    """Return a scan's line; both counters wrap at 32 bits."""
    fields = ",".join(["-" if count == NO_READING else str(count) for count in counts])
    return line(f"S,{sequence & 0xFFFFFFFF},{ms & 0xFFFFFFFF},{fields},{flags:04X}")


def banner_line(info: DaqInfo) -> bytes:
    """Return the banner's line."""
    scales = ",".join(
        f"{volts!r},{full}" for volts, full in zip(info.volts_per_count, info.full_count, strict=True)
    )
    return line(f"B,{info.protocol},{info.board_id},{info.reset_cause},{len(info.volts_per_count)},{scales}")


class Board:
    """The board's side of the conversation, without a wire: bytes from the host in, answers out.

    `rate` is None until a host has told one. A rate of 0 holds the play; another rate than the first is
    refused, since the amplifier's steps go with the scans.
    """

    def __init__(self, info: DaqInfo) -> None:
        self.rate: float | None = None
        self.held = False
        self.asked = 0
        """How many commands with a right CRC have come."""
        self.silence_s = 1.5
        self._info = info
        self._heard = bytearray()
        self._overlong = False
        self._trip_cause = 0
        self._acknowledged = False

    def plug_in(self) -> None:
        """Forget the half-heard command of before the lead was pulled."""
        self._heard.clear()
        self._overlong = False

    @property
    def flags(self) -> int:
        """The flags that go with each scan. There is no relay on this board: the cut-out is never closed."""
        return (0x0008 if self._acknowledged else 0) | self._trip_cause << 4

    def hear(self, data: bytes) -> bytes:
        """Take what came from the host, in any pieces; return what the board answers."""
        answers = []
        for byte in data:
            if byte in b"\r\n":
                if self._heard and not self._overlong:
                    answers.append(self._answer(bytes(self._heard)))
                self._heard.clear()
                self._overlong = False
            elif len(self._heard) >= _LONGEST_COMMAND - 1:
                self._overlong = True
            else:
                self._heard.append(byte)
        return b"".join(answers)

    def _answer(self, heard: bytes) -> bytes:
        body, _, crc = heard.rpartition(b",")
        if crc != b"%04X" % binascii.crc_hqx(body, 0xFFFF):
            return b""
        self.asked += 1
        name, *fields = body.split(b",")
        match name, fields:
            case b"who", []:
                return banner_line(self._info)
            case b"beat", []:
                return b""
            case b"rate", [text]:
                return self._set_rate(text)
            case b"silence", [text]:
                if not _NUMBER.fullmatch(text) or not 0.2 <= float(text) <= 1.5:
                    return line("N,silence,0.2-to-1.5")
                self.silence_s = float(text)
                return line(f"A,silence,{self.silence_s:g}")
            case b"open", []:
                self._trip_cause, self._acknowledged = 1, False
                return line("A,open,-")
            case b"acknowledge", []:
                self._acknowledged = True
                return line("A,acknowledge,-")
            case ((b"who" | b"beat" | b"rate" | b"silence" | b"open" | b"acknowledge"), _):
                return line(f"N,{name.decode()},wrong-fields")
        known = re.fullmatch(rb"[!-+\--~]+", name)
        return line(f"N,{name.decode('ascii')},unknown") if known else b""

    def _set_rate(self, text: bytes) -> bytes:
        rate = float(text) if _NUMBER.fullmatch(text) else -1.0
        if rate != 0 and not 0.2 <= rate <= 100:
            return line("N,rate,0.2-to-100")
        if rate and self.rate not in (None, rate):
            return line(f"N,rate,plays-at-{self.rate:g}")
        self.held = rate == 0
        if rate:
            self.rate = rate
        return line(f"A,rate,{rate:g}")


class Damage:
    """Harm to a stream of bytes, by seed: cut into pieces, pieces lost, sent twice, a bit turned over.

    `share` of the pieces come to harm; with 0 they are only cut. The same seed does the same harm.
    """

    def __init__(self, seed: int, share: float = 0.02, longest: int = 300) -> None:
        if not 0 <= share <= 1:
            raise RequestError(f"the damaged share is 0 to 1, got {share:g}")
        self._rng = np.random.default_rng([seed, 0xDA])
        self._share = share
        self._longest = longest

    def pieces(self, data: bytes) -> list[bytes]:
        """Return what is left of `data`, in the pieces in which it comes."""
        rng, out, at = self._rng, [], 0
        while at < len(data):
            piece = data[at : at + int(rng.integers(1, self._longest + 1))]
            at += len(piece)
            if rng.random() < self._share:
                match int(rng.integers(3)):
                    case 0:
                        continue
                    case 1:
                        out.append(piece)
                    case _:
                        hit = bytearray(piece)
                        hit[int(rng.integers(len(hit)))] ^= 1 << int(rng.integers(8))
                        piece = bytes(hit)
            out.append(piece)
        return out


Fault = Literal["lost", "twice", "garbled", "cut", "late"]
"""What may befall one message of a board: not sent, sent twice, a byte that is none of its own put into it,
the second half missing, sent a second later."""
_LATE_S: Final = 1.0


def _harmed(message: bytes, fault: Fault | None) -> list[tuple[float, bytes]]:
    """Return what is sent in place of a message, and how much later."""
    match fault:
        case "lost":
            return []
        case "twice":
            return [(0.0, message), (0.0, message)]
        case "garbled":
            return [(0.0, message[:10] + b"\xff" + message[11:])]
        case "cut":
            return [(0.0, message[: len(message) // 2])]
        case "late":
            return [(_LATE_S, message)]
        case _:
            return [(0.0, message)]


class Terminal:
    """Plays a scenario on a pseudo-terminal at `port_link`, until its end or `stop()`.

    `link` is what the board speaks. `speed` is recorded time over wall time, 0 as fast as the host reads;
    `minutes` how much recorded time it plays. With `scans_per_s` a board of our own scans at that rate from
    the first command on, as one that was left running; without, it waits to be told. The others scan at that
    rate, or as is usual for their kind. `sent`: a file that gets each scan's line when it has gone out, a
    tab, and the machine's monotonic clock in s. `faults`: what befalls a message, by number (each scan's, or
    each answer to a host that asks). With `socket_port` (0: any) it listens on this machine, and `port_link`
    is a file with the address. A cable-out ends when a host asks again. Pseudo-terminals: Linux and macOS.
    """

    def __init__(
        self,
        played: Scenario | CalibrationBench,
        port_link: Path,
        *,
        link: str = "lines",
        speed: float = 0.0,
        scans_per_s: float | None = None,
        minutes: float | None = None,
        sent: Path | None = None,
        damage: Damage | None = None,
        faults: Mapping[int, Fault] | None = None,
        socket_port: int | None = None,
        clock: Clock | None = None,
    ) -> None:
        if link not in LINKS:
            raise RequestError(f"a simulated board speaks one of {', '.join(LINKS)}, not {link!r}")
        if not 0 <= speed <= 10_000:
            raise RequestError(f"the speed is 0 (as fast as the line goes) to 10000, got {speed:g}")
        if minutes is not None and not 0 < minutes <= 10_080:
            raise RequestError(f"the play lasts more than 0 and at most 10080 minutes, got {minutes:g}")
        if scans_per_s is not None and not 0.2 <= scans_per_s <= 100:
            raise RequestError(f"the simulated DAQ makes 0.2 to 100 scans a second, got {scans_per_s:g}")
        self.lost = 0
        """Scans that the host did not take in time; always 0 at speed 0."""
        self._scenario = played
        self._port_link = port_link
        self._kind = link
        self._speed = speed
        self._left_running = scans_per_s
        self._rate = scans_per_s or SCANS_PER_S[link]
        self._duration_s = played.duration_s if minutes is None else 60.0 * minutes
        self._sent_path = sent
        self._sent: TextIO | None = None
        self._damage = damage
        self._faults = dict(faults or {})
        self._messages = 0
        self._socket_port = socket_port
        self._clock = clock or SystemClock()
        self._stopping = threading.Event()
        self._board = Board(played.info)
        self._csv = CsvBoard(played.info, CHANNELS)
        self._rows: Iterator[tuple[int, int, list[int]]] = iter(())
        self._row: tuple[int, int, list[int]] | None = None
        self._place = -1
        self._over = False
        self._asks = 0
        self.polled: ModbusModule | ScanningMeter | None = None
        """The board that answers, where it is one of those."""
        if link == "modbus":
            self.polled = ModbusModule(played.info, self._asked_for)
        elif link == "scpi":
            self.polled = ScanningMeter(played.info, self._asked_for)
        self._out = bytearray()
        self._later: deque[tuple[float, bytes]] = deque()
        self._written = 0
        self._queued = 0
        self._unsent: deque[tuple[int, bytes]] = deque()
        self._started_s = 0.0
        self._wire: Wire

    def stop(self) -> None:
        """End the play soon; may be called from any thread or a signal handler."""
        self._stopping.set()

    def run(self) -> None:
        """Open the port, play, close it; returns when the play is over."""
        with contextlib.ExitStack() as stack:
            if self._sent_path is not None:
                try:
                    self._sent = stack.enter_context(self._sent_path.open("x", encoding="ascii"))
                except FileExistsError as error:
                    raise FileExistsAlready(self._sent_path) from error
                except OSError as error:
                    raise NotReached(f"{self._sent_path} can't be written ({error}): name another") from error
            self._wire = self._plugged()
            stack.callback(lambda: self._wire.close())
            if self.polled is not None:
                self._play_asked()
            else:
                self._play()

    def _plugged(self) -> Wire:
        if self._socket_port is None:
            return Pty(self._port_link)
        server = Server(self._socket_port, self._port_link)
        self._socket_port = server.port
        return server

    def _play(self) -> None:
        board = self._board
        if self._kind == "csv":
            board.rate = self._rate
            self._wait_for_host()
            self._queue(self._csv.header(), is_scan=False)
        while board.rate is None and not self._stopping.is_set():
            self._serve(_WAKE_S)
            if self._left_running is not None and board.asked:
                board.rate = self._left_running
        if board.rate is None:
            return
        while self._out and not self._stopping.is_set():
            self._serve(_WAKE_S)  # the host waits for its answer, and days of soak take seconds to draw
        back_s = self._scenario.cable_out_s[1] if self._scenario.cable_out_s is not None else None
        self._started_s = self._clock.monotonic_s()
        for t_s, text in self._lines(board.rate):
            if back_s is not None and t_s >= back_s:
                back_s = None
                self._pull_the_cable()
                self._started_s = self._clock.monotonic_s() - (t_s / self._speed if self._speed else 0.0)
            self._hold()
            self._keep_pace(t_s)
            if self._stopping.is_set():
                return
            if self._speed and len(self._out) > _PENDING_TOO_MUCH:
                self.lost += 1
            else:
                self._queue(text, is_scan=True)
        if self._kind == "lines":
            self._queue(line("E,end-of-recording"), is_scan=False)
        self._drain()
        until_s = self._clock.monotonic_s() + _KEEP_OPEN_S
        while self._clock.monotonic_s() < until_s and not self._stopping.is_set():
            self._serve(_WAKE_S)

    def _play_asked(self) -> None:
        """Answer a host for as long as there is something to play."""
        assert self.polled is not None
        self._rows = self._scans(self._rate)
        self._row = next(self._rows)
        # for a host that steps, the lead that is out is scans that are not there
        pulled = self._scenario.cable_out_s if self._speed == 1.0 else None
        out_s = None if pulled is None else pulled[0]
        while not self._over and not self._stopping.is_set():
            self._serve(_WAKE_S)
            if out_s is not None and self._place >= out_s * self._rate:
                out_s = None
                self._pull_the_cable()

    def _asked_for(self) -> list[int] | None:
        """Return the counts of the moment in which a host asks.

        At any speed but 1 it is the host who steps: each asking is one scan later, however long it took.
        """
        self._asks += 1
        if self._speed != 1.0:
            self._place += 1
        else:
            now_s = self._clock.monotonic_s()
            if self._place < 0:
                self._started_s = now_s
            self._place = int((now_s - self._started_s) * self._rate)
        while self._row is not None and self._row[1] < self._place:
            self._row = next(self._rows, None)
        if self._row is None:
            self._over = True
            return None
        return self._row[2] if self._row[1] == self._place else None

    def _scans(self, rate: float) -> Iterator[tuple[int, int, list[int]]]:
        """Give each scan's time, sequence and counts."""
        block_s = 120.0 if self._speed == 0 else 30.0
        for block in self._scenario.scans(self._duration_s, rate, block_s=block_s):
            yield from zip(block.t_us.tolist(), block.sequence.tolist(), block.counts.tolist(), strict=True)

    def _lines(self, rate: float) -> Iterator[tuple[float, bytes]]:
        """Give each scan's recorded time and line; the flags are those of the moment."""
        # the board has been up for one scan when it sends the first
        up_us = round(1000 / rate) * 1000
        for t_us, sequence, counts in self._scans(rate):
            if self._kind == "csv":
                yield t_us / 1e6, self._csv.scan(t_us + up_us, counts)
            else:
                ms = (t_us + up_us) // 1000
                yield t_us / 1e6, scan_line(sequence, ms, counts, self._board.flags)

    def _hold(self) -> None:
        """Wait while the host has set the rate to 0; recorded time stands still.

        On a calibration bench that is when the leads are moved to what comes next.
        """
        if self._board.held and isinstance(self._scenario, CalibrationBench):
            self._scenario.move_on()
        while self._board.held and not self._stopping.is_set():
            before_s = self._clock.monotonic_s()
            self._serve(_WAKE_S)
            self._started_s += self._clock.monotonic_s() - before_s

    def _keep_pace(self, t_s: float) -> None:
        """Wait for the time of the next scan, or at speed 0 for room on the line."""
        if not self._speed:
            while len(self._out) > _PENDING_ENOUGH and not self._stopping.is_set():
                self._serve(_WAKE_S)
            return
        due_s = self._started_s + t_s / self._speed
        while (left_s := due_s - self._clock.monotonic_s()) > 0 and not self._stopping.is_set():
            self._serve(min(left_s, _WAKE_S))
        if len(self._out) > _PENDING_ENOUGH:
            self._serve(0.0)

    def _pull_the_cable(self) -> None:
        """Hang up, come back under the same name, and go on once a host asks."""
        if self.polled is None:  # a host that asks gives no peace
            self._drain()
        self._wire.close()
        self._out.clear()
        self._unsent.clear()
        self._written = self._queued
        assert self._scenario.cable_out_s is not None
        out_s, back_s = self._scenario.cable_out_s
        wait_s = max(_NOTICE_S, (back_s - out_s) / self._speed if self._speed else 0.0)
        until_s = self._clock.monotonic_s() + wait_s
        while self._clock.monotonic_s() < until_s and not self._stopping.is_set():
            self._clock.sleep(_WAKE_S)
        self._wire = self._plugged()
        self._board.plug_in()
        if self.polled is not None:
            self.polled.plug_in()
        elif self._kind == "csv":
            self._wait_for_host()
        else:
            asked = self._board.asked
            while self._board.asked == asked and not self._stopping.is_set():
                self._serve(_WAKE_S)

    def _wait_for_host(self) -> None:
        """Wait until a host listens to a board that prints unasked."""
        while not self._wire.opened() and not self._stopping.is_set():
            self._serve(_WAKE_S)
        self._clock.sleep(_OPENING_S)

    def _drain(self) -> None:
        """Send what waits, and give the host time to read it as long as it reads at all."""
        quiet, last, since_s = 0, -1, self._clock.monotonic_s()
        while quiet < 3 and not self._stopping.is_set():
            self._serve(0.0 if self._out else _WAKE_S)
            left = len(self._out) + self._wire.unread()
            # the kernel hands on what it holds behind the host's buffer a moment later: look more than once
            quiet = quiet + 1 if left == 0 else 0
            now_s = self._clock.monotonic_s()
            if left != last:
                last, since_s = left, now_s
            elif left and now_s - since_s > _DRAIN_S:
                return
            elif left:
                self._clock.sleep(_WAKE_S / 4)

    def _queue(self, text: bytes, *, is_scan: bool) -> None:
        if is_scan:
            self._messages += 1
        if self._faults:
            self._send(_harmed(text, self._faults.get(self._messages - 1) if is_scan else None))
            return
        for piece in [text] if self._damage is None else self._damage.pieces(text):
            self._queued += len(piece)
            self._out += piece
        if is_scan and self._sent is not None:
            self._unsent.append((self._queued, text))

    def _send(self, parts: list[tuple[float, bytes]]) -> None:
        now_s = self._clock.monotonic_s()
        for later_s, part in parts:
            if later_s or self._later:
                # a board answers in order: what follows waits too
                after_s = self._later[-1][0] if self._later else 0.0
                self._later.append((max(now_s + later_s, after_s), part))
            else:
                self._out += part
                self._queued += len(part)

    def _serve(self, timeout_s: float) -> None:
        """Once: take what the host says, and give the line what it can take; at most `timeout_s` long."""
        while self._later and self._clock.monotonic_s() >= self._later[0][0]:
            self._out += self._later.popleft()[1]
        readable, writable = self._wire.wait(timeout_s, to_send=bool(self._out))
        if readable:
            data = self._wire.receive()
            if self.polled is not None:
                asks = self._asks
                for answer in self.polled.hear(data):
                    self._queue(answer, is_scan=self._asks > asks)
            elif self._kind == "lines" and (answers := self._board.hear(data)):
                self._queue(answers, is_scan=False)
        if writable:
            self._write()

    def _write(self) -> None:
        took = self._wire.send(bytes(self._out))
        del self._out[:took]
        self._written += took
        if self._sent is None or not self._unsent:
            return
        now = f"\t{self._clock.monotonic_s():.3f}\n"
        while self._unsent and self._unsent[0][0] <= self._written:
            self._sent.write(self._unsent.popleft()[1].decode("ascii").rstrip("\r\n") + now)
        self._sent.flush()


def main(arguments: Sequence[str] | None = None) -> int:
    """Play a scenario as the command line says; return the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m logger.simulator.terminal",
        description="Plays a simulated amplifier and its DAQ on a pseudo-terminal.",
        epilog="example: python -m logger.simulator.terminal drift --speed 60 --port-link /tmp/bench",
    )
    names = [*NAMES, CALIBRATION]
    parser.add_argument("scenario", choices=names, metavar="SCENARIO", help=", ".join(names))
    parser.add_argument("--seed", type=int, default=1, help="which amplifier, board and fault (default 1)")
    parser.add_argument(
        "--speed", type=float, default=1.0, help="recorded over wall time; 0: as fast as the line goes"
    )
    parser.add_argument("--port-link", type=Path, required=True, metavar="PATH", help="the port's name")
    parser.add_argument(
        "--link", choices=LINKS, default="lines", help="what the board speaks (default lines)"
    )
    parser.add_argument(
        "--socket",
        type=int,
        metavar="PORT",
        help="listen on this port of this machine, 0 for any; --port-link is then a file for the address",
    )
    parser.add_argument("--sent", type=Path, metavar="FILE", help="write each scan's line that went out")
    parser.add_argument(
        "--scans-per-s", type=float, metavar="N", help="scan without being told (default: wait for the host)"
    )
    parser.add_argument(
        "--minutes", type=float, metavar="N", help="play so long (default: the plan and a bit)"
    )
    parser.add_argument("--warm-up-min", type=float, default=30.0, metavar="N", help="default 30")
    parser.add_argument("--soak-min", type=float, default=120.0, metavar="N", help="default 120")
    parser.add_argument("--day", type=int, default=0, metavar="N", help="another day's mains, room and noise")
    parser.add_argument(
        "--refitted", type=int, nargs="*", default=[], metavar="PAIR", help="has other valves"
    )
    parser.add_argument(
        "--aged", nargs="*", default=[], metavar="PAIR:SHARE", help="its valves have lost this share since"
    )
    parser.add_argument("--damage", type=float, metavar="SHARE", help="harm this share of what is sent")
    parser.add_argument(
        "--with-parent", action="store_true", help="end when the process that started it ends"
    )
    options = parser.parse_args(arguments)
    try:
        played: Scenario | CalibrationBench = (
            CalibrationBench(options.seed)
            if options.scenario == CALIBRATION
            else scenario(
                options.scenario,
                options.seed,
                warm_up_min=options.warm_up_min,
                soak_min=options.soak_min,
                past=_past(options),
            )
        )
        terminal = Terminal(
            played,
            options.port_link,
            link=options.link,
            socket_port=options.socket,
            speed=options.speed,
            scans_per_s=options.scans_per_s,
            minutes=options.minutes,
            sent=options.sent,
            damage=None if options.damage is None else Damage(options.seed, options.damage),
        )
        if options.link != "lines" and options.scenario == CALIBRATION:
            raise RequestError("the calibration bench is a board of our own: leave --link away")
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: terminal.stop())
        if options.with_parent:
            threading.Thread(target=_follow, args=(terminal, os.getppid()), daemon=True).start()
        terminal.run()
    except SoakbenchError as error:
        print(f"{parser.prog}: {error}", file=sys.stderr)
        return error.exit_code
    return 0


def _past(options: argparse.Namespace) -> Past:
    aged = (one.split(":") for one in options.aged)
    return Past(
        tuple(pair - 1 for pair in options.refitted),
        tuple((int(pair) - 1, float(share)) for pair, share in aged),
        options.day,
    )


def _follow(terminal: Terminal, parent: int) -> None:
    """Stop the play when this process has been handed to another parent."""
    while os.getppid() == parent:
        SystemClock().sleep(0.5)
    terminal.stop()


if __name__ == "__main__":
    sys.exit(main())
