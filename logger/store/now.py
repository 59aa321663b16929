"""The file `<store>-now`: what the newest scan says, for screens that can't wait for the next commit.

The daemon overwrites its 4 KiB in place at each scan. It is never synced and never a record: what counts
is in the store. Whoever reads it while it is written may see half of each, which its checksum tells.

Little-endian: MAGIC, then soak id (u32), number of channels c and length of the text n (u16 each), the scan's
sequence number, its `t_us` and the host's wall clock when it was written, in microseconds since 1970 (i64
each); c readings (f64) in A, V or degC, NaN where none; n bytes of JSON (UTF-8) with `state`, the open
`findings`, the worst first, how many `more` had no room, and how the `cutout` stands, null where none is
armed; zeros; last CRC-32 (`zlib.crc32`, u32) of all before.
"""

from __future__ import annotations

import json
import math
import struct
import zlib
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from typing import Any, Final

from logger.errors import StoreError
from logger.finding import Finding

SIZE: Final = 4096
MAGIC: Final = b"SBnow\x00\x00\x01"
_HEAD: Final = struct.Struct("<8sIHHqqq")
_CRC: Final = struct.Struct("<I")
_READ_TRIES: Final = 20  # writing takes microseconds, so that two torn looks in a row are rare
_LONGEST: Final = 160  # letters of a sentence: four findings have room beside 64 channels


@dataclass(frozen=True)
class Open:
    """An open finding as far as a screen at the bench needs it; `channels`: whom it concerns."""

    id: int
    kind: str
    severity: str
    channels: tuple[str, ...]
    says: str
    acknowledged: bool

    @classmethod
    def of(cls, finding: Finding) -> Open:
        """Return what is kept of a finding."""
        says = finding.says if len(finding.says) <= _LONGEST else f"{finding.says[: _LONGEST - 1]}…"
        channels = (finding.channel,) if finding.channel else finding.channels
        seen = finding.acknowledged_s is not None
        return cls(finding.id, finding.kind.value, finding.severity.value, channels, says, seen)


@dataclass(frozen=True)
class Told:
    """What changes seldom: the state, the open findings (`more` had no room), how the cut-out stands."""

    state: str = ""
    findings: tuple[Open, ...] = ()
    more: int = 0
    cutout: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class Now:
    """The newest scan: `values` in A, V or degC by channel, NaN where there is no reading.

    `written_us`: the host's wall clock when it was written, microseconds since 1970.
    """

    soak_id: int
    sequence: int
    t_us: int
    written_us: int
    values: tuple[float, ...]
    told: Told


def path_of(store: Path | str) -> Path:
    """Return where a store's file lies."""
    return Path(f"{store}-now")


def told_of(state: str, findings: Sequence[Finding], cutout: Mapping[str, Any] | None) -> Told:
    """Return what is kept of a soak's findings as they stand: those that are open, the worst first."""
    still = sorted(
        (one for one in findings if one.open), key=lambda one: (-one.severity.rank, -one.raised_s, one.id)
    )
    return Told(state, tuple(Open.of(one) for one in still), 0, cutout)


def pack(now: Now) -> bytes:
    """Return the file's SIZE bytes. Findings that have no room are counted instead, the least bad first."""
    whole = bytearray(SIZE)
    values = struct.pack(f"<{len(now.values)}d", *now.values)
    text = _text(now.told, SIZE - _HEAD.size - len(values) - _CRC.size)
    _HEAD.pack_into(
        whole,
        0,
        MAGIC,
        now.soak_id,
        len(now.values),
        len(text),
        now.sequence,
        now.t_us,
        now.written_us,
    )
    whole[_HEAD.size : _HEAD.size + len(values) + len(text)] = values + text
    _CRC.pack_into(whole, SIZE - _CRC.size, zlib.crc32(memoryview(whole)[: -_CRC.size]))
    return bytes(whole)


