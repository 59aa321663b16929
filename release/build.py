"""Wheel and sdist, the same to the byte wherever they are built; tried in a clean environment; a release.

    python -m release.build wheel      both into dist/, built twice and compared
    python -m release.build smoke      the wheel and its needs into a new environment, the program tried
    python -m release.build release    both, the bill of materials and the sums into dist/

Built is the working tree less what git ignores, from a copy of it; files' times are those of the last commit.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
import venv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

ROOT: Final = Path(__file__).resolve().parents[1]
DIST: Final = ROOT / "dist"
WITHOUT_GIT_S: Final = 1580601600
"""2020-02-02, what hatchling takes where nothing says a time."""
_DEMO_VERDICTS: Final = (0, 1)


def main(arguments: Sequence[str]) -> int:
    match arguments:
        case ["wheel"]:
            _put(wheel_and_sdist())
        case ["smoke"]:
            with tempfile.TemporaryDirectory(prefix="soakbench-smoke-") as folder:
                wheel, _ = built_once(Path(folder) / "dist")
                smoke(wheel, Path(folder))
        case ["release"]:
            release()
        case _:
            print(__doc__)
            return 2
    return 0


# ---------------------------------------------------------------- building


def made_s() -> int:
    """Return the time that files in a build have: SOURCE_DATE_EPOCH, else that of the last commit."""
    told = os.environ.get("SOURCE_DATE_EPOCH") or _git("log", "-1", "--format=%ct") or WITHOUT_GIT_S
    return int(told)


def _git(*arguments: str) -> str:
    """Return what git says of this tree, nothing where there is no git or no repository."""
    try:
        ran = subprocess.run(["git", *arguments], cwd=ROOT, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        return ""
    return ran.stdout.rstrip("\n") if ran.returncode == 0 else ""


def copy_tree(to: Path) -> None:
    """Copy the working tree less what git ignores; less what work leaves, where there is no git."""
    known = _git("ls-files", "-z", "--cached", "--others", "--exclude-standard").split("\0")
    names = sorted({name for name in known if name and (ROOT / name).is_file()})
    if not names:
        left = shutil.ignore_patterns(
            ".git", ".venv", "dist", "out*", "__pycache__", ".*_cache", ".hypothesis"
        )
        shutil.copytree(ROOT, to, ignore=left)
        return
    for name in names:
        target = to / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(ROOT / name, target)


def built_once(out: Path, of: Path | None = None) -> tuple[Path, Path]:
    """Build wheel and sdist into a folder, from a fresh copy or of `of`; return their paths."""
    with tempfile.TemporaryDirectory(prefix="soakbench-build-") as folder:
        tree = of or Path(folder) / "tree"
        if of is None:
            copy_tree(tree)
        environment = os.environ | {"SOURCE_DATE_EPOCH": str(made_s())}
        command = [sys.executable, "-m", "hatchling", "build", "-d", str(out)]
        ran = subprocess.run(command, cwd=tree, env=environment, capture_output=True, text=True, check=False)
        if ran.returncode:
            raise SystemExit(f"the build failed:\n{ran.stdout}{ran.stderr}")
    (wheel,), (sdist,) = out.glob("*.whl"), out.glob("*.tar.gz")
    return wheel, sdist


@dataclass(frozen=True)
class Built:
    """What a build makes, and how it is called."""

    wheel: bytes
    sdist: bytes
    wheel_name: str
    sdist_name: str


def wheel_and_sdist() -> Built:
    """Build twice, once with other rights and times of files, and once more the wheel from the sdist.

    Raises SystemExit where a byte differs.
    """
    with tempfile.TemporaryDirectory(prefix="soakbench-twice-") as name:
        folder = Path(name)
        wheel, sdist = built_once(folder / "one")
        other_tree = folder / "elsewhere" / "another-name"
        copy_tree(other_tree)
        for path in other_tree.rglob("*"):
            os.utime(path, (86_400, 86_400))
            if path.is_file():
                path.chmod(0o600)
        again, again_sdist = built_once(folder / "two", other_tree)
        shutil.unpack_archive(sdist, folder / "unpacked", filter="data")
        (from_sdist,) = (folder / "unpacked").iterdir()
        third, _ = built_once(folder / "three", from_sdist)
        for one, other in ((wheel, again), (sdist, again_sdist), (wheel, third)):
            if one.read_bytes() != other.read_bytes():
                raise SystemExit(f"{one.name} is another when it is built again, in {other.parent.name}")
        return Built(wheel.read_bytes(), sdist.read_bytes(), wheel.name, sdist.name)


def _put(built: Built) -> tuple[Path, Path]:
    DIST.mkdir(exist_ok=True)
    wheel, sdist = DIST / built.wheel_name, DIST / built.sdist_name
    for path, content in ((wheel, built.wheel), (sdist, built.sdist)):
        path.write_bytes(content)
        print(f"{path.relative_to(ROOT)}  {len(content) / 1e6:.2f} MB, built again alike")
    return wheel, sdist


def release() -> None:
    """Put wheel, sdist, bill of materials and SHA256SUMS into an empty dist/."""
    from release.sbom import bill

    if changed := _git("status", "--porcelain"):
        raise SystemExit(f"a release is what was committed, and this is not:\n{changed}")
    shutil.rmtree(DIST, ignore_errors=True)
    wheel, sdist = _put(wheel_and_sdist())
    version = wheel.name.split("-")[1]
    sbom = DIST / f"soakbench-{version}.cdx.json"
    sbom.write_text(bill(version, made_s(), _sha256(wheel)), encoding="utf-8")
    sums = "".join(f"{_sha256(path)}  {path.name}\n" for path in (sbom, sdist, wheel))
    (DIST / "SHA256SUMS").write_text(sums, encoding="utf-8")
    print(sums, end="")


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


# ---------------------------------------------------------------- trying


def smoke(wheel: Path, folder: Path) -> None:
    """Install a wheel and all it needs into a new environment, and try the program from outside this tree.

    Raises SystemExit with what it said where a part is missing.
    """
    started = time.monotonic()
    place = folder / "environment"
    venv.create(place, with_pip=True)
    python = place / ("Scripts" if os.name == "nt" else "bin") / "python"
    constraints = ["-c", str(ROOT / "constraints.txt")]
    _ran([python, "-m", "pip", "install", "--quiet", "--no-compile", *constraints, wheel], folder, (0,))
    print(f"installed with its dependencies in {time.monotonic() - started:.0f} s")
    at_work = folder / "work"
    at_work.mkdir()

    def soakbench(*arguments: object, codes: Sequence[int] = (0,)) -> str:
        said = _ran([python.with_name("soakbench"), *arguments], at_work, codes)
        print(f"soakbench {' '.join(map(str, arguments))}: well")
        return said

    where = _ran(
        [python, "-c", "import logger, dashboard; print(logger.__file__, dashboard.__file__)"], at_work
    )
    if any(not path.startswith(str(place)) for path in where.split()):
        raise SystemExit(f"not what was installed is tried, but {where}")
    _holds(soakbench("--version"), wheel.name.split("-")[1])
    _holds(soakbench("--help"), "Exit codes:")
    shutil.copyfile(ROOT / "sample_logs" / "drift.toml", at_work / "setup.toml")
    _holds(soakbench("check", "setup.toml"), "EL34")
    _holds(soakbench("target", "--valve", "EL34", "--ht", 455, "--pct", 65), "mA")  # valves.toml
    soakbench("demo", "healthy", "--headless", "--out", "out", codes=_DEMO_VERDICTS)  # migrations, report.typ
    store = ("--db", "out/soak.db")
    soakbench("report", "last", "--out", "out/soak.html", *store)  # report.html, report.css
    soakbench("jobs", "new", "--customer", "Theatre", "--amp", "PA 240 W", *store)  # checklists.toml
    _serves([python.with_name("soakbench"), "dash", *store], at_work)
    for name, begins in {"report.pdf": b"%PDF", "soak.html": b"<!"}.items():
        if not (at_work / "out" / name).read_bytes().startswith(begins):
            raise SystemExit(f"{name} is none")


def _serves(command: Sequence[Any], folder: Path) -> None:
    """Start the dashboard, and fetch a page with all that it names."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    running = subprocess.Popen([*map(str, command), "--port", str(port)], cwd=folder, env=_clean())
    try:
        page = _fetched(port, "/", patience_s=60.0)
        named = sorted(set(re.findall(r'(?:src|href)="(/[^"]+)"', page)))
        scripts = [address for address in named if "." in address]
        if not any("soakbench" in address for address in scripts):
            raise SystemExit(f"the dashboard's page names no style sheet of its own: {named}")
        for address in scripts:
            _fetched(port, address)
        print(f"soakbench dash: well, and {len(scripts)} files that its page names")
    finally:
        running.terminate()
        running.wait(30)


