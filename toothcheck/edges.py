"""Sub-pixel edges on straight profiles through a photo: sampling, and erf fits with local levels.

An erf (a step blurred by a Gaussian) fitted by Gauss-Newton stands on the Cramér-Rao bound and has no pixel locking,
unlike parabolas through the gradient or contours at a threshold.  Neglected: curvature of the edge across the profile's
width of one pixel, which pulls by s²/(2R), 0.03 px at R = 40 px.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from toothcheck.geometry import Bools, Floats


def sample(image: NDArray[Any], x: Floats, y: Floats) -> NDArray[np.float32]:
    """Bilinear values at pixel positions (n, m), with the image's channels last; NaN outside the photo."""
    values = cv2.remap(
        image,
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0,
    ).astype(np.float32)
    outside = (x < 0) | (y < 0) | (x > image.shape[1] - 1) | (y > image.shape[0] - 1)
    values[outside] = np.nan
    return values


CHROMA_BLUR_PX = 1.4
"""What JPEG adds to the chroma's blur: half the resolution (4:2:0) 1, and the coarse steps that weak colours are kept
in up to 2 (measured on clear edges of made photos)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Optics:
    """How blurred and noisy a photo is where it is measured."""

    blur_px: float
    """Standard deviation of the blur."""
    noise: tuple[float, float, float]
    """Standard deviation of luma and both chroma values, grey levels."""

    @property
    def blurs_px(self) -> tuple[float, float, float]:
        """Standard deviation of the blur of luma and both chroma values."""
        chroma = float(np.hypot(self.blur_px, CHROMA_BLUR_PX))
        return self.blur_px, chroma, chroma


LOWER_MEAN = 0.5149
"""Mean of the smaller three quarters of |x|, x normal with a standard deviation of 1: (phi(0) - phi(q)) / 0.375, with
q = 1.1503 where three quarters end (own arithmetic)."""


def optics(planes: NDArray[np.uint8], blur_px: float) -> Optics:
    """Noise of a photo (height, width, 3) from differences of pixels two apart, on a sixteenth of its rows."""
    rows = planes[::16].astype(np.int16)
    d = np.abs(rows[:, 2:] - rows[:, :-2]).reshape(-1, 3)
    # the mean of the smaller three quarters, since most chroma differences are 0 or 1 and their median says nothing
    count = int(0.75 * len(d))
    low = np.sort(d, axis=0)[:count].mean(0)
    noise = np.maximum(low / LOWER_MEAN / np.sqrt(2), (1.0, 0.5, 0.5))
    return Optics(blur_px=blur_px, noise=(float(noise[0]), float(noise[1]), float(noise[2])))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ErfFit:
    """Erf edges on n profiles, positions in samples from each profile's middle."""

    position: Floats
    step: Floats
    """Level after minus level before."""
    blur: Floats
    """Standard deviation of the blur, samples."""
    residual: Floats
    """Root mean square misfit, grey levels."""
    good: Bools


SATURATED = 250.0
"""Light (0…255) from which a value says no more than "at least this much"."""


def fit_erf(profiles: Floats, *, blur: float = 1.2, sweeps: int = 12) -> ErfFit:
    """Fit one erf edge to each profile of shape (n, m), starting from its middle.

    Burnt-out samples are censored: they pull only where the model stays below them.  Without that, an over-exposed edge
    is found up to a blur towards its dark side.

    Parameters
    ----------
    profiles
        Light, 0…255, equally spaced.
    blur
        Starting blur, samples; also the middle of a wide prior that only burnt-out profiles need.
    """
    n, m = profiles.shape
    t = np.arange(m) - (m - 1) / 2
    gradient = np.abs(np.gradient(profiles, axis=1))
    weight = gradient**2
    burnt = profiles >= SATURATED
    any_burnt = bool(burnt.any())
    low = profiles[:, :2].mean(1)
    high = profiles[:, -2:].mean(1)
    p = np.stack(
        [low, high - low, (weight * t).sum(1) / np.maximum(weight.sum(1), 1e-9), np.full(n, np.log(blur))], axis=1
    )
    prior = np.array([1e-4, 1e-5, 0.0, 4.0])
    r = profiles
    jac = np.ones((n, m, 4))
    for _ in range(sweeps):
        s = np.exp(p[:, 3:])
        u = (t - p[:, 2:3]) / s
        phi = np.exp(-0.5 * u * u) / np.sqrt(2 * np.pi)
        cdf = ndtr(u)
        model = p[:, :1] + p[:, 1:2] * cdf
        r = profiles - model
        slope = -p[:, 1:2] * phi
        jac[..., 1], jac[..., 2], jac[..., 3] = cdf, slope / s, slope * u
        if any_burnt:
            free = burnt & (model >= SATURATED)
            r[free] = 0.0
            jac[..., 0] = 1.0
            jac[free] = 0.0
        a = np.einsum("nmi,nmj->nij", jac, jac) + np.diag(prior) + np.eye(4) * 1e-6
        b = np.einsum("nmi,nm->ni", jac, r)
        b[:, 3] -= prior[3] * (p[:, 3] - np.log(blur))
        d = np.linalg.solve(a, b[..., None])[..., 0]
        p = p + np.clip(d, (-60, -120, -0.7, -0.25), (60, 120, 0.7, 0.25))
        p[:, 2] = np.clip(p[:, 2], t[0], t[-1])
        p[:, 3] = np.clip(p[:, 3], np.log(0.35), np.log(m / 3))
    residual = np.sqrt((r**2).mean(1))
    good = np.isfinite(p).all(1) & (np.abs(p[:, 2]) < 0.8 * t[-1]) & (residual < 0.25 * np.abs(p[:, 1]))
    return ErfFit(position=p[:, 2], step=p[:, 1], blur=np.exp(p[:, 3]), residual=residual, good=good)
