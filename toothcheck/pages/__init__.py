"""What all pages share: one palette, one style sheet, one page frame, and figures that go to screen and paper alike.

Pages are self-contained: a content security policy in the frame forbids every request, so a page opened from a file
in a workshop without network is the same page.  Nothing is said by colour alone: each role of `figure` also has its
own line width, dash or hatching, and a word beside it.
"""

from __future__ import annotations

from toothcheck.pages.figure import Figure, Role, Shape
from toothcheck.pages.frame import data_uri, json_for_page, render, tied

__all__ = ["Figure", "Role", "Shape", "data_uri", "json_for_page", "render", "tied"]
