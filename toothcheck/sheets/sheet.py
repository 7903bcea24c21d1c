"""A sheet of paper: title, sections of facts, steps and remarks; and its Markdown."""

from __future__ import annotations

from dataclasses import dataclass

BLANK = "____________________"
"""Where a value is to be written by hand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One part of a sheet; any of the three may be empty."""

    heading: str
    facts: tuple[tuple[str, str], ...] = ()
    """Label and value; an empty value is a blank to fill in."""
    steps: tuple[str, ...] = ()
    """To be ticked off."""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The whole paper."""

    title: str
    subtitle: str
    sections: tuple[Section, ...]
    footer: str


def to_markdown(sheet: Sheet) -> str:
    """The sheet as Markdown (CommonMark with tables and task lists)."""

    def cell(text: str) -> str:
        return " ".join(text.split()).replace("\\", "\\\\").replace("|", "\\|")

    lines = [f"# {cell(sheet.title)}", "", cell(sheet.subtitle), ""]
    for section in sheet.sections:
        lines += [f"## {cell(section.heading)}", ""]
        if section.facts:
            lines += ["| | |", "|---|---|"]
            lines += [f"| {cell(label)} | {cell(value) or BLANK} |" for label, value in section.facts]
            lines.append("")
        if section.steps:
            lines += [f"- [ ] {cell(step)}" for step in section.steps] + [""]
        if section.remarks:
            lines += [f"- {cell(remark)}" for remark in section.remarks] + [""]
    lines += ["---", cell(sheet.footer), ""]
    return "\n".join(lines)
