"""A photo as loaded: turned once by its EXIF orientation, luma and chroma for measuring, colour on request.

JPEG, PNG, WebP, TIFF and HEIC through Pillow (a JPEG's own YCbCr is taken as it is, without a detour by RGB).  Pixel
conventions: see `toothcheck.geometry`.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import io
import math
import re
import struct
import warnings
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps, UnidentifiedImageError

from toothcheck.errors import PhotoError
from toothcheck.geometry import Floats

MAX_MEGAPIXELS = 110
MIN_SIDE_PX = 200
MAX_SIDE_PX = 32766
"""OpenCV counts the pixels of a side with 16 bits where it samples between them."""
_DAMAGED = (
    OSError, ValueError, SyntaxError, EOFError, TypeError, LookupError, ArithmeticError, RuntimeError, struct.error,
)  # fmt: skip
"""What Pillow and its decoders raise where a file's content is not what its head says."""
_NO_LETTER = re.compile("[\ud800-\udfff]")
_FOCAL_35, _DIGITAL_ZOOM, _EXIF_IFD = 0xA405, 0xA404, 0x8769


@functools.cache
def _linear_table() -> NDArray[np.float32]:
    """Grey value -> light, 0…255, by the sRGB curve (IEC 61966-2-1)."""
    v = np.arange(256) / 255
    return (255 * np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)).astype(np.float32)


