"""The board's double: the other files of the firmware run over it, unchanged, under MicroPython's Unix port.

`start.py` gives it a terminal for USB, a pipe of orders and a file of events, in real time. `lockstep.py`
moves the clock by hand: time passes in `idle` and with each transfer over the I2C bus.

Orders, one a line: `volts PIN DC [HZ PEAK]`, `converter NUMBER good|dead|stuck|reset`, `button down|up`,
`hang main|guard|both`, `go on`, `reset CAUSE`; each is answered in the events by `did NUMBER`, counted from
1. On simulated time also `say LINE`, `room BYTES` and `fault`.
Events, one a line, begin with microseconds of CLOCK_MONOTONIC.
"""

import math
import os
import sys
import time

MS_AT_RESET = 0
PERIOD = 1 << 30  # ticks wrap as on the board
FULL_SCALE_V = (6.144, 4.096, 2.048, 1.024, 0.512, 0.256, 0.256, 0.256)  # SBAS444, config bits 11:9
MUX = ((0, 1), (0, 3), (1, 3), (2, 3), (0, None), (1, None), (2, None), (3, None))  # bits 14:12
CONVERSION_US = 1163  # 1/860 s
TRANSFER_US = 150  # over the I2C bus; estimated


class Reset(BaseException):
    """The simulated board was reset."""


class Ads1115:
    """One converter, as SBAS444 has it: a conversion takes its time, a reset forgets the configuration."""

    def __init__(self, number):
        self.number = number
        self.dead = False
        self.stuck = False  # no conversion ends
        self.reset()

    def reset(self):
        self.registers = [0, 0x8583, 0x8000, 0x7FFF]  # SBAS444: reset values
        self.ready_us = None

    def read(self, register):
        self._finish()
        value = self.registers[register]
        return value & 0x7FFF if register == 1 and self.ready_us is not None else value

    def write(self, register, value):
        self._finish()
        self.registers[register] = value | 0x8000 if register == 1 else value
        if register == 1 and value & 0x8000:
            self.ready_us = world.now_us() + CONVERSION_US

    def _finish(self):
        if self.ready_us is None or self.stuck or world.now_us() < self.ready_us:
            return
        config = self.registers[1]
        plus, minus = MUX[config >> 12 & 7]
        middle_us = self.ready_us - CONVERSION_US // 2
        volts = world.volts_at(4 * self.number + plus, middle_us)
        if minus is not None:
            volts -= world.volts_at(4 * self.number + minus, middle_us)
        count = math.floor(volts * 32768 / FULL_SCALE_V[config >> 9 & 7] + 0.5)
        self.registers[0] = max(-32768, min(32767, count)) & 0xFFFF
        self.ready_us = None


class World:
    """What is around the board."""

    def __init__(self):
        self.volts = [(0.0, 0.0, 0.0)] * 16  # of each pin: DC, Hz, peak
        self.converters = [Ads1115(number) for number in range(4)]
        self.down = False
        self.hung = ()
        self.relay = False
        self.lit = False
        self.cause = "power-on"
        self.board_id = "double"
        self.clock_us = None  # None: real time
        self.offset_us = 0
        self.events = None
        self.step = None  # what the second core does, where the clock is moved by hand
        self.step_us = 0
        self.every_us = 0
        self.fed_us = None
        self.watchdog_us = 0
        self.inbox = bytearray()
        self.outbox = bytearray()
        self.room = 1 << 30
        self.gone = False
        self.fault = False
        self.history = []
        self.script = []  # what happens when on simulated time: [us, order], in order
        self.turn_us = 500

    def now_us(self):
        return (time.ticks_us() if self.clock_us is None else self.clock_us) + self.offset_us

    def volts_at(self, pin, at_us):
        """Volts on a pin, as a conversion around `at_us` sees them: it is a mean over its own length."""
        dc, hz, peak = self.volts[pin]
        if not peak:
            return dc
        half = math.pi * hz * CONVERSION_US / 1e6
        return dc + peak * math.sin(2 * math.pi * hz * at_us / 1e6) * math.sin(half) / half

    def event(self, text):
        if self.events is not None:
            self.events.write(f"{time.ticks_us()} {text}\n")
            self.events.flush()

    def pass_us(self, length_us):
        """Let simulated time pass, with the second core and the watchdog."""
        end_us = self.clock_us + length_us
        while self.script and self.script[0][0] <= end_us:
            at_us, order = self.script.pop(0)
            self.clock_us = max(self.clock_us, at_us)
            self.obey(order)
        while self.step and self.step_us <= end_us:
            self.clock_us = self.step_us
            self.step_us += self.every_us
            if "guard" not in self.hung:
                self.step()
            if self.clock_us - self.fed_us > self.watchdog_us:
                self.drop("watchdog")
                raise Reset("watchdog")
        self.clock_us = end_us

    def drop(self, cause):
        """A reset: every pin lets go, and what hung goes on."""
        self.hung = ()
        self.step = None
        if self.relay:
            relay(False)
        self.event(f"reset {cause}")
        self.cause = cause

    def obey(self, order):
        """Do what a test says."""
        words = order.split()
        if words[0] == "volts":
            numbers = [float(word) for word in words[2:]]
            self.volts[int(words[1])] = tuple(numbers) if len(numbers) == 3 else (numbers[0], 0.0, 0.0)
        elif words[0] == "converter":
            converter = self.converters[int(words[1])]
            converter.dead = words[2] == "dead"
            converter.stuck = words[2] == "stuck"
            if words[2] != "good":
                converter.reset()
        elif words[0] == "button":
            self.down = words[1] == "down"
        elif words[0] == "hang":
            self.hung = ("main", "guard") if words[1] == "both" else (words[1],)
        elif order == "go on":
            self.hung = ()
        elif words[0] == "reset":
            if self.clock_us is None:
                die(words[1])
            self.drop(words[1])
            raise Reset(words[1])
        elif words[0] == "say":
            self.inbox.extend(order[4:].encode() + b"\n")
        elif words[0] == "fault":  # of the firmware: any error that nothing expects
            self.fault = True
        elif words[0] == "room":  # so many bytes the host takes from now on
            self.room = int(words[1])
        else:
            raise ValueError(order)


