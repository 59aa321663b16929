"""Photographs as files in the folder `<store>-photos` beside the store, named by their SHA-256.

The bytes are kept as they came, with whatever the camera wrote into them (time, place, serial number): who
passes a photograph on passes that on too. No file is overwritten, and no name that a person gave becomes a
path.
"""

from __future__ import annotations

import hashlib
import io
import os
import warnings
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from logger.errors import RequestError, StoreError
from logger.jobs import LONGEST_LINE, Photograph

MOST_BYTES: Final = 50_000_000
MOST_PIXELS: Final = 100_000_000
_KINDS: Final = {"JPEG": "jpeg", "MPO": "jpeg", "PNG": "png"}  # MPO: a JPEG with further pictures behind it


@dataclass(frozen=True)
class Looked:
    """A file that was found to be a photograph."""

    checksum: str
    kind: str
    width_px: int
    height_px: int
    name: str
    data: bytes = field(repr=False)


def folder(store: Path) -> Path:
    """Return the folder of a store's photographs."""
    return store.with_name(f"{store.name}-photos")


def path_of(store: Path, photograph: Photograph) -> Path:
    """Return where a photograph's file lies."""
    return folder(store) / photograph.file


def looked_at(file: Path) -> Looked:
    """Read a file and say what it is; RequestError where it is no whole JPEG or PNG, or too large."""
    try:
        if file.exists() and not file.is_file():
            raise RequestError(f"{file} is no file: name the photograph itself")
        with file.open("rb") as opened:
            data = opened.read(MOST_BYTES + 1)
    except OSError as error:
        raise RequestError(
            f"the photograph {file} can't be read ({error.strerror}): check the name"
        ) from error
    return looked_into(data, str(file))


def looked_into(data: bytes, file: str) -> Looked:
    """Say what some bytes are; `file`: what they are called, which is never taken for a path."""
    from PIL import Image, UnidentifiedImageError

    if len(data) > MOST_BYTES:
        raise RequestError(f"{file} is larger than {MOST_BYTES // 10**6} MB: make it smaller first")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as image:
                kind, (width, height) = _KINDS[image.format or ""], image.size
                if width * height > MOST_PIXELS:
                    raise RequestError(
                        f"{file} has more than {MOST_PIXELS // 10**6} million pixels: make it smaller first"
                    )
                image.load()
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise RequestError(f"{file} is no whole JPEG or PNG picture: save it as one first") from error
    bare = file.replace("\\", "/").rpartition("/")[2]
    name = "".join(letter if letter.isprintable() else "?" for letter in bare)[:LONGEST_LINE]
    return Looked(hashlib.sha256(data).hexdigest(), kind, width, height, name, data)


def keep(store: Path, found: Looked) -> Path:
    """Write a photograph beside the store, unless it is there already; return its path."""
    suffix = "jpg" if found.kind == "jpeg" else found.kind
    path = folder(store) / f"{found.checksum}.{suffix}"
    try:
        path.parent.mkdir(exist_ok=True)
        if path.exists() and checksum(path) == found.checksum:
            return path
    except OSError as error:
        raise StoreError(
            f"{path.parent} can't be used ({error.strerror}): see who may write there"
        ) from error
    if path.exists():
        raise StoreError(f"{path} is damaged: put it aside, then add the photograph again")
    half = path.with_suffix(f".{os.getpid()}.part")
    try:
        with half.open("xb") as out:
            out.write(found.data)
            out.flush()
            os.fsync(out.fileno())
        half.rename(path)
    except OSError as error:
        raise StoreError(f"{path} can't be written ({error.strerror}): make room, or see who may") from error
    finally:
        half.unlink(missing_ok=True)
    return path


def read(store: Path, photograph: Photograph) -> Looked:
    """Return a photograph as it was when it was added."""
    data = path_of(store, photograph).read_bytes()
    return Looked(
        photograph.checksum,
        photograph.kind,
        photograph.width_px,
        photograph.height_px,
        photograph.name,
        data,
    )


def checksum(path: Path) -> str:
    """Return a file's SHA-256, in hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def wrong(store: Path, photograph: Photograph) -> str | None:
    """Say what is wrong with a photograph's file, None where it is whole."""
    path = path_of(store, photograph)
    label = f"photograph {photograph.id} of job {photograph.job_id}"
    try:
        found = checksum(path)
    except FileNotFoundError:
        return f"{label} is missing: {path} is not there"
    except OSError as error:
        return f"{label} can't be read ({error.strerror}): {path}"
    if found != photograph.checksum:
        return f"{label} is damaged: {path} is not the file that was added"
    return None