def linear_light(grey: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Light of grey values, 0…255, same shape.

    Lenses blur light, not grey values: an edge located in grey values is drawn towards its dark side by up to
    0.3 blurs.
    """
    return np.asarray(_linear_table()[grey])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """A decoded photo."""

    name: str
    sha256: str
    planes: NDArray[np.uint8]
    """(height, width, 3) luma, blue and red chroma (YCbCr, BT.601 full range as in JFIF), read-only."""
    focals_35mm: tuple[float, ...]
    """35 mm equivalents of the focal length that the file leaves possible; none where it tells nothing."""
    encoded: bytes
    """The file as it was, for a second decode in colour."""
    loaded_px: tuple[int, int]
    """Width and height as loaded, of which ``planes`` may be a reduction."""

    @property
    def grey(self) -> NDArray[np.uint8]:
        """(height, width) luma."""
        return self.planes[..., 0]

    @property
    def width_px(self) -> int:
        """Width of ``planes``, after the EXIF turn."""
        return int(self.planes.shape[1])

    @property
    def height_px(self) -> int:
        """Height of ``planes``, after the EXIF turn."""
        return int(self.planes.shape[0])

    @property
    def per_loaded(self) -> Floats:
        """(2,) pixels of ``planes`` for each pixel as loaded, across and down."""
        return np.array([self.width_px, self.height_px]) / self.loaded_px

    def from_loaded(self, px: Floats) -> Floats:
        """Positions (…, 2) in the photo as loaded -> in ``planes``."""
        return np.asarray((px + 0.5) * self.per_loaded - 0.5)

    def as_loaded(self, px: Floats) -> Floats:
        """Positions (…, 2) in ``planes`` -> in the photo as loaded."""
        return np.asarray((px + 0.5) / self.per_loaded - 0.5)

    def reduced(self, factor: float) -> Photo:
        """The same photo with fewer pixels, each the mean of those it covers; ``factor``, below 1, is of its sides."""
        size = max(1, round(self.width_px * factor)), max(1, round(self.height_px * factor))
        planes = np.asarray(cv2.resize(self.planes, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        planes.flags.writeable = False
        return replace(self, planes=planes)

    def colour(self) -> NDArray[np.uint8]:
        """(height, width, 3) RGB, as large as ``planes``, decoded anew: the measuring itself needs grey only."""
        with _opened(self.encoded, self.name) as image:
            pixels = _pixels(image, self.name, "RGB")
        if pixels.shape == self.planes.shape:
            return pixels
        size = self.width_px, self.height_px
        return np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


@contextlib.contextmanager
def _opened(encoded: bytes, name: str) -> Iterator[Image.Image]:
    """The picture, to be decoded here: of odd palettes and EXIF blocks Pillow warns, which nobody can do a thing about.

    So it does of many pixels, for which we have a limit of our own.
    """
    with warnings.catch_warnings():
        for kind in (UserWarning, Image.DecompressionBombWarning):
            warnings.simplefilter("ignore", kind)
        with _recognized(encoded, name) as image:
            yield image


def _recognized(encoded: bytes, name: str) -> Image.Image:
    if encoded[4:12] in (b"ftypheic", b"ftypheix", b"ftypmif1", b"ftypmsf1", b"ftyphevc", b"ftypavif"):
        from pillow_heif import register_heif_opener

        register_heif_opener()
    try:
        return Image.open(io.BytesIO(encoded))
    except UnidentifiedImageError as error:
        raise PhotoError(
            f"{name} is not a photo that can be read: its content is no known picture format.",
            hint="Use JPEG, PNG, WebP, TIFF or HEIC.",
        ) from error
    except Image.DecompressionBombError as error:
        raise PhotoError(
            f"{name} has far more than the {MAX_MEGAPIXELS} megapixels that are read.", hint="Scale it down."
        ) from error
    except _DAMAGED as error:
        raise PhotoError(f"{name} cannot be read: {error}.", hint="Send the original file again.") from error


def _pixels(image: Image.Image, name: str, mode: str) -> NDArray[np.uint8]:
    """(height, width, 3) ``RGB`` or ``YCbCr``."""
    # an EXIF block that cannot be read raises once; from then on Pillow takes it for empty, and the photo as it lies
    with contextlib.suppress(*_DAMAGED):
        image.getexif()
    try:
        if not _is_stored_as_rgb(image):  # libjpeg makes no YCbCr of that
            image.draft(mode, image.size)
        upright = _upright(image, name)
        if upright.mode != mode:
            upright = upright.convert("RGB")  # palettes and alpha
        return np.asarray(upright.convert(mode))
    except _DAMAGED as error:
        raise PhotoError(f"{name} is damaged or cut off: {error}.", hint="Copy the original photo again.") from error


def _is_stored_as_rgb(image: Image.Image) -> bool:
    """Whether a JPEG's three components are red, green and blue: told by Adobe's marker or by their names."""
    components = [c[0] for c in getattr(image, "layer", ())]
    return image.info.get("adobe_transform") == 0 or components == [*b"RGB"]


def _upright(image: Image.Image, name: str) -> Image.Image:
    """Turned by its EXIF orientation, and with 8 bits: Pillow cuts 16-bit grey off at 255 instead of scaling it."""
    turned = ImageOps.exif_transpose(image)
    if turned.mode == "F":  # 0 … 1, 0 … 255, light or grey values: nothing in the file tells
        raise PhotoError(
            f"{name} holds floating-point numbers, which may mean any brightness.",
            hint="Save it with 8 or 16 bits, or use the original photo.",
        )
    if turned.mode.startswith("I"):
        turned = Image.fromarray((np.clip(np.asarray(turned), 0, 65535) // 257).astype(np.uint8))
    return turned


def _focals(image: Image.Image) -> tuple[float, ...]:
    """What the camera wrote, once as it stands and once with its digital zoom: some count that in, some do not."""
    focal, zoom = _exif_number(image, _FOCAL_35), _exif_number(image, _DIGITAL_ZOOM)
    zooms = (1.0,) if zoom is None or not 1.02 < zoom <= 30 else (1.0, zoom)
    return () if focal is None else tuple(focal * z for z in zooms if 8 <= focal * z <= 600)


def _exif_number(image: Image.Image, tag: int) -> float | None:
    try:
        value: Any = image.getexif().get_ifd(_EXIF_IFD).get(tag)
        number = float(value)
    except _DAMAGED:
        return None
    return number if math.isfinite(number) else None


def name_of(path: Path) -> str:
    """A file's name as text that can be drawn, stored and sent on.

    What is no letter of the system's encoding (such as a Latin-1 name where names are UTF-8) comes as a lone surrogate,
    which none of these take; U+FFFD stands for it.
    """
    return _NO_LETTER.sub("\N{REPLACEMENT CHARACTER}", path.name)


def load(path: Path) -> Photo:
    """Read a photo file.

    Raises
    ------
    PhotoError
        When there is no such file, or it is a folder, empty, no picture, cut off, tiny, or too large.
    """
    name = name_of(path)
    try:
        encoded = path.read_bytes()
    except FileNotFoundError as error:
        raise PhotoError(f"{path} does not exist.", hint="Check the name of the photo.") from error
    except IsADirectoryError as error:
        raise PhotoError(f"{path} is a folder, not a photo.", hint="Name one photo in it.") from error
    except OSError as error:
        what = "permissions" if isinstance(error, PermissionError) else "name"
        raise PhotoError(f"{path} cannot be read: {error.strerror}.", hint=f"Check its {what}.") from error
    if not encoded:
        raise PhotoError(f"{name} is empty.", hint="Copy the photo again.")
    return decode(encoded, name)


def check_decodes(encoded: bytes, name: str) -> None:
    """Find out whether a picture of any size can be shown; ``name`` is for messages.

    Raises
    ------
    PhotoError
        When it is no picture, damaged or cut off.
    """
    with _opened(encoded, name) as image:
        _pixels(image, name, "RGB")


def decode(encoded: bytes, name: str) -> Photo:
    """Decode the bytes of a photo file; ``name`` is for messages.  Errors as for `load`."""
    with _opened(encoded, name) as image:
        width, height = image.size
        if width * height > MAX_MEGAPIXELS * 1_000_000:
            raise PhotoError(
                f"{name} has {width * height / 1e6:.0f} megapixels, more than the {MAX_MEGAPIXELS} that are read.",
                hint="Scale it down.",
            )
        if min(width, height) < MIN_SIDE_PX:
            raise PhotoError(
                f"{name} is {width} × {height} pixels: too small to measure.",
                hint="Use the original photo of at least one megapixel.",
            )
        if max(width, height) > MAX_SIDE_PX:
            raise PhotoError(
                f"{name} is {width} × {height} pixels: no side of more than {MAX_SIDE_PX} is read.",
                hint="Cut it to the sprocket and its card.",
            )
        focals = _focals(image)
        planes = _pixels(image, name, "YCbCr")
    planes.flags.writeable = False
    return Photo(
        name=name, sha256=hashlib.sha256(encoded).hexdigest(), planes=planes, focals_35mm=focals, encoded=encoded,
        loaded_px=(planes.shape[1], planes.shape[0]),
    )  # fmt: skip
