"""Garbled lines by the thousand: nothing falls over, and no reading comes of them that nobody sent."""

from __future__ import annotations

import pytest

from benchmarks.hostile_lines import run
from logger.link.frames import Cause


@pytest.mark.parametrize("seed", [11, 12])
def test_garbled_lines_give_no_reading_and_spoil_no_other(seed: int) -> None:
    found = run(30_000, seed)
    assert found.lost == 0
    assert found.backwards == 0
    assert found.garbled > 14_000
    # by these seeds, none; one in 65,536 may pass the CRC, and then it must look like a scan
    assert found.false == 0
    assert found.rejected[Cause.CRC] > 0.9 * found.garbled
    assert found.rejected[Cause.TOO_LONG] > 0
