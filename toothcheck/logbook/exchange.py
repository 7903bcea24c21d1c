"""Out and in as CSV (RFC 4180, a header row, UTF-8) and as JSON; the round trip is exact.

In, too, with semicolons and decimal commas: where a comma stands in numbers, spreadsheets can save no other table.

Numbers are written so that they read back to the very same double; an empty CSV field is None.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import asdict, replace
from typing import Any

from toothcheck.errors import LogbookError
from toothcheck.jsontext import parsed
from toothcheck.logbook.checks import checked
from toothcheck.logbook.entries import FLOATS, INTS, NAMES, Entry, EntryError, same_letters, short
from toothcheck.logbook.history import History
from toothcheck.logbook.store import Logbook

SCHEMA = "toothcheck/logbook/1"
_NUMBERS = {*FLOATS, *INTS}
_FORMULA = re.compile(r"'*[=+\-@\t\n]")
"""Text that a spreadsheet would work out as a formula, or that already wears our mark against that."""
_MARKED = re.compile(r"'+[=+\-@\t\n]")
_THOUSANDS = re.compile(r"-?[0-9]{1,3}(?:\.[0-9]{3})+(?:,|$)")


def csv_text(entries: Iterable[Entry]) -> str:
    """Entries as CSV, one line each after the header.

    Text that a spreadsheet would take for a formula gets a ``'`` in front, which reading takes away again.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(NAMES)
    for entry in entries:
        writer.writerow(_cell(value) for value in asdict(entry).values())
    return out.getvalue()


def _cell(value: object) -> object:
    if isinstance(value, str):
        return f"'{value}" if _FORMULA.match(value) else value
    return "" if value is None else repr(value) if isinstance(value, float) else value


def _uncelled(name: str, cell: str, *, commas: bool) -> str | None:
    """What stands in a cell; ``commas`` says that its number may have a decimal comma.

    Raises
    ------
    EntryError
        When a point in such a table may stand between thousands or before decimals.
    """
    if cell == "":
        return None
    if name in FLOATS and commas:
        if _THOUSANDS.match(cell):
            raise EntryError(f"{name} must be read in one way only, not {short(cell)}: write it without the point")
        return cell.replace(",", ".")
    return cell[1:] if name not in _NUMBERS and _MARKED.match(cell) else cell


def json_text(entries: Iterable[Entry]) -> str:
    """Entries as one JSON object with one line for each; unknowns are left out."""
    lines = [
        json.dumps({k: v for k, v in asdict(entry).items() if v is not None}, ensure_ascii=False, allow_nan=False)
        for entry in entries
    ]
    return f'{{"schema": "{SCHEMA}", "entries": [\n' + ",\n".join(lines) + "\n]}\n"


def _csv_rows(text: str) -> Iterable[tuple[str, dict[str, Any]]]:
    head = text.partition("\n")[0]
    semicolons = ";" in head and "," not in head
    reader = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=";" if semicolons else ",")
    line = 1
    try:
        header = next(reader)
    except csv.Error as error:
        raise LogbookError(f"Line 1: {error}.") from None
    unknown = [name for name in header if name not in NAMES]
    if len(header) == 1 and unknown and set(header[0].replace('"', "").split("\t")) & set(NAMES):
        raise LogbookError(
            "Line 1: the columns are separated by tabs.", hint="Save the table again with commas or semicolons."
        )
    if unknown or len(set(header)) != len(header):
        what = "a column stands twice"
        if unknown:
            named = f"unknown column {short(unknown[0])}"
            what = named if unknown[0] else f"column {header.index('') + 1} has no name"
        raise LogbookError(f"Line 1: {what}.", hint=f"Columns: {', '.join(NAMES)}.")
    while True:
        line = reader.line_num + 1  # where this row begins; a quoted field may run over several lines
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise LogbookError(f"Line {line}: {error}. Nothing was imported.") from None
        if not any(row):  # spreadsheets leave commas where a row was emptied
            continue
        if len(row) != len(header):
            raise LogbookError(
                f"Line {line}: {len(row)} fields where {len(header)} columns are named. Nothing was imported."
            )
        try:
            cells = {n: _uncelled(n, cell, commas=semicolons) for n, cell in zip(header, row, strict=True)}
        except EntryError as error:
            raise LogbookError(f"Line {line}: {error}. Nothing was imported.") from None
        yield f"Line {line}", cells


def _json_rows(text: str) -> Iterable[tuple[str, dict[str, Any]]]:
    try:
        whole = parsed(text)
    except json.JSONDecodeError as error:
        raise LogbookError(f"Line {error.lineno}: {error.msg}. Nothing was imported.") from None
    except ValueError as error:
        at = _line_at_fault(text)
        raise LogbookError(f"{'The file' if at is None else f'Line {at}'}: {error}. Nothing was imported.") from None
    schema, entries = (whole.get("schema"), whole.get("entries")) if isinstance(whole, dict) else (None, None)
    if schema is not None and schema != SCHEMA:
        raise LogbookError(f"schema is {short(schema)}, not {SCHEMA!r}.", hint="Export it again with this version.")
    if schema is None or not isinstance(entries, list):
        raise LogbookError(
            f'This is not a logbook\'s export: it needs "schema": "{SCHEMA}" and a list "entries".',
            hint="Write one with: toothcheck logbook export FILE.json",
        )
    lines = text.split("\n")
    for index, row in enumerate(entries):
        # as written here the first entry stands on the second line; another program may have laid it out anew
        as_written = index + 1 < len(lines) and _same(lines[index + 1], row)
        label = f"Line {index + 2}" if as_written else f"Entry {index + 1} of the list"
        if not isinstance(row, dict):
            raise LogbookError(f"{label}: an entry must be an object. Nothing was imported.")
        unknown = [name for name in row if name not in NAMES]
        if unknown:
            raise LogbookError(f"{label}: unknown field {short(unknown[0])}. Nothing was imported.")
        yield label, row


