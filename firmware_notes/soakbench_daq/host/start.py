"""Run the firmware on a host: micropython host/start.py ORDERS_FD EVENTS_FILE RESET_CAUSE MS_AT_RESET.

Standard input and output are the USB side of a terminal that does not block.
"""

import _thread
import sys

here = sys.path[0]
sys.path.insert(1, here + "/..")

import hardware  # noqa: E402

orders, events, cause, ms = sys.argv[1:5]
hardware.world.events = open(events, "a")
hardware.world.cause = cause
hardware.MS_AT_RESET = int(ms)
_thread.start_new_thread(hardware.mind, (open(int(orders), "rb"),))
_thread.start_new_thread(hardware.watch, ())

try:
    import main

    hardware.world.event("start")
    main.run()
except Exception as error:
    sys.print_exception(error, sys.stderr)
    raise SystemExit(1) from None
hardware.world.event("service")
while True:
    hardware.idle()
