"""Layout of text on a terminal: wrapped paragraphs and tables that fit a width without cutting a word.

A table whose columns do not fit beside each other is folded into a block of 'heading: cell' lines for each row.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from rich.cells import cell_len, chop_cells
from rich.text import Text

PIPE_WIDTH, MOST_WIDTH, LEAST_WIDTH = 100, 120, 20
"""Width without a terminal, and the widest and narrowest lines written to one."""
HEAD = "bold"
_GAP = 2
_INDENT = "  "


@dataclass(frozen=True)
class Column:
    """A column of a table: its heading, side, and what names its cells in a folded table ('' for the heading)."""

    heading: str
    side: Literal["left", "right"] = "right"
    name: str = ""


Row = Sequence[str | Text]


def page_width() -> int:
    """Width of lines: COLUMNS, else the terminal's, else that of a pipe."""
    columns = shutil.get_terminal_size((PIPE_WIDTH, 24)).columns
    return min(max(columns, LEAST_WIDTH), MOST_WIDTH)


def plain_text(lines: Iterable[Text]) -> str:
    """Lines without styles, each ended by a newline."""
    return "".join(f"{line.plain.rstrip()}\n" for line in lines)


def wrap(text: str, width: int, *, first: str = "", rest: str = "") -> list[str]:
    """Lines of at most `width` columns, broken at ordinary spaces; a longer word is broken where it must.

    first, rest  what the first line and all others begin with
    """
    lines, line, empty = [], first, True
    for word in _words(text):
        room = width - cell_len(line) - (0 if empty else 1)
        if cell_len(word) <= room:
            line, empty = f"{line}{'' if empty else ' '}{word}", False
            continue
        if not empty:
            lines.append(line)
            line = rest
        *pieces, word = chop_cells(word, max(width - cell_len(rest), 1)) or [""]
        for piece in pieces:
            lines.append(line + piece)
            line = rest
        line, empty = line + word, False
    return [*lines, line]


def wrapped(label: str, text: str, width: int, style: str = "") -> list[Text]:
    """`label` and `text` as a paragraph, continued lines set in; the label stands out."""
    lines = [Text(line) for line in wrap(f"{label} {text}", width, rest=_INDENT)]
    left = cell_len(label)
    for line in lines:
        line.stylize(style or HEAD, 0, min(left, len(line)))
        left -= len(line)
        if left <= 0:
            break
    return lines


def listed(label: str, items: Sequence[str], width: int, style: str = "") -> list[Text]:
    """A single item as a paragraph, several as a list under the label; nothing where there is none."""
    if len(items) < 2:
        return [line for item in items for line in wrapped(label, item, width, style)]
    out = [Text(label, style=style or HEAD)]
    for item in items:
        out.extend(Text(line) for line in wrap(item, width, first="- ", rest=_INDENT))
    return out


def table_lines(columns: Sequence[Column], rows: Iterable[Row | str], width: int) -> list[Text]:
    """A table under its headings; lines of headings and cells are parted by newlines and wrapped to fit.

    rows  cells by column, or a line of text across all columns
    """
    body = [row if isinstance(row, str) else tuple(row) for row in rows]
    headings = tuple(column.heading for column in columns)
    widths = _widths(columns, [headings, *(row for row in body if not isinstance(row, str))], width)
    out = []
    if widths is not None:
        out = [Text(line.plain, style=HEAD) for line in _row_lines(columns, headings, widths)]
    for row in body:
        if isinstance(row, str):
            out.extend(Text(line) for line in wrap(row, width, first=_lead(row), rest=_lead(row) + _INDENT))
        elif widths is None:
            out.extend(_folded(columns, row, width))
        else:
            out.extend(_row_lines(columns, row, widths))
    return out


def _widths(columns: Sequence[Column], rows: Sequence[Row], width: int) -> list[int] | None:
    """Widths of columns that share `width`; None where not even the longest words fit beside each other.

    Words wrap more gracefully than numbers: columns on the left give way first, down to a share of the line.
    """
    by_column = [[_plain(cell) for cell in cells] for cells in zip(*rows, strict=True)]
    least = [max(cell_len(word) for cell in cells for word in (*_words(cell), "")) for cells in by_column]
    wanted = [max(cell_len(line) for cell in cells for line in (cell.split("\n"))) for cells in by_column]
    room = width - _GAP * (len(rows[0]) - 1)
    if sum(least) > room:
        return None
    found = list(wanted)
    enough = [
        max(size, width // len(columns)) if column.side == "left" else width
        for size, column in zip(least, columns, strict=True)
    ]
    for floor in (enough, least):
        while sum(found) > room and any(map(int.__gt__, found, floor)):
            widest = max((i for i in range(len(found)) if found[i] > floor[i]), key=lambda i: found[i])
            found[widest] -= 1
    return found


def _row_lines(columns: Sequence[Column], row: Row, widths: Sequence[int]) -> list[Text]:
    cells = [_cell_lines(cell, width) for cell, width in zip(row, widths, strict=True)]
    out = []
    for place in range(max(map(len, cells))):
        line = Text()
        for number, (column, lines, width) in enumerate(zip(columns, cells, widths, strict=True)):
            text = lines[place] if place < len(lines) else Text()
            fill = " " * (width - text.cell_len)
            line.append(" " * _GAP if number else "")
            line.append_text(
                Text.assemble(text, fill) if column.side == "left" else Text.assemble(fill, text)
            )
        line.rstrip()
        out.append(line)
    return out


def _cell_lines(cell: str | Text, width: int) -> list[Text]:
    style = cell.style if isinstance(cell, Text) else ""
    parts = [(part, _lead(part)) for part in _plain(cell).split("\n")]
    return [
        Text(line, style=style) for part, lead in parts for line in wrap(part, width, first=lead, rest=lead)
    ]


def _folded(columns: Sequence[Column], row: Row, width: int) -> list[Text]:
    """A row as lines 'heading: cell', all but the first set in."""
    out: list[Text] = []
    for column, cell in zip(columns, row, strict=True):
        text = ", ".join(part for line in _plain(cell).split("\n") if (part := " ".join(_words(line))))
        if not text:
            continue
        label = f"{column.name or ' '.join(_words(column.heading))}: "
        indent = _INDENT if out else ""
        style = cell.style if isinstance(cell, Text) else ""
        lines = wrap(f"{label}{text}", width, first=indent, rest=indent + _INDENT)
        out.extend(Text(line, style=style or ("" if indent else HEAD)) for line in lines)
    return out


def _lead(text: str) -> str:
    """The spaces that a text begins with."""
    return text[: len(text) - len(text.lstrip(" "))]


def _words(text: str) -> list[str]:
    """What stands between ordinary spaces: a number and its unit are one word."""
    return [word for word in text.replace("\n", " ").split(" ") if word]


def _plain(cell: str | Text) -> str:
    return cell.plain if isinstance(cell, Text) else cell
