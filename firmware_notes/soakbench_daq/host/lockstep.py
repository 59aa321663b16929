"""Play a script on simulated time: micropython host/lockstep.py < script.json > outcome.json.

The script: `ends_ms`, `orders` as [ms, order] in order (see hardware.py), and if wanted `ms_at_reset` (what
the board's counter begins with), `ticks_us` (where the ticks begin), `turn_us`, `cause`, `down` (the push
button), `dead` (numbers of converters). The outcome: `heard` (all that the board sent), `relay` as
[ms, closed], `resets` as [ms, cause], `lit`.
"""

import json
import sys

sys.path.insert(1, sys.path[0] + "/..")

import hardware


class Finished(BaseException):
    """The script is at its end."""


BOOT_US = 100000
script = json.load(sys.stdin)
world = hardware.world
world.clock_us = 0
world.offset_us = script.get("ticks_us", 0)
world.turn_us = script.get("turn_us", 500)
world.cause = script.get("cause", "power-on")
world.down = script.get("down", False)
for number in script.get("dead", []):
    world.converters[number].dead = True
world.script = [[int(1000 * at_ms), order] for at_ms, order in script["orders"]]
hardware.MS_AT_RESET = script.get("ms_at_reset", 0)
ends_us = 1000 * script["ends_ms"]
resets = []
plain_idle = hardware.idle


def idle():
    """Let time pass, up to the end."""
    if world.clock_us >= ends_us:
        raise Finished
    plain_idle()


hardware.idle = idle
import main  # noqa: E402

while True:
    try:
        main.run()
        while True:
            hardware.idle()
    except hardware.Reset as reset:
        resets.append([world.clock_us / 1000, str(reset)])
        world.clock_us += BOOT_US
        world.inbox = bytearray()
        hardware.MS_AT_RESET = 0
    except Finished:
        break
relay = [[at_us / 1000, closed] for at_us, closed in world.history]
outcome = {"heard": bytes(world.outbox).decode(), "relay": relay, "resets": resets}
outcome["lit"] = world.lit
print(json.dumps(outcome))
