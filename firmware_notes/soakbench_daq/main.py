"""The bench DAQ: puts the parts together and goes round the main loop. Starts by itself after a reset."""

import sys

import hardware
import settings
from cutout import GUARD_MS, NONE, WATCHDOG, WATCHDOG_MS, CutOut, Guard, Pulse
from line import Listener, Output, banner, decimal, line, scan_steps
from scan import Scanner, scales

REMEMBER_MS = 50  # the guard has opened the relay before flash is written, which holds up both cores
BUTTON_PRESSED, CONVERTER_FAULT = 2, 4  # flags


class Daq:
    """The board: what the host says, the scans, and the main loop's side of the cut-out."""

    def __init__(self, kept, damaged):
        now = hardware.ticks_ms()
        memory = settings.recall()
        self.damaged = damaged  # the channels may be others than those wired: no counts then
        self.scanner = Scanner(hardware, kept["channels"])
        self.cutout = CutOut(
            hardware.ticks_diff,
            now,
            memory,
            hardware.reset_cause() in ("watchdog", "software"),
            hardware.button(),
        )
        self.guard = Guard(hardware.ticks_ms, hardware.ticks_diff, hardware.relay, hardware.feed_watchdog)
        self.guard_pulse = Pulse(hardware.ticks_diff, now, self.guard.alive_at)
        self.listener = Listener()
        self.output = Output(hardware.usb_write)
        self.inbox = bytearray(64)
        self.writing = None
        self.ms = hardware.MS_AT_RESET
        self.ticks = now
        self.silent = len(kept["channels"]) * [None]
        self.state = self.cutout.flags & ~BUTTON_PRESSED
        self.changed_at = now
        self.unsaved = memory != self.cutout.memory()
        board_id = kept["board_id"] or "soakbench-" + hardware.unique_id()
        self.banner = banner(board_id, hardware.reset_cause(), scales(kept["channels"]))
        self.output.offer(self.banner)

    def turn(self):
        """Once round: nothing in here waits for the host, or for long for a converter."""
        now = hardware.ticks_ms()
        self.guard.turn_at = now
        self.ms = (self.ms + hardware.ticks_diff(now, self.ticks)) & 0xFFFFFFFF
        self.ticks = now
        length = hardware.usb_read(self.inbox)
        if length:
            for command in self.listener.hear(self.inbox, length):
                self.obey(command, now)
        self.mind_cutout(now)
        scan = self.scanner.turn()
        if scan and not self.writing:
            sequence, counts, fault = scan
            flags = self.cutout.flags | (CONVERTER_FAULT if fault or self.damaged else 0)
            self.writing = scan_steps(sequence, self.ms, self.silent if self.damaged else counts, flags)
        elif self.writing:
            text = next(self.writing)
            if text:
                self.output.offer(text)
                self.writing = None
        self.output.turn()

    def obey(self, command, now):
        """Do what the host says, and answer."""
        name, value, refused = command
        if refused:
            answer = line(f"N,{name},{refused}")
        elif name == "who":
            answer = self.banner
        elif name == "beat":
            self.cutout.beat(now)
            return
        elif name == "rate":
            self.scanner.set_rate(value)
            answer = line(f"A,rate,{decimal(value)}")
        elif name == "silence":
            self.cutout.silence_ms = value
            answer = line(f"A,silence,{decimal(value)}")
        else:
            if name == "open":
                self.cutout.open_by_host()
            else:
                self.cutout.acknowledge()
            answer = line(f"A,{name},-")
        self.output.offer(answer)

    def mind_cutout(self, now):
        """Let the cut-out and the guard agree; either may open it, and only a press closes it."""
        cutout, guard = self.cutout, self.guard
        was_closed = cutout.closed
        if guard.dropped != NONE:
            cutout.trip(guard.dropped)
            guard.wanted = False
            guard.dropped = NONE
        if self.guard_pulse.gone(now, guard.alive_at):
            hardware.relay(False)  # nobody else does; the watchdog will end this
            if cutout.closed:
                cutout.trip(WATCHDOG)
        cutout.turn(now, hardware.button())
        guard.beat_at, guard.silence_ms = cutout.beat_at, cutout.silence_ms
        if not cutout.closed:
            guard.wanted = False
        elif not was_closed:
            self.close()
        state = cutout.flags & ~BUTTON_PRESSED
        if state != self.state:
            self.state, self.changed_at, self.unsaved = state, now, True
        elif self.unsaved and hardware.ticks_diff(now, self.changed_at) >= REMEMBER_MS:
            self.keep()
        hardware.light(self.lit(now))

    def close(self):
        """Close it, once the board knows that it did: a power cut from here on is a trip."""
        if self.keep():
            self.state = self.cutout.flags & ~BUTTON_PRESSED
            self.guard.wanted = True
        else:  # a trip would be forgotten
            self.cutout.trip(WATCHDOG)

    def keep(self):
        """Write down how the cut-out stands; False where flash takes nothing: then no press closes it."""
        self.unsaved = False
        try:
            settings.remember(self.cutout.memory())
        except OSError:
            return False
        return True

    def lit(self, now):
        """Steady: closed. Slow blinking: a press would close it. Fast: a fault. A short flash: it runs."""
        if self.cutout.closed:
            return True
        if self.damaged or self.scanner.fault:
            return now & 128 != 0
        return now & 512 != 0 if self.cutout.may_close else now & 1984 == 0


def run():
    """Set up and go round for ever; returns at once where the push button is held, for work on the files."""
    kept, damaged = settings.load()
    hardware.begin(kept)
    if hardware.button():
        hardware.light(True)
        return
    daq = Daq(kept, damaged)
    hardware.second_core(daq.guard.step, GUARD_MS)
    hardware.start_watchdog(WATCHDOG_MS)
    try:
        while True:
            daq.turn()
            hardware.idle()
    except Exception as error:  # whatever it is, the relay opens
        daq.guard.wanted = False
        hardware.relay(False)
        with open("fault.txt", "w") as file:
            sys.print_exception(error, file)
        hardware.reset()


if __name__ == "__main__":
    run()
