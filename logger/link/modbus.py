"""Analogue modules that speak Modbus RTU: one block of registers read a scan.

A reply in RTU does not say which request it answers. After a lost, late or garbled one, whatever may still be
under way is waited out and dropped, and one register is read by itself: its reply has another length, and a
module answers in order, so that all older replies have come before it. Only then the next block is believed.
"""

from __future__ import annotations

import math
import threading
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.exceptions import ModbusException
from pymodbus.framer.rtu import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from logger.blocks import NO_READING, DaqInfo, Int32Array, ScanBlock
from logger.clock import Clock
from logger.errors import LinkError
from logger.link.frames import Cause
from logger.link.host_time import Raster
from logger.link.talk import Heard
from logger.link.wire import Line, NotThere, Stranger, Wire, drain, drop
from logger.setup import ModbusLink, Setup

_EXCEPTIONS: Final = {1: "it can't be read so", 2: "no such register", 3: "not so many", 4: "device failure"}
_SLOWEST_S: Final = 0.3  # from request to reply; modules take milliseconds to some ten (common practice)
_SILENT_POLLS: Final = 5
_SHORTEST: Final = 5  # bytes of the shortest reply
_LARGEST: Final = 2**31 - 1
_TYPE: Final = {name: ModbusClientMixin.DATATYPE[name.upper()] for name in ("int16", "uint16", "int32")} | {
    "uint32": ModbusClientMixin.DATATYPE.UINT32,
    "float32": ModbusClientMixin.DATATYPE.FLOAT32,
}


class Block:
    """The one block of registers that holds a scan, and what is in it. Pure."""

    def __init__(self, setup: Setup) -> None:
        link = setup.link
        assert isinstance(link, ModbusLink)
        addresses = [pin for channel in setup.channel for pin in channel.pin or [0]]
        wanted = [*addresses, *(address + link.words - 1 for address in addresses)]
        if link.identity is not None:
            wanted.append(link.identity.register_)
        self.first = min(wanted)
        self.size = max(wanted) - self.first + 1
        self._link = link
        self._at = [address - self.first for address in addresses]
        scales = [setup.scale_of(channel) for channel in setup.channel]
        self.volts_per_count = tuple(step_v for step_v, _ in scales)
        self.full_count = tuple(full for _, full in scales)

    def counts(self, registers: Sequence[int]) -> Int32Array:
        """Return the counts (1, channels) that a block's registers hold; beyond 32 bits is railed."""
        link, out = self._link, []
        for at, step_v, full in zip(self._at, self.volts_per_count, self.full_count, strict=True):
            words = list(registers[at : at + link.words])
            value = ModbusClientMixin.convert_from_registers(words, _TYPE[link.format], link.word_order)
            assert isinstance(value, int | float)
            if value == link.no_reading or math.isnan(value):
                out.append(NO_READING)
                continue
            # a float is in volts; overload may come as infinity, which is no number to reckon with
            count = value if isinstance(value, int) else _whole(value, step_v, full)
            out.append(min(max(count, -_LARGEST), _LARGEST))
        return np.array([out], dtype=np.int32)

    def identity(self, registers: Sequence[int]) -> int | None:
        """Return what stands in the register by which the module is known, None where there is none."""
        own = self._link.identity
        return None if own is None else registers[own.register_ - self.first]


def _whole(value_v: float, step_v: float, full: int) -> int:
    return (
        round(value_v / step_v)
        if abs(value_v) <= 2.0 * full * step_v
        else round(math.copysign(full, value_v))
    )


class Modbus:
    """The kind `modbus`."""

    def __init__(self, setup: Setup, line: Line, clock: Clock, speed: float) -> None:
        assert isinstance(setup.link, ModbusLink)
        self.link = setup.link
        self.channels = len(setup.channel)
        self.says = ""
        self.block = Block(setup)
        self.clock = clock
        self.speed = speed
        self.rejected: Counter[Cause] = Counter()
        self.raster = Raster(1.0 / setup.link.scans_per_s, clock, speed)
        self.reply_s = _SLOWEST_S + (8 + 5 + 2 * self.block.size + 8) * line.byte_s

    def talk(self, wire: Wire, *, again: bool, patience_s: float) -> _Talk:
        """Begin a conversation."""
        return _Talk(self, wire, again, patience_s)


