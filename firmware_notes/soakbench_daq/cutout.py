"""The cut-out: when it may close, when it opens, and the guard on the second core. Pure.

Nothing that a host sends closes it. A press of the push button does, while heartbeats are fresh, and after
a trip only once the host has said that a person acknowledged it. It never closes by itself.
Times are ticks that wrap; `diff(later, earlier)` says how far apart two are.
"""

NONE, HOST, NO_BEAT, RESET, WATCHDOG, BUTTON = range(6)  # why it last opened, as protocol.md numbers it

SILENCE_MS = 1500
DEBOUNCE_MS = 30  # common practice, no source
STALL_MS = 300
"""A core that has not gone round for so long is held to hang."""
GUARD_MS = 5
WATCHDOG_MS = 1000


class Button:
    """Turns a bouncing contact into presses. One that is held from the start is no press."""

    def __init__(self, diff, now, down):
        self._diff = diff
        self._raw = self.pressed = down
        self._since = now

    def turn(self, now, down):
        """Take the contact as it is now; True once for each new press."""
        if down != self._raw:
            self._raw = down
            self._since = now
        elif down != self.pressed and self._diff(now, self._since) >= DEBOUNCE_MS:
            self.pressed = down
            return down
        return False


class CutOut:
    """Open or closed, and why.

    `memory` is what the board remembers of it from before the reset: None on a new board, "" where that can't
    be read. `by_itself`: the firmware reset the board, or its watchdog did.
    """

    def __init__(self, diff, now, memory, by_itself, down=False):
        self._diff = diff
        self._button = Button(diff, now, down)
        self._beat_at = now
        self._fresh = False
        self.silence_ms = SILENCE_MS
        self.closed = False
        self.cause = NONE
        self.acknowledged = False
        if memory is not None:
            fields = memory.split(" ")
            if fields[0] == "open" and len(fields) == 3 and fields[1] in "012345" and fields[2] in "01":
                self.cause = int(fields[1])
                self.acknowledged = fields[2] == "1"
            else:  # it was closed when the board was reset, or nobody knows
                self.cause = WATCHDOG if memory == "closed" and by_itself else RESET

    def memory(self):
        """What to remember over a reset."""
        return "closed" if self.closed else f"open {self.cause} {int(self.acknowledged)}"

    @property
    def beat_at(self):
        """When the last heartbeat came."""
        return self._beat_at

    @property
    def pressed(self):
        """Whether the push button is down, bounces apart."""
        return self._button.pressed

    @property
    def may_close(self):
        """Whether a press closes it."""
        return not self.closed and self._fresh and (self.cause == NONE or self.acknowledged)

    @property
    def flags(self):
        """Its bits of a scan's flags."""
        return self.closed | self.pressed << 1 | self.acknowledged << 3 | self.cause << 4

    def beat(self, now):
        """A heartbeat has come."""
        self._beat_at = now
        self._fresh = True

    def trip(self, cause):
        """Open, and stay so until a person has acknowledged it."""
        self.closed = False
        self.cause = cause
        self.acknowledged = False

    def open_by_host(self):
        """The host wants it open. Where it is open already, the trip that stands keeps its cause."""
        if self.closed or self.acknowledged or self.cause == NONE:
            self.trip(HOST)

    def acknowledge(self):
        """A person has acknowledged the last trip. A trip that is yet to come can't be acknowledged."""
        if not self.closed:
            self.acknowledged = True

    def turn(self, now, down):
        """Once round the main loop."""
        if self._fresh and self._diff(now, self._beat_at) >= self.silence_ms:
            self._fresh = False
        press = self._button.turn(now, down)
        if self.closed:
            if not self._fresh:
                self.trip(NO_BEAT)
            elif press:
                self.trip(BUTTON)
        elif press and self.may_close:
            self.closed = True
            self.acknowledged = False


class Pulse:
    """Whether the other core still goes round.

    Only time that this one itself saw pass counts: what stops both, a write to flash, is no hang.
    """

    def __init__(self, diff, now, beat):
        self._diff = diff
        self._last = now
        self._seen = beat
        self._still_ms = 0

    def gone(self, now, beat):
        """Take what the other core changes each time round; True once it has stood still for STALL_MS."""
        passed = self._diff(now, self._last)
        self._last = now
        if beat != self._seen:
            self._seen = beat
            self._still_ms = 0
        else:
            self._still_ms += min(passed, 4 * GUARD_MS)
        return self._still_ms > STALL_MS


class Guard:
    """Has the last word on the relay, on the second core, and makes nothing that needs memory.

    It opens the relay when the main loop hangs or the heartbeats stop, and feeds the hardware watchdog only
    while the main loop goes round: a hang of either core ends in a reset, and a reset opens the relay.
    The main loop writes `wanted`, `turn_at`, `beat_at`, `silence_ms`; the guard `alive_at` and `dropped`.
    """

    def __init__(self, ticks, diff, relay, feed):
        self._ticks = ticks
        self._diff = diff
        self._relay = relay
        self._feed = feed
        self.wanted = False
        now = ticks()
        self.turn_at = self.beat_at = self.alive_at = now
        self._pulse = Pulse(diff, now, now)
        self.silence_ms = SILENCE_MS
        self.dropped = NONE

    def step(self):
        """Every few milliseconds, on the second core."""
        now = self._ticks()
        hangs = self._pulse.gone(now, self.turn_at)
        if self.wanted and self.dropped == NONE:
            if hangs:
                self.dropped = WATCHDOG
            elif self._diff(now, self.beat_at) >= self.silence_ms:
                self.dropped = NO_BEAT
        self._relay(self.wanted and self.dropped == NONE)
        if not hangs:
            self._feed()
        self.alive_at = now
