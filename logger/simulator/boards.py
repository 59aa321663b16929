"""Simulated boards that are no DAQ of ours: one that prints numbers, a Modbus module, a scanning bench meter.

Each is bytes from the host in, answers out, written from the open standards and not from what reads them.
What is on their inputs are the counts of the simulated DAQ, as volts where they speak of volts.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable, Sequence
from typing import Final, Literal

from logger.blocks import NO_READING, DaqInfo

LINKS: Final = ("lines", "csv", "modbus", "scpi")
"""What a simulated board can speak."""
SCANS_PER_S: Final = {"lines": 10.0, "csv": 10.0, "modbus": 1.0, "scpi": 1.0}
"""How often each is read as a rule."""
DEVICE: Final = 1
IDENTITY: Final = 4711
"""What the simulated Modbus module has in the register after its channels."""
FIRST_CHANNEL: Final = 101
"""The simulated meter's first channel."""
NOTHING: Final = -32_768
"""What the simulated Modbus module has in a register without a reading."""

Counts = Sequence[int]
Ask = Callable[[], Counts | None]
"""Gives the scan of the moment, None where there is none."""


class CsvBoard:
    """Prints a line for each scan, and a header when it starts; hears nothing.

    `clock`: whether its first column is its own milliseconds.
    """

    def __init__(self, info: DaqInfo, names: Sequence[str], *, clock: bool = True) -> None:
        self._info = info
        self._names = names
        self._clock = clock

    def header(self) -> bytes:
        """Return the line that it prints when it starts."""
        first = ["t_ms"] if self._clock else []
        return (",".join(first + [f"{name} [V]" for name in self._names]) + "\r\n").encode("ascii")

    def scan(self, t_us: int, counts: Counts) -> bytes:
        """Return the line of one scan."""
        first = [str(t_us // 1000)] if self._clock else []
        volts = map(_printed, counts, self._info.volts_per_count, self._info.full_count)
        return (",".join([*first, *volts]) + "\r\n").encode("ascii")


def _printed(count: int, step_v: float, full: int) -> str:
    if count == NO_READING:
        return "nan"
    if abs(count) >= full:
        return "over" if count > 0 else "under"
    return f"{count * step_v:.6f}" if step_v < 5e-5 else f"{count * step_v:.5f}"


def crc16_modbus(data: bytes) -> int:
    """Return the CRC-16/MODBUS, bit by bit: reflected 8005, beginning with FFFF."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xA001 if crc & 1 else 0)
    return crc


class ModbusModule:
    """An analogue module of one register (or two) a channel from address 0, and its identity after them.

    A block of several registers is converted when it is asked for; a single register is of the last block. A
    scan that is not there is answered as "busy" (exception 6).
    """

    def __init__(
        self,
        info: DaqInfo,
        ask: Ask,
        *,
        device: int = DEVICE,
        identity: int = IDENTITY,
        format: Literal["int16", "int32", "uint32", "float32"] = "int16",
        word_order: Literal["big", "little"] = "big",
    ) -> None:
        self.device = device
        self.identity = identity
        self._info = info
        self._ask = ask
        self._format = format
        self._little = word_order == "little"
        self._heard = bytearray()
        self._registers = self._filled([0] * len(info.full_count))

    def plug_in(self) -> None:
        """Forget what was heard by half."""
        self._heard.clear()

    def hear(self, data: bytes) -> list[bytes]:
        """Take what came from the host; return the replies."""
        self._heard += data
        replies = []
        while len(self._heard) >= 8:
            request = bytes(self._heard[:8])
            if crc16_modbus(request[:6]) != int.from_bytes(request[6:], "little"):
                del self._heard[0]  # a real one goes by silence on the line
                continue
            del self._heard[:8]
            if request[0] == self.device:
                replies.append(self._reply(*struct.unpack(">BHH", request[1:6])))
        return replies

    def _reply(self, function: int, address: int, count: int) -> bytes:
        if function not in (3, 4):
            return self._frame(bytes((function | 0x80, 1)))
        if not 1 <= count <= 125:
            return self._frame(bytes((function | 0x80, 3)))
        if address + count > len(self._registers):
            return self._frame(bytes((function | 0x80, 2)))
        if count > 1:
            counts = self._ask()
            if counts is None:
                return self._frame(bytes((function | 0x80, 6)))
            self._registers = self._filled(counts)
        words = self._registers[address : address + count]
        return self._frame(bytes((function, 2 * count)) + b"".join(word.to_bytes(2, "big") for word in words))

    def _filled(self, counts: Counts) -> list[int]:
        words: list[int] = []
        for count, step_v in zip(counts, self._info.volts_per_count, strict=True):
            value = NOTHING if count == NO_READING else count
            match self._format:
                case "int16":
                    raw = struct.pack(">h", value)
                case "int32":
                    raw = struct.pack(">i", value)
                case "uint32":
                    raw = struct.pack(">I", max(0, value))
                case "float32":
                    raw = struct.pack(">f", float("nan") if count == NO_READING else count * step_v)
            of_one = [int.from_bytes(raw[i : i + 2], "big") for i in range(0, len(raw), 2)]
            words += of_one[::-1] if self._little else of_one
        return [*words, self.identity]

    def _frame(self, body: bytes) -> bytes:
        frame = bytes((self.device,)) + body
        return frame + crc16_modbus(frame).to_bytes(2, "little")


class ScanningMeter:
    """A bench meter with a scanner, in SCPI: it reads what it was told to scan, when it is asked.

    A scan that is not there is answered by an empty line.
    """

    def __init__(self, info: DaqInfo, ask: Ask, *, serial: str = "0042", first: int = FIRST_CHANNEL) -> None:
        self.name = f"soakbench,simulated scanning meter,{serial},1.0"
        self.commands: list[str] = []
        self._info = info
        self._ask = ask
        self._first = first
        self._heard = b""
        self._errors: list[str] = []
        self._scanned: list[int] = []
        self._configured: set[int] = set()

    def plug_in(self) -> None:
        """Forget what was heard by half."""
        self._heard = b""

    def switch_off_and_on(self) -> None:
        """Forget what it was told."""
        self._heard, self._errors, self._scanned, self._configured = b"", [], [], set()

    def hear(self, data: bytes) -> list[bytes]:
        """Take what came from the host; return the answers."""
        *lines, self._heard = (self._heard + data).split(b"\n")
        answers = [self._answer(line.decode("latin-1").strip()) for line in lines]
        return [answer.encode("ascii") + b"\n" for answer in answers if answer]

    def _answer(self, command: str) -> str:
        self.commands.append(command)
        header, _, rest = command.partition(" ")
        # long and short forms alike: SCPI-1999, volume 1, 6.2.1
        match re.sub(r"(?<=[A-Z])[a-z]+", "", header).upper():
            case "":
                return ""
            case "*IDN?":
                return self.name
            case "*CLS":
                self._errors.clear()
            case "CONF:VOLT:DC":
                self._configured.update(self._channels(rest))
            case "SENS:VOLT:DC:NPLC":
                self._channels(rest)
            case "ROUT:SCAN":
                self._scanned = self._channels(rest)
            case "SYST:ERR?":
                return self._errors.pop(0) if self._errors else '0,"No error"'
            case "READ?":
                return self._read()
            case _:
                self._errors.append('-113,"Undefined header"')
        return ""

    def _channels(self, text: str) -> list[int]:
        found = re.search(r"\(@([0-9,]+)\)", text)
        channels = [int(number) for number in found[1].split(",")] if found else []
        last = self._first + len(self._info.full_count) - 1
        if not channels or not all(self._first <= channel <= last for channel in channels):
            self._errors.append('-222,"Data out of range"')
            return []
        return channels

    def _read(self) -> str:
        counts = self._ask()
        if not self._scanned or not set(self._scanned) <= self._configured:
            return "+1.00000000E-03"  # whatever its own terminals show
        if counts is None:
            return " "
        return ",".join(self._reading(counts, channel - self._first) for channel in self._scanned)

    def _reading(self, counts: Counts, column: int) -> str:
        count = counts[column]
        if count == NO_READING:
            return "+9.91000000E+37"
        if abs(count) >= self._info.full_count[column]:
            return "+9.90000000E+37" if count > 0 else "-9.90000000E+37"
        return f"{count * self._info.volts_per_count[column]:+.8E}"
