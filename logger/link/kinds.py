"""The kinds of link: from a set-up to what reads its device."""

from __future__ import annotations

from logger.clock import Clock
from logger.errors import RequestError
from logger.link.port import PortLink, SerialLink
from logger.link.wire import Line
from logger.setup import Setup


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
    link = setup.link
    if link.kind != "lines":
        raise RequestError(f'link kind "{link.kind}" isn\'t fitted in this version: use "lines"')
    return SerialLink(
        port or link.port,
        channels=len(setup.channel),
        scans_per_s=link.scans_per_s,
        line=Line(link.baud),
        board=link.board,
        clock=clock,
        speed=speed,
        wait=wait,
    )
