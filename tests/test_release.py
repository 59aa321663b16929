"""What a release is made of: licences, what is known of versions, the bill of materials, the same bytes."""

from __future__ import annotations

import io
import json
import re
import tarfile
import zipfile
from pathlib import Path

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packaging.utils import canonicalize_name

from release import audit, build, licences, sbom

ROOT = Path(__file__).resolve().parents[1]


def listed() -> dict[str, tuple[str, str]]:
    """Return version and licence by package, as the page has them."""
    rows = re.findall(r"^\| (\S+) \| (\S+) \| ([^|]+) \| [^|]+ \|$", licences.PAGE.read_text("utf-8"), re.M)
    return {name: (version, licence) for name, version, licence in rows if name != "package"}


def test_the_page_of_licences_is_what_the_pinned_packages_say() -> None:
    assert licences.PAGE.read_text(encoding="utf-8") == licences.page(licences.packages()), (
        "constraints.txt has changed: python -m release.licences"
    )
    assert {name: version for name, (version, _) in listed().items()} == licences.pins()


def test_no_pinned_package_binds_who_uses_it_to_more_than_a_notice_or_the_packages_own_source() -> None:
    unusable = {
        name: licence for name, (_, licence) in listed().items() if licences.weak_parts(licence) is None
    }
    assert unusable == {}
    page = licences.PAGE.read_text(encoding="utf-8")
    for name, (_, licence) in listed().items():
        for weak in licences.weak_parts(licence) or ():
            assert re.search(rf"^- .*\b{re.escape(name)}\b.*: {re.escape(weak)}, ", page, re.M)


@pytest.mark.parametrize(
    ("licence", "bound_to"),
    [
        ("MIT", set()),
        ("GPL-3.0-only", None),
        ("AGPL-3.0-or-later", None),
        ("GPL-2.0-or-later OR MIT", set()),
        ("MIT AND GPL-3.0-or-later", None),
        ("LGPL-3.0-only AND MIT", {"LGPL-3.0-only"}),
        ("MPL-2.0 OR Apache-2.0", set()),
    ],
)
def test_of_a_choice_the_freest_counts_and_of_a_sum_every_part(
    licence: str, bound_to: set[str] | None
) -> None:
    assert licences.weak_parts(licence) == bound_to


# ---------------------------------------------------------------- what is known of versions


def answered(*packages: dict[str, object]) -> str:
    return json.dumps({"dependencies": packages, "fixes": []})


def test_an_audit_is_only_well_where_all_were_answered_for() -> None:
    fine = {"name": "one", "version": "1.0", "vulns": []}
    over = {"name": "two", "skip_reason": "Dependency not found and could not be audited: two (2.0)"}
    weak = {
        "name": "two",
        "version": "2.0",
        "vulns": [{"id": "X-1", "fix_versions": ["2.1"], "aliases": ["Y-2"]}],
    }
    assert audit.judged(answered(fine), "", ["one"])[0] == 0
    code, said = audit.judged(answered(fine, over), "", ["one", "two"])
    assert code == 3
    assert "1 of 2 were answered for, not two" in said
    code, said = audit.judged(answered(fine, weak), "", ["one", "two"])
    assert code == 1
    assert "two 2.0: X-1, Y-2, mended in 2.1" in said


@pytest.mark.parametrize("answer", ["", "Traceback", "{}", "[]"])
def test_an_audit_without_the_network_says_so_in_one_sentence(answer: str) -> None:
    code, said = audit.judged(answer, "Traceback ...\nConnectionError: no route", ["one"])
    assert code == 3
    assert said.endswith("which needs the network: ConnectionError: no route")


# ---------------------------------------------------------------- the bill of materials


def test_the_bill_of_materials_is_cyclonedx_and_lists_what_an_install_brings() -> None:
    made = sbom.bill("0.1.0", 1_795_944_738, "ab" * 32)
    assert made == sbom.bill("0.1.0", 1_795_944_738, "ab" * 32)
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(made) is None
    bill = json.loads(made)
    assert bill["metadata"]["timestamp"] == "2026-11-29T09:32:18+00:00"
    have = {canonicalize_name(one["name"]): one for one in bill["components"]}
    assert {"numpy", "dash", "typst", "pyserial", "psycopg", "pyarrow"} <= have.keys()
    assert have["pyarrow"]["scope"] == "optional"
    assert not {"pytest", "ruff", "playwright"} & have.keys()
    assert all(one["version"] == licences.pins()[one["name"]] for one in have.values())
    needs = {one["ref"]: one.get("dependsOn", []) for one in bill["dependencies"]}
    assert any(one.startswith("numpy==") for one in needs["soakbench"])
    assert any(
        one.startswith("numpy==") for one in needs[next(ref for ref in needs if ref.startswith("scipy=="))]
    )


# ---------------------------------------------------------------- the same bytes again


def test_a_build_is_the_same_again_and_leaves_nothing_out() -> None:
    built = build.wheel_and_sdist()  # raises where a byte differs
    with zipfile.ZipFile(io.BytesIO(built.wheel)) as wheel:
        carried = set(wheel.namelist())
        (described,) = (name for name in carried if name.endswith(".dist-info/METADATA"))
        told = wheel.read(described).decode("utf-8")
    assert "License-Expression: MIT" in told
    assert (ROOT / "README.md").read_text(encoding="utf-8").splitlines()[0] in told
    assert described.replace("METADATA", "licenses/LICENSE") in carried
    of_ours = {
        path.relative_to(ROOT).as_posix()
        for folder in ("logger", "dashboard")
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    }
    assert {"logger/valves.toml", "logger/store/migrations/script.py.mako", "dashboard/report.typ"} < of_ours
    assert of_ours | {"soakbench.py"} == {name for name in carried if ".dist-info/" not in name}
    with tarfile.open(fileobj=io.BytesIO(built.sdist)) as sdist:
        names = {name.split("/", 1)[1] for name in sdist.getnames()}
    assert {"LICENSE", "README.md", "constraints.txt", "Makefile", ".ci/run", "tests/conftest.py"} < names
    assert {name for name in names if name.startswith("tests/")} >= {
        path.relative_to(ROOT).as_posix() for path in (ROOT / "tests").rglob("*.*") if path.suffix != ".pyc"
    }
