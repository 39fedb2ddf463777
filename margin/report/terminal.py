"""The summary that fits one screen: at most 80 columns and 40 lines, readable without colour."""

from __future__ import annotations

import io
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from html import escape
from typing import Literal

from rich.cells import cell_len, set_cell_size
from rich.console import Console
from rich.text import Text

from margin.estimates.results import Results
from margin.report.summary import CauseLine, OptionLine, Summary, summarise

WIDTH = 80
LINES = 40
_MOST_OPTIONS = 8
_GOOD, _BAD, _HEAD = "green", "bold red", "bold"
_BOUND_WORDS = {"conforms": "enough", "does not conform": "too low", "undecided": "open"}


@dataclass(frozen=True)
class Column:
    """A column of a table on the terminal: its heading (lines parted by a newline), width and side."""

    heading: str
    width: int
    side: Literal["left", "right"] = "right"


_OPTIONS = (
    Column("Calibration\noption", 17, "left"),
    Column("Yield and\ninterval", 15),
    Column("Lower\nbound", 7),
    Column("95 % of |error|\nbelow, at load", 16),
    Column("Largest /\npermiss.", 14),
    Column("Per\nunit", 6),
)
_CAUSES = (
    Column("", 2),
    Column("Leading cause", 41, "left"),
    Column("becomes", 10),
    Column("change in points", 24, "left"),
)


def render(results: Results, width: int = WIDTH) -> str:
    """The summary as plain text, each line at most `width` columns, at most 40 lines."""
    buffer = io.StringIO()
    console = Console(file=buffer, width=width, color_system=None, legacy_windows=False)
    print_summary(results, console)
    return buffer.getvalue()


def print_summary(results: Results, console: Console) -> None:
    """Print the summary on `console`; colour only repeats what the words say."""
    width = min(console.width, WIDTH)
    for line in lines(summarise(results), width):
        line.truncate(width, overflow="ellipsis")
        console.print(line, no_wrap=True, overflow="ellipsis", highlight=False, markup=False)


def lines(summary: Summary, width: int = WIDTH) -> list[Text]:
    """The lines of the screen; where there is more to say than room, blank lines and long texts give way."""
    for most in (3, 2, 1):
        blocks = _blocks(summary, width, most)
        if sum(map(len, blocks)) <= LINES:
            break
    blanks = min(len(blocks) - 1, LINES - sum(map(len, blocks)))
    joined: list[Text] = []
    for position, block in enumerate(blocks):
        if 0 < position <= blanks:
            joined.append(Text(""))
        joined.extend(block)
    return joined[:LINES]


def _blocks(summary: Summary, width: int, most: int) -> list[list[Text]]:
    """The parts of the screen, each text at most `most` lines."""
    return [
        _head(summary, width, most),
        _options(summary, width),
        _recommendation(summary, width, most),
        _causes(summary, width),
        _notes(summary, width, most),
    ]


def table_lines(
    columns: tuple[Column, ...], rows: Iterable[tuple[str, ...]], *, heading: bool = True
) -> list[Text]:
    """A table by columns; a cell may hold several lines; what is too long ends with an ellipsis."""
    out: list[Text] = []
    if heading:
        out.extend(Text(line, style=_HEAD) for line in _row_lines(columns, tuple(c.heading for c in columns)))
    for row in rows:
        out.extend(Text(line) for line in _row_lines(columns, row))
    return out


def wrapped(label: str, text: str, width: int, most: int, style: str = "") -> list[Text]:
    """`label` and `text` over at most `most` lines, continued lines set in."""
    cut = textwrap.wrap(
        f"{label} {text}", width=width, subsequent_indent="  ", max_lines=most, placeholder=" …"
    )
    out = [Text(line) for line in cut]
    out[0].stylize(style or _HEAD, 0, len(label))
    return out


def _row_lines(columns: tuple[Column, ...], row: tuple[str, ...]) -> list[str]:
    cells = [cell.split("\n") for cell in row]
    height = max(map(len, cells))
    cells = [[*cell, *[""] * (height - len(cell))] for cell in cells]
    return [
        " ".join(_cell(cell[line], column) for cell, column in zip(cells, columns, strict=True)).rstrip()
        for line in range(height)
    ]


def _cell(text: str, column: Column) -> str:
    size = cell_len(text)
    if size > column.width:
        return set_cell_size(text, column.width - 1) + "…"
    fill = " " * (column.width - size)
    return text + fill if column.side == "left" else fill + text


def _head(summary: Summary, width: int, most: int) -> list[Text]:
    verdict = summary.verdict.upper()
    name = summary.title
    room = width - len(verdict) - 2
    if cell_len(name) > room:
        name = set_cell_size(name, room - 1) + "…"
    title = Text(f"{name}: ", style=_HEAD)
    title.append(verdict, style=_GOOD if summary.conforms else _BAD)
    out = [title]
    for sentence in summary.requirement:
        label, text = sentence.split(": ", 1)
        out.extend(wrapped(f"{label}:", text, width, max(most, 2)))
    return out


