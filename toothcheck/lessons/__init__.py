"""Teaching: a lesson with an interactive tooth, exercises on photos, and what a class made of them."""

from __future__ import annotations

from toothcheck.lessons.cases import Case, NothingToAsk, case_of, graded_set
from toothcheck.lessons.exercise import exercise_page
from toothcheck.lessons.page import LessonWheel, lesson_page, lesson_wheel
from toothcheck.lessons.results import ClassReport, Run, collect, document_of, run_of

__all__ = [
    "Case",
    "ClassReport",
    "LessonWheel",
    "NothingToAsk",
    "Run",
    "case_of",
    "collect",
    "document_of",
    "exercise_page",
    "graded_set",
    "lesson_page",
    "lesson_wheel",
    "run_of",
]