def _fetched(port: int, address: str, patience_s: float = 0.0) -> str:
    until = time.monotonic() + patience_s
    while True:
        asked = urllib.request.Request(f"http://127.0.0.1:{port}{address}", headers={"Accept": "text/html"})
        try:
            with urllib.request.urlopen(asked, timeout=30) as answer:
                content: bytes = answer.read()
            return content.decode("utf-8", "replace")
        except OSError as error:
            if time.monotonic() >= until:
                raise SystemExit(f"the dashboard does not answer {address}: {error}") from None
            time.sleep(0.2)


def _holds(said: str, wanted: str) -> None:
    if wanted not in said:
        raise SystemExit(f"{wanted!r} is not in what was said:\n{said}")


def _ran(command: Sequence[Any], folder: Path, codes: Sequence[int] = (0,)) -> str:
    ran = subprocess.run(
        [str(part) for part in command], cwd=folder, env=_clean(), capture_output=True, text=True, check=False
    )
    if ran.returncode not in codes:
        said = "".join((ran.stdout + ran.stderr)[-3000:])
        raise SystemExit(f"{' '.join(map(str, command))} ended with {ran.returncode}:\n{said}")
    return ran.stdout


def _clean() -> dict[str, str]:
    """Return the environment less what could lead Python to this tree."""
    return {
        name: value
        for name, value in os.environ.items()
        if name not in ("PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV")
    }


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
