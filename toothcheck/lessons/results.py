"""What a class made of its exercises: agreement with the truth, by grade, by person and over time.

Weighted kappa, its standard error and the intervals come from statsmodels.  Weights are linear: two grades off counts
twice as much as one grade off (Cohen, Psychological Bulletin 70 (1968) 213-220, allows any; linear is the plain one).
Neglected: answers of one person, and to one photo, hang together, so the intervals are somewhat too narrow.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np

from toothcheck.lessons.exercise import RESULT_SCHEMA
from toothcheck.lessons.scale import ALL_GRADES, GRADES

FEW = 20
"""Below this many answers a kappa is shown, but called few."""
_NO_WIDTH = 1e-6
"""A standard error of kappa up to here is 0 but for rounding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One photo answered; ``given`` before ``truth`` in every pair."""

    photo: str
    drive_flank: tuple[str, str]
    grade: tuple[str, str]
    teeth: tuple[tuple[bool, bool], ...]
    """Only the teeth that are scored."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One apprentice going once through one exercise."""

    apprentice: str
    """Empty where no name was given."""
    exercise: str
    title: str
    started: datetime
    answers: tuple[Answer, ...]


def run_of(document: object) -> Run:
    """Read a result file's JSON.

    Raises
    ------
    ValueError
        When it is not a result of an exercise, or is damaged; the message says where.
    """
    if not isinstance(document, Mapping) or document.get("schema") != RESULT_SCHEMA:
        raise ValueError(f"a result must be a JSON object with schema {RESULT_SCHEMA}")
    try:
        answers = tuple(_answer(a) for a in document["answers"])
        run = Run(
            apprentice=str(document["apprentice"]).strip(),
            exercise=str(document["exercise"]["id"]),
            title=str(document["exercise"]["title"]),
            started=datetime.fromisoformat(str(document["started"]).replace("Z", "+00:00")),
            answers=answers,
        )
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(
            f"a result must hold answers, apprentice, exercise and started as written: {error!r}"
        ) from error
    if run.started.tzinfo is None:
        raise ValueError(f"started must carry its time zone, not {document['started']!r}")
    if not answers:
        raise ValueError("answers must hold at least one photo")
    return run


