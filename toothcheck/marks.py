"""The mark that every result carries, so that toothcheck knows its own where another would take its place."""

from __future__ import annotations

from typing import Any

MADE_BY = "toothcheck"
FIGURE: dict[str, dict[str, Any]] = {
    "png": {"Software": MADE_BY},
    "svg": {"Date": None, "Creator": MADE_BY},  # without the day: the same every time
}
"""What matplotlib is to write into a figure, by its form."""
SIGNS = {
    ".json": rb'\A\s*\{\s*"schema":\s*"toothcheck/',
    ".png": rb"\A\x89PNG(?:(?!IDAT).)*?tEXtSoftware\0toothcheck",  # in front of the picture itself
    ".jpg": rb"\A\xff\xd8(?:(?!\xff\xda).)*?\xff\xfe\0\x0ctoothcheck",
    ".svg": rb"<metadata(?:(?!</metadata).)*?>toothcheck<",
    ".dxf": rb"\$CUSTOMPROPERTY\s+1\s+toothcheck\s",
    ".pdf": rb"/Author \(toothcheck",
    ".html": rb'<meta name="generator" content="toothcheck ',
    ".md": rb"\n---\ntoothcheck (?:order sheet|work checklist), ",
}
"""By a file's ending the regular expression that finds the mark; of a table it is the row of its columns."""
