"""Scans into the rows of the tables `scan` and `scan_minute` and back; `schema` describes the bytes."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from logger.blocks import NO_READING, Int32Array, Int64Array, ScanBlock
from logger.errors import StoreError

SECOND_US: Final = 1_000_000
MINUTE_S: Final = 60
_INT16_NONE: Final = -(2**15)


class Row(NamedTuple):
    """One second's scans as the table holds them."""

    t0_s: int
    sequence: int
    n: int
    sequences: bytes | None
    data: bytes


class Minute(NamedTuple):
    """One minute's scans as the table holds them."""

    t0_s: int
    n: int
    data: bytes


def empty(channels: int) -> ScanBlock:
    """Return a block of no scans."""
    return ScanBlock(
        np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), np.empty((0, channels), dtype=np.int32)
    )


def joined(blocks: Sequence[ScanBlock], channels: int) -> ScanBlock:
    """Return the blocks as one."""
    if len(blocks) == 1:
        return blocks[0]
    if not blocks:
        return empty(channels)
    return ScanBlock(
        np.concatenate([block.t_us for block in blocks]),
        np.concatenate([block.sequence for block in blocks]),
        np.concatenate([block.counts for block in blocks]),
    )


def storable(block: ScanBlock, full_count: Sequence[int]) -> ScanBlock:
    """Return the block with a 16-bit converter's own -32768 as -32767: the former means no reading."""
    narrow = np.asarray(full_count) <= -_INT16_NONE
    clash = (block.counts == _INT16_NONE) & narrow
    if not clash.any():
        return block
    counts = np.where(clash, np.int32(_INT16_NONE + 1), block.counts)
    return ScanBlock(block.t_us, block.sequence, counts)


def pack(block: ScanBlock) -> list[Row]:
    """Return one row for each second of the block, in order."""
    if len(block) == 0:
        return []
    second = block.t_us // SECOND_US
    starts = np.concatenate([[0], np.flatnonzero(np.diff(second)) + 1])
    stops = np.append(starts[1:], len(block))
    after_us = (block.t_us - second * SECOND_US).astype("<i4")
    none = block.counts == NO_READING
    fits = ((block.counts > _INT16_NONE) & (block.counts < -_INT16_NONE)) | none
    narrow = np.logical_and.reduceat(fits.all(axis=1), starts)
    counts16 = np.where(none, _INT16_NONE, block.counts).astype("<i2")
    counts32 = block.counts.astype("<i4", copy=False)
    follows = np.diff(block.sequence, prepend=block.sequence[0] - 1) == 1
    follows[starts] = True
    even = np.logical_and.reduceat(follows, starts)
    rows = []
    for k, (start, stop) in enumerate(zip(starts.tolist(), stops.tolist(), strict=True)):
        counts = counts16 if narrow[k] else counts32
        rows.append(
            Row(
                int(second[start]),
                int(block.sequence[start]),
                stop - start,
                None if even[k] else block.sequence[start:stop].astype("<i8").tobytes(),
                after_us[start:stop].tobytes() + counts[start:stop].T.tobytes(),
            )
        )
    return rows


def fits(row: Row | Any, channels: int) -> bool:
    """Say whether a row's bytes are as long as its number of scans wants."""
    _, _, n, sequences, data = row
    narrow = 4 * n + 2 * n * channels
    return len(data) in (narrow, narrow + 2 * n * channels) and (sequences is None or len(sequences) == 8 * n)


