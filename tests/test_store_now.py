"""The file beside the store with the newest scan: what is packed comes back, what is torn is told."""

from __future__ import annotations

import math
import multiprocessing
from multiprocessing.synchronize import Event
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_daemon import GivenLink, Run, ten_seconds

from logger.clock import ManualClock
from logger.convert import Converter
from logger.errors import StoreError
from logger.finding import Finding, Kind, Severity
from logger.store.now import SIZE, Now, NowFile, Open, Told, pack, path_of, read_now, told_of, unpack
from logger.store.reader import Reader

TEXT = st.text(max_size=160)
FINDINGS = st.lists(
    st.builds(
        Open,
        id=st.integers(1, 10**6),
        kind=st.sampled_from([kind.value for kind in Kind]),
        severity=st.sampled_from([severity.value for severity in Severity]),
        channels=st.lists(st.text(max_size=32), max_size=4).map(tuple),
        says=TEXT,
        acknowledged=st.booleans(),
    ),
    max_size=12,
).map(tuple)
CUTOUT = st.none() | st.fixed_dictionaries(
    {"state": st.sampled_from(["open", "closed"]), "since_s": st.floats(0, 1e6), "why": TEXT, "do": TEXT}
)
NOWS = st.builds(
    Now,
    soak_id=st.integers(0, 2**32 - 1),
    sequence=st.integers(0, 2**32 - 1),
    t_us=st.integers(0, 2**62),
    written_us=st.integers(0, 2**62),
    values=st.lists(st.floats(allow_infinity=False), max_size=64).map(tuple),
    told=st.builds(
        Told, state=st.text(max_size=20), findings=FINDINGS, more=st.integers(0, 99), cutout=CUTOUT
    ),
)


def same(a: float, b: float) -> bool:
    return a == b or (math.isnan(a) and math.isnan(b))


@given(NOWS)
def test_what_is_packed_comes_back_but_for_findings_without_room_which_are_counted(now: Now) -> None:
    whole = pack(now)
    assert len(whole) == SIZE
    back = unpack(whole)
    assert back is not None
    assert len(back.values) == len(now.values)
    assert all(map(same, back.values, now.values))
    assert (back.soak_id, back.sequence, back.t_us, back.written_us) == (
        now.soak_id,
        now.sequence,
        now.t_us,
        now.written_us,
    )
    kept = len(back.told.findings)
    assert back.told.findings == now.told.findings[:kept]
    assert back.told.more - now.told.more == len(now.told.findings) - kept
    assert (back.told.state, back.told.cutout) == (now.told.state, now.told.cutout)


@given(NOWS, st.data())
def test_a_byte_that_changed_is_told(now: Now, data: st.DataObject) -> None:
    whole = bytearray(pack(now))
    whole[data.draw(st.integers(0, SIZE - 1))] ^= data.draw(st.integers(1, 255))
    assert unpack(bytes(whole)) is None


@given(NOWS, NOWS, st.integers(0, SIZE))
def test_half_of_one_and_half_of_another_is_told_or_is_one_of_them(a: Now, b: Now, cut: int) -> None:
    torn = pack(a)[:cut] + pack(b)[cut:]
    assert unpack(torn) is None or torn in (pack(a), pack(b))


@given(st.binary(max_size=200) | st.binary(min_size=SIZE, max_size=SIZE))
def test_any_other_bytes_are_told(whole: bytes) -> None:
    assert unpack(whole) is None


def test_the_worst_findings_are_kept_and_long_sentences_cut() -> None:
    def finding(number: int, severity: Severity, cleared_s: float | None = None) -> Finding:
        return Finding(
            number, Kind.DRIFT, "pair1", ("pair1",), 1.0, float(number), severity, "é" * 400,
            cleared_s=cleared_s,
        )  # fmt: skip

    findings = [finding(k, Severity.REMARK) for k in range(1, 30)]
    findings += [finding(30, Severity.TRIP), finding(31, Severity.WARNING, 9.0)]
    back = unpack(pack(Now(1, 0, 0, 0, (0.0,) * 64, told_of("soaking", findings, None))))
    assert back is not None
    assert back.told.findings[0].id == 30
    assert 31 not in {one.id for one in back.told.findings}
    assert len(back.told.findings) + back.told.more == 30
    assert back.told.findings[0].says == "é" * 159 + "…"


