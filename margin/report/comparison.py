"""Two studies side by side, on the terminal, in a notebook and as a page."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from margin.estimates import numbers
from margin.estimates.comparison_result import Comparison
from margin.estimates.findings import computed
from margin.estimates.number_columns import NONE, Cell, Entry, change_column, share_column
from margin.estimates.results import Results
from margin.messages.requirement import requirement_in_words, requirement_lines
from margin.messages.sentences import said
from margin.report import style
from margin.report.blocks import Block, Section, Table, Text
from margin.report.layout import Column, listed, page_width, plain_text, table_lines, wrapped
from margin.report.page import options_table, page
from margin.report.shown import listing
from margin.report.shown import table as html_table
from margin.report.summary import entry_of, summarise

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
_CHECK_WORDS = {"kept": "passed", "exceeded": "EXCEEDED"}


@dataclass(frozen=True)
class _Line:
    """One calibration option of both studies in text; the difference in points."""

    option: str
    first: str
    second: str
    difference: Cell
    verdict: str


def render(comparison: Comparison, width: int | None = None) -> str:
    """The comparison as plain text, by default as wide as the terminal."""
    width = width or page_width()
    shown = [line for label, text in _above(comparison) for line in wrapped(label, text, width)]
    rows = [
        (
            line.option, line.first, line.second, line.difference.text,
            "" if line.verdict == numbers.BELOW_RESOLUTION else line.verdict,
        )
        for line in _lines(comparison)
    ]  # fmt: skip
    shown.extend(table_lines(_COLUMNS, rows, width))
    shown.extend(table_lines(_CHECKS, _check_rows(comparison), width))
    cautions = _cautions(comparison)
    shown.extend(listed(f"Cautions ({len(cautions)}):", cautions, width))
    shown.extend(wrapped("Computed:", said(computed(comparison.second)), width))
    return plain_text(shown)


def notebook_html(comparison: Comparison) -> str:
    """The comparison as simple HTML for a notebook: what the terminal shows."""
    found, checks = _table(comparison), _checks_table(comparison)
    tables = "".join(html_table(table.columns, table.rows, table.caption) for table in (found, checks))
    below = [("Caution:", text) for text in _cautions(comparison)]
    below.append(("Computed:", said(computed(comparison.second))))
    return f"<div>{listing(_above(comparison))}{tables}{listing(below)}</div>"


def _above(comparison: Comparison) -> Iterator[tuple[str, str]]:
    """Label and sentence of what stands above the differences."""
    for place, results in _both(comparison):
        yield f"{place}:", f"{results.case.name}, {results.verdict}"
        yield f"{place}, recommended:", results.recommendation.option or "no calibration option"
    for label, text in requirement_lines(comparison.first.case):
        yield f"{label}:", f"{text}."


def _cautions(comparison: Comparison) -> tuple[str, ...]:
    """Cautions of both studies, each once."""
    return tuple(dict.fromkeys((*comparison.first.cautions, *comparison.second.cautions)))


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
    axes.set_yticks(range(len(rows)), [str(name) for name in rows["option"]])
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlabel("Yield, second less first (percentage points)")
    axes.set_title("open: below resolution", loc="left")
    return axes


def section(comparison: Comparison) -> Section:
    """The differences as a section of a page."""
    return Section("Differences on the same draws", (_table(comparison),))


def checks_section(comparison: Comparison) -> Section:
    """The design checks of both as a section of a page."""
    return Section("Design checks side by side", (_checks_table(comparison),))


def _checks_table(comparison: Comparison) -> Table:
    caption = "Value at the least favourable end, limit, and verdict; – where the chain has no such check."
    return Table(caption, ("Design check", "First", "Second"), tuple(_check_rows(comparison)))


def render_page(comparison: Comparison) -> str:
    """The page that compares."""
    blocks: list[Block] = [Text(line) for line in requirement_in_words(comparison.first.case)]
    sides = []
    for place, results in _both(comparison):
        summary = summarise(results)
        sides.append(
            Section(
                f"{place}: {results.case.name}",
                (
                    Text(f"{summary.verdict.capitalize()}. Recommended: {summary.recommendation}."),
                    options_table(summary),
                    Text(f"{summary.computed}."),
                    Text(f"The full report stands in {place.lower()}/report.html."),
                    *(Text(f"Caution: {caution}") for caution in summary.cautions),
                ),
            )
        )
    title = f"{comparison.first.case.name} and {comparison.second.case.name}"
    headline = Section("Requirement", tuple(blocks))
    verdicts = "; ".join(f"{place.lower()}: {r.verdict}" for place, r in _both(comparison))
    parts = (headline, section(comparison), checks_section(comparison), *sides)
    return page(title, verdicts, None, comparison.second.version, parts)


def _both(comparison: Comparison) -> tuple[tuple[str, Results], tuple[str, Results]]:
    return ("First", comparison.first), ("Second", comparison.second)


def _table(comparison: Comparison) -> Table:
    return Table(
        f"First: {comparison.first.case.name}. Second: {comparison.second.case.name}.",
        ("Calibration", "Yield, first", "Yield, second", "Second less first, points (interval)", "Verdict"),
        tuple(
            (line.option, line.first, line.second, line.difference.text, line.verdict)
            for line in _lines(comparison)
        ),
    )


def _check_rows(comparison: Comparison) -> list[tuple[str, str, str]]:
    """Name of each design check and what it found on either side."""
    return [
        (str(row["check"]), _check(row, "first"), _check(row, "second"))
        for _, row in comparison.checks.iterrows()
    ]


def _check(row: pd.Series, place: str) -> str:
    """'4.73 V (limit 4.8 V), passed'."""
    value, limit, verdict = (row[f"{key}_{place}"] for key in ("value", "limit", "verdict"))
    if pd.isna(value):
        return NONE
    if not math.isfinite(float(value)):
        return numbers.NOT_DETERMINED
    if row["check"] == "saturation":
        return numbers.percent(float(value), digits=2)
    unit = str(row["unit"])
    text = numbers.plain(float(value), unit)
    if not pd.isna(limit):
        text += f" (limit {numbers.plain(float(limit), unit)})"
    return text if verdict == "for information" else f"{text}, {_CHECK_WORDS[str(verdict)]}"


def _lines(comparison: Comparison) -> tuple[_Line, ...]:
    """Options that both studies have; yields in one format, so that they can be compared by eye."""
    rows = [row for _, row in comparison.differences.iterrows()]
    entries = [
        Entry(float(row[f"yield_{place.lower()}"]), found.low, found.high)
        for place, results in _both(comparison)
        for row in rows
        for found in (results.option(str(row["option"])).decisive_yield.sampled,)
    ]
    yields = share_column(entries)
    verdicts = [str(row["verdict"]) for row in rows]
    differences = change_column(
        [entry_of(row, "difference") for row in rows],
        numbers.Scale(100.0, ""),
        [verdict != numbers.BELOW_RESOLUTION for verdict in verdicts],
    )
    return tuple(
        _Line(str(row["option"]), first.value, second.value, difference, verdict)
        for row, first, second, difference, verdict in zip(
            rows, yields[: len(rows)], yields[len(rows) :], differences, verdicts, strict=True
        )
    )