def _options(summary: Summary, width: int) -> list[Text]:
    shown = summary.options[:_MOST_OPTIONS]
    out = table_lines(_OPTIONS, [_option_row(option) for option in shown])
    start = sum(column.width + 1 for column in _OPTIONS[:2])
    row = len(_row_lines(_OPTIONS, tuple(c.heading for c in _OPTIONS)))
    for option in shown:
        verdict_line = out[row + 1]
        row += len(_row_lines(_OPTIONS, _option_row(option)))
        verdict_line.stylize(_GOOD if option.conforms else _BAD, start, start + _OPTIONS[2].width)
    rest = len(summary.options) - len(shown)
    if rest:
        out.extend(wrapped("…", f"{rest} more options stand in the report", width, 1))
    return out


def _option_row(option: OptionLine) -> tuple[str, ...]:
    name = textwrap.wrap(option.name, _OPTIONS[0].width, max_lines=3, placeholder=" …")
    return (
        "\n".join(name),
        f"{option.yields}\n{option.yield_interval}",
        f"{option.lower_bound}\n{_BOUND_WORDS[option.verdict]}",
        f"{option.error} at {option.error_at}\n{option.error_interval}",
        f"{option.largest}\n{option.largest_interval}",
        option.seconds,
    )


def _recommendation(summary: Summary, width: int, most: int) -> list[Text]:
    out = wrapped("Recommended:", summary.recommendation, width, most)
    if summary.obstacles:
        out.extend(wrapped(f"{summary.obstacles_heading}:", "; ".join(summary.obstacles), width, most))
    return out


def _causes(summary: Summary, width: int) -> list[Text]:
    out = wrapped(f"{summary.causes_of!r}, spread of one cause halved:", "yield", width, 1)
    if not summary.causes:
        return [*out, Text("  not determined (no budget was computed, or nothing varies)")]
    return out + table_lines(_CAUSES, [_cause_row(cause) for cause in summary.causes])


def _cause_row(cause: CauseLine) -> tuple[str, ...]:
    change = cause.change_short.replace("(within ", "(")
    return (cause.rank, cause.factor, cause.yield_becomes, change)


def _notes(summary: Summary, width: int, most: int) -> list[Text]:
    out: list[Text] = []
    if summary.checks_exceeded:
        out.extend(wrapped("Checks EXCEEDED:", "; ".join(summary.checks_exceeded), width, most, _BAD))
    out.extend(wrapped("Other checks:", summary.checks_other, width, 1))
    out.extend(wrapped("Assumed:", summary.assumed, width, min(most, 2)))
    for label, _, text in (line.partition(" ") for line in summary.ideal):
        out.extend(wrapped(label, text, width, 1))
    if summary.cautions:
        out.extend(wrapped(f"Cautions ({len(summary.cautions)}):", " | ".join(summary.cautions), width, 1))
    if summary.cancels:
        out.extend(wrapped("Note:", summary.cancels, width, min(most, 1)))
    out.extend(wrapped("Next:", summary.next_step, width, min(most, 2)))
    out.extend(wrapped("Computed:", summary.computed, width, 2))
    return out


def notebook_html(results: Results) -> str:
    """The summary as simple HTML for a notebook: what the terminal shows, in tables."""
    summary = summarise(results)
    options = _html_table(
        (
            "Calibration",
            "Yield",
            "Lower bound",
            "95 % of |error| below",
            "Largest / permissible",
            "Time a unit",
            "",
        ),
        [
            (
                line.name,
                f"{line.yields} ({line.yield_interval})",
                line.bound,
                f"{line.error} ({line.error_interval}) at {line.error_at}",
                f"{line.largest} ({line.largest_interval})",
                line.seconds,
                line.verdict,
            )
            for line in summary.options
        ],
    )
    causes = _html_table(
        (
            "",
            f"Leading cause with {summary.causes_of!r}",
            "Part, level",
            "If halved, yield becomes",
            "Change",
        ),
        [(c.rank, c.factor, f"{c.part}, {c.level}", c.yield_becomes, c.change) for c in summary.causes],
    )
    notes = [
        ("Recommended", summary.recommendation),
        *((summary.obstacles_heading, line) for line in summary.obstacles),
        *(("Check exceeded", line) for line in summary.checks_exceeded),
        ("Other checks", summary.checks_other),
        ("Assumed", summary.assumed),
        *((label, text) for label, _, text in (line.partition(": ") for line in summary.ideal)),
        *(("Caution", line) for line in summary.cautions),
        *((("Note", summary.cancels),) if summary.cancels else ()),
        ("Next", summary.next_step),
        ("Computed", summary.computed),
    ]
    listed = "".join(f"<li>{escape(label)}: {escape(text)}</li>" for label, text in notes)
    head = "".join(f"<p>{escape(line)}</p>" for line in summary.requirement)
    title = f"<p><strong>{escape(summary.title)}: {escape(summary.verdict)}</strong></p>"
    return f"<div>{title}{head}{options}{causes}<ul>{listed}</ul></div>"


def _html_table(columns: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    head = "".join(f"<th>{escape(name)}</th>" for name in columns)
    body = "".join("<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>" for row in rows)
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