def unpack(rows: Sequence[Row | Any], channels: int) -> ScanBlock:
    """Return the scans of rows (t0_s, sequence, n, sequences, data), in their order."""
    if not rows:
        return empty(channels)
    t0_s = np.array([row[0] for row in rows], dtype=np.int64)
    first = np.array([row[1] for row in rows], dtype=np.int64)
    n = np.array([row[2] for row in rows], dtype=np.int64)
    length = np.array([len(row[4]) for row in rows], dtype=np.int64)
    stops = np.cumsum(n)
    starts = stops - n
    total = int(stops[-1])
    within = np.arange(total) - np.repeat(starts, n)
    t_us: Int64Array = np.repeat(t0_s * SECOND_US, n)
    sequence: Int64Array = np.repeat(first, n) + within
    counts: Int32Array = np.empty((total, channels), dtype=np.int32)
    # Rows of one shape are decoded together: there are few shapes, and many rows.
    for size, scans in set(zip(length.tolist(), n.tolist(), strict=True)):
        chosen = np.flatnonzero((length == size) & (n == scans))
        raw = np.frombuffer(b"".join(rows[k][4] for k in chosen.tolist()), dtype=np.uint8).reshape(
            len(chosen), size
        )
        at = (starts[chosen][:, None] + np.arange(scans)).ravel()
        t_us[at] += raw[:, : 4 * scans].copy().view("<i4").ravel()
        wide = size > 4 * scans + 2 * scans * channels
        body = raw[:, 4 * scans :].copy().view("<i4" if wide else "<i2")
        body = body.reshape(len(chosen), channels, scans).transpose(0, 2, 1).reshape(-1, channels)
        counts[at] = body if wide else np.where(body == _INT16_NONE, np.int32(NO_READING), body)
    for k, row in enumerate(rows):
        if row[3] is not None:
            sequence[starts[k] : stops[k]] = np.frombuffer(row[3], dtype="<i8")
    return ScanBlock(t_us, sequence, counts)


def pack_minutes(block: ScanBlock) -> list[Minute]:
    """Return one row for each minute of the block, in order: a third of the bytes of its seconds."""
    if len(block) == 0:
        return []
    minute = block.t_us // (MINUTE_S * SECOND_US)
    starts = np.concatenate([[0], np.flatnonzero(np.diff(minute)) + 1])
    rows = []
    for start, stop in zip(starts.tolist(), [*starts[1:].tolist(), len(block)], strict=True):
        t0_s = int(minute[start]) * MINUTE_S
        after_us = block.t_us[start:stop] - t0_s * SECOND_US
        series = np.vstack([after_us, block.sequence[start:stop], block.counts[start:stop].T])
        step = np.diff(series, axis=1, prepend=np.int64(0))
        coded = ((step << 1) ^ (step >> 63)).astype("<i8")
        # With all low bytes together, then all next ones, those above a channel's noise are zeros in a row.
        planes = np.ascontiguousarray(coded.ravel().view(np.uint8).reshape(-1, 8).T)
        # Among noise deflate's matches are chance, and cost more than they spare: runs alone are as short.
        deflate = zlib.compressobj(6, zlib.DEFLATED, zlib.MAX_WBITS, 9, zlib.Z_RLE)
        rows.append(Minute(t0_s, stop - start, deflate.compress(planes.tobytes()) + deflate.flush()))
    return rows


def unpack_minutes(rows: Sequence[Minute | Any], channels: int) -> ScanBlock:
    """Return the scans of rows (t0_s, n, data), in their order. StoreError where one can't be read."""
    return joined([_unpack_minute(int(t0_s), int(n), data, channels) for t0_s, n, data in rows], channels)


def _unpack_minute(t0_s: int, n: int, data: bytes, channels: int) -> ScanBlock:
    size = 8 * n * (channels + 2)
    inflate = zlib.decompressobj()
    try:
        raw = inflate.decompress(data, size + 1)
    except zlib.error:
        raw = b""
    if len(raw) != size or not inflate.eof:
        raise StoreError(
            f"the scans of the minute at {t0_s} s can't be read: soakbench verify says what else"
        )
    planes = np.frombuffer(raw, dtype=np.uint8).reshape(8, -1)
    coded = np.ascontiguousarray(planes.T).view("<u8").reshape(channels + 2, n)
    step = (coded >> np.uint64(1)).view(np.int64) ^ -(coded & np.uint64(1)).view(np.int64)
    series: Int64Array = np.cumsum(step, axis=1)
    return ScanBlock(
        series[0] + t0_s * SECOND_US, series[1].copy(), np.ascontiguousarray(series[2:].T, dtype=np.int32)
    )
