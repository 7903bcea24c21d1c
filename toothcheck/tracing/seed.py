"""Where is the sprocket?  Matched filter of the ideal outline's directions over the plane, all places at once.

The plane is resampled coarsely (this is a search, nothing is measured on it).  At each pixel the direction of the
gradient is kept as a double angle, so that metal may be lighter or darker than what lies behind it, damped where it is
weak.  The template carries the double angles of the outline's normals; turning it through one pitch gives a few
harmonics, each one correlation by FFT, and the best phase then follows at each place from the harmonics.  The score is
the share of the outline that has a matching edge, from -1 to 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft
from skimage.feature import peak_local_max

from toothcheck.geometry import Floats
from toothcheck.pose import PlanePose
from toothcheck.toothform import TIP, IsoForm

_PHASES = 12
_HARMONICS = 4
_EDGE_BLUR_MM = 0.35
_WORTH = 0.5
"""Places that score less, against the best one's score, are not looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seed:
    """A place where the outline fits."""

    centre_mm: tuple[float, float]
    """In the plane's coordinates."""
    phase: float
    """Angle of a gap's axis, radians, within one pitch."""
    score: float
    """Share of the outline with a matching edge, -1…1."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlaneView:
    """The photo resampled on a plane, and the double-angle field of its gradients."""

    field: NDArray[np.complex64]
    """(rows, columns): exp(2iθ)·strength, θ the gradient's direction in the plane (y up); row 0 at y_min."""
    x_min_mm: float
    y_min_mm: float
    step_mm: float