def test_a_file_that_is_missing_is_none_and_a_damaged_one_is_said_to_be(tmp_path: Path) -> None:
    store = tmp_path / "soak.db"
    assert read_now(store) is None
    path_of(store).write_bytes(b"\x00" * SIZE)
    with pytest.raises(StoreError, match="damaged"):
        read_now(store)


def test_it_is_overwritten_in_place_and_gone_with_the_soak(tmp_path: Path) -> None:
    store = tmp_path / "soak.db"
    file, told = NowFile(store), Told("soaking")
    for number in range(3):
        file.write(4, number, number * 100, 7, (0.076, math.nan), told)
        now = read_now(store)
        assert now is not None
        assert (now.sequence, now.t_us, now.values[0]) == (number, number * 100, 0.076)
        assert path_of(store).stat().st_size == SIZE
    file.write(4, 3, 300, 7, (0.076, math.nan), Told("cooling"))
    now = read_now(store)
    assert now is not None
    assert now.told.state == "cooling"
    file.close()
    assert read_now(store) is not None
    file.close(remove=True)
    assert read_now(store) is None


def test_a_folder_that_takes_no_file_is_told_once_and_not_tried_again(tmp_path: Path) -> None:
    file = NowFile(tmp_path / "missing" / "soak.db")
    with pytest.raises(OSError, match="No such file"):
        file.write(1, 0, 0, 0, (), Told())
    file.write(1, 1, 1, 0, (), Told())


def test_the_daemon_writes_each_block_before_anybody_is_told_of_it(tmp_path: Path) -> None:
    store = tmp_path / "soak.db"
    seen: list[Now] = []

    def look() -> None:
        now = read_now(store)
        assert now is not None
        seen.append(now)

    run = Run(store, GivenLink([ten_seconds(at_s) for at_s in (0, 10, 20)]), clock=ManualClock())
    run.each(look)
    run()
    during = seen[:3]  # the soak's end is told once more
    assert [now.t_us for now in during] == [9_900_000, 19_900_000, 29_900_000]
    assert [now.sequence for now in during] == [99, 199, 299]
    assert all(now.soak_id == 1 for now in during)
    assert during[-1].told.state == "warming"
    reader = Reader(store)
    soak = reader.soak(1)
    stored = Converter(soak.setup, soak.daq).readings(reader.scans(1)).values
    assert [now.values for now in during] == [tuple(stored[row].tolist()) for row in (99, 199, 299)]
    assert read_now(store) is None, "the soak has ended"


def _write_without_end(store: Path, begun: Event, over: Event) -> None:
    file = NowFile(store)
    long = [Told(letter * 900) for letter in "ab"]
    number = 0
    while not over.is_set():
        for _ in range(200):
            number += 1
            file.write(1, number, number, number, (float(number),) * 64, long[number % 2])
        begun.set()


def test_a_reader_never_sees_half_of_one_scan_and_half_of_another(tmp_path: Path) -> None:
    store = tmp_path / "soak.db"
    context = multiprocessing.get_context("spawn")
    begun, over = context.Event(), context.Event()
    writer = context.Process(target=_write_without_end, args=(store, begun, over))
    writer.start()
    try:
        assert begun.wait(60)
        looks, torn, seen = 20_000, 0, -1
        with path_of(store).open("rb", buffering=0) as file:
            for _ in range(looks):
                file.seek(0)
                now = unpack(file.read(SIZE))
                if now is None:
                    torn += 1
                    continue
                assert set(now.values) == {float(now.sequence)}
                assert now.told.state[0] == "ab"[now.sequence % 2]
                assert now.t_us == now.sequence >= seen
                seen = now.sequence
        for _ in range(500):
            assert read_now(store) is not None
        print(f"{torn} of {looks} looks were torn")
        assert torn < looks
    finally:
        over.set()
        writer.join(30)
    assert writer.exitcode == 0
