"""``python -m toothcheck.bench``: time and memory of an inspection against reading the photo and its markers alone.

The photo is made here: a synthetic scene of 2016 × 1512 pixels, enlarged to 12 megapixels with fresh noise, as JPEG in
memory.  The measure is the ratio of the whole inspection to (decoding + marker detection) in the same run, because
seconds say more of a machine than of a program.  Stages are timed where one room calls another, by wrapping those
calls; what no wrapped call accounts for is listed as the rest.
"""

from __future__ import annotations

import io
import resource
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from inspect import isfunction
from typing import Any

import cv2
import numpy as np
from PIL import Image

from toothcheck import claims, inspection, placing, quality
from toothcheck.cards.detect import find_card
from toothcheck.chains import chain
from toothcheck.inspection import Claim
from toothcheck.photo import decode
from toothcheck.synthetic import Part, Scene, Sensor, Wear, make_photo
from toothcheck.tracing import trace as tracing

MEGAPIXELS_12 = (4032, 3024)
_TRACE = "tracing, rest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A photo as bytes, and what is said of it."""

    name: str
    encoded: bytes
    claim: Claim


@dataclass(frozen=True, slots=True, kw_only=True)
class Timing:
    """Medians over the runs of one case; seconds."""

    name: str
    processor_base_s: float
    """Processor time of decoding and marker detection alone."""
    processor_whole_s: float
    wall_base_s: float
    wall_whole_s: float
    stages: dict[str, float]
    """Share of the whole's processor time for each stage, adding up to 1."""
    peak_mb: float
    """Greatest resident memory of this process so far, the interpreter and its libraries included."""

    @property
    def ratio(self) -> float:
        """Whole over base, processor time: what else the machine does hardly changes it."""
        return self.processor_whole_s / self.processor_base_s

    @property
    def wall_ratio(self) -> float:
        """Whole over base by the clock on the wall."""
        return self.wall_whole_s / self.wall_base_s


