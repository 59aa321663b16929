"""All that touches the microcontroller; the other files run on a host too, over host/hardware.py.

The relay's pin is high to close the cut-out. After a reset it is an input with a pull-down, and without
supply it is nothing: the relay's driver must be off then.
"""

import _thread
import select
import sys
import time

import machine
import micropython

MS_AT_RESET = 0
I2C_HZ = 400000
I2C_TIMEOUT_US = 2000  # a dead bus costs so long for each try

ticks_ms = time.ticks_ms
ticks_us = time.ticks_us
ticks_add = time.ticks_add
ticks_diff = time.ticks_diff
reset = machine.reset

_pins = {}
_bus = [None, 0, 0]  # I2C, SDA, SCL
_word = bytearray(2)
_one = bytearray(1)
_watchdog = []
_readable = select.poll()
_writable = select.poll()


def begin(kept):
    """Take the pins, relay open first; from here on Ctrl-C from a host is a byte like others."""
    _pins["relay"] = machine.Pin(kept["relay_pin"], machine.Pin.OUT, value=0)
    _pins["button"] = machine.Pin(kept["button_pin"], machine.Pin.IN, machine.Pin.PULL_UP)
    _pins["light"] = machine.Pin(kept["light_pin"], machine.Pin.OUT, value=0)
    time.sleep_ms(2)  # the pull-up has to charge the lead to the button
    if button():
        return
    _bus[1], _bus[2] = kept["sda_pin"], kept["scl_pin"]
    _open_bus()
    micropython.kbd_intr(-1)
    _readable.register(sys.stdin, select.POLLIN)
    _writable.register(sys.stdout, select.POLLOUT)


def _open_bus():
    sda, scl = machine.Pin(_bus[1]), machine.Pin(_bus[2])
    _bus[0] = machine.I2C(_bus[1] // 2 % 2, sda=sda, scl=scl, freq=I2C_HZ, timeout=I2C_TIMEOUT_US)


def free_bus():
    """Clock out a converter that was reset in the midst of a transfer and holds the data line."""
    scl = machine.Pin(_bus[2], machine.Pin.OPEN_DRAIN, value=1)
    for _ in range(9):
        scl.value(0)
        time.sleep_us(5)
        scl.value(1)
        time.sleep_us(5)
    _open_bus()


def read_register(address, register):
    """A converter's 16-bit register; OSError where nothing answers."""
    _bus[0].readfrom_mem_into(address, register, _word)
    return _word[0] << 8 | _word[1]


def write_register(address, register, value):
    """Write a converter's 16-bit register; OSError where nothing answers."""
    _word[0] = value >> 8
    _word[1] = value & 0xFF
    _bus[0].writeto_mem(address, register, _word)


def relay(on):
    """Drive the relay: on closes the cut-out."""
    _pins["relay"].value(on)


def button():
    """Whether the push button connects its pin to ground."""
    return _pins["button"].value() == 0


def light(on):
    """Drive the light."""
    _pins["light"].value(on)


def _ready(poller):
    for _ in poller.ipoll(0):  # poll would make a list each time
        return True
    return False


def usb_read(buffer):
    """Read what has come into `buffer`, without waiting; return how many bytes."""
    length = 0
    while length < len(buffer) and _ready(_readable):
        sys.stdin.buffer.readinto(_one)
        buffer[length] = _one[0]
        length += 1
    return length


def usb_write(buffer, start, end):
    """Write what the USB buffer has room for, up to 32 bytes; return how many.

    Byte by byte: a longer write waits for room, up to half a second where the host does not read.
    """
    sent = 0
    while start + sent < end and sent < 32 and _ready(_writable):
        _one[0] = buffer[start + sent]
        sys.stdout.buffer.write(_one)
        sent += 1
    return sent


def start_watchdog(after_ms):
    """From here on the microcontroller is reset unless `feed_watchdog` is called in time."""
    _watchdog.append(machine.WDT(timeout=after_ms))


def feed_watchdog():
    """Put the reset off."""
    if _watchdog:
        _watchdog[0].feed()


def second_core(step, every_ms):
    """Call `step` on the second core for ever."""

    def rounds():
        while True:
            step()
            time.sleep_ms(every_ms)

    _thread.start_new_thread(rounds, ())


def wait_us(length_us):
    """Wait, for less than a millisecond."""
    time.sleep_us(length_us)


def idle():
    """Nothing to save here: a core that waits would be late for a conversion."""


def reset_cause():
    """Why the board was reset, in protocol.md's words. A reset by software looks like the watchdog's."""
    if machine.reset_cause() == machine.PWRON_RESET:
        return "power-on"
    return "watchdog" if machine.reset_cause() == machine.WDT_RESET else "unknown"


def unique_id():
    """The microcontroller's own number, in hex."""
    return "".join([f"{byte:02x}" for byte in machine.unique_id()])
