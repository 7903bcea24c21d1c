"""``toothcheck synthetic``: photos of invented sprockets with the truth beside them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.words import made_size
from toothcheck.errors import UsageError

if TYPE_CHECKING:
    from toothcheck.synthetic import FileKind, MadePhoto

group = typer.Typer(
    help="Make photos of invented sprockets with known wear, to test and to practise on.",
    invoke_without_command=True,
)

Out = Annotated[Path | None, typer.Option("--out", help="Folder to write into; made when it does not exist.")]
Count = Annotated[int, typer.Option("--count", min=1, max=10000, help="How many photos (or pairs).")]
Seed = Annotated[int, typer.Option("--seed", min=0, help="The same number gives the same photos.")]
Size = Annotated[str, typer.Option("--size", help="Width x height in px, e.g. 1000x750.")]
TierName = Annotated[str, typer.Option("--tier", help="mat, bench, hand, bike, hostile, or all for each in turn.")]
Only = Annotated[str | None, typer.Option("--only", metavar="NAME", help="One photo, e.g. kestrel-rear-new.")]
Kind = Annotated[str, typer.Option("--format", help="jpg, png, webp or heic.")]

_LEAST_PX = 160
"""The smallest side of a made photo."""


def _kind(words: str) -> FileKind:
    if words not in ("jpg", "png", "webp", "heic"):
        raise UsageError(f"--format must be jpg, png, webp or heic, not {words!r}.")
    return words  # type: ignore[return-value]


def _ready(out: Path | None, names: Iterable[str]) -> Path:
    """The folder, made where there is none, and found to be free for files of these names before any is drawn.

    Photos made before, and their truth, may be replaced: the same words make the same again.
    """
    from toothcheck.cli.output import check_replaceable, check_writable, made_folder
    from toothcheck.marks import MADE_SIGNS

    if out is None:
        raise UsageError("--out FOLDER is missing.", hint="Try: toothcheck synthetic --out made --tier bench --count 3")
    made_folder(out)
    for name in names:
        check_writable(out / name)
        check_replaceable("--out:", out / name, MADE_SIGNS)
    return out


def _with_truth(names: Iterable[str], kind: str = "jpg") -> list[str]:
    return [f"{name}.{ending}" for name in names for ending in (kind, "json")]


def _save(
    folder: Path, name: str, kind: FileKind, photo: MadePhoto, quality: int, more: dict[str, Any] | None = None
) -> None:
    from toothcheck.synthetic import encode

    encoded = encode(photo.picture, kind, focal_35mm=photo.focal_35mm, quality=quality)
    _write(folder / f"{name}.{kind}", encoded, photo.truth | (more or {}))


def _write(photo: Path, encoded: bytes, truth: dict[str, Any]) -> None:
    from toothcheck.cli.output import write_whole

    # the truth first: a photo without one would look like a real one
    write_whole(photo.with_suffix(".json"), (json.dumps(truth, allow_nan=False) + "\n").encode())
    write_whole(photo, encoded)
    typer.echo(str(photo), err=True)


@group.callback(
    epilog="Example: toothcheck synthetic --out made --tier hand --count 10 --seed 7 --size 1000x750",
)
def photos(
    context: typer.Context,
    out: Out = None,
    tier: TierName = "bench",
    count: Count = 1,
    seed: Seed = 0,
    size: Size = "2016x1512",
    kind: Kind = "jpg",
) -> None:
    """Make photos of invented sprockets; NAME.json beside each holds the truth."""
    if context.invoked_subcommand is not None:
        return
    import numpy as np

    from toothcheck.synthetic import TIERS, make_photo, random_scene

    size_px, ending = made_size(size, _LEAST_PX), _kind(kind)
    if tier != "all" and tier not in TIERS:
        raise UsageError(f"--tier must be one of {', '.join(TIERS)} or all, not {tier!r}.")
    tiers = [TIERS[i % len(TIERS)] if tier == "all" else next(t for t in TIERS if t == tier) for i in range(count)]
    names = [f"{of}_{seed:04d}_{i:03d}" for i, of in enumerate(tiers)]
    folder = _ready(out, _with_truth(names, ending))
    for i, (of, name) in enumerate(zip(tiers, names, strict=True)):
        scene = random_scene(np.random.default_rng([seed, TIERS.index(of), i]), of, size_px=size_px)
        _save(folder, name, ending, make_photo(scene), scene.sensor.jpeg_quality)


@group.command(epilog="Example: toothcheck synthetic samples --out sample_images_synthetic")
def samples(out: Out = None, size: Size = "2016x1512", only: Only = None) -> None:
    """Make the set of photos that comes with the package, with its README.md, or one photo of it."""
    from toothcheck.cli.output import write_whole
    from toothcheck.synthetic import make_photo
    from toothcheck.synthetic.samples import index
    from toothcheck.synthetic.samples import samples as bundled

    wanted = bundled(made_size(size, _LEAST_PX))
    if only is not None:
        known = ", ".join(sample.name for sample in wanted)
        wanted = [sample for sample in wanted if sample.name == only]
        if not wanted:
            raise UsageError(f"--only must be the name of a photo of the set, not {only!r}.", hint=f"One of {known}.")
    index_name = [] if only is not None else ["README.md"]  # of one photo it would take the place of the whole set's
    files = [file for sample in wanted for file in _with_truth([sample.name], sample.kind)]
    folder, made = _ready(out, [*files, *index_name]), []
    for sample in wanted:
        photo = make_photo(sample.scene)
        _save(folder, sample.name, sample.kind, photo, sample.scene.sensor.jpeg_quality)
        made.append((sample, photo))
    for file in index_name:
        write_whole(folder / file, index(iter(made)).encode())


@group.command(epilog="Example: toothcheck synthetic chain --out made --count 1 --seed 3")
def chain(out: Out = None, count: Count = 1, seed: Seed = 0) -> None:
    """Make photos of straight runs of chain beside the pocket card; NAME.json beside each holds the truth."""
    import numpy as np

    from toothcheck.synthetic import encode
    from toothcheck.synthetic.chainrun import any_run, draw

    names = [f"chain_{seed:04d}_{i:03d}" for i in range(count)]
    folder = _ready(out, _with_truth(names))
    for i, name in enumerate(names):
        rng = np.random.default_rng([seed, i])
        run, shot, told_mm = any_run(rng)
        photo = draw(run, shot, rng)
        truth = {
            "chain": run.size,
            "pitches": run.pitches,
            "elongation_percent": round(photo.elongation_percent, 4),
            "card": "pocket",
            "card_height_told_mm": told_mm,
            "card_height_true_mm": round(shot.card_height_mm, 3),
            "pins_px": np.round(photo.pins_px, 3).tolist(),
        }
        picture = np.repeat(photo.grey[..., None], 3, axis=2)
        encoded = encode(picture, "jpg", focal_35mm=round(shot.focal_35mm), quality=93)
        _write(folder / f"{name}.jpg", encoded, truth)


@group.command(epilog="Example: toothcheck synthetic pairs --out pairs --tier bench --count 4 --seed 1")
def pairs(
    out: Out = None,
    tier: TierName = "bench",
    count: Count = 1,
    seed: Seed = 0,
    size: Size = "2016x1512",
    different: Annotated[
        bool, typer.Option("--different", help="Two parts that look alike but do not fit the same hub.")
    ] = False,
) -> None:
    """Make pairs of photos: the same part new and worn, or two parts to be told apart."""
    import numpy as np

    from toothcheck.synthetic import TIERS, make_pair, make_photo, make_strangers

    if tier not in TIERS:
        raise UsageError(f"--tier must be one of {', '.join(TIERS)}, not {tier!r}.")
    size_px, both = made_size(size, _LEAST_PX), ("one", "two") if different else ("new", "worn")
    names = [[f"{tier}_{seed:04d}_{i:03d}_{which}" for which in both] for i in range(count)]
    folder = _ready(out, _with_truth(name for pair in names for name in pair))
    for i, pair in enumerate(names):
        rng = np.random.default_rng([seed, 100 + TIERS.index(tier), i])
        two = (make_strangers if different else make_pair)(rng, tier, size_px=size_px)
        for name, scene in zip(pair, two, strict=True):
            photo, same = make_photo(scene), {"same_part": not different}
            _save(folder, name, "jpg", photo, scene.sensor.jpeg_quality, same)


@group.command(epilog="Example: toothcheck synthetic wrong --out wrong --count 11 --seed 1")
def wrong(out: Out = None, count: Count = 11, seed: Seed = 0, size: Size = "2016x1512") -> None:
    """Make photos about which something wrong is told; NAME.json holds the claim and the fault."""
    from dataclasses import asdict

    import numpy as np

    from toothcheck.synthetic import FAULTS, make_photo, random_wrong_claim

    size_px, faults = made_size(size, _LEAST_PX), [FAULTS[i % len(FAULTS)] for i in range(count)]
    names = [f"{fault}_{seed:04d}_{i:03d}" for i, fault in enumerate(faults)]
    folder = _ready(out, _with_truth(names))
    for i, (fault, name) in enumerate(zip(faults, names, strict=True)):
        made = random_wrong_claim(np.random.default_rng([seed, 200, i]), fault, size_px=size_px)
        photo = make_photo(made.scene, with_part=made.with_part)
        more = {"fault": made.what, "claim": asdict(made.claim)}
        _save(folder, name, "jpg", photo, made.scene.sensor.jpeg_quality, more)


def register(app: typer.Typer) -> None:
    """Add the group to the app."""
    app.add_typer(group, name="synthetic")