def unpack(whole: bytes) -> Now | None:
    """Return what the bytes say, None where they are not whole: torn, cut off or another file's."""
    if len(whole) != SIZE or _CRC.unpack_from(whole, SIZE - _CRC.size)[0] != zlib.crc32(whole[: -_CRC.size]):
        return None
    magic, soak_id, channels, letters, sequence, t_us, written_us = _HEAD.unpack_from(whole)
    text_at = _HEAD.size + 8 * channels
    if magic != MAGIC or text_at + letters > SIZE - _CRC.size:
        return None
    values = struct.unpack_from(f"<{channels}d", whole, _HEAD.size)
    try:
        told = json.loads(whole[text_at : text_at + letters])
        findings = tuple(Open(**{**one, "channels": tuple(one["channels"])}) for one in told["findings"])
        said = Told(str(told["state"]), findings, int(told["more"]), told["cutout"])
    except (ValueError, KeyError, TypeError):
        return None  # a checksum of another program's making
    return Now(soak_id, sequence, t_us, written_us, values, said)


def read_now(store: Path | str) -> Now | None:
    """Return the newest scan of the daemon on this store, None where there is no file: no soak runs.

    StoreError where it can't be read or is damaged. What was left by a daemon that was killed is old by
    `written_us`: to tell that is the caller's, who has a clock.
    """
    path = path_of(store)
    try:
        for _ in range(_READ_TRIES):
            now = unpack(path.read_bytes())
            if now is not None:
                return now
    except FileNotFoundError:
        return None
    except OSError as error:
        raise StoreError(f"{path} can't be read ({error.strerror or error}): look at its rights") from error
    raise StoreError(
        f"{path} is damaged (its checksum is wrong), so the newest scan is not known: if that lasts, stop "
        "soakbench run and start it again, which writes it anew"
    )


class NowFile:
    """The daemon's hand on the file: made with the first scan, gone when the soak ends.

    What fails is an OSError of the first try; then nothing more is written, since a disk that comes and goes
    must not make measuring wait.
    """

    def __init__(self, store: Path | str) -> None:
        self.path = path_of(store)
        self._file: FileIO | None = None
        self._given_up = False
        self._told: Told | None = None
        self._whole = bytearray(SIZE)
        self._layout = _HEAD

    def write(
        self, soak_id: int, sequence: int, t_us: int, written_us: int, values: Sequence[float], told: Told
    ) -> None:
        """Overwrite it. Raises OSError once; `told` is laid out anew only where it is another object."""
        if self._given_up:
            return
        if told is not self._told:
            self._whole = bytearray(pack(Now(soak_id, sequence, t_us, written_us, tuple(values), told)))
            self._layout = struct.Struct(f"{_HEAD.format}{len(values)}d")
            self._told = told
        whole = self._whole
        letters = _HEAD.unpack_from(whole)[3]
        self._layout.pack_into(
            whole, 0, MAGIC, soak_id, len(values), letters, sequence, t_us, written_us, *values
        )
        _CRC.pack_into(whole, SIZE - _CRC.size, zlib.crc32(memoryview(whole)[: -_CRC.size]))
        try:
            if self._file is None:
                self._file = FileIO(self.path, "r+" if self.path.exists() else "x+")
                self._file.truncate(SIZE)
            self._file.seek(0)
            self._file.write(whole)
        except OSError:
            self._given_up = True
            self.close()
            raise

    def close(self, *, remove: bool = False) -> None:
        """Let go of it; `remove` where the soak has ended, and nothing is present any more."""
        if self._file is not None:
            self._file.close()
            self._file = None
        if remove:
            with suppress(OSError):  # what is left is old by its own time
                self.path.unlink()


def _text(told: Told, room: int) -> bytes:
    """Lay out as many findings as there is room for."""
    findings = [
        {
            "id": one.id,
            "kind": one.kind,
            "severity": one.severity,
            "channels": list(one.channels),
            "says": one.says,
            "acknowledged": one.acknowledged,
        }
        for one in told.findings
    ]
    cutout = None if told.cutout is None else {key: _short(value) for key, value in told.cutout.items()}
    for kept in range(len(findings), -1, -1):
        more = told.more + len(findings) - kept
        whole = {"state": told.state, "findings": findings[:kept], "more": more, "cutout": cutout}
        text = json.dumps(whole, ensure_ascii=False, separators=(",", ":")).encode()
        if len(text) <= room:
            return text
    raise ValueError(f"{len(text)} bytes have no room in {room}: the state or the cut-out says too much")


def _short(value: object) -> object:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return f"{value[: _LONGEST - 1]}…" if isinstance(value, str) and len(value) > _LONGEST else value