class _Talk:
    # pymodbus's framer and messages over our own wire, not its client: the client owns its port, keeps what
    # comes late for the next request, and can't be told to drop it.

    def __init__(self, kind: Modbus, wire: Wire, again: bool, patience_s: float) -> None:
        self.wire = wire
        self._again = again
        self.rejected: Counter[Cause] = Counter()
        self._kind = kind
        self._patience_s = patience_s
        self._framer = FramerRTU(DecodePDU(is_server=False))
        self._function = 4 if kind.link.registers == "input" else 3
        self._sure = False
        self._silent = 0
        self._stop = threading.Event()

    def meet(self, stop: threading.Event) -> DaqInfo:
        """Read the block until it comes."""
        kind, self._stop = self._kind, stop
        until_s = kind.clock.monotonic_s() + self._patience_s
        while not stop.is_set() and kind.clock.monotonic_s() <= until_s:
            registers = self._block() if self._sure or self._synchronise() else None
            if registers is not None:
                return self._info(registers)
        if self.wire.heard:
            raise Stranger(
                f"{self.wire.path} answers, but not as Modbus device {kind.link.device} "
                f"({self.wire.heard} bytes): check device, baud, parity and stop_bits in the set-up"
            )
        raise NotThere(
            f"no Modbus device {kind.link.device} answers on {self.wire.path}: check its power, its two "
            "wires (they may be swapped), and device, baud, parity and stop_bits in the set-up"
        )

    def begin(self, stop: threading.Event) -> None:
        """Nothing has to be said to a module that is asked for each scan."""

    def hear(self, stop: threading.Event) -> Iterator[Heard]:
        """Read one block, when it is time for it."""
        kind = self._kind
        self._drop_unasked()
        if not self._sure and not self._synchronise():
            if self._silent >= _SILENT_POLLS:
                raise NotThere(
                    f"the Modbus device {kind.link.device} on {self.wire.path} has fallen silent: "
                    "check its power and its lead"
                )
            return
        due = kind.raster.wait(stop)
        if due is None:
            return
        sequence, t_us = due
        registers = self._block()
        if registers is None:
            return
        known = kind.link.identity
        if known is not None and kind.block.identity(registers) != known.value:
            self.rejected[Cause.OTHER_DEVICE] += 1
            self._sure = False
            return
        t_us = kind.raster.since_first(t_us)
        yield ScanBlock(np.array([t_us]), np.array([sequence]), kind.block.counts(registers))

    def hush(self) -> None:
        """Nothing has to be said to a module that is not asked any more."""

    def _info(self, registers: Sequence[int]) -> DaqInfo:
        kind = self._kind
        found, known = kind.block.identity(registers), kind.link.identity
        if known is not None and found != known.value and not self._again:
            raise LinkError(
                f"the Modbus device {kind.link.device} on {self.wire.path} has {found} in register "
                f"{known.register_} and the set-up says {known.value}: it is another module, or the map is "
                "wrong"
            )
        board_id = f"modbus-{kind.link.device}" + ("" if found is None else f"-{found}")
        return DaqInfo(board_id, 1, kind.block.volts_per_count, kind.block.full_count)

    def _block(self) -> list[int] | None:
        """Return the block's registers, None where no reply came that can only be this one's."""
        self._drop_unasked()
        return self._ask(self._kind.block.first, self._kind.block.size) if self._sure else None

    def _drop_unasked(self) -> None:
        """Drop what has come; a reply that nobody had asked for leaves no reply's place certain."""
        if drop(self.wire) >= _SHORTEST:
            self.rejected[Cause.NOT_ASKED] += 1
            self._sure = False

    def _synchronise(self) -> bool:
        """Wait out what may still come, then read so that the reply can be no late one's."""
        drain(self.wire, self._kind.reply_s, self._stop)
        size = 1 if self._kind.block.size > 1 else 2
        self._sure = True
        return self._ask(self._kind.block.first, size, skip=True) is not None and self._sure

    def _ask(self, address: int, count: int, *, skip: bool = False) -> list[int] | None:
        """Ask once; with `skip` pass over what else comes before the reply."""
        kind = self._kind
        wanted = ReadInputRegistersRequest if self._function == 4 else ReadHoldingRegistersRequest
        message = wanted(dev_id=kind.link.device, address=address, count=count)
        request = self._framer.buildFrame(message)
        self.wire.write(request)
        head = bytes((kind.link.device, self._function, 2 * count))
        refusal = bytes((kind.link.device, self._function | 0x80))
        heard = b""
        until_s = kind.clock.monotonic_s() + kind.reply_s
        while True:
            heard += self.wire.read()
            if heard.startswith(request):
                heard = heard[len(request) :]  # an adapter that hears itself
            for at in range(len(heard) if skip else 1):
                frame = heard[at : at + 5 + 2 * count]
                if frame.startswith(head) and len(frame) == 5 + 2 * count and _fits(frame):
                    self._silent = 0
                    registers = self._registers(frame, count)
                    if heard[at + len(frame) :]:
                        # the reply was the first to come; what follows it nobody had asked for
                        self.rejected[Cause.NOT_ASKED] += 1
                        self._sure = False
                    return registers
            if heard.startswith(refusal) and len(heard) == 5 and _fits(heard):
                self._silent = 0
                self._refused(heard[2], skip=skip)
                return None
            if self._stop.is_set():
                self._sure = False
                return None
            if kind.clock.monotonic_s() > until_s:
                self._doubtful(heard)
                return None

    def _doubtful(self, heard: bytes) -> None:
        """Count what came in place of the reply, if anything, and be sure of nothing from here on."""
        self._sure = False
        if not heard:
            self._silent += 1
            self.rejected[Cause.NO_REPLY] += 1
        elif len(heard) < _SHORTEST or not _fits(heard):
            self.rejected[Cause.CRC] += 1
        else:
            other = heard[0] != self._kind.link.device
            self.rejected[Cause.OTHER_DEVICE if other else Cause.NOT_ASKED] += 1

    def _registers(self, frame: bytes, count: int) -> list[int] | None:
        try:
            _, reply = self._framer.handleFrame(frame, self._kind.link.device, 0)
        except ModbusException:
            reply = None
        if reply is None or reply.isError() or len(reply.registers) != count:
            self._sure = False
            self.rejected[Cause.FIELD_COUNT] += 1
            return None
        return list(reply.registers)

    def _refused(self, code: int, *, skip: bool) -> None:
        """Count a refusal: busy or failing passes; what can't ever be read ends the link."""
        self._sure = self._sure and not skip
        self.rejected[Cause.REFUSED] += 1
        if code in (1, 2, 3) and not self._kind.raster.begun:
            block = self._kind.block
            raise LinkError(
                f"the Modbus device {self._kind.link.device} on {self.wire.path} refuses to give "
                f"{block.size} {self._kind.link.registers} registers from {block.first} "
                f"({_EXCEPTIONS[code]}): check registers and pin in the set-up"
            )


def _fits(frame: bytes) -> bool:
    return FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big"))
