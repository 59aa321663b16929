"""The picture of what each detector saw: what it holds, what it refuses, and that looking changes nothing."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import soakbench
from logger import logfile, setup
from logger.errors import RequestError
from logger.explain import Explainer
from logger.pipeline import Pipeline

LOGS = Path(__file__).parent.parent / "sample_logs"


def explained(name: str, channel: str) -> tuple[Explainer, Pipeline]:
    found = setup.load(LOGS / f"{name}.toml")
    pipeline, explainer = Pipeline(found), Explainer(found, channel)
    for readings, marks in logfile.read(LOGS / f"{name}.csv.gz", found):
        explainer.feed(pipeline, readings, marks)
    pipeline.finish()
    return explainer, pipeline


def test_looking_changes_nothing_and_the_page_needs_nothing_from_outside() -> None:
    found = setup.load(LOGS / "drift.toml")
    plain = Pipeline(found)
    for readings, marks in logfile.read(LOGS / "drift.csv.gz", found):
        plain.feed(readings, marks)
    plain.finish()
    explainer, pipeline = explained("drift", "pair3")
    assert pipeline.findings == plain.findings
    page = explainer.page(pipeline.findings)
    assert not re.search(r"<(script|link|img)[^>]*(src|href)=", page)
    assert "has been rising" in page
    for kind in ("drift", "runaway", "unsettled", "mismatch", "step change", "drop-out", "intermittent"):
        assert f">{kind}:" in page or f'"{kind}: ' in page


def test_each_detector_passes_its_line_where_it_found_something() -> None:
    explainer, pipeline = explained("drift", "pair3")
    drift = next(f for f in pipeline.findings if f.kind.value == "drift")
    seen = explainer.seen["drift"]
    before = [
        sight.value for t_s, sight in seen if t_s < drift.raised_s - 600.0 and sight.value == sight.value
    ]
    after = [sight.value for t_s, sight in seen if t_s > drift.raised_s + 60.0]
    assert max(before) < seen[-1][1].limit < min(after)
    healthy, quiet = explained("healthy", "pair1")
    assert [f for f in quiet.findings if "pair1" in f.channels] == []
    for kind in ("drift", "runaway", "mismatch", "step change", "measuring fault", "over-dissipation"):
        assert all(not sight.value > sight.limit for _, sight in healthy.seen[kind]), kind


def test_what_is_no_pair_is_refused_with_the_names_that_are() -> None:
    with pytest.raises(RequestError, match="explain one of pair1, pair2, pair3, pair4"):
        Explainer(setup.load(LOGS / "drift.toml"), "ht")


def test_the_command_draws_and_never_overwrites(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "pair2.html"
    log, toml = str(LOGS / "drop-out.csv.gz"), str(LOGS / "drop-out.toml")
    asked = ["judge", log, "--setup", toml, "--explain", "pair2", "--out", str(out)]
    assert soakbench.main(asked) == 1
    assert out.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert f"is drawn in {out}" in capsys.readouterr().err
    assert soakbench.main(asked) == 2
    assert soakbench.main(["judge", log, "--setup", toml, "--out", str(out)]) == 2
    assert soakbench.main(["judge", log]) == 2
    assert "--setup" in capsys.readouterr().err
