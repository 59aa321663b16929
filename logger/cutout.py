"""The cut-out: when the heartbeat goes to the DAQ, when it is told to open, and what is said of it.

Pure. The relay, its push button and what opens it where nothing is heard from here are the DAQ's
(`firmware_notes/protocol.md`). From here it can be kept closed and opened, never closed. A heartbeat is
ordered by `judged` alone, which is given a scan that has just been judged; there is no other way to one.

A cut-out is no certified protective device, no emergency stop and no isolating switch.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from logger.blocks import NO_READING, ScanBlock
from logger.clockwatch import Passage
from logger.finding import Finding
from logger.link.lines import Flags
from logger.precheck import Check, usual_a
from logger.setup import Setup

_OPENS_WITHIN_S: Final = 1.0
"""How long after the order it may still be closed, as the scans tell it."""
_FLOWS_FOR_S: Final = 5.0
_FLOWS_SHARE: Final = 0.3
"""Current that goes on although the cut-out is open: a share of what flowed, for so long. An idling amp
empties its reservoir in seconds; common practice, no source."""
_TELL_HT_S: Final = (5.0, 15.0, 30.0, 60.0, 120.0)

_NOT_TRIED: Final = "it was not tried yet"

Order = tuple[str, float | None]
"""A command for the DAQ and its number."""


def was_tried(checks: Sequence[Check]) -> bool:
    """Say by the checks of a soak that is gone on with whether the cut-out needs no trial any more."""
    return any(one.check == "cut-out" and one.result != "stop" and one.says != _NOT_TRIED for one in checks)


@dataclass
class Said:
    """What a look at the cut-out brought, in the order to be done.

    `orders` go to the DAQ; `marks` into the record, and are said; `says` are only said; `check` replaces the
    one before power; `call`: a person is wanted.
    """

    orders: list[Order] = field(default_factory=list)
    marks: list[str] = field(default_factory=list)
    says: list[str] = field(default_factory=list)
    check: Check | None = None
    call: bool = False


class CutOut:
    """The host's side of an armed cut-out, over one soak.

    `judged` is given each block of scans that has just been judged, all findings, the newest flags and what
    is shown now. It orders a heartbeat where the newest complete scan (pairs and HT; the pairs where there is
    no HT channel) is no older than `silence_s` and no trip waits for a word, and has the cut-out opened for a
    trip. Before power it is tried: the first time that it closes it is opened once.

    How old a scan is hangs on the DAQ's clock against the host's, at the best passage seen so far: what
    waited in a buffer while the host stood still is late by as much, and earns no heartbeat.
    """

    def __init__(self, setup: Setup, *, tried: bool = False) -> None:
        assert setup.cutout is not None
        self._setup = setup
        self._silence_s = setup.cutout.silence_s
        ht = setup.first("HT")
        self._columns = [*setup.pair_columns, *([] if ht is None else [ht])]
        self._ht = None if ht is None else setup.channel[ht].name
        self._tried = tried
        self._trying_s: float | None = None  # when it was told to open for the trial
        self._closed: bool | None = None
        self._since_s = 0.0
        self._why = ""
        self._acknowledged = False  # a person said so, and the DAQ was not told yet
        self._passage = Passage()
        self._drew_a = 2.0 * _FLOWS_SHARE * usual_a(setup) * len(setup.pairs)
        self._flows_since_s: float | None = None
        self._flow_said = False
        self._told_ht = 0
        self._opened_for: Finding | None = None
        self._flags = Flags.of(0)
        self._shown_s = -math.inf

    def connected(self) -> Said:
        """Return what to order when the DAQ answers, or answers again."""
        self._passage = Passage()
        return Said([("silence", self._silence_s)])

    def acknowledge(self) -> None:
        """Take in that a person has acknowledged what opened it: the push button may then close it again.

        While it is closed there is nothing to acknowledge, and what is yet to open it can't be.
        """
        self._acknowledged = self._closed is False

    @property
    def waits(self) -> bool:
        """Whether it stands open until a person has acknowledged why."""
        flags = self._flags
        return self._closed is False and flags.trip_cause != "none" and not flags.trip_acknowledged

    @property
    def closed(self) -> bool:
        """Whether mains is through, as the newest scan has it."""
        return self._closed is True

    def stopping(self, findings: Sequence[Finding]) -> Said:
        """Return what to order when a person ends the soak: to open, which by itself needs no other word."""
        if self._closed is not True:
            return Said()
        own_word: list[Order] = [] if any(one.trip_waits for one in findings) else [("acknowledge", None)]
        return Said([("open", None), *own_word])

    def judged(
        self,
        block: ScanBlock,
        findings: Sequence[Finding],
        flags: Flags,
        now: Callable[[], dict[str, Any]],
        arrived_s: float,
    ) -> Said:
        """Look at what was just judged; `arrived_s`: when the block came, on a clock that never runs back.

        `now` is only asked once a second, or where something changed.
        """
        said = Said()
        t_s = float(block.t_us[-1]) / 1e6
        trips = [one for one in findings if one.trip_waits]
        self._flags = flags
        if flags.cutout_closed != self._closed or not 0.0 <= t_s - self._shown_s < 1.0:
            self._shown_s = t_s
            self._follow(flags, now(), t_s, trips, said)
        if self._trying_s is not None:
            self._go_on_trying(flags, t_s, said)
            return said
        if trips:
            if not self.waits:  # told also where it is open already, so that the DAQ remembers this trip
                self._opened_for = max(trips, key=lambda one: one.raised_s)
                if self._closed is False:
                    self._why = self._opened_for.says
                said.orders.append(("open", None))
            return said
        if self._acknowledged and self._closed is False:
            self._acknowledged = False
            said.orders.append(("acknowledge", None))
            said.says.append("the trip was acknowledged: the push button may now close the cut-out")
        if self._fresh(block, arrived_s):
            said.orders.append(("beat", None))
        return said

    def shown(self) -> dict[str, Any]:
        """Return how it stands, for screens: `state`, `since_s`, `why` it opened, what to `do`."""
        state = {None: "unknown", True: "closed", False: "open"}[self._closed]
        do = ""
        if self._closed is False:
            do = "press its push button to close it"
            if not self._tried:
                do = "with the amp's own switch off, press its push button: it is then tried once"
            if self.waits:
                do = f"mend what opened it, acknowledge it, then {do}"
        return {"state": state, "since_s": self._since_s, "why": self._why, "do": do}

    def not_tried(self) -> Check:
        """Return the check before power as long as it was not tried."""
        return Check(
            "cut-out",
            "odd",
            _NOT_TRIED,
            "with the amp's own switch off press its push button: it must close, and is then opened once",
        )

    # ---- what the flags tell

    def _follow(
        self, flags: Flags, now: dict[str, Any], t_s: float, trips: Sequence[Finding], said: Said
    ) -> None:
        """Tell a change from the newest flags, and look after an open one."""
        drawn_a, ht_v = self._drawn(now)
        if flags.cutout_closed != self._closed:
            first, self._closed, self._since_s = self._closed is None, flags.cutout_closed, t_s
            self._acknowledged = False
            self._flows_since_s, self._flow_said, self._told_ht = None, False, 0
            if flags.cutout_closed:
                self._why, self._opened_for = "", None
                self._closes(now, t_s, said)
            elif self._trying_s is None:
                self._opens(flags, ht_v, first, said)
        if flags.cutout_closed:
            if drawn_a > 0:
                self._drew_a = drawn_a
        elif self._trying_s is None:
            self._watch_open(t_s, drawn_a, ht_v, said)

    def _closes(self, now: dict[str, Any], t_s: float, said: Said) -> None:
        if self._tried:
            said.marks.append("cut-out closed")
            return
        if now["on_s"] is not None:  # with HT there it is too late to try
            self._tried = True
            said.marks.append("cut-out closed, not tried: HT was there already")
            said.check = Check(
                "cut-out",
                "odd",
                "HT was there before it could be tried",
                "next time start soakbench first, with the amp's own switch off",
            )
            return
        self._trying_s = t_s

    def _go_on_trying(self, flags: Flags, t_s: float, said: Said) -> None:
        """Wait for it to open, for the trial; where it opens late, or for another cause, the order failed."""
        assert self._trying_s is not None
        took_s = t_s - self._trying_s
        if self._closed is False:
            self._trying_s = None
            if flags.trip_cause != "opened by the host" or took_s > _OPENS_WITHIN_S:
                self._opens(flags, None, False, said)
                said.check = Check(
                    "cut-out",
                    "stop",
                    f"it was told to open and opened {took_s:.1f} s later: {self._why}",
                    "look at the DAQ's lead, acknowledge this, then press its push button: it is tried again",
                )
                return
            self._tried = True
            self._why = "opened once to try it"
            said.orders.append(("acknowledge", None))
            said.marks.append("cut-out tried: it closed, and opened when it was told to")
            said.says.append("the cut-out works: press its push button again to put the mains on")
            opened = f"opened within {math.ceil(10 * took_s - 1e-6) / 10:g} s"
            said.check = Check("cut-out", "fine", f"it closed, and {opened}")
            return
        said.orders.append(("open", None))
        if took_s > _OPENS_WITHIN_S and not self._flow_said:
            self._flow_said = True
            said.call = True
            said.marks.append("cut-out tried: it did not open")
            said.check = Check(
                "cut-out",
                "stop",
                f"it was told to open and is still closed after {took_s:.0f} s",
                "pull the mains plug, then look at its relay and its wiring",
            )

    def _opens(self, flags: Flags, ht_v: float | None, first: bool, said: Said) -> None:
        self._why = self._cause(flags)
        if first and not self._why:
            return  # it has not been closed yet
        opened = "is open" if first else "opened"
        said.marks.append(f"cut-out {opened}: {self._why or 'the DAQ says no cause'}")
        if not first:
            said.call = True
            if ht_v is not None:
                said.says.append(f"HT still {ht_v:.0f} V: capacitors stay charged")

    def _cause(self, flags: Flags) -> str:
        cause = flags.trip_cause
        if cause == "none":
            return ""
        if cause == "opened by the host":
            return self._opened_for.says if self._opened_for is not None else "soakbench had it opened"
        if cause == "no heartbeat":
            return (
                f"no scan was judged for {self._silence_s:g} s (soakbench, its computer or the lead between "
                "stood still, or a pair's or HT's reading was missing)"
            )
        return {"reset": "the DAQ was reset", "push button": "its push button was pressed"}.get(
            cause, f"the DAQ says: {cause}"
        )

    def _watch_open(self, t_s: float, drawn_a: float, ht_v: float | None, said: Said) -> None:
        """Look after an open cut-out: HT as it falls, and current that flows although it should not."""
        open_s = t_s - self._since_s
        while self._told_ht < len(_TELL_HT_S) and open_s >= _TELL_HT_S[self._told_ht]:
            self._told_ht += 1
            if self._why and ht_v is not None:
                said.says.append(
                    f"{_TELL_HT_S[self._told_ht - 1]:.0f} s after the cut-out opened HT reads {ht_v:.0f} V; "
                    "a reading of zero proves nothing"
                )
        if drawn_a <= _FLOWS_SHARE * self._drew_a:
            self._flows_since_s = None
            return
        since_s = self._flows_since_s = t_s if self._flows_since_s is None else self._flows_since_s
        if t_s - since_s >= _FLOWS_FOR_S and not self._flow_said:
            self._flow_said = True
            said.call = True
            said.marks.append(
                f"cut-out is open and the pairs still draw {1000 * drawn_a:.0f} mA: pull the mains plug; "
                "its contacts stick, or the amp is not behind it"
            )

    def _drawn(self, now: dict[str, Any]) -> tuple[float, float | None]:
        """Return what all pairs draw together in A, and HT in V, as shown now."""
        channels = now["channels"]
        values = [(channels.get(pair.name) or {}).get("value") for pair in self._setup.pairs]
        ht_v = None if self._ht is None else (channels.get(self._ht) or {}).get("value")
        return sum(value for value in values if value is not None), ht_v

    # ---- whether a scan is complete and fresh

    def _fresh(self, block: ScanBlock, arrived_s: float) -> bool:
        complete = (block.counts[:, self._columns] != NO_READING).all(axis=1).nonzero()[0]
        newest_s = float(block.t_us[-1]) / 1e6
        late_s = self._passage.late_s(newest_s, arrived_s)
        if not len(complete):
            return False
        age_s = late_s + newest_s - float(block.t_us[complete[-1]]) / 1e6
        return age_s <= self._silence_s
