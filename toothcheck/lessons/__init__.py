"""Teaching: a lesson with an interactive tooth, exercises on photos, and what a class made of them."""

from __future__ import annotations

from toothcheck.lessons.page import lesson_page

__all__ = ["lesson_page"]
