"""What the board keeps: its settings, which a person may edit, and what the cut-out has to remember.

Both are written to a second file that then takes the first one's name: after a power cut there is the old
one or the new one, never half of each.
"""

import errno
import json
import os

from line import crc

FILE = "settings.json"
MEMORY = "cutout.txt"
DEFAULTS = {
    "board_id": "",  # empty: made from the microcontroller's own number
    "channels": [
        {"pin": [0, 1], "full_scale_mV": 256},
        {"pin": [2, 3], "full_scale_mV": 256},
        {"pin": [4, 5], "full_scale_mV": 256},
        {"pin": [6, 7], "full_scale_mV": 256},
        {"pin": 8, "full_scale_mV": 4096},
        {"pin": 9, "full_scale_mV": 4096},
        {"pin": 10, "full_scale_mV": 4096},
        {"pin": 11, "full_scale_mV": 4096},
    ],
    "sda_pin": 4,
    "scl_pin": 5,
    "relay_pin": 15,
    "button_pin": 14,
    "light_pin": 25,
}
RANGES_MV = (256, 512, 1024, 2048, 4096, 6144)
PAIRS = ((0, 1), (0, 3), (1, 3), (2, 3))  # what the converter can read differentially
PINS = 16  # four converters with four inputs each
_PIN_NAMES = ("sda_pin", "scl_pin", "relay_pin", "button_pin", "light_pin")


def load():
    """The settings, and whether their file was damaged; where there is none the defaults are written."""
    try:
        with open(FILE) as file:
            found = json.loads(file.read())
    except OSError as error:
        return DEFAULTS, error.errno != errno.ENOENT or not _written_defaults()
    except ValueError:  # no JSON, or no UTF-8
        return DEFAULTS, True
    return (found, False) if good(found) else (DEFAULTS, True)


def _written_defaults():
    try:
        _replace(FILE, as_text(DEFAULTS))
    except OSError:
        return False
    return True


def as_text(settings):
    """JSON with a channel a line, for people."""
    rows = ",\n".join([f"  {json.dumps(channel)}" for channel in settings["channels"]])
    rest = ",\n".join([f' "{name}": {json.dumps(settings[name])}' for name in ("board_id",) + _PIN_NAMES])
    return '{\n "channels": [\n%s\n ],\n%s\n}\n' % (rows, rest)


def good(found):
    """Whether these are settings that the firmware can work with."""
    if not isinstance(found, dict) or set(found) != set(DEFAULTS):
        return False
    name, channels = found["board_id"], found["channels"]
    if not isinstance(name, str) or len(name) > 32 or not _allowed(name):
        return False
    numbers = [found[key] for key in _PIN_NAMES]
    if not all([_whole(n, 48) for n in numbers]) or len(set(numbers)) != len(numbers):
        return False
    return isinstance(channels, list) and 1 <= len(channels) <= PINS and all([_channel(c) for c in channels])


def _allowed(name):
    return all([c.isalpha() or c.isdigit() or c in "._-" for c in name]) and len(name.encode()) == len(name)


def _whole(n, below):
    return isinstance(n, int) and not isinstance(n, bool) and 0 <= n < below


def _channel(channel):
    if not isinstance(channel, dict) or set(channel) != {"pin", "full_scale_mV"}:
        return False
    pin = channel["pin"]
    if isinstance(pin, list):
        if len(pin) != 2 or not all([_whole(p, PINS) for p in pin]) or pin[0] // 4 != pin[1] // 4:
            return False
        if (pin[0] % 4, pin[1] % 4) not in PAIRS:
            return False
    elif not _whole(pin, PINS):
        return False
    return channel["full_scale_mV"] in RANGES_MV


def recall():
    """What the cut-out is to remember: None on a new board, "" where it can't be read."""
    try:
        with open(MEMORY) as file:
            text = file.read()
    except OSError as error:
        return None if error.errno == errno.ENOENT else ""
    except ValueError:  # no UTF-8
        return ""
    body = text[:-6]
    return body if text[-6:] == ",%04X\n" % crc(body.encode()) else ""


def remember(text):
    """Keep what the cut-out is to remember; OSError where the flash takes nothing."""
    _replace(MEMORY, text + ",%04X\n" % crc(text.encode()))


def _replace(name, text):
    with open(name + ".new", "w") as file:
        file.write(text)
    os.rename(name + ".new", name)
