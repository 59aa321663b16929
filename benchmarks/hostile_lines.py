"""A million garbled frames against what reads them: no crash, no hang, flat memory, false readings counted.

    python -m benchmarks.hostile_lines --frames 2000000 --seed 1

Half of the frames are garbled. Every frame sent is known, so every reading that comes out and was not sent
is a false one. A CRC of 16 bits lets through about one in 65,536 of the garbled lines that it has to judge,
and none with a single burst of up to 16 bits (Peterson and Brown, "Cyclic Codes for Error Detection", Proc.
IRE 49, 1961; cited from memory). What passes must then still look like a scan.
"""

from __future__ import annotations

import argparse
import resource
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np

from benchmarks.lines import Line, estimate
from logger.link.frames import Cause, FrameReader, frame
from logger.link.lines import LineDecoder, ScanClock, Scans, scan_body

CHANNELS = 8
_BATCH = 256
_LETTERS = b"SBANE,0123456789-ABCDEF\r\n \x00\xff"

Mutation = Callable[[bytearray, np.random.Generator], bytes]


@dataclass
class Hostile:
    """What came of a run. `false`: readings that nobody sent; `checked`: garbled lines that a CRC judged."""

    frames: int = 0
    garbled: int = 0
    read: int = 0
    lost: int = 0
    """Whole lines that were not read."""
    false: int = 0
    checked: int = 0
    rejected: Counter[Cause] = field(default_factory=Counter)
    backwards: int = 0
    grown_mb: float = 0.0
    seconds: float = 0.0

    @property
    def allowed(self) -> float:
        """How many garbled lines a CRC of 16 bits lets through, as expected."""
        return self.checked / 65536.0


def run(frames: int, seed: int) -> Hostile:
    """Send so many frames, some of them garbled, in pieces of any size; count what is read."""
    found = Hostile(frames=frames)
    rng = np.random.default_rng([seed, 0xF0])
    reader, decoder, clock = FrameReader(), LineDecoder(CHANNELS), ScanClock(0.1)
    sent: dict[int, tuple[int, ...]] = {}
    whole: set[int] = set()
    last_us, started, size_mb = -1, time.perf_counter(), 0.0
    for number, stream in enumerate(_streams(frames, rng, sent, whole, found)):
        for piece in _pieces(stream, rng):
            for record in decoder.decode(reader.feed(piece)):
                if isinstance(record, Scans):
                    _compare(record, sent, whole, found)
                    block = clock.take(record, 0.0)
                    times_us = np.concatenate([[last_us], block.t_us])
                    found.backwards += int((np.diff(times_us) <= 0).sum())
                    last_us = int(times_us[-1])
        found.lost += len(whole)
        sent.clear()
        whole.clear()
        if number == 100:
            size_mb = _size_mb()  # everything that is made once is there
    found.rejected = reader.rejected + decoder.rejected
    found.checked = reader.rejected[Cause.CRC] + found.false
    found.grown_mb = _size_mb() - size_mb if size_mb else 0.0
    found.seconds = time.perf_counter() - started
    return found


def _streams(
    frames: int,
    rng: np.random.Generator,
    sent: dict[int, tuple[int, ...]],
    whole: set[int],
    found: Hostile,
) -> Iterator[bytes]:
    """Give batches of lines, half of them garbled; `sent`: all of a batch, `whole`: which are left whole."""
    for first in range(0, frames, _BATCH):
        many = min(_BATCH, frames - first)
        counts = rng.integers(-32767, 32768, (many, CHANNELS)).tolist()
        harmed = (rng.random(many) < 0.5).tolist()
        out = []
        for number, row, harm in zip(range(first, first + many), counts, harmed, strict=True):
            line = frame(scan_body(number, 100 * number, row, 1), end=b"\r\n")
            sent[number] = (100 * number, 1, *row)
            if not harm:
                out.append(line)
                whole.add(number)
                continue
            mutate = _MUTATIONS[int(rng.integers(len(_MUTATIONS)))]
            # a line end that is lost spoils the next line too: each stands alone here
            out.append(b"\n" + mutate(bytearray(line), rng) + b"\n")
            found.garbled += 1
        yield b"".join(out)


