"""Is anything known against a pinned version? Asks a public database of weaknesses, so it needs the network.

    python -m release.audit

Exit code 0: nothing is known of any; 1: something is; 3: the database was not reached, or not about all.
"""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any, Final

from release.licences import PINS, pins

_LONGEST_S: Final = 600.0
_COMMAND: Final = ("--requirement", str(PINS), "--no-deps", "--disable-pip", "--format", "json")


def main() -> int:
    command = [sys.executable, "-m", "pip_audit", *_COMMAND, "--progress-spinner", "off"]
    try:
        ran = subprocess.run(command, capture_output=True, text=True, timeout=_LONGEST_S, check=False)
    except subprocess.TimeoutExpired:
        print(_not_reached("nothing was said within ten minutes"), file=sys.stderr)
        return 3
    code, said = judged(ran.stdout, ran.stderr, list(pins()))
    print(said, file=sys.stderr if code == 3 else sys.stdout)
    return code


def judged(answer: str, errors: str, asked: list[str]) -> tuple[int, str]:
    """Return exit code and words for what pip-audit answered about these packages.

    What it passes over counts as not asked: pip-audit itself says "No known vulnerabilities found" then.
    """
    try:
        told: list[dict[str, Any]] = json.loads(answer)["dependencies"]
    except (ValueError, KeyError, TypeError):
        last = errors.strip().splitlines()
        return 3, _not_reached(last[-1] if last else "no answer")
    known = [
        f"{one['name']} {one['version']}: {', '.join([weak['id'], *weak['aliases']])}"
        f", mended in {', '.join(weak['fix_versions']) or 'no version yet'}"
        for one in told
        for weak in one.get("vulns", [])
    ]
    answered = sum("vulns" in one for one in told)
    if known:
        return 1, "\n".join(["Known of what is pinned:", *known])
    if answered < len(asked):
        passed_over = [one["name"] for one in told if "vulns" not in one]
        why = f"{answered} of {len(asked)} were answered for"
        return 3, _not_reached(why + (f", not {', '.join(passed_over[:5])} ..." if passed_over else ""))
    return 0, f"nothing is known against any of the {answered} pinned versions"


def _not_reached(why: str) -> str:
    return f"the pinned versions could not be held against the database, which needs the network: {why}"


if __name__ == "__main__":
    sys.exit(main())
