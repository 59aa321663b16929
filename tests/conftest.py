"""What all tests share: the same examples at every run, and no skipping in CI."""

from __future__ import annotations

import os
import sys
from collections.abc import Generator

import pytest
from hypothesis import settings

# The tests run on all cores already, where threads of a matrix product only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# The tests start hundreds of Pythons: where bytecode may not be kept, each compiles the whole program anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

settings.register_profile("soakbench", derandomize=True, deadline=None)
settings.load_profile("soakbench")


def pytest_xdist_auto_num_workers() -> int:
    """One more than there are cores: many tests wait for processes and real time."""
    return (os.cpu_count() or 1) + 1


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, None]:
    """In CI nothing that a bare machine may skip is skipped: a missing browser or tool is a failure."""
    outcome = yield
    report: pytest.TestReport = outcome.get_result()  # type: ignore[attr-defined]
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI"):
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid} was skipped, and CI skips nothing: {report.longrepr}"
