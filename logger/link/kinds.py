"""The kinds of link: from a set-up to what reads its device."""

from __future__ import annotations

from logger.clock import Clock, SystemClock
from logger.errors import RequestError
from logger.link.line_talk import GATHER_S, Lines
from logger.link.port import PortLink, SerialLink, meet
from logger.link.talk import Kind
from logger.link.wire import Line
from logger.setup import CsvLink, LinesLink, ModbusLink, ScpiLink, Setup


def open_link(
    setup: Setup,
    *,
    port: str | None = None,
    clock: Clock | None = None,
    speed: float = 1.0,
    wait: bool = False,
) -> PortLink:
    """Return the link that a set-up names, not started yet; `port` in place of the set-up's.

    A link of kind `lines` is a `SerialLink`: the only one whose device takes commands. `speed` is how much
    faster than the host's clock recorded time runs, 0 for as fast as it goes.
    """
    link, clock = setup.link, clock or SystemClock()
    if isinstance(link, LinesLink):
        return SerialLink(
            port or link.port,
            channels=len(setup.channel),
            scans_per_s=link.scans_per_s,
            line=_line(setup),
            board=link.board,
            clock=clock,
            speed=speed,
            gather_s=GATHER_S if speed == 1.0 and link.scans_per_s >= 10.0 else 0.0,
            wait=wait,
        )
    kind = _kind(setup, clock, speed)
    return PortLink(kind, port or link.port, line=_line(setup), board=link.board, clock=clock, wait=wait)


def listen(setup: Setup, port: str | None = None) -> str:
    """Ask the set-up's port who is there and say it, in a sentence; `LinkError` where nobody is."""
    path = port or setup.link.port
    if path == "auto":
        raise RequestError(
            'name the port in the set-up to listen on it: with "auto" each port would be asked'
        )
    kind = _kind(setup, SystemClock(), 1.0)
    daq = meet(kind, path, _line(setup))
    return kind.says or f"the device {daq.board_id} answers on {path}"


def _line(setup: Setup) -> Line:
    return Line(setup.link.baud, setup.link.parity, setup.link.stop_bits)


def _kind(setup: Setup, clock: Clock, speed: float) -> Kind:
    # each brings what it needs: nobody with a bench meter waits for the Modbus library
    match setup.link:
        case LinesLink():
            return Lines(len(setup.channel), setup.link.scans_per_s, clock, speed or 1.0)
        case CsvLink():
            from logger.link.csv_talk import Csv

            return Csv(setup, clock, speed)
        case ModbusLink():
            from logger.link.modbus import Modbus

            return Modbus(setup, _line(setup), clock, speed)
        case ScpiLink():
            from logger.link.scpi import Scpi

            return Scpi(setup, clock, speed)
        case _:
            raise RequestError('a set-up of kind "simulator" has no device: it is there to judge logs by')
