"""The house keeps its own rules: layers, docs that leave nothing out, versions that are pinned."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import soakbench
from logger.finding import Kind

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
FINDS = (ROOT / "docs" / "finds.md").read_text(encoding="utf-8")
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
COMMANDS = [name for name, _, _ in soakbench.COMMANDS]


def test_imports_run_one_way_through_the_layers() -> None:
    lint = Path(sys.executable).with_name("lint-imports")
    if not lint.exists():
        pytest.skip("import-linter is not installed: it comes with the extra [lint]")
    ran = subprocess.run([lint, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout


def test_only_the_clock_asks_the_machine_for_the_time() -> None:
    asks = re.compile(r"\b(time\.(time|monotonic|perf_counter)\w*\(|datetime\.(now|utcnow|today)\()")
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in [*(ROOT / "logger").rglob("*.py"), *(ROOT / "dashboard").rglob("*.py")]
        if path.name != "clock.py"
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if asks.search(line)
    ]
    assert found == []


@pytest.mark.parametrize("command", COMMANDS)
def test_the_readme_names_every_command(command: str) -> None:
    assert re.search(rf"(soakbench |`){command}\b", README)


def test_the_readme_and_the_developers_page_name_every_exit_code() -> None:
    for code, _ in soakbench.EXIT_CODES:
        assert f"\n| {code} |" in README
        assert f"\n| {code} |" in DEVELOPERS


def test_the_docs_name_every_kind_that_some_detector_finds() -> None:
    sources = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "logger" / "watch").glob("*.py"))
    found = {kind for kind in Kind if f"Kind.{kind.name}" in sources}
    assert len(found) >= 10
    missing = [kind.value for kind in found if f"| `{kind.value}` |" not in FINDS]
    assert missing == []
    promised = set(re.findall(r"^\| `([a-zA-Z -]+)` \|", FINDS, flags=re.MULTILINE))
    assert promised == {kind.value for kind in found}


def test_the_docs_name_every_scenario_of_the_demo() -> None:
    from logger.simulator import scenarios

    look = (ROOT / "docs" / "first-look.md").read_text(encoding="utf-8")
    for name in scenarios.NAMES:
        assert f"`{name}`" in look


def test_the_readme_is_what_the_first_ten_minutes_want_and_leads_to_every_other_page() -> None:
    assert len(README.splitlines()) <= 150
    for page in (ROOT / "docs").glob("*.md"):
        assert f"](docs/{page.name})" in README, page.name


def test_the_developers_page_names_every_module_of_the_logger() -> None:
    modules = {path.stem for path in (ROOT / "logger").glob("*.py")} - {"__init__"}
    packages = {path.parent.name for path in (ROOT / "logger").glob("*/__init__.py")}
    for name in modules:
        assert f"  {name}." in DEVELOPERS, name
    for name in packages:
        assert f"  {name}/" in DEVELOPERS, name


def test_files_that_the_docs_point_to_exist() -> None:
    for page in PAGES:
        for target in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_the_set_up_in_the_docs_is_a_set_up() -> None:
    from logger.setup import parse

    text = (ROOT / "docs" / "files.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", text, flags=re.DOTALL)
    (example,) = [block for block in blocks if "soakbench.setup/1" in block]
    assert parse(example).amp.name == "Theatre PA 240 W"


def test_every_dependency_has_its_version_pinned_and_no_address() -> None:
    lines = [
        line
        for line in (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
        if line and not line.startswith("#")
    ]
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.!+]+", line) for line in lines)
    pinned = {re.sub(r"[-_.]+", "-", line.split("==")[0]).lower() for line in lines}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [
        *project["dependencies"],
        *(r for extra in project["optional-dependencies"].values() for r in extra),
    ]
    names = {re.sub(r"[-_.]+", "-", re.split(r"[<>=!\[; ]", text)[0]).lower() for text in wanted}
    assert names - pinned == set()


def test_the_readme_asks_for_exactly_two_commands() -> None:
    start = README.split("## Start")[1].split("```")[1].split()
    assert start == ["make", "demo", "make", "test"]
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    for target in ("setup", "demo", "test", "lint", "bench"):
        assert re.search(rf"^{target}:", makefile, flags=re.MULTILINE)


def test_the_sample_logs_are_small_together() -> None:
    size = sum(path.stat().st_size for path in (ROOT / "sample_logs").iterdir())
    assert 0 < size < 2_000_000


def test_the_small_plotly_is_of_the_version_that_dash_is_made_for() -> None:
    import plotly

    from dashboard.app import PLOTLY

    whole = Path(plotly.__file__).parent / "package_data" / "plotly.min.js"
    versions = [
        re.findall(r"plotly\.js (?:\(basic - minified\) )?v([\d.]+)", path.read_text(encoding="utf-8")[:400])
        for path in (PLOTLY, whole)
    ]
    assert versions[0] == versions[1]
    assert len(versions[0]) == 1
    assert "MIT" in (PLOTLY.parent / "LICENSE").read_text(encoding="utf-8")
    assert PLOTLY.stat().st_size < 1_300_000
