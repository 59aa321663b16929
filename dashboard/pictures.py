"""Photographs and logos made ready to be shown: upright, small enough, without what a camera wrote in them.

PDF/A-1 knows no transparency, so what is see-through lies on white.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path
from typing import Any, BinaryIO, Final

from logger.errors import RequestError

_PHOTO_PX: Final = 1400
_LOGO_PX: Final = 900
_LOGO_BYTES: Final = 5_000_000


def photograph(file: Path | BinaryIO, most_px: int = _PHOTO_PX) -> bytes | None:
    """Return a photograph as a JPEG of at most so many pixels either way; None where it can't be read."""
    from PIL import Image, ImageOps

    try:
        with Image.open(file, formats=("JPEG", "PNG")) as image:
            image.draft("RGB", (most_px, most_px))  # a large JPEG is decoded smaller at once
            upright = ImageOps.exif_transpose(image)
            upright.thumbnail((most_px, most_px))
            out = io.BytesIO()
            _on_white(upright).save(out, "JPEG", quality=82)
    except (OSError, SyntaxError, ValueError, Image.DecompressionBombError):
        return None
    return out.getvalue()


def logo(path: Path) -> bytes:
    """Return a PNG or SVG file as a PNG on white; RequestError where it is neither."""
    from PIL import Image

    try:
        if path.stat().st_size > _LOGO_BYTES:
            raise RequestError(f"the logo {path} is larger than 5 MB: make it smaller first")
        data = _drawn(path) if path.suffix.lower() == ".svg" else path.read_bytes()
        with Image.open(io.BytesIO(data), formats=("PNG",)) as image:
            image.thumbnail((_LOGO_PX, _LOGO_PX))
            out = io.BytesIO()
            _on_white(image).save(out, "PNG")
    except (OSError, SyntaxError, ValueError, RuntimeError, Image.DecompressionBombError) as error:
        raise RequestError(
            f"the logo {path} can't be used ({error}): it is to be a PNG or SVG file"
        ) from error
    return out.getvalue()


def _drawn(path: Path) -> bytes:
    """Draw an SVG as a PNG; nothing that it points to is fetched."""
    import typst

    with tempfile.TemporaryDirectory(prefix="soakbench-logo-") as folder:
        Path(folder, "logo.svg").write_bytes(path.read_bytes())
        main = Path(folder, "logo.typ")
        main.write_text(
            '#set page(width: auto, height: auto, margin: 0pt)\n#image("logo.svg", width: 60mm)\n',
            encoding="utf-8",
        )
        made = typst.compile(main, root=main.parent, format="png", ppi=300.0, ignore_system_fonts=True)
    return made


def _on_white(image: Any) -> Any:
    from PIL import Image

    if image.mode in ("RGB", "L"):
        return image
    layer = image.convert("RGBA")
    flat = Image.new("RGBA", layer.size, "white")
    flat.alpha_composite(layer)
    return flat.convert("RGB")
