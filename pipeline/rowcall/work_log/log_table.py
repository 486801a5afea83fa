"""A work log as text to its lines, each with its number and its cells by column."""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from rowcall.csv_text import text_of
from rowcall.work_log.problem import Column, Problem, quoted
from rowcall.work_log.work import Work

_DELIMITERS = (",", ";", "\t")
_PACKED = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")  # of zip and older compound files: spreadsheets
_REQUIRED = (Column.TIME, Column.WORK)


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the log below its header; `number` is that of the file, from 1."""

    number: int
    cells: Mapping[Column, str]

    def cell(self, column: Column) -> str:
        """Return a cell without surrounding blanks, empty where there is none."""
        return self.cells.get(column, "")


@dataclass(frozen=True, slots=True)
class Table:
    """The lines of a log, empty ones left out, and what is wrong with the file or its lines."""

    lines: Sequence[Line] = ()
    problems: Sequence[Problem] = ()


def decoded(data: bytes) -> str:
    """Return the text of a file as editors, phones and spreadsheet programs write it.

    Raises:
        Problem: it is a spreadsheet.
    """
    if data.startswith(_PACKED):
        raise Problem("this is a spreadsheet, which is not read; save it as CSV.", line=1)
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return data.decode("utf-16", errors="replace")
    if 0 in data[:2]:  # UTF-16 without a mark: the first character is plain
        return data.decode("utf-16-be" if data[0] == 0 else "utf-16-le", errors="replace")
    return "".join(map(_line_decoded, data.removeprefix(codecs.BOM_UTF8).splitlines(True)))


def _line_decoded(line: bytes) -> str:
    """Return one line: programs of different habits may have written to one log."""
    try:
        return line.decode()
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace")


def plain(text: str) -> str:
    """Return a name without case, blanks and signs: `Set-Point Changed` is `setpointchanged`."""
    return re.sub(r"[\W_]+", "", text.casefold())


def cut(text: str) -> Table:
    """Cut the text of a log into lines and cells."""
    lines = re.sub(r"\r\n?", "\n", text).split("\n")
    first = next((n for n, line in enumerate(lines) if line.strip(",;\t \"'")), None)
    if first is None:
        return Table(problems=[_no_header(1, "the file is empty")])
    delimiter = max(_DELIMITERS, key=lambda sign: len(_known(_header(lines[first], sign))))
    header = _header(lines[first], delimiter)
    columns = _known(header)
    missing = [name for name in _REQUIRED if name not in columns]
    if missing:
        text = f"the header line lacks the column {' and '.join(missing)}"
        return Table(problems=[_no_header(first + 1, text)])
    problems = list(_odd_columns(header, first + 1))
    if any(problem.column for problem in problems):
        return Table(problems=problems)
    found = []
    for number, cells in _records(lines, first + 1, delimiter, columns[Column.WORK]):
        if cells is None or any(cells[len(header) :]):
            problems.append(_uncut(number, cells, len(header)))
        elif any(cells):
            by_column = {name: cells[at] for name, at in columns.items() if at < len(cells)}
            found.append(Line(number, by_column))
    return Table(found, problems)


def _header(line: str, delimiter: str) -> list[str]:
    cells = _cut_line(line, delimiter)
    while cells and not cells[-1]:
        cells.pop()
    return cells


def _cut_line(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line by itself; none where one is longer than the parser takes."""
    try:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return []
    return [cell.strip() for cell in cells]


def _known(header: Sequence[str]) -> dict[Column, int]:
    """Return the place of each known column."""
    by_name = {plain(name): name for name in Column}
    found = {by_name.get(plain(cell)): at for at, cell in reversed(list(enumerate(header)))}
    return {name: at for name, at in found.items() if name is not None}


def _no_header(line: int, why: str) -> Problem:
    return Problem(
        f"{why}, so no line is read. The first line must name the columns: {', '.join(Column)}; "
        f"all but {' and '.join(_REQUIRED)} may be left out.",
        line=line,
    )


def _odd_columns(header: Sequence[str], line: int) -> Iterator[Problem]:
    """Yield the columns that are not known, and known ones that come twice."""
    names = [plain(cell) for cell in header]
    for name in Column:
        if names.count(plain(name)) > 1:
            text = "it stands there twice, so no line is read; rename or delete one of them."
            yield Problem(text, name, line)
    strange = [cell for cell in header if cell and plain(cell) not in map(plain, Column)]
    if strange:
        like = {close for cell in strange for close in get_close_matches(cell.casefold(), Column)}
        meant = f" (is {' and '.join(sorted(like))} meant?)" if like else ""
        yield Problem(
            f"of the columns {', '.join(map(quoted, strange))} nothing is read{meant}; known are "
            f"{', '.join(Column)}.",
            line=line,
        )


def _records(
    lines: Sequence[str], first: int, delimiter: str, work_at: int
) -> Iterator[tuple[int, list[str] | None]]:
    """Yield number and cells of each line from index `first` on; None where it cannot be cut.

    A quotation mark that is not closed costs its own line only: the next one begins anew, and a
    line that names a kind of work (in its cell `work_at`) is never taken for part of a cell.
    """
    at = first
    while at < len(lines):
        begin = at
        rest = (lines[n] + "\n" for n in range(begin, len(lines)))
        reader = csv.reader(rest, delimiter=delimiter, skipinitialspace=True, strict=True)
        try:
            for cells in reader:
                past = begin + reader.line_num
                if any(_has_work(line, delimiter, work_at) for line in lines[at + 1 : past]):
                    raise csv.Error
                yield at + 1, [text_of(cell.strip()) for cell in cells]
                at = past
        except csv.Error:
            yield at + 1, None
            at += 1


def _has_work(line: str, delimiter: str, work_at: int) -> bool:
    """Return whether a line is one of its own, not the end of a cell that began before it."""
    cells = _cut_line(line, delimiter)
    closes = bool(cells) and cells[0].count('"') % 2 == 1
    return work_at < len(cells) and not closes and plain(cells[work_at]) in map(plain, Work)


def _uncut(line: int, cells: Sequence[str] | None, n_columns: int) -> Problem:
    if cells is None:
        text = (
            "it cannot be cut into cells, as where a quotation mark has no partner; close it, or "
            "write it twice where it is meant."
        )
    else:
        text = (
            f"it has {len(cells)} cells, the header {n_columns}; put a cell that holds the sign "
            "between cells in quotation marks."
        )
    return Problem(text, line=line)