def _pieces(stream: bytes, rng: np.random.Generator) -> Iterator[bytes]:
    at = 0
    while at < len(stream):
        length = int(rng.integers(1, 4096))
        yield stream[at : at + length]
        at += length


def _compare(scans: Scans, sent: dict[int, tuple[int, ...]], whole: set[int], found: Hostile) -> None:
    rows = np.column_stack([scans.ms, scans.flags, scans.counts]).tolist()
    for sequence, row in zip(scans.sequence.tolist(), rows, strict=True):
        found.read += 1
        if sent.get(sequence) == tuple(row):
            whole.discard(sequence)
        else:
            found.false += 1


def _flip(line: bytearray, rng: np.random.Generator) -> bytes:
    for _ in range(int(rng.integers(1, 9))):
        line[int(rng.integers(len(line)))] ^= 1 << int(rng.integers(8))
    return bytes(line)


def _burst(line: bytearray, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(len(line) - 1))
    line[at] ^= int(rng.integers(1, 256))
    line[at + 1] ^= int(rng.integers(256))
    return bytes(line)


def _other_letters(line: bytearray, rng: np.random.Generator) -> bytes:
    for _ in range(int(rng.integers(1, 5))):
        line[int(rng.integers(len(line)))] = _LETTERS[int(rng.integers(len(_LETTERS)))]
    return bytes(line)


def _other_digits(line: bytearray, rng: np.random.Generator) -> bytes:
    """Other digits in the place of digits: the line stays a scan in form."""
    places = [i for i, letter in enumerate(line[:-6]) if letter in b"0123456789"]
    for _ in range(int(rng.integers(1, 9))):
        line[places[int(rng.integers(len(places)))]] = 0x31 + int(rng.integers(9))
    return bytes(line)


def _lost_piece(line: bytearray, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(len(line)))
    del line[at : at + int(rng.integers(1, 20))]
    return bytes(line)


def _twice(line: bytearray, rng: np.random.Generator) -> bytes:
    at = int(rng.integers(len(line)))
    return bytes(line[:at] + line[max(0, at - int(rng.integers(1, 20))) :])


def _cut(line: bytearray, rng: np.random.Generator) -> bytes:
    return bytes(line[int(rng.integers(len(line))) :])


def _rubbish(_line: bytearray, rng: np.random.Generator) -> bytes:
    return rng.bytes(int(rng.integers(1, 200)))


def _endless(line: bytearray, rng: np.random.Generator) -> bytes:
    return bytes(line[:-2]) * int(rng.integers(2, 80))


def _other_crc(line: bytearray, rng: np.random.Generator) -> bytes:
    line[-6:-2] = b"%04X" % int(rng.integers(65536))
    return bytes(line)


_MUTATIONS: tuple[Mutation, ...] = (
    _flip,
    _burst,
    _other_letters,
    _other_digits,
    _lost_piece,
    _twice,
    _cut,
    _rubbish,
    _endless,
    _other_crc,
)


def _size_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def results() -> list[Line]:
    """Return what a million garbled frames brought; the goal is what a CRC of 16 bits allows."""
    found = run(2_000_000, 1)
    return [
        estimate(name, value, "", goal, "less", found.garbled)
        for name, value, goal in (
            ("false readings in a million garbled frames", found.false, found.allowed),
            ("whole frames lost beside them", found.lost, 0),
            ("MB of memory grown meanwhile", found.grown_mb, 1.0),
        )
    ]


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description="A million mutated frames against what reads them.")
    parser.add_argument("--frames", type=int, default=2_000_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found = run(options.frames, options.seed)
    print(f"{found.frames:,} frames, {found.garbled:,} of them garbled, in {found.seconds:.0f} s")
    print(f"read {found.read:,}; whole ones lost: {found.lost}; times that ran backwards: {found.backwards}")
    print(f"false readings: {found.false}; a CRC of 16 bits allows {found.allowed:.1f} of {found.checked:,}")
    listed = ", ".join(f"{count:,} {cause.value}" for cause, count in sorted(found.rejected.items()))
    print(f"rejected: {listed}")
    print(f"memory grown after the first 100 batches: {found.grown_mb:.1f} MB")


if __name__ == "__main__":
    main()
