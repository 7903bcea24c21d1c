"""``lesson`` and ``exercise``: pages for a class, and what the class made of them."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from toothcheck.cli.books import telling
from toothcheck.cli.output import check_ending, check_targets, console, counted, paragraph, write_json, write_whole
from toothcheck.cli.reading import inside, json_object_of
from toothcheck.cli.report import PICTURES
from toothcheck.cli.words import JsonWord
from toothcheck.errors import InputError, PhotoError, UsageError

if TYPE_CHECKING:
    from toothcheck.lessons import Case, ClassReport
    from toothcheck.lessons.results import Kappa, Share

_ROOMY = 76
"""Columns from which on the tables of a class stand as they are."""


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(epilog="Example: toothcheck lesson --chain 520 --front 15 --rear 45 -o lesson.html")(lesson)
    exercise = typer.Typer(
        no_args_is_help=True,
        help="Photos to grade with the answers hidden, and how well a class agrees with the truth.",
        epilog="Example: toothcheck exercise make --level 1 -o exercise.html",
    )
    exercise.command(epilog="Example: toothcheck exercise make --photos sample_images_synthetic -o exercise.html")(make)
    exercise.command(epilog="Example: toothcheck exercise collect results --json class.json")(collect)
    app.add_typer(exercise, name="exercise")


def lesson(
    output: Annotated[Path, typer.Option("--output", "-o", help="Where to write the page (HTML).")],
    chain: Annotated[str, typer.Option(help="Chain size whose teeth are drawn.")] = "520",
    front: Annotated[int, typer.Option(help="Teeth of the front sprocket.")] = 15,
    rear: Annotated[int, typer.Option(help="Teeth of the rear sprocket.")] = 45,
) -> None:
    """Make the lesson: an interactive tooth, why hooks lean where they lean, and cases that fool the eye.

    One HTML file for apprentices; it needs no network and works on a phone.
    """
    from toothcheck.chains import chain as chain_named
    from toothcheck.lessons import lesson_page, lesson_wheel

    check_ending("--output", output, (".html", ".htm"))
    check_targets(read={}, written={"--output": output})
    with telling():
        size = chain_named(chain)
    with telling(teeth="--front"):
        front_wheel = lesson_wheel(size, front)
    with telling(teeth="--rear"):
        rear_wheel = lesson_wheel(size, rear)
    write_whole(output, lesson_page(front_wheel, rear_wheel).encode())
    sys.stdout.write(f"{output}: lesson for chain {chain}, {front} and {rear} teeth\n")


def make(
    output: Annotated[Path, typer.Option("--output", "-o", help="Where to write the page (HTML).")],
    photos: Annotated[
        Path | None,
        typer.Option(
            help="Folder of photos, each with NAME.json beside it: the truth of a made photo, or what "
            "'toothcheck inspect --json' said of a real one. Without it, photos are made, which takes some "
            "seconds each.",
            readable=False,
        ),
    ] = None,
    count: Annotated[int, typer.Option(min=1, max=40, help="How many photos.")] = 8,
    level: Annotated[int, typer.Option(min=1, max=3, help="1 plain cases, 2 mixed, 3 hard ones.")] = 2,
    seed: Annotated[int, typer.Option(min=0, help="The same number makes the same exercise.")] = 1,
    title: Annotated[str, typer.Option(help="Heading of the page.")] = "Reading worn teeth",
) -> None:
    """Make an exercise: mark the drive flank, pick the worn teeth, give the grade; then the truth is shown.

    One HTML file that works without network, on a phone. It ends with a result file for `exercise collect`.
    """
    import numpy as np

    from toothcheck.lessons import exercise_page, graded_set

    check_ending("--output", output, (".html", ".htm"))
    if not title.strip():
        raise UsageError("--title must hold a word: it is the page's heading.", hint="Leave it out for the usual one.")
    try:
        title.encode()
    except UnicodeEncodeError:  # before photos are made for it
        raise UsageError(f"--title must be UTF-8 text, not {title!r}.", hint="Type it again.") from None
    rng = np.random.default_rng(seed)
    check_targets(read={}, written={"--output": output})
    cases = list(_made_cases(count, level, rng) if photos is None else _cases_in(photos, rng))
    if not cases:
        raise UsageError(f"{photos} holds no photo that can be asked about.", hint="Add one that was measured.")
    chosen = graded_set(cases, count, level, rng)
    if not chosen:
        raise UsageError(f"{photos} holds no photo that supports a grade, as level 1 asks.", hint="Take --level 2.")
    write_whole(output, exercise_page(chosen, title=title).encode())
    fewer = f" ({count} asked for)" if len(chosen) < count else ""
    sys.stdout.write(f"{output}: {counted(len(chosen), 'photo')}{fewer}, level {level}\n")


def _made_cases(count: int, level: int, rng: Any) -> Iterator[Case]:  # noqa: ANN401 - numpy is imported late
    from toothcheck.lessons import case_of
    from toothcheck.photo import decode
    from toothcheck.synthetic import encode, make_photo
    from toothcheck.synthetic.course import course

    for i, scene in enumerate(course(rng, count, level), 1):
        sys.stderr.write(f"photo {i} of {count} is being made\n")
        photo = make_photo(scene)
        encoded = encode(photo.picture, "jpg", focal_35mm=photo.focal_35mm)
        yield case_of(decode(encoded, f"photo {i}"), photo.truth, rng)


def _cases_in(folder: Path, rng: Any) -> Iterator[Case]:  # noqa: ANN401 - numpy is imported late
    from toothcheck.lessons import NothingToAsk, case_of
    from toothcheck.photo import load

    there = inside(folder)
    if there is None:
        raise UsageError(f"--photos must be a folder, not {folder}.")
    found = [p for p in there if p.suffix.lower() in PICTURES and p.with_suffix(".json") in there]
    if not found:
        raise UsageError(f"{folder} holds no photo with NAME.json beside it.")
    for photo in found:
        truth = json_object_of(photo.with_suffix(".json"), hint="Take its photo out of the folder.")
        try:
            yield case_of(load(photo), truth, rng)
        except NothingToAsk as error:
            sys.stderr.write(f"toothcheck: {photo.name} is left out: {error}.\n")
        except ValueError as error:
            raise PhotoError(f"{photo.name} cannot be used: {error}.", hint="Take it out of the folder.") from error


def collect(
    results: Annotated[
        list[Path],
        typer.Argument(help="Result files that the exercise page saved, or folders of them.", readable=False),
    ],
    json_output: JsonWord = None,
) -> None:
    """Gather a class's results: agreement with the truth, the confusion table, and each person over time."""
    from toothcheck.lessons import collect as collected
    from toothcheck.lessons import document_of, run_of

    files, runs = _result_files(results), []
    check_targets(
        read={f"the result {path.name}": path for path in files},
        written={"--json": json_output},
        json_kind="exercise-class",
    )
    for path in files:
        try:
            runs.append(run_of(json_object_of(path, hint="The exercise page saves such files.")))
        except ValueError as error:
            raise InputError(f"{path} is no exercise result: {error}.", hint="Take it out.") from error
    report = collected(runs)
    if json_output is not None:
        write_json(document_of(report), json_output)
    if json_output != "-":
        _print_class(report)


