"""Which of a part's readings counts.

Teeth do not heal and a worn chain does not shorten, so a later reading takes back a worse one only where the two agree
within their uncertainties.  Else one of them is wrong, nobody can tell which from here, and the worse one counts until
the wrong one has been withdrawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from toothcheck.advice import CONFIDENT, Halt
from toothcheck.estimate import Estimate
from toothcheck.grade import CANNOT_TELL, GRADES, band
from toothcheck.logbook.history import Reading

HEALED = 2.0
"""Standard uncertainties of their difference by which two readings differ clearly (our convention)."""


def healed(before: Estimate, after: Estimate) -> bool:
    """Whether what only grows would have shrunk clearly from one reading to a later one."""
    gone = before.less(after)
    return gone.value > HEALED * gone.std


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What the readings of one sprocket come to."""

    counts: Reading
    """The reading whose grade counts; where no photo could tell, the newest."""
    newest: Reading
    """The newest of all."""
    milder: Reading | None = None
    """The newest that could tell, where it contradicts ``counts``, which is older and worse."""
    worse: Reading | None = None
    """The last older one of a worse grade with which ``counts``, the newest that could tell, agrees all the same."""
    halted: Reading | None = None
    """The newest with teeth for which nobody may ride; no photo after it settles that, a mechanic does."""

    @property
    def told(self) -> bool:
        """Whether any photo could tell."""
        return self.counts.entry.grade != CANNOT_TELL

    @property
    def newest_told(self) -> bool:
        """Whether the newest photo could."""
        return self.newest.entry.grade != CANNOT_TELL

    @property
    def untold(self) -> Reading | None:
        """The newest reading, where it could not tell and an older one could."""
        return self.newest if self.told and not self.newest_told else None

    @property
    def halt(self) -> Halt | None:
        """The teeth for which nobody may ride."""
        if self.halted is None:
            return None
        e = self.halted.entry
        return Halt(
            teeth=self.halted.halts,
            on=e.on_date,
            remedy=f"if nothing is wrong there, withdraw entry {e.number} (toothcheck logbook correct {e.number} "
            "--withdraw --reason WHY)",
        )

    @property
    def dispute(self) -> str | None:
        """That two readings contradict each other, in words."""
        if self.milder is None:
            return None
        return (
            f"Two readings disagree: {_said(self.counts)}, but later {_said(self.milder)}. Teeth do not heal, so the "
            "worse one counts."
        )

    @property
    def remedy(self) -> str | None:
        """What settles the `dispute`."""
        if self.milder is None:
            return None
        return _remedy("Look at every tooth by eye and take another photo", self.counts, self.milder)

    @property
    def remark(self) -> str | None:
        """That a worse grade came before, which the newest one takes back."""
        if self.worse is None:
            return None
        return (
            f"An earlier photo was graded worse, {_said(self.worse)}; the newest agrees with it within the "
            "uncertainties and counts."
        )


def judged(readings: Sequence[Reading]) -> Judged | None:
    """Which of one sprocket's readings, oldest first, counts; None when there is none.

    It is the newest whose photo could tell, except where an older one of a worse grade stands against it.  That is so
    when the two grades are not neighbours, when the worse one does not come from the asymmetry (a hook, a damaged
    tooth: the later photo may not have seen it), when there is no number to compare, when the asymmetry would have
    shrunk by more than `HEALED` standard uncertainties, and when the worse grade was sure and the later is not.

    A tooth that halts does so until its reading is withdrawn, whichever counts.
    """
    if not readings:
        return None
    newest = readings[-1]
    halted = next((reading for reading in reversed(once_a_photo(readings)) if reading.halts), None)
    told = once_a_photo([reading for reading in readings if reading.entry.grade != CANNOT_TELL])
    if not told:
        return Judged(counts=newest, newest=newest, halted=halted)
    last = told[-1]
    worse = [reading for reading in told[:-1] if _rank(reading) > _rank(last)]
    against = [reading for reading in worse if _stands(reading, last)]
    if against:
        worst = max(_rank(reading) for reading in against)
        counts = next(reading for reading in reversed(against) if _rank(reading) == worst)
        return Judged(counts=counts, newest=newest, milder=last, halted=halted)
    return Judged(counts=last, newest=newest, worse=worse[-1] if worse else None, halted=halted)