world = World()


def die(cause):
    """End this process as a reset would end everything: at once."""
    world.gone = True
    world.drop(cause)
    os.system("kill -9 $PPID")
    while True:
        time.sleep(1)


def mind(orders):
    """Read orders for ever, in a thread of its own."""
    number = 0
    while True:
        order = orders.readline()
        if not order:
            return
        world.obey(order.decode().strip())
        number += 1
        world.event(f"did {number}")


def watch():
    """The hardware watchdog, in its own thread; a host that is busy with others is no reason to reset."""
    seen_us, still_us = None, 0
    while True:
        time.sleep_ms(5)
        still_us = still_us + 5000 if world.fed_us == seen_us else 0
        seen_us = world.fed_us
        if world.watchdog_us and still_us > world.watchdog_us:
            die("watchdog")


# From here on what hardware.py has.


def begin(kept):
    relay(False)


def ticks_us():
    return world.now_us() & (PERIOD - 1)


def ticks_ms():
    return world.now_us() // 1000 & (PERIOD - 1)


def ticks_add(ticks, delta):
    return (ticks + delta) & (PERIOD - 1)


def ticks_diff(later, earlier):
    return ((later - earlier + PERIOD // 2) & (PERIOD - 1)) - PERIOD // 2


def free_bus():
    pass


def _converter(address):
    if world.clock_us is not None:
        world.clock_us += TRANSFER_US
    converter = world.converters[address - 0x48]
    if converter.dead:
        raise OSError(5)
    return converter


def read_register(address, register):
    return _converter(address).read(register)


def write_register(address, register, value):
    _converter(address).write(register, value)


def relay(on):
    on = bool(on) and not world.gone
    if on != world.relay:
        world.relay = on
        world.event(f"relay {int(world.relay)}")
        if world.clock_us is not None:
            world.history.append((world.clock_us, world.relay))


def button():
    return world.down


def light(on):
    world.lit = bool(on)


def usb_read(buffer):
    if world.clock_us is None:
        return sys.stdin.buffer.readinto(buffer) or 0
    if world.fault:
        world.fault = False
        raise RuntimeError("a fault of the firmware")
    length = min(len(buffer), len(world.inbox))
    buffer[:length] = world.inbox[:length]
    world.inbox = world.inbox[length:]
    return length


def usb_write(buffer, start, end):
    if world.clock_us is None:
        return sys.stdout.buffer.write(memoryview(buffer)[start:end]) or 0
    length = min(end - start, world.room)
    world.outbox.extend(memoryview(buffer)[start : start + length])
    world.room -= length
    return length


def start_watchdog(after_ms):
    world.fed_us = time.ticks_us() if world.clock_us is None else world.clock_us
    world.watchdog_us = after_ms * 1000


def feed_watchdog():
    world.fed_us = time.ticks_us() if world.clock_us is None else world.clock_us


def second_core(step, every_ms):
    if world.clock_us is not None:
        world.step, world.step_us, world.every_us = step, world.clock_us, every_ms * 1000
        return
    import _thread

    def rounds():
        while True:
            if "guard" not in world.hung:
                step()
            time.sleep_ms(every_ms)

    _thread.start_new_thread(rounds, ())


def wait_us(length_us):
    if world.clock_us is None:
        time.sleep_us(length_us)
    else:
        world.clock_us += length_us


def idle():
    if world.clock_us is None:
        time.sleep_ms(1)
        while "main" in world.hung:
            time.sleep_ms(1)
        return
    world.pass_us(world.turn_us)
    while "main" in world.hung:
        world.pass_us(1000)


def reset():
    if world.clock_us is None:
        die("software")
    world.drop("software")
    raise Reset("software")


def reset_cause():
    return world.cause


def unique_id():
    return world.board_id
