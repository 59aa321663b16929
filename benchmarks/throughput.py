"""How much of raw sqlite3's speed is left from bytes on a pseudo-terminal to stored scans?

`soakbench run` is a process of its own, with all detectors on at 16 channels; the board sends two hours
and a half of soak as fast as it is taken. Then plain sqlite3 writes the very rows that are in that store
(scans and roll-ups), in as many transactions and with the same pragmas.

    python -m benchmarks.throughput
"""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, Final

from benchmarks.cost import Terminal
from benchmarks.lines import SCANS_PER_S, Line, counts_of, line, over, setup_text, show, timed
from benchmarks.store import rows_of, write_plain
from benchmarks.watch import PAIRS
from logger.simulator.terminal import scan_line
from logger.store.now import read_now

HOURS: Final = 2.5
RUNS: Final = 5
GOAL: Final = 0.25

_COUNTED: Final = """
import sys
from pathlib import Path
from logger.store.writer import Writer
import soakbench
made, out = 0, Path(sys.argv.pop(1))
def counted(commit):
    def made_one(*given):
        global made
        made += 1
        return commit(*given)
    return made_one
Writer.commit, Writer.begin_commit = counted(Writer.commit), counted(Writer.begin_commit)
try:
    sys.exit(soakbench.main(sys.argv[1:]))
finally:
    out.write_text(str(made))
"""
"""A soakbench that says how many commits it made."""


def results() -> list[Line]:
    """Return scans a second, and the share of what plain sqlite3 makes of them."""
    rows = counts_of(round(HOURS * 3600 * SCANS_PER_S), PAIRS).tolist()
    sent = [scan_line(number, 100 * number, row, 0) for number, row in enumerate(rows)]
    ours, plain, commits = zip(*(_run(sent) for _ in range(RUNS)), strict=True)
    shares, speeds = over(plain, ours), [len(sent) / one for one in ours]
    what = "bytes to stored scans, 16 channels"
    return [
        line(f"{what}, over plain sqlite3 with the same rows and commits", "ratio", GOAL, shares, "more"),
        line(what, "scans/s", None, speeds, "more"),
        line(f"{what}: commits of {HOURS:g} h", "", None, commits),
    ]


def _run(sent: list[bytes]) -> tuple[float, float, int]:
    """Return how long soakbench takes and plain sqlite3, in s, and the number of commits of both."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        end, store, made = Terminal(place / "daq"), place / "soak.db", place / "commits"
        setup = place / "setup.toml"
        setup.write_text(setup_text(PAIRS, soak_min=450, port=place / "daq"))
        run = ["run", str(setup), "--db", str(store), "--load", "none"]
        quiet: dict[str, Any] = {"stdin": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
        daemon = subprocess.Popen([sys.executable, "-c", _COUNTED, str(made), *run], **quiet)
        try:
            while not end.board.rate:
                end.serve(0.05)
            ours_s = timed(lambda: _play(sent, end, store))
            daemon.send_signal(signal.SIGINT)
            daemon.wait(60)
        finally:
            daemon.kill()
            daemon.wait()
            end.close()
        commits = int(made.read_text())
        plain_s = timed(lambda: write_plain(place / "plain.db", rows_of(store), commits))
    return ours_s, plain_s, commits


def _play(sent: list[bytes], end: Terminal, store: Path) -> None:
    """Send it all, and return once the last scan was judged and stored, but for the last commit's wait."""
    for one in sent:
        end.send(one)
    last_us = 100_000 * (len(sent) - 1)
    while (now := read_now(store)) is None or now.t_us < last_us:
        end.serve(0.0)
        time.sleep(0.002)


if __name__ == "__main__":
    show(results())