def once_a_photo(readings: Sequence[Reading]) -> list[Reading]:
    """Of one photo recorded several times only the newest entry, as it says nothing new."""
    newest = {r.entry.photo_sha256: r.entry.number for r in sorted(readings, key=lambda r: r.entry.number)}
    return [r for r in readings if r.entry.photo_sha256 is None or newest[r.entry.photo_sha256] == r.entry.number]


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """What a length of a chain comes to."""

    reading: Reading
    elongation_percent: Estimate
    misread: str | None = None
    """What it looks like instead, where it cannot be right."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedLength:
    """What the lengths of one chain come to."""

    counts: Length
    shorter: Length | None = None
    """The newest, where it contradicts ``counts``, which is older and longer."""

    @property
    def dispute(self) -> str | None:
        """That two lengths contradict each other, in words."""
        if self.shorter is None:
            return None
        return (
            f"Two lengths disagree: {_stretched(self.counts)}, but later {_stretched(self.shorter)}. A worn chain does "
            "not shorten, so the longer one counts."
        )

    @property
    def remedy(self) -> str | None:
        """What settles the `dispute`."""
        if self.shorter is None:
            return None
        return _remedy(
            "Measure the chain again under pull, at three places or more", self.counts.reading, self.shorter.reading
        )


def judged_length(lengths: Sequence[Length]) -> JudgedLength | None:
    """Which of one chain's lengths, oldest first, counts; None when there is none.

    It is the newest, except where an older one that can be right is clearly longer; then the longest of these.  (A
    newest that cannot be right counts as such: that is said before anything else.)
    """
    if not lengths:
        return None
    last = lengths[-1]
    if last.misread is None:
        longer = [
            length
            for length in lengths[:-1]
            if length.misread is None and healed(length.elongation_percent, last.elongation_percent)
        ]
        if longer:
            return JudgedLength(counts=max(longer, key=lambda x: x.elongation_percent.value), shorter=last)
    return JudgedLength(counts=last)


def worse_in_logbook(kept_grade: str, on: str, typed: str) -> str | None:
    """What is said where a grade is typed that is milder than the logbook's of that day; None where it is not."""
    if not _worse(kept_grade, typed):
        return None
    return (
        f"The logbook holds a worse grade, {kept_grade} of {on}, and teeth do not heal. What was typed counts here: "
        "look at every tooth by eye before you go by it."
    )


def outweighed_photo(kept_grade: str, on: str, photo_grade: str) -> str | None:
    """What is said of a photo outside the logbook whose grade does not take back the logbook's of that day.

    None where it does: the logbook's asks for no parts, or is no worse.
    """
    if kept_grade not in GRADES[2:] or not _worse(kept_grade, photo_grade):
        return None
    return (
        f"This photo was graded {photo_grade}, but the logbook holds a worse grade, {kept_grade} of {on}, which "
        "counts: teeth do not heal. Record the photo (toothcheck logbook record), and the two are weighed against "
        "each other."
    )


def _worse(kept_grade: str, later: str) -> bool:
    return {kept_grade, later} <= {*GRADES} and GRADES.index(kept_grade) > GRADES.index(later)


def renewal_in_logbook(typed: str) -> str | None:
    """What is said where a grade is typed though the logbook's newest photo, which could not tell, asks for new parts.

    None where the grade asks for them, too.
    """
    if typed not in GRADES[:2]:
        return None
    return (
        "The logbook's newest photo could not tell the grade, but every likely one asks for new parts. What was typed "
        "counts here: look at every tooth by eye before you go by it."
    )


def halted_in_logbook(kept: Halt) -> str:
    """What is said where a grade is typed of a sprocket with teeth that halt by the logbook."""
    return (
        f"What was typed does not settle what the photo of {kept.on} showed at {kept.which}: it stands until its entry "
        "is withdrawn."
    )


def longer_in_logbook(kept_percent: Estimate, on: str, typed_percent: Estimate) -> str | None:
    """What is said where an elongation is typed that is clearly less than the logbook's of that day."""
    if not healed(kept_percent, typed_percent):
        return None
    return (
        f"The logbook holds a greater elongation, {kept_percent.text('%')} of {on}, and a worn chain does not shorten. "
        "What was typed counts here: measure again before you go by it."
    )


def _rank(reading: Reading) -> int:
    return GRADES.index(reading.entry.grade or GRADES[0])


def _number(reading: Reading) -> Estimate | None:
    e = reading.entry
    if e.asymmetry_percent is None:
        return None
    return Estimate(value=e.asymmetry_percent, std=e.asymmetry_std_percent or 0.0)


def _stands(worse: Reading, last: Reading) -> bool:
    """Whether a worse grade stands against the newest."""
    one, two = _number(worse), _number(last)
    if _rank(worse) - _rank(last) > 1 or one is None or two is None or band(one.value, 0.0) != worse.entry.grade:
        return True
    return healed(one, two) or (_sure(worse) and not _sure(last))


def _sure(reading: Reading) -> bool:
    """Whether the grade may decide; without a confidence it is an eye's."""
    return reading.entry.confidence is None or reading.entry.confidence >= CONFIDENT


def _said(reading: Reading) -> str:
    number = _number(reading)
    size = "" if number is None else f"{number.text('%')}, "
    return f"{reading.entry.grade} on {reading.entry.on_date} ({size}entry {reading.entry.number})"


def _stretched(length: Length) -> str:
    e = length.reading.entry
    return f"{length.elongation_percent.text('%')} on {e.on_date} (entry {e.number})"


def _remedy(how: str, one: Reading, two: Reading) -> str:
    return (
        f"{how}; then withdraw the entry that is wrong (toothcheck logbook correct {one.entry.number} --withdraw "
        f"--reason WHY, or {two.entry.number})."
    )
