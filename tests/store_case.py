"""What the store's tests share: set-ups of any number of channels, a DAQ, scans with everything odd."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np

from logger.blocks import NO_READING, DaqInfo, ScanBlock
from logger.convert import Calibration
from logger.setup import Calibrated, Setup, parse

STARTED = datetime(2026, 3, 1, 9, 30, 15, 123456, tzinfo=UTC)
WIDE = 8_388_607
NARROW = 32_767


def setup_text(channels: int) -> str:
    pairs = "".join(
        f'[[channel]]\nname = "pair{k}"\nmeasures = "pair current"\nsense_ohm = 1.0\ntolerance_pct = 1.0\n'
        for k in range(1, channels + 1)
    )
    return (
        'schema = "soakbench.setup/1"\n[amp]\nname = "Theatre PA 240 W"\nvalve = "EL34"\nnominal_ht_V = 455\n'
        '[link]\nkind = "lines"\nscans_per_s = 10\n'
        f'{pairs}[plan]\nsteps = [{{step = "warm-up", minutes = 30}}, {{step = "soak", minutes = 120}}]\n'
    )


def daq(full_count: list[int]) -> DaqInfo:
    return DaqInfo("board 7", 1, (7.8125e-6,) * len(full_count), tuple(full_count), "power on")


def begin_with(channels: int, full_count: list[int] | None = None) -> dict[str, Any]:
    """Return what `begin_soak` wants."""
    text = setup_text(channels)
    return {
        "setup": setup_of(text),
        "setup_text": text,
        "daq": daq(full_count or [NARROW] * channels),
        "started": STARTED,
    }


def setup_of(text: str) -> Setup:
    return parse(text)


def a_calibration(board_id: str = "board 7", day: int = 1, gain: float = 1.002) -> Calibration:
    """Return a calibration of two pairs, made on a day of February 2026."""
    made = datetime(2026, 2, day, 12, tzinfo=UTC)
    found = Calibrated(
        date=made.date(),
        gain=gain,
        offset=1e-5,
        u_gain=4e-4,
        u_offset=2e-6,
        shared_gain=1e-4,
        sense_ohm=1.002,
    )
    return Calibration(
        channels={"pair1": found, "pair2": found.model_copy(update={"gain": gain + 0.001})},
        board_id=board_id,
        made=made,
        by="the workshop",
        instrument="bench meter 3",
    )


def idle_scans(n: int, channels: int, seed: int = 1, per_s: float = 10.0) -> ScanBlock:
    """Return n scans of pairs idling, none missing."""
    rng = np.random.default_rng(seed)
    t_us = np.round(np.arange(n) * (1e6 / per_s)).astype(np.int64)
    counts = np.round(9800 + 30 * rng.standard_normal((n, channels))).astype(np.int32)
    return ScanBlock(t_us, np.arange(n, dtype=np.int64), counts)


def odd_scans(
    seed: int, n: int, full_count: list[int], per_s: float, gaps: float, none: float, railed: float
) -> ScanBlock:
    """Return n scans with jitter, missed scans, channels that gave no reading, and railed ones."""
    rng = np.random.default_rng(seed)
    step = 1 + rng.geometric(0.3, n) * (rng.random(n) < gaps)
    jitter = rng.uniform(0.6, 1.4, n)
    t_us = np.cumsum(np.maximum(1, np.round(step * jitter * 1e6 / per_s))).astype(np.int64)
    t_us -= t_us[0]
    sequence = np.cumsum(step) + int(rng.integers(0, 2**32))
    if rng.random() < 0.2:  # the DAQ restarts, or its counter wraps
        sequence[int(rng.integers(0, n)) :] -= int(sequence[0])
    full = np.array(full_count)
    shape = (n, len(full_count))
    counts = np.round(full * rng.uniform(-1, 1, shape)).astype(np.int64)
    off = rng.random(shape)
    counts = np.where(off < railed, full, counts)
    counts = np.where(off > 1 - railed, -full - 1, counts)
    counts = np.where(rng.random(shape) < none, NO_READING, counts)
    return ScanBlock(t_us, sequence.astype(np.int64), counts.astype(np.int32))


def as_stored(block: ScanBlock, full_count: list[int]) -> ScanBlock:
    """Return what must come back: a 16-bit converter's -32768 reads -32767, all else as it was."""
    counts = block.counts.copy()
    for column, full in enumerate(full_count):
        if full <= 32768:
            counts[counts[:, column] == -32768, column] = -32767
    return ScanBlock(block.t_us, block.sequence, counts)


def same(found: ScanBlock, wanted: ScanBlock) -> bool:
    return (
        np.array_equal(found.t_us, wanted.t_us)
        and np.array_equal(found.sequence, wanted.sequence)
        and np.array_equal(found.counts, wanted.counts)
    )


def part(block: ScanBlock, start: int, stop: int | None = None) -> ScanBlock:
    return ScanBlock(block.t_us[start:stop], block.sequence[start:stop], block.counts[start:stop])


def buckets(block: ScanBlock, level_s: int) -> dict[tuple[int, int], tuple[int, int, int, int]]:
    """Roll up in plain Python: (t0_s, channel) -> n, least, greatest, sum."""
    found: dict[tuple[int, int], list[int]] = {}
    for t_us, counts in zip(block.t_us.tolist(), block.counts.tolist(), strict=True):
        t0_s = t_us // 1_000_000 // level_s * level_s
        for channel, count in enumerate(counts):
            if count != NO_READING:
                found.setdefault((t0_s, channel), []).append(count)
    return {key: (len(seen), min(seen), max(seen), sum(seen)) for key, seen in found.items()}