def _answer(a: Mapping[str, Any]) -> Answer:
    pairs = {name: (str(a[name]["given"]), str(a[name]["truth"])) for name in ("drive_flank", "grade")}
    for name, allowed in (("drive_flank", ("clockwise", "counterclockwise")), ("grade", ALL_GRADES)):
        for word in pairs[name]:
            if word not in allowed:
                raise ValueError(f"{name} must be one of {', '.join(allowed)}, not {word!r}")
    teeth = tuple((bool(t["given"]), bool(t["truth"])) for t in a["teeth"] if t["truth"] is not None)
    return Answer(photo=str(a["photo"]), drive_flank=pairs["drive_flank"], grade=pairs["grade"], teeth=teeth)


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """So many of so many, with the 95 % Wilson interval of the share (Wilson, JASA 22 (1927) 209-212)."""

    hits: int
    of: int
    low: float | None
    high: float | None

    @property
    def share(self) -> float | None:
        """Between 0 and 1; None of nothing."""
        return self.hits / self.of if self.of else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappa:
    """Agreement beyond chance, with its 95 % interval; None, with the reason in words, where either is undefined."""

    value: float | None
    low: float | None
    high: float | None
    of: int
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How one set of answers agrees with the truth."""

    photos: int
    grade_right: Share
    grade_kappa: Kappa
    """Weighted, over the photos where both the answer and the truth are one of the four grades."""
    confusion: tuple[tuple[int, ...], ...]
    """Answers down, truth across, in the order of `ALL_GRADES`."""
    by_grade: dict[str, Share]
    """Of the photos that truly are so, how many were called so."""
    drive_flank_right: Share
    worn_found: Share
    unworn_left_alone: Share
    teeth_kappa: Kappa


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassReport:
    """A class: everything together, and each run in the order of time."""

    runs: tuple[tuple[Run, Agreement], ...]
    together: Agreement
    repeated: int
    """Files that told of a run told before; counted once."""
    nameless: int
    """Runs without a name; nobody knows whose they are, so each counts as a person of its own."""


def collect(runs: Iterable[Run]) -> ClassReport:
    """Gather runs.

    Raises
    ------
    ValueError
        When there is none.
    """
    given = list(runs)
    if not given:
        raise ValueError("runs must hold at least one result")
    # saved once more with a name that was forgotten, or mended, it is the same run
    unique = {
        (run.exercise, run.started, run.answers): run for run in sorted(given, key=lambda run: bool(run.apprentice))
    }
    nameless = sorted((run for run in unique.values() if not run.apprentice), key=lambda run: run.started)
    named = [run for run in unique.values() if run.apprentice]
    named += [replace(run, apprentice=f"nameless {i}") for i, run in enumerate(nameless, 1)]
    ordered = sorted(named, key=lambda run: (run.apprentice.casefold(), run.started))
    return ClassReport(
        runs=tuple((run, agreement(run.answers)) for run in ordered),
        together=agreement([answer for run in ordered for answer in run.answers]),
        repeated=len(given) - len(ordered),
        nameless=len(nameless),
    )


def agreement(answers: Sequence[Answer]) -> Agreement:
    """Compare answers with the truth."""
    confusion = _table([answer.grade for answer in answers], ALL_GRADES)
    teeth = [pair for answer in answers for pair in answer.teeth]
    four = len(GRADES)
    return Agreement(
        photos=len(answers),
        grade_right=_share(int(np.trace(confusion)), len(answers)),
        grade_kappa=weighted_kappa(confusion[:four, :four]),
        confusion=tuple(tuple(int(n) for n in row) for row in confusion),
        by_grade={
            grade: _share(int(confusion[i, i]), int(confusion[:, i].sum())) for i, grade in enumerate(ALL_GRADES)
        },
        drive_flank_right=_share(sum(a.drive_flank[0] == a.drive_flank[1] for a in answers), len(answers)),
        worn_found=_share(sum(g for g, t in teeth if t), sum(t for _, t in teeth)),
        unworn_left_alone=_share(sum(not g for g, t in teeth if not t), sum(not t for _, t in teeth)),
        teeth_kappa=weighted_kappa(_table(teeth, (False, True))),
    )


def weighted_kappa(table: np.ndarray[Any, Any]) -> Kappa:
    """Cohen's kappa with linear weights of a square table of counts; for two classes it is the unweighted kappa.

    Parameters
    ----------
    table
        (k, k) counts, the classes in their order.
    """
    from statsmodels.stats.inter_rater import cohens_kappa

    counts = np.asarray(table, dtype=np.float64)
    n = int(counts.sum())
    if n == 0:
        return Kappa(value=None, low=None, high=None, of=0, reason="no answers to compare")
    down, across = counts.sum(axis=1), counts.sum(axis=0)
    if np.count_nonzero(down) == 1 and np.array_equal(down > 0, across > 0):
        return Kappa(
            value=None, low=None, high=None, of=n, reason="only one class occurs, so chance explains everything"
        )
    with np.errstate(divide="ignore", invalid="ignore"):  # its test statistic, not used here, divides by zero at times
        found = cohens_kappa(counts, wt="linear")
    reasons = ["few answers"] if n < FEW else []
    low = high = None
    if found.std_kappa > _NO_WIDTH:
        low, high = (float(np.clip(v, -1, 1)) for v in (found.kappa_low, found.kappa_upp))
    else:  # such as where all agree: of two answers no less than of two thousand, so it is no knowledge
        reasons.append("no interval: its formula gives no width here")
    return Kappa(value=float(found.kappa), low=low, high=high, of=n, reason=", ".join(reasons))


def _table(pairs: Iterable[tuple[object, object]], classes: Sequence[object]) -> np.ndarray[Any, Any]:
    table = np.zeros((len(classes), len(classes)), dtype=np.int64)
    for given, truth in pairs:
        table[classes.index(given), classes.index(truth)] += 1
    return table


def _share(hits: int, of: int) -> Share:
    from statsmodels.stats.proportion import proportion_confint

    if of == 0:
        return Share(hits=hits, of=of, low=None, high=None)
    low, high = proportion_confint(hits, of, alpha=0.05, method="wilson")
    return Share(hits=hits, of=of, low=float(low), high=float(high))


def document_of(report: ClassReport) -> dict[str, object]:
    """The report as JSON-ready data, unknown as null."""
    from dataclasses import asdict

    return {
        "schema": "toothcheck/exercise-class/1",
        "grades": list(ALL_GRADES),
        "weights": "linear",
        "together": asdict(report.together),
        "runs": [
            {
                "apprentice": run.apprentice,
                "exercise": run.exercise,
                "title": run.title,
                "started": run.started.isoformat(),
                **asdict(agreed),
            }
            for run, agreed in report.runs
        ],
        "repeated_files": report.repeated,
        "nameless_runs": report.nameless,
    }
