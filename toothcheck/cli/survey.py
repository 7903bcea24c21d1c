"""``toothcheck survey``: how good it is, over many made photos of known wear."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, Optional

import typer

from toothcheck.cli.words import made_size
from toothcheck.errors import OutputError

group = typer.Typer(
    help="Make many photos of known wear, inspect them, and count up how right the answers are.",
    no_args_is_help=True,
)

Count = Annotated[int, typer.Option("--count", min=1, max=100000, help="How many photos, or pairs of photos.")]
Seed = Annotated[int, typer.Option("--seed", min=0, help="The same number gives the same photos.")]
Jobs = Annotated[int, typer.Option("--jobs", min=1, max=64, help="Processes at a time.")]
Size = Annotated[str, typer.Option("--size", help="Width x height of the photos in px.")]
Cache = Annotated[
    Optional[Path],  # noqa: UP045 - typer evaluates annotations at run time
    typer.Option("--cache", help="JSON file of finished photos; a run that was cut short goes on from it."),
]
_LEAST_PX = 400
"""The smallest side of a photo in which anything is to be measured."""
_LAYOUT = 2
"""Of the records; counts up when they hold something else."""


def _head(survey: str, seed: int, size: str) -> dict[str, Any]:
    """What a cache must say of itself to be gone on with."""
    return {"survey": survey, "layout": _LAYOUT, "seed": seed, "size": list(made_size(size, _LEAST_PX))}


def _kept(cache: Path | None, head: dict[str, Any]) -> list[dict[str, Any]]:
    """Records of an earlier run with the same head."""
    if cache is None or not cache.exists():
        return []
    try:
        kept = json.loads(cache.read_text("utf-8"))
        same = kept["of"] == head
        records: list[dict[str, Any]] = kept["records"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise OutputError(f"{cache} is not a survey's cache: {error}.", hint="Name another file.") from error
    if not same:
        raise OutputError(f"{cache} belongs to another survey ({kept['of']}).", hint="Name another file.")
    return records


def _gathered(
    worker: Callable[..., dict[str, Any]],
    head: dict[str, Any],
    count: int,
    jobs: int,
    cache: Path | None,
    what: str = "photos",
) -> list[dict[str, Any]]:
    from toothcheck.cli.output import write_whole
    from toothcheck.survey import run_cases

    records = [r for r in _kept(cache, head) if r["lot"] < count]
    done = {r["lot"] for r in records}
    lots = [i for i in range(count) if i not in done]
    for k, record in enumerate(run_cases(worker, lots, head["seed"], jobs=jobs, size_px=tuple(head["size"]))):
        records.append(record)
        if cache is not None and (k % 5 == 4 or len(records) == count):
            write_whole(cache, json.dumps({"of": head, "records": records}).encode())
        typer.echo(f"\r{len(records)} of {count} {what}", err=True, nl=len(records) == count)
    return sorted(records, key=lambda r: int(r["lot"]))


def _table(titles: list[str], rows: list[list[str]]) -> None:
    """A Markdown table, as it goes into README."""
    widths = [max(len(r[i]) for r in [titles, *rows]) for i in range(len(titles))]
    for row in (titles, ["-" * w for w in widths], *rows):
        typer.echo("| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |")


def _number(value: float | None, pattern: str) -> str:
    return "-" if value is None or value != value else format(value, pattern)


@group.command("wrong-claims", epilog="Example: toothcheck survey wrong-claims --count 2 --size 800x600")
def wrong_claims(
    count: Count = 200, seed: Seed = 1, jobs: Jobs = 2, size: Size = "2016x1512", cache: Cache = None
) -> None:
    """Photos about which something wrong is told: how many end in a flag, and none in a sure wrong grade."""
    from toothcheck.survey import wrong_claim_case, wrong_claim_rows

    head = _head("wrong-claims", seed, size)
    records = _gathered(wrong_claim_case, head, count, jobs, cache)
    rows = [
        [
            r["kind"], str(r["cases"]), str(r["flagged"]), str(r["cannot_tell"]), str(r["right_grade"]),
            str(r["wrong_sure"]), "-" if r["named"] is None else f"{r['named']} of {r['named_of']}",
        ]
        for r in wrong_claim_rows(records)
    ]  # fmt: skip
    titles = [
        "what was wrong",
        "cases",
        "flagged",
        "cannot-tell",
        "right grade",
        "wrong, sure above 0.5",
        "right count named",
    ]
    _table(titles, rows)


@group.command("accuracy", epilog="Example: toothcheck survey accuracy --count 5 --size 800x600")
def accuracy(
    count: Count = 100,
    seed: Seed = 1,
    jobs: Jobs = 2,
    size: Size = "2016x1512",
    cache: Cache = None,
    plot: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option("--plot", help="Write the reliability plot to this PNG."),
    ] = None,
) -> None:
    """Photos with honest claims: how many are graded, how exactly, and whether the confidence can be believed."""
    from toothcheck.cli.output import check_ending, check_targets, counted, write_whole
    from toothcheck.survey import accuracy_case, hooks, patterns_found, reliability, reliability_plot

    head = _head("accuracy", seed, size)
    check_ending("--plot", plot, (".png",))
    check_targets(read={}, written={"--plot": plot})
    records = _gathered(accuracy_case, head, count, jobs, cache)
    _accuracy_table(records, "tier")
    typer.echo("")
    _measures_table(records)
    typer.echo("")
    seen = hooks(records)
    typer.echo(
        f"Hooks: {counted(seen.hooked, 'hooked wheel')}, overhang bias {_number(seen.bias_mm, '+z.3f')},"
        f" rms {_number(seen.rms_mm, '.3f')} mm, 95 % holds for {_number(seen.within_95_percent, '.0f')};"
        f" of {seen.plain} without a hook the most is {_number(seen.most_mm, '.2f')} mm."
    )
    for kind in patterns_found(records):
        typer.echo(
            f"Pattern {kind.kind}: named in {kind.named} of {kind.photos} photos that have it,"
            f" in {kind.false} of {kind.others} others."
        )
    try:
        believed = reliability(records)
    except ValueError:
        typer.echo("No photo was graded: nothing can be said about the confidence.")
        return
    typer.echo(
        f"Confidence: {believed.count} graded photos, Brier score {believed.brier:.3f},"
        f" mean confidence less share right {believed.gap:+z.3f}."
    )
    if plot is not None:
        write_whole(plot, reliability_plot(believed, "Confidence against grades that were right"))


@group.command("handling", epilog="Example: toothcheck survey handling --count 2 --size 1000x750")
def handling(count: Count = 160, seed: Seed = 1, jobs: Jobs = 2, size: Size = "2016x1512", cache: Cache = None) -> None:
    """The same photos as taken, cut, straightened, sharpened, grey and as messengers send them: what stays the same."""
    from toothcheck.survey import handling_case

    head = _head("handling", seed, size)
    _accuracy_table(_gathered(handling_case, head, count, jobs, cache), "handling")


def _accuracy_table(records: list[dict[str, Any]], by: str) -> None:
    from toothcheck.survey import accuracy_rows

    rows = [
        [
            r[by], str(r["photos"]), str(r["graded"]), str(r["exact"]), str(r["two_off"]),
            f"{r['teeth']} of {r['teeth_visible']}", str(r["false_teeth"]),
            f"{_number(r['drive_bias_mm'], '+z.3f')} / {_number(r['drive_rms_mm'], '.3f')}",
            _number(r["asymmetry_rms_percent"], ".2f"), _number(r["within_95_percent"], ".0f"),
            _number(r["confidence_mean"], ".2f"), _number(r["right_share"], ".2f"),
        ]
        for r in accuracy_rows(records, by)
    ]  # fmt: skip
    titles = ["photos", "n", "graded", "exact", "two off", "teeth", "false", "drive loss bias / rms mm",
              "asymmetry rms %", "95 % holds", "confidence", "right"]  # fmt: skip
    _table(titles, rows)


def _measures_table(records: list[dict[str, Any]]) -> None:
    from toothcheck.survey import measure_rows

    rows = []
    for r in measure_rows(records):
        percent = r["measure"].endswith("_percent")
        digits = ".1f" if percent else ".3f"
        rows.append(
            [
                r["measure"], f"{r['taken']} of {r['teeth']}",
                f"{_number(r['bias'], '+z' + digits)} / {_number(r['rms'], digits)} {'%' if percent else 'mm'}",
                _number(r["within_95_percent"], ".0f"),
            ]
        )  # fmt: skip
    _table(["measure", "teeth", "bias / rms", "95 % holds"], rows)


@group.command("damage", epilog="Example: toothcheck survey damage --count 2 --size 1200x900")
def damage(count: Count = 48, seed: Seed = 1, jobs: Jobs = 2, size: Size = "2016x1512", cache: Cache = None) -> None:
    """Photos with one damaged tooth in sight: how many are named, and how many sound ones."""
    from toothcheck.survey import damage_case, damage_rows

    head = _head("damage", seed, size)
    records = _gathered(damage_case, head, count, jobs, cache)
    rows = [
        [r["kind"], str(r["photos"]), str(r["named"]), f"{r['sound_named']} of {r['sound']}", str(r["too_well"])]
        for r in damage_rows(records)
    ]
    _table(["one tooth is", "photos", "named", "sound teeth named", "graded too well"], rows)


@group.command("pairs", epilog="Example: toothcheck survey pairs --count 1 --size 1200x900")
def pairs(count: Count = 14, seed: Seed = 1, jobs: Jobs = 2, size: Size = "2016x1512", cache: Cache = None) -> None:
    """Two photos of one part, new and worn: how well the loss between them is known, tooth by tooth."""
    from toothcheck.survey import pair_case, pair_rows

    records = _gathered(pair_case, _head("pairs", seed, size), count, jobs, cache, "pairs")
    rows = [
        [
            r["tier"], f"{r['measured']} of {r['pairs']}", str(r["teeth"]),
            f"{_number(r['bias_mm'], '+z.3f')} / {_number(r['rms_mm'], '.3f')}", _number(r["median_mm"], ".3f"),
            _number(r["shared_rms_mm"], ".3f"), _number(r["within_95_percent"], ".0f"),
            f"{r['turn_found']} right, {r['turn_wrong']} wrong",
        ]
        for r in pair_rows(records)
    ]  # fmt: skip
    titles = ["pairs", "measured", "teeth", "loss bias / rms mm", "median error mm", "shared rms mm", "95 % holds",
              "teeth told apart"]  # fmt: skip
    _table(titles, rows)


@group.command("bores", epilog="Example: toothcheck survey bores --count 2 --size 1200x900")
def bores(count: Count = 48, seed: Seed = 1, jobs: Jobs = 2, size: Size = "2016x1512", cache: Cache = None) -> None:
    """Front sprockets off the machine: how well their splines are counted, and their bores measured."""
    from toothcheck.survey import bore_case, bore_rows

    records = _gathered(bore_case, _head("bores", seed, size), count, jobs, cache)
    rows = []
    for r in bore_rows(records):
        row = [r["kind"], str(r["photos"]), str(r["found"]), str(r["right"]), str(r["wrong"])]
        for key in ("bore_mm", "spline_major_mm"):
            row += [str(r[key]["told"]), _number(r[key]["rms_mm"], ".2f"), _number(r[key]["within_95_percent"], ".0f")]
        rows.append(row)
    titles = ["bores", "photos", "teeth found", "splines right", "wrong", "bore told", "rms mm", "95 % holds",
              "over grooves told", "rms mm", "95 % holds"]  # fmt: skip
    _table(titles, rows)


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.add_typer(group, name="survey")
