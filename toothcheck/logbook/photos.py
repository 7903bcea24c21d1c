"""Copies of photos that hold the picture and nothing else: no place, no owner, no camera, no time.

The copy is made from the pixels alone, which ``photo`` has read and turned upright.  It may therefore differ from the
original by what JPEG coding loses (quality 92).
"""

from __future__ import annotations

import hashlib
import io
import os
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from toothcheck.errors import OutputError


def keep(colour: NDArray[np.uint8], folder: Path) -> tuple[str, bool]:
    """Store a bare copy in ``folder``; its file name is made from the copy's own hash.

    Parameters
    ----------
    colour
        (height, width, 3) the photo in RGB.
    folder
        Made where there is none.

    Returns
    -------
    tuple
        The file name, and whether it was not there before.

    Raises
    ------
    OutputError
        When the copy cannot be written.
    """
    out = io.BytesIO()
    Image.fromarray(colour).save(out, "JPEG", quality=92)
    data = out.getvalue()
    name = f"{hashlib.sha256(data).hexdigest()[:32]}.jpg"
    try:
        fresh = not (folder / name).exists()
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