def made_case(name: str, part: Part, *, size_px: tuple[int, int] = MEGAPIXELS_12, distance_mm: float = 300.0) -> Case:
    """A case of a made part, drawn at half the size and enlarged.

    Parameters
    ----------
    size_px
        Of the finished photo.
    """
    half = (size_px[0] // 2, size_px[1] // 2)
    reach = part.form.tip_radius_mm
    scene = Scene(
        part=part, size_px=half, focal_35mm=26, distance_mm=distance_mm, tilt_deg=9, azimuth_deg=50,
        look_at_mm=(0.4 * reach + 15, 0), card_at_mm=(reach + 55, 0), clutter=3, dirt=0.2, seed=7,
        sensor=Sensor(blur_px=0.7, noise=0.0),
    )  # fmt: skip
    photo = make_photo(scene)
    large = cv2.resize(photo.picture, size_px, interpolation=cv2.INTER_CUBIC).astype(np.float32)
    rng = np.random.default_rng(7)
    grain = rng.normal(0, 2, large.shape[:2])[..., None]
    noisy = np.clip(large + grain + 0.5, 0, 255).astype(np.uint8)
    exif = Image.Exif()
    exif.get_ifd(0x8769)[41989] = photo.focal_35mm
    out = io.BytesIO()
    Image.fromarray(noisy).save(out, "JPEG", quality=92, exif=exif.tobytes())
    claim = Claim(
        chain=chain(part.chain), teeth=part.teeth, position=part.position, turning=scene.turning, card_height_mm=0.0
    )
    return Case(name=name, encoded=out.getvalue(), claim=claim)


def cases() -> Iterator[Case]:
    """The two ends of the work: a front sprocket of few teeth, a rear one of many."""
    wear = Wear(kind="grit", depth_mm=0.5, climb=0.5, scatter=0.05)
    yield made_case("front, 15 teeth", Part(chain="520", teeth=15, thickness_mm=5.9, wear=wear))
    yield made_case(
        "rear, 42 teeth",
        Part(chain="520", teeth=42, position="rear", thickness_mm=5.9, bore_mm=76.0, wear=wear),
        distance_mm=480.0,
    )


def _base(case: Case) -> None:
    find_card(decode(case.encoded, case.name).grey)


def _whole(case: Case) -> None:
    inspection.inspect(decode(case.encoded, case.name), case.claim)


class _Stages:
    """Processor time by stage, less that of stages called inside."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}
        self._inner = [0.0]
        self._calls: dict[str, int] = {}

    def wrapped(self, call: Callable[..., Any], name: str, *, numbered: bool) -> Callable[..., Any]:
        def timed(*args: Any, **words: Any) -> Any:  # noqa: ANN401
            stage = name
            if name == _TRACE:
                self._calls.clear()
            if numbered:
                self._calls[name] = self._calls.get(name, 0) + 1
                stage = f"sweep {self._calls[name]} {name}"
            began = time.process_time()
            self._inner.append(0.0)
            try:
                return call(*args, **words)
            finally:
                took = time.process_time() - began
                self.spent[stage] = self.spent.get(stage, 0.0) + took - self._inner.pop()
                self._inner[-1] += took

        return timed


@contextmanager
def _watched(stages: _Stages) -> Iterator[None]:
    """Wrap the calls from room to room while the block runs."""
    here = sys.modules[__name__]
    places: list[tuple[Any, str, str, bool]] = [
        (here, "decode", "decode", False),
        (inspection, "find_card", "markers", False),
        (inspection, "card_pose", "pose", False),
        (inspection, "optics", "photo quality", False),
        (inspection, "trace", _TRACE, False),
        (inspection, "measure", "datum and measures", False),
        (inspection, "grade", "grade", False),
        (placing, "view_plane", "search", False),
        (placing, "find", "search", False),
        (tracing, "follow", "follow", True),
        (tracing, "locate", "locate", True),
        (tracing, "first_fit", "fit", True),
        (tracing, "fit", "fit", True),
    ]
    rooms = ((placing, "placing and counting"), (quality, "photo quality"), (claims, "claims"))
    for room, stage in rooms:
        own = [
            n for n, f in vars(room).items() if isfunction(f) and f.__module__.startswith(room.__name__) and n[0] != "_"
        ]
        places += [(room, name, stage, False) for name in own]
    kept = [(module, name, getattr(module, name)) for module, name, _, _ in places]
    try:
        for (module, name, stage, numbered), (_, _, call) in zip(places, kept, strict=True):
            setattr(module, name, stages.wrapped(call, stage, numbered=numbered))
        yield
    finally:
        for module, name, call in kept:
            setattr(module, name, call)


def _median_times(run: Callable[[Case], None], case: Case, runs: int) -> tuple[float, float]:
    processor, wall = [], []
    for _ in range(runs):
        p, w = time.process_time(), time.perf_counter()
        run(case)
        processor.append(time.process_time() - p)
        wall.append(time.perf_counter() - w)
    return statistics.median(processor), statistics.median(wall)


def timed(case: Case, *, runs: int = 3) -> Timing:
    """Run a case warm, and time it.

    Parameters
    ----------
    runs
        Of each kind, after one of the whole that warms up; at least 1.
    """
    if runs < 1:
        raise ValueError(f"runs must be at least 1, not {runs}")
    _whole(case)
    base, whole = _median_times(_base, case, runs), _median_times(_whole, case, runs)
    stages = _Stages()
    with _watched(stages):
        began = time.process_time()
        _whole(case)
        total = time.process_time() - began
    shares = {name: spent / total for name, spent in stages.spent.items()}
    shares["rest"] = max(0.0, 1.0 - sum(shares.values()))
    # ru_maxrss is in kilobytes on Linux, in bytes on macOS
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024.0**2 if sys.platform == "darwin" else 1024.0)
    return Timing(
        name=case.name, processor_base_s=base[0], processor_whole_s=whole[0], wall_base_s=base[1],
        wall_whole_s=whole[1], stages=shares, peak_mb=peak,
    )  # fmt: skip


def report(timing: Timing) -> str:
    """A case as text."""
    lines = [
        f"{timing.name}: whole / (decode + markers) = {timing.ratio:.1f} by processor time, "
        f"{timing.wall_ratio:.1f} by the clock",
        f"  decode + markers {timing.processor_base_s:.2f} s, whole {timing.processor_whole_s:.2f} s; "
        f"peak memory {timing.peak_mb:.0f} MB",
    ]
    lines += [f"  {100 * share:5.1f} %  {name}" for name, share in timing.stages.items()]
    return "\n".join(lines)


def main() -> None:
    """Time both cases; the photos are encoded before anything is measured, and made in a process of their own."""
    from argparse import ArgumentParser

    ArgumentParser(prog="python -m toothcheck.bench", description=main.__doc__).parse_args()
    # making photos takes more memory than inspecting them, and the peak cannot be reset
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as maker:
        made = maker.submit(_all_cases).result()
    for case in made:
        sys.stdout.write(report(timed(case)) + "\n")


def _all_cases() -> list[Case]:
    return list(cases())


if __name__ == "__main__":
    main()