def _same(line: str, row: object) -> bool:
    try:
        return bool(parsed(line.strip().removesuffix(",")) == row)
    except (ValueError, RecursionError):
        return False


def _line_at_fault(text: str) -> int | None:
    """The line that cannot be read for more than being a piece of JSON: an entry, or one field of it, stands there."""
    for number, line in enumerate(text.split("\n"), 1):
        piece = line.strip().removesuffix(",")
        for alone in (piece, f"{{{piece}}}"):
            try:
                parsed(alone)
            except json.JSONDecodeError:
                continue
            except ValueError:
                return number
    return None


def _typed(row: dict[str, Any], fill: Entry) -> Entry:
    """The row as an entry; what a hand-made table leaves out (moment of recording) comes from ``fill``."""
    values: dict[str, Any] = {}
    for name in NAMES:
        value = row.get(name)
        if value is None:
            continue
        if isinstance(value, list | dict):
            raise EntryError(f"{name} must be {'a number' if name in _NUMBERS else 'text'}, not {short(value)}")
        try:
            if name in FLOATS:
                value = float(value) if not isinstance(value, bool) else value
            elif name in INTS and isinstance(value, str):
                value = int(value)
        except (TypeError, ValueError, OverflowError):
            raise EntryError(f"{name} must be a number, not {short(value)}") from None
        values[name] = same_letters(value) if name in ("machine", "part") and isinstance(value, str) else value
    for name in ("kind", "on_date"):
        if name not in values:
            raise EntryError(f"{name} is missing")
    return replace(fill, **{"number": 0, "tool_version": None, **values})


def _uid_of(entry: Entry, times: int) -> str:
    """The uid of a row that has none: out of what it says, so that it is the same each time the row is imported.

    ``times`` counts rows of the very same words, which a file may hold on purpose.
    """
    said = {k: v for k, v in asdict(entry).items() if v is not None and k not in ("number", "uid", "recorded_at")}
    return hashlib.sha256(json.dumps([said, times], sort_keys=True).encode()).hexdigest()[:32]


def uids_in(text: str, form: str) -> set[str]:
    """The uids of an export's entries; ``text`` and ``form`` are as of `bring_in`.

    Raises
    ------
    LogbookError
        Naming the line that cannot be read.
    """
    return {row["uid"] for _, row in _rows(text, form) if isinstance(row.get("uid"), str)}


def _rows(text: str, form: str) -> Iterable[tuple[str, dict[str, Any]]]:
    text = text.removeprefix("\ufeff")
    if not text.strip():
        raise LogbookError("Line 1: the file is empty.", hint="In CSV the first line names the columns.")
    return {"csv": _csv_rows, "json": _json_rows}[form](text)


def bring_in(
    logbook: Logbook,
    text: str,
    form: str,
    *,
    on_slip: Callable[[str], None] | None = None,
    slip_of: Callable[[History, Entry], str | None] | None = None,
) -> tuple[int, int]:
    """Import a text, all of it or nothing.

    Parameters
    ----------
    logbook
        Where to.
    text
        The file's text.
    form
        ``csv`` or ``json``.
    on_slip
        Is told, with its line, of each row without uid that would have been refused as a slip of the pen, had it been
        entered here.  It is imported all the same.
    slip_of
        As of `toothcheck.logbook.Logbook.bring_in`.

    Returns
    -------
    tuple of int
        Entries added, and entries passed over because they are here already.

    Raises
    ------
    LogbookError
        Naming the line of the first bad row.
    """
    entries: list[Entry] = []
    label_of: dict[str, str] = {}
    by_hand: set[str] = set()
    same: Counter[str] = Counter()
    for label, row in _rows(text, form):
        try:
            entry = _typed(row, logbook.new("note"))
            if row.get("uid") is None:
                once = _uid_of(entry, 0)
                entry = replace(entry, uid=_uid_of(entry, same[once]))
                same[once] += 1
            entry = checked(entry)
        except EntryError as error:
            raise LogbookError(f"{label}: {error}. Nothing was imported.") from None
        entries.append(entry)
        if row.get("uid") is None or row.get("recorded_at") is None:
            by_hand.add(entry.uid)
        label_of[entry.uid] = label
    if all(entry.number > 0 for entry in entries):  # a spreadsheet may have sorted the rows
        entries.sort(key=lambda entry: entry.number)
    try:
        return logbook.bring_in(
            entries,
            by_hand=by_hand,
            on_slip=None if on_slip is None else lambda slip: on_slip(_placed(slip, label_of)),
            slip_of=slip_of,
        )
    except EntryError as error:
        raise LogbookError(f"{_placed(error, label_of)} Nothing was imported.") from None


def _placed(error: EntryError, label_of: dict[str, str]) -> str:
    """What is wrong, behind the line where it stands."""
    at = [label_of[e.uid] for e in (error.entry, error.against) if e is not None and e.uid in label_of]
    return f"{at[0] + ': ' if at else ''}{error}."
