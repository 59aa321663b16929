"""A machine that fails on order: what `faulty_machine.c` does to one program, and how it is told to.

It is compiled with `cc` and preloaded, so it is for Linux, and for programs linked to the C library (Python
and its SQLite are). The disk itself is never harmed.
"""

from __future__ import annotations

import mmap
import os
import shutil
import struct
import subprocess
from pathlib import Path
from typing import Final

_SOURCE: Final = Path(__file__).with_suffix(".c")
_ORDERS: Final = ("sync_us", "full", "wall_us", "syncs", "refused")


def can_be_made() -> bool:
    """Whether there is a compiler."""
    return os.name == "posix" and shutil.which("cc") is not None


class FaultyMachine:
    """One machine for one program: `environment` has the program run on it, `store` names its files.

    With `recorded` the file `log` has what is written to them and synced, in order (`power_cut.py`).
    """

    def __init__(self, folder: Path, store: Path, *, recorded: bool = False) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        library = folder / "faulty_machine.so"
        command = [
            "cc",
            "-O1",
            "-shared",
            "-fPIC",
            "-Wall",
            "-Werror",
            "-o",
            str(library),
            str(_SOURCE),
            "-ldl",
        ]
        subprocess.run(command, check=True)
        orders = folder / "orders"
        orders.write_bytes(bytes(4096))
        with orders.open("r+b") as file:
            self._page = mmap.mmap(file.fileno(), 4096)
        self.log = folder / "log"
        self.environment = {
            "LD_PRELOAD": str(library),
            "FAULTY_ORDERS": str(orders),
            "FAULTY_FILES": str(store),
            **({"FAULTY_LOG": str(self.log)} if recorded else {}),
        }

    def order(
        self, *, sync_s: float | None = None, full: bool | None = None, wall_s: float | None = None
    ) -> None:
        """Make each sync take so long, the disk full or not, the wall clock ahead by so much."""
        for name, value in (
            ("sync_us", None if sync_s is None else round(sync_s * 1e6)),
            ("full", None if full is None else int(full)),
            ("wall_us", None if wall_s is None else round(wall_s * 1e6)),
        ):
            if value is not None:
                struct.pack_into("q", self._page, 8 * _ORDERS.index(name), value)

    @property
    def syncs(self) -> int:
        """How often something was synced so far."""
        return self._counted("syncs")

    @property
    def refused(self) -> int:
        """How many writes there was no room for."""
        return self._counted("refused")

    def _counted(self, name: str) -> int:
        return int(struct.unpack_from("q", self._page, 8 * _ORDERS.index(name))[0])
