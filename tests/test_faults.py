"""Faults on purpose on the real daemon: each loses no more than promised (`python -m tests.faults`)."""

from __future__ import annotations

import sys
from collections.abc import Callable

import faults
import pytest

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the faults are made as Linux lets them")


@pytest.mark.nightly
@pytest.mark.timeout(900)
@pytest.mark.parametrize("fault", faults.FAULTS, ids=lambda fault: fault.__name__)
def test_a_fault_loses_no_more_than_promised(fault: Callable[[float], faults.Found]) -> None:
    found = fault(faults.FAULTS[fault][0])
    print(found)
    assert found.kept, found
