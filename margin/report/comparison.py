"""Two studies side by side on the terminal and in a notebook; rows and figure that the page shares."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from margin.estimates import numbers
from margin.estimates.comparison_findings import PLACES, findings_of_comparison
from margin.estimates.comparison_result import Comparison
from margin.estimates.finding import Finding
from margin.estimates.number_columns import Cell, change_column, share_column
from margin.messages.comparison_sentences import check_shown
from margin.messages.requirement import requirement_lines
from margin.messages.sentences import said
from margin.report import style
from margin.report.blocks import Table
from margin.report.finding_cells import entry
from margin.report.layout import Column, listed, page_width, plain_text, table_lines, wrapped
from margin.report.shown import listing
from margin.report.shown import table as html_table

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_COLUMNS = (
    Column("Calibration\noption", "left"),
    Column("Yield,\nfirst"),
    Column("Yield,\nsecond"),
    Column("Second less first,\npoints (interval)", "left"),
    Column("Verdict", "left"),
)

_CHECKS = (
    Column("Design check", "left"),
    Column("First", "left"),
    Column("Second", "left"),
)

MOST_INPUTS = 6
"""Changed inputs listed on a screen."""


@dataclass(frozen=True)
class Line:
    """One calibration option of both studies in text; the difference in points."""

    option: str
    first: str
    second: str
    difference: Cell
    verdict: str


def render(comparison: Comparison, width: int | None = None) -> str:
    """The comparison as plain text, by default as wide as the terminal."""
    width = width or page_width()
    findings = findings_of_comparison(comparison)
    shown = [line for label, text in _above(comparison, findings) for line in wrapped(label, text, width)]
    rows = [
        (
            line.option, line.first, line.second, line.difference.text,
            "" if line.verdict == numbers.BELOW_RESOLUTION else line.verdict,
        )
        for line in lines_of(findings)
    ]  # fmt: skip
    shown.extend(table_lines(_COLUMNS, rows, width))
    shown.extend(table_lines(_CHECKS, check_rows(findings), width))
    cautions = [said(each) for each in of_kind(findings, "caution")]
    shown.extend(listed(f"Cautions ({len(cautions)}):", cautions, width))
    shown.extend(wrapped("Computed:", said(findings[-1]), width))
    return plain_text(shown)


def notebook_html(comparison: Comparison) -> str:
    """The comparison as simple HTML for a notebook: what the terminal shows."""
    findings = findings_of_comparison(comparison)
    found = (differences_table(comparison, findings), checks_table(findings))
    tables = "".join(html_table(table.columns, table.rows, table.caption) for table in found)
    below = [("Caution:", said(each)) for each in of_kind(findings, "caution")]
    below.append(("Computed:", said(findings[-1])))
    return f"<div>{listing(_above(comparison, findings))}{tables}{listing(below)}</div>"


def of_kind(findings: Sequence[Finding], kind: str) -> list[Finding]:
    """Findings of one kind."""
    return [each for each in findings if each.kind == kind]


def _above(comparison: Comparison, findings: Sequence[Finding]) -> Iterator[tuple[str, str]]:
    """Label and sentence of what stands above the differences."""
    for each in of_kind(findings, "verdict of a case"):
        yield f"{str(each.values['place']).capitalize()}:", said(each)
    yield "Difference:", f"{said(findings[0])}."
    inputs = of_kind(findings, "changed input")
    for each in inputs[:MOST_INPUTS]:
        yield "Changed input:", said(each)
    if len(inputs) > MOST_INPUTS:
        yield "Changed inputs:", f"{len(inputs) - MOST_INPUTS} more, with all values on the page"
    for label, text in requirement_lines(comparison.first.case):
        yield f"{label}:", f"{text}."


def difference_by_option(comparison: Comparison, ax: Axes | None = None) -> Axes:
    """Difference of the decisive yields, second less first, with its interval; open where it is below resolution."""
    rows = comparison.differences
    axes = style.axes_of(ax, 5.8, 1.2 + 0.38 * len(rows))
    for place, row in enumerate(rows.to_dict("records")):
        look = style.look(comparison.first, str(row["option"]))
        fill = "white" if row["verdict"] == numbers.BELOW_RESOLUTION else look.colour
        low, value, high = (100.0 * float(row[f"difference{end}"]) for end in ("_low", "", "_high"))
        axes.hlines(place, low, high, color=look.colour, lw=1.6)
        axes.plot(value, place, ls="", marker=look.marker, ms=6, mfc=fill, color=look.colour)
    axes.axvline(0.0, color=style.BLACK, lw=0.8)
    axes.set_yticks(range(len(rows)), [style.label(str(name)) for name in rows["option"]])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlabel("Yield, second less first (percentage points)")
    axes.set_title("open: below resolution", loc="left")
    return axes


def differences_table(comparison: Comparison, findings: Sequence[Finding]) -> Table:
    """Yields of both and their difference, a row an option."""
    return Table(
        f"First: {comparison.first.case.name}. Second: {comparison.second.case.name}.",
        ("Calibration", "Yield, first", "Yield, second", "Second less first, points (interval)", "Verdict"),
        tuple(
            (line.option, line.first, line.second, line.difference.text, line.verdict)
            for line in lines_of(findings)
        ),
        last_is_text=True,
    )


def checks_table(findings: Sequence[Finding]) -> Table:
    """Design checks of both, a row a check."""
    caption = "Value at the least favourable end, limit, and verdict; – where the chain has no such check."
    return Table(caption, ("Design check", "First", "Second"), tuple(check_rows(findings)), 3)


def check_rows(findings: Sequence[Finding]) -> list[tuple[str, ...]]:
    """Name of each design check and what it found on either side."""
    found = (each.to_dict() for each in of_kind(findings, "design check of two cases"))
    return [(each["subject"], *(check_shown(each["values"][place]) for place in PLACES)) for each in found]


def lines_of(findings: Sequence[Finding]) -> tuple[Line, ...]:
    """Options that both studies have; yields in one format, so that they can be compared by eye."""
    rows = [each.to_dict() for each in of_kind(findings, "difference of two yields")]
    values = [row["values"] for row in rows]
    yields = share_column([entry(each[place]) for place in PLACES for each in values])
    differences = change_column(
        [entry(each["difference"]) for each in values],
        numbers.Scale(100.0, ""),
        [each["verdict"] != numbers.BELOW_RESOLUTION for each in values],
    )
    return tuple(
        Line(str(row["subject"]), first.value, second.value, difference, row["values"]["verdict"])
        for row, first, second, difference in zip(
            rows, yields[: len(rows)], yields[len(rows) :], differences, strict=True
        )
    )