def view_plane(
    grey: NDArray[np.uint8], plane: PlanePose, *, reach_mm: float, step_mm: float, around_mm: Floats | None = None
) -> PlaneView:
    """Resample what the photo shows of the plane, at most ``reach_mm`` around a place or the photo's middle."""
    h, w = grey.shape
    edge = np.array([[0, 0], [w / 2, 0], [w, 0], [w, h / 2], [w, h], [w / 2, h], [0, h], [0, h / 2]], dtype=np.float64)
    corners = plane.on_plane(edge)
    middle = plane.on_plane(np.array([w / 2, h / 2])) if around_mm is None else around_mm
    low = np.maximum(corners.min(0), middle - reach_mm)
    high = np.minimum(corners.max(0), middle + reach_mm)
    columns, rows = (np.ceil((high - low) / step_mm).astype(int) + 1).tolist()
    # exact at nodes every 16 cells, linear between: a search needs no more, and projecting each cell costs 5 times more
    node = 16
    nx, ny = columns // node + 2, rows // node + 2
    gx, gy = np.meshgrid(low[0] + np.arange(nx) * node * step_mm, low[1] + np.arange(ny) * node * step_mm)
    nodes = plane.project(np.stack([gx, gy], -1)).astype(np.float32)
    jj, ii = np.meshgrid(np.arange(columns, dtype=np.float32) / node, np.arange(rows, dtype=np.float32) / node)
    maps = cv2.remap(nodes, jj, ii, cv2.INTER_LINEAR)
    scale = plane.px_per_mm * step_mm
    small = grey
    if scale > 2:  # a pixel of the plane covers several of the photo: average them first
        small = np.asarray(cv2.blur(grey, (int(scale), int(scale))), dtype=np.uint8)
    value = cv2.remap(small, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    value = cv2.GaussianBlur(value.astype(np.float32), (0, 0), _EDGE_BLUR_MM / step_mm)
    dx = cv2.Sobel(value, cv2.CV_32F, 1, 0, scale=0.125)
    dy = cv2.Sobel(value, cv2.CV_32F, 0, 1, scale=0.125)
    size2 = dx * dx + dy * dy
    floor = max(1.0, 1.5 * float(np.median(size2[::4, ::4])))
    direction = (dx + 1j * dy) ** 2
    field = direction / (size2 + floor)
    inside = (maps[..., 0] > 1) & (maps[..., 0] < w - 2) & (maps[..., 1] > 1) & (maps[..., 1] < h - 2)
    return PlaneView(
        field=np.where(inside, field, 0).astype(np.complex64),
        x_min_mm=float(low[0]),
        y_min_mm=float(low[1]),
        step_mm=step_mm,
    )


def _templates(form: IsoForm, step_mm: float, drive_clockwise: bool | None) -> NDArray[np.complex64]:
    """(phases, size, size) rasters of the outline's double angles, gap axis at angle phase·k; unit sum of strengths."""
    points, doubled, strength = _directions(form, 0.5 * step_mm, drive_clockwise)
    half = int(np.ceil((form.tip_radius_mm + 1) / step_mm))
    size = 2 * half + 1
    out = np.zeros((_PHASES, size, size), np.complex64)
    for k in range(_PHASES):
        t = np.exp(1j * k * form.pitch_angle / _PHASES)
        p = points * t / step_mm + half * (1 + 1j)
        q = doubled * t**2
        x, y = p.real, p.imag
        x0, y0 = np.floor(x).astype(int), np.floor(y).astype(int)
        fx, fy = x - x0, y - y0
        for ox, oy, wgt in ((0, 0, (1 - fx) * (1 - fy)), (1, 0, fx * (1 - fy)), (0, 1, (1 - fx) * fy), (1, 1, fx * fy)):
            np.add.at(out[k], (y0 + oy, x0 + ox), (wgt * q * strength).astype(np.complex64))
    return out


def _directions(
    form: IsoForm, step_mm: float, drive_clockwise: bool | None
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], Floats]:
    """The outline as complex numbers, a gap's axis on +x; its normals' double angles; strengths that add up to 1."""
    outline = form.outline(step_mm)
    # a worn drive flank would turn the best phase towards itself: it says that there is a sprocket, not where
    strength = np.where(outline.part == TIP, 0.3, 1.0)
    if drive_clockwise is not None:
        # outline() runs clockwise from gap to gap: each tooth's counterclockwise flank first
        along = np.arange(len(strength)) % (len(strength) // form.teeth) / (len(strength) // form.teeth)
        drive = (along > 0.5) if drive_clockwise else (along < 0.5)
        strength = strength * np.where(drive, 0.2, 1.0)
    strength = strength / strength.sum()
    # outline() has tooth 0 on +y; bring a gap's axis to +x
    turn = np.exp(-1j * (np.pi / 2 + np.pi / form.teeth))
    points = (outline.points_mm[:, 0] + 1j * outline.points_mm[:, 1]) * turn
    doubled = ((outline.normals[:, 0] + 1j * outline.normals[:, 1]) * turn) ** 2
    return points, doubled, strength


def _harmonic_maps(view: PlaneView, templates: NDArray[np.complex64]) -> NDArray[np.complex64]:
    """(orders, rows, columns) what each order of the template's turn adds to the score of each place.

    The score at phase φ is the real part of the sum of order m's map times exp(-2πi m φ / pitch).
    """
    half = templates.shape[1] // 2
    rows, columns = view.field.shape
    shape = (fft.next_fast_len(rows + 2 * half), fft.next_fast_len(columns + 2 * half))
    # the template's corner, not its middle, is at the correlation's origin: the field begins half a template later
    field = np.zeros(shape, np.complex64)
    field[half : half + rows, half : half + columns] = view.field
    spectrum = fft.fft2(field, overwrite_x=True)
    # harmonic m over the phase: T(φ) = Σ_m A_m exp(2πi m φ/pitch)
    harmonics = fft.fft(templates, axis=0) / _PHASES
    out = np.zeros((_HARMONICS + 1, rows, columns), np.complex64)
    # only real parts are wanted, and Re(A·e^-iθ) + Re(B·e^iθ) = Re((A + conj B)·e^-iθ): order m takes -m with it
    for order in range(-_HARMONICS, _HARMONICS + 1):
        # beside the template there is nothing to transform along the columns
        product = fft.fft(fft.fft(harmonics[order], shape[0], axis=0), shape[1], axis=1)
        np.conj(product, out=product)
        product *= spectrum
        values = fft.ifft2(product, overwrite_x=True)[:rows, :columns]
        out[abs(order)] += values if order >= 0 else np.conj(values)
    return out


def _best_phases(maps: NDArray[np.complex64]) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    """Of n places, from their maps (orders, n): the best score and at which half phase step it stands."""
    angle = np.pi / _PHASES * np.arange(2 * _PHASES)[:, None] * np.arange(len(maps))
    # conj of the template's harmonic was taken, so its phase factor is conjugated too
    turned = np.float32(np.cos(angle)) @ maps.real + np.float32(np.sin(angle)) @ maps.imag
    place = turned.argmax(0)
    return turned[place, np.arange(len(place))], place


def find(view: PlaneView, form: IsoForm, *, drive_clockwise: bool | None = None, count: int = 6) -> list[Seed]:
    """The best places for a form in a view, best first, at least a third of the tip circle apart.

    None that scores less than half of the best is sure to be among them.

    Parameters
    ----------
    drive_clockwise
        Whether drive flanks are on the clockwise sides of teeth; None when not known.
    """
    maps = _harmonic_maps(view, _templates(form, view.step_mm, drive_clockwise))
    # a place scores at most what its harmonics add up to: where that is less than half of what one place has got, the
    # phases need not be gone through
    most = sum(np.abs(values) for values in maps[1:]) + maps[0].real
    some = maps[:, [most.argmax() // most.shape[1]], [most.argmax() % most.shape[1]]]
    least = max(0.0, _WORTH * float(_best_phases(some)[0][0]))
    rows, columns = np.nonzero(most > least)
    score, place = _best_phases(maps[:, rows, columns])
    best = np.full(most.shape, -1.0, np.float32)
    phase = np.zeros(most.shape, np.float32)
    best[rows, columns], phase[rows, columns] = score, 0.5 * place / _PHASES * form.pitch_angle
    apart = max(2, int(form.tip_radius_mm / 3 / view.step_mm))
    found = peak_local_max(best, min_distance=apart, threshold_abs=0.0, exclude_border=False, num_peaks=count)
    return [
        Seed(
            centre_mm=(view.x_min_mm + int(j) * view.step_mm, view.y_min_mm + int(i) * view.step_mm),
            phase=float(phase[i, j]),
            score=float(best[i, j]),
        )
        for i, j in found
    ]
