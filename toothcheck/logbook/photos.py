"""Copies of photos that hold the picture and nothing else: no place, no owner, no camera, no time.

The copy is made from the pixels alone, turned upright; whatever stood in the file beside them is never opened for
writing.  It may therefore differ from the original by what JPEG coding loses (quality 92).
"""

from __future__ import annotations

import hashlib
import io
import os
import tempfile
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from toothcheck.errors import OutputError, PhotoError


def bare_jpeg(photo: Path) -> bytes:
    """The photo's pixels as a fresh JPEG without any metadata.

    Raises
    ------
    PhotoError
        When the file cannot be read as a picture.
    """
    if photo.suffix.lower() in (".heic", ".heif"):
        from pillow_heif import register_heif_opener

        register_heif_opener()
    try:
        with Image.open(photo) as image:
            upright = ImageOps.exif_transpose(image).convert("RGB")
    except (OSError, UnidentifiedImageError, SyntaxError, ValueError, Image.DecompressionBombError) as error:
        raise PhotoError(f"{photo} cannot be read as a picture ({type(error).__name__}).") from None
    pixels_only = Image.frombytes("RGB", upright.size, upright.tobytes())  # takes no .info along
    out = io.BytesIO()
    pixels_only.save(out, "JPEG", quality=92)
    return out.getvalue()


def keep(photo: Path, folder: Path) -> tuple[str, bool]:
    """Store a bare copy in ``folder``; its file name is made from the copy's own hash.

    Returns
    -------
    tuple
        The file name, and whether it was not there before.

    Raises
    ------
    PhotoError
        When the photo cannot be read.
    OutputError
        When the copy cannot be written.
    """
    data = bare_jpeg(photo)
    name = f"{hashlib.sha256(data).hexdigest()[:32]}.jpg"
    fresh = not (folder / name).exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(dir=folder, prefix=".new-")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            Path(temporary).replace(folder / name)
        finally:
            Path(temporary).unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"The photo's copy cannot be written to {folder}: {error.strerror}.") from None
    return name, fresh