def _result_files(given: list[Path]) -> list[Path]:
    out: list[Path] = []
    for path in given:
        there = inside(path)
        found = [path] if there is None else [p for p in there if p.suffix.lower() == ".json"]
        if not found:
            raise UsageError(f"{path} holds no result file (NAME.json).")
        out += found
    return out


def _print_class(report: ClassReport) -> None:
    from rich.box import SIMPLE_HEAD
    from rich.markup import escape
    from rich.table import Table

    from toothcheck.lessons.scale import ALL_GRADES

    out, all_of = console(), report.together
    people = len({run.apprentice.casefold() for run, _ in report.runs})  # phones make the first letter a capital
    paragraph(
        out,
        f"{counted(people, 'person', 'people')}, {counted(len(report.runs), 'run')}, "
        f"{counted(all_of.photos, 'photo')} answered",
    )
    if report.repeated:
        tell = "tells" if report.repeated == 1 else "tell"
        paragraph(out, f"{counted(report.repeated, 'file')} {tell} of a run told before; counted once")
    if report.nameless:
        each = "it counts as a person" if report.nameless == 1 else "each counts as a person"
        paragraph(out, f"{counted(report.nameless, 'run')} without a name: {each} of its own, whoever it was")
    narrow = out.width < _ROOMY
    look: dict[str, Any] = {"title_justify": "left", "box": SIMPLE_HEAD, "padding": (0, 0 if narrow else 1)}

    def said(grade: str) -> str:
        return grade.replace("-", "-\n") if narrow else grade  # cut off, two grades would look the same

    table = Table(title="Grades: answers down, truth across", **look)
    table.add_column("given", overflow="fold")
    for name in ALL_GRADES:
        table.add_column(said(name), justify="right", overflow="fold")
    for name, row in zip(ALL_GRADES, all_of.confusion, strict=True):
        table.add_row(said(name), *[str(n) if n else "·" for n in row])
    table.add_section()
    table.add_row("called so", *[_share(all_of.by_grade[name], wide=False) for name in ALL_GRADES])
    out.print(table)
    for name, text in (
        ("Grade right", _share(all_of.grade_right)),
        ("Grade, weighted kappa", _kappa(all_of.grade_kappa)),
        ("Drive flank right", _share(all_of.drive_flank_right)),
        ("Worn teeth found", _share(all_of.worn_found)),
        ("Unworn teeth left alone", _share(all_of.unworn_left_alone)),
        ("Teeth, kappa", _kappa(all_of.teeth_kappa)),
    ):
        paragraph(out, text, mark=f"{name:<24} ")
    table = Table(title="Each person over time", **look)
    for heading in ("person", "when", "exercise", "grade", "kappa", "drive flank", "worn found"):
        table.add_column(heading, overflow="fold", no_wrap=heading == "when")
    for run, agreed in report.runs:
        table.add_row(
            escape(run.apprentice),
            run.started.strftime("%Y-%m-%d"),
            escape(run.title),
            _share(agreed.grade_right, wide=False),
            _kappa(agreed.grade_kappa, wide=False),
            _share(agreed.drive_flank_right, wide=False),
            _share(agreed.worn_found, wide=False),
        )
    out.print(table)
    paragraph(
        out,
        "Intervals hold 95 %. Kappa: 1 full agreement, 0 no better than chance; answers of cannot-tell are left out.",
    )


def _share(share: Share, *, wide: bool = True) -> str:
    if share.share is None or share.low is None or share.high is None:
        return "–"
    plain = f"{share.hits} of {share.of}"
    return f"{plain} ({100 * share.low:.0f}-{100 * share.high:.0f} %)" if wide else plain


def _kappa(kappa: Kappa, *, wide: bool = True) -> str:
    if kappa.value is None:
        return f"– ({kappa.reason})" if wide else "–"
    if not wide:
        return f"{kappa.value:z.2f}"
    within = [] if kappa.low is None or kappa.high is None else [f"{kappa.low:z.2f} to {kappa.high:z.2f}"]
    more = [kappa.reason] if kappa.reason else []
    return f"{kappa.value:z.2f} ({', '.join([*within, f'n = {kappa.of}', *more])})"
