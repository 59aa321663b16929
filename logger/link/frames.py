"""Bytes in, checked frames out: line ends, the cap on a line's length and the CRC. Pure.

A frame is one line of `firmware_notes/protocol.md` whose CRC fits, without CRC and line end. Everything
else is dropped whole and counted under a named cause, so that nothing garbled becomes a reading. What
comes out does not depend on how the bytes were cut into chunks.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections import Counter
from enum import StrEnum
from typing import Final

LONGEST_LINE: Final = 2048
"""Bytes of the longest line from a DAQ, line end (CR LF) included."""
_LONGEST_BODY: Final = LONGEST_LINE - 2


class Cause(StrEnum):
    """Why something that came down the line was rejected; the values are what screens and reports say."""

    CRC = "crc"
    TOO_LONG = "too long"
    FIELD_COUNT = "wrong field count"
    NOT_A_NUMBER = "not a number"
    REPEATED = "repeated"
    OUT_OF_ORDER = "out of order"
    UNKNOWN_RECORD = "unknown record"
    OUT_OF_RANGE = "out of range"
    FINER = "finer than the step"
    NO_REPLY = "no reply"
    REFUSED = "refused by the device"
    NOT_ASKED = "not what was asked for"
    OTHER_DEVICE = "another device"


def crc(data: bytes) -> int:
    """Return the CRC-16/IBM-3740 of `data`."""
    return crc_hqx(data, 0xFFFF)


def frame(body: str, *, end: bytes = b"\n") -> bytes:
    """Return the line that carries `body`: CRC appended, then `end`."""
    data = body.encode("ascii")
    return b"%b,%04X%b" % (data, crc_hqx(data, 0xFFFF), end)


class FrameReader:
    """Assembles lines from chunks of bytes and lets through those whose CRC fits.

    `rejected` counts what was dropped, by cause; `frames` what came through.
    """

    def __init__(self) -> None:
        self.rejected: Counter[Cause] = Counter()
        self.frames = 0
        self._part = b""
        self._dropping = False
        self._first = True

    def resync(self) -> None:
        """Forget the line in hand: the port was opened anew.

        The next line may have lost its beginning; if it has, that is no fault and is not counted.
        """
        self._part = b""
        self._dropping = False
        self._first = True

    def feed(self, chunk: bytes) -> list[bytes]:
        """Take bytes as they came and return the frames that they complete, in order."""
        data = self._part + chunk
        self._part = b""
        if self._dropping:
            end = data.find(b"\n")
            if end < 0:
                return []
            data = data[end + 1 :]
            self._dropping = False
        cut = data.rfind(b"\n") + 1
        if len(data) - cut > _LONGEST_BODY + 1:  # + 1: its last byte may be the CR
            self._reject(Cause.TOO_LONG)
            self._dropping = True
        else:
            self._part = data[cut:]
        if not cut:
            return []
        lines = data[:cut].replace(b"\r\n", b"\n").split(b"\n")
        lines.pop()
        return self._checked(lines)

    def _checked(self, lines: list[bytes]) -> list[bytes]:
        good = [line[:-5] for line in lines if line[-5:] == b",%04X" % crc_hqx(line[:-5], 0xFFFF)]
        if len(good) < len(lines) or max(map(len, lines)) > _LONGEST_BODY:
            good = [line[:-5] for line in lines if self._fits(line)]
        self._first = False
        self.frames += len(good)
        return good

    def _fits(self, line: bytes) -> bool:
        first, self._first = self._first, False
        if len(line) > _LONGEST_BODY:
            self._reject(Cause.TOO_LONG)
            return False
        if line[-5:] == b",%04X" % crc_hqx(line[:-5], 0xFFFF):
            return True
        if line and not first:
            self._reject(Cause.CRC)
        return False

    def _reject(self, cause: Cause) -> None:
        self.rejected[cause] += 1
