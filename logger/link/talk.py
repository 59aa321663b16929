"""What a kind of link brings: how it talks on an opened wire. The port's thread leads, and asks for no more.

A `Kind` lives as long as its link and keeps what outlives one opened port: the time of the last scan, what
was learnt of the device. A `Talk` is one conversation, on one wire.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Iterator
from typing import Protocol

from logger.blocks import DaqInfo, ScanBlock
from logger.link.frames import Cause
from logger.link.lines import End
from logger.link.wire import Wire

Heard = ScanBlock | DaqInfo | End
"""What comes of listening: scans in order of time, who answers (again, unasked), or that it is over."""


class Talk(Protocol):
    """One conversation on one wire, by the port's thread alone."""

    wire: Wire

    @property
    def rejected(self) -> Counter[Cause]:
        """What this conversation has rejected so far, by cause."""
        ...

    def meet(self, stop: threading.Event) -> DaqInfo:
        """Find out who is there. Raises NotThere where nothing answers, Stranger where something else does,
        and LinkError where there is no going on."""
        ...

    def begin(self, stop: threading.Event) -> None:
        """Have the scans begin, or go on where the device had been gone."""
        ...

    def hear(self, stop: threading.Event) -> Iterator[Heard]:
        """Give what one look at the wire brings, after about a read timeout at the latest."""
        ...

    def hush(self) -> None:
        """Say good-bye: the link is being closed."""
        ...


class Kind(Protocol):
    """One kind of link as one set-up wants it."""

    channels: int
    says: str
    """What was found out of the device, for a person; empty where there was nothing to find."""

    @property
    def rejected(self) -> Counter[Cause]:
        """What was rejected whatever the conversation, by cause (scans that came twice or too late)."""
        ...

    def talk(self, wire: Wire, *, again: bool, patience_s: float) -> Talk:
        """Begin a conversation; `again` where this link has had one before. `patience_s`: how long a device
        may take to answer at first."""
        ...
