"""The bill of materials of a release, as CycloneDX 1.6 (ECMA-424): what an install brings, and why."""

from __future__ import annotations

import json
import uuid
from datetime import UTC, datetime
from typing import Final

from cyclonedx.contrib.license.factories import LicenseFactory
from cyclonedx.model import HashAlgorithm, HashType, Property
from cyclonedx.model.bom import Bom
from cyclonedx.model.component import Component, ComponentScope, ComponentType
from cyclonedx.output import make_outputter
from cyclonedx.schema import OutputFormat, SchemaVersion
from packageurl import PackageURL
from packaging.utils import canonicalize_name

from release.licences import Package, needed, packages

_NAMESPACE: Final = uuid.uuid5(uuid.NAMESPACE_DNS, "soakbench.invalid")


def bill(version: str, made_s: int, wheel_sha256: str) -> str:
    """Return the bill as JSON, the same for the same wheel and versions; `made_s`: seconds of the epoch, UTC.

    What comes with an extra only is in it as optional; what soakbench is developed with is not.
    """
    itself = Component(
        name="soakbench",
        version=version,
        type=ComponentType.APPLICATION,
        licenses=[LicenseFactory().make_from_string("MIT")],
        hashes=[HashType(alg=HashAlgorithm.SHA_256, content=wheel_sha256)],
        purl=PackageURL("pypi", None, "soakbench", version),
        bom_ref="soakbench",
    )
    brought = [one for one in packages() if one.wanted_by != "development"]
    parts: dict[str, Component] = {canonicalize_name(one.name): _component(one) for one in brought}
    serial = uuid.uuid5(
        _NAMESPACE, " ".join([wheel_sha256, *(f"{one.name}=={one.version}" for one in brought)])
    )
    bom = Bom(components=parts.values(), serial_number=serial)
    bom.metadata.component = itself
    bom.metadata.timestamp = datetime.fromtimestamp(made_s, UTC)
    edges = needed()
    for extra in ("parquet", "postgres"):
        for name, wants in needed(extra).items():
            edges[name] = sorted({*edges.get(name, []), *wants})
    for name, wants in edges.items():
        at = itself if name == "soakbench" else parts[name]
        bom.register_dependency(at, [parts[one] for one in wants])
    made = make_outputter(bom, OutputFormat.JSON, SchemaVersion.V1_6).output_as_string()
    return json.dumps(json.loads(made), indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def _component(one: Package) -> Component:
    name = canonicalize_name(one.name)
    every = one.wanted_by == "every install"
    return Component(
        name=one.name,
        version=one.version,
        type=ComponentType.LIBRARY,
        scope=ComponentScope.REQUIRED if every else ComponentScope.OPTIONAL,
        licenses=[LicenseFactory().make_from_string(one.licence)],
        purl=PackageURL("pypi", None, name, one.version),
        bom_ref=f"{name}=={one.version}",
        properties=[] if every else [Property(name="soakbench:extra", value=one.wanted_by)],
    )
