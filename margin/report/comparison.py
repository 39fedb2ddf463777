"""Two studies side by side, on the terminal, in a notebook and as a page."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

from margin.estimates import numbers
from margin.estimates.comparison_result import Comparison
from margin.estimates.number_columns import Cell, Entry, change_column, share_column
from margin.estimates.results import Results
from margin.report.blocks import Block, Section, Table, Text
from margin.report.layout import Column, listed, page_width, plain_text, table_lines, wrapped
from margin.report.page import options_table, page
from margin.report.summary import (
    computed_in_words,
    entry_of,
    requirement_in_words,
    requirement_lines,
    summarise,
)

_COLUMNS = (
    Column("Calibration\noption", "left"),
    Column("Yield,\nfirst"),
    Column("Yield,\nsecond"),
    Column("Second less first,\npoints (interval)", "left"),
    Column("Verdict", "left"),
)


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
    shown = []
    for place, results in _both(comparison):
        shown.extend(wrapped(f"{place}:", f"{results.case.name}, {results.verdict}", width))
        recommended = results.recommendation.option or "no calibration option"
        shown.extend(wrapped(f"{place}, recommended:", recommended, width))
    for label, text in requirement_lines(comparison.first.case):
        shown.extend(wrapped(f"{label}:", f"{text}.", width))
    rows = [
        (
            line.option, line.first, line.second, line.difference.text,
            "" if line.verdict == numbers.BELOW_RESOLUTION else line.verdict,
        )
        for line in _lines(comparison)
    ]  # fmt: skip
    shown.extend(table_lines(_COLUMNS, rows, width))
    cautions = tuple(dict.fromkeys((*comparison.first.cautions, *comparison.second.cautions)))
    shown.extend(listed(f"Cautions ({len(cautions)}):", cautions, width))
    shown.extend(wrapped("Computed:", computed_in_words(comparison.second), width))
    return plain_text(shown)


def notebook_html(comparison: Comparison) -> str:
    """The comparison as a simple table for a notebook."""
    head = "".join(f"<th>{escape(name)}</th>" for name in _table(comparison).columns)
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>"
        for row in _table(comparison).rows
    )
    caption = escape(_table(comparison).caption)
    return f"<table><caption>{caption}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def section(comparison: Comparison) -> Section:
    """The differences as a section of a page."""
    return Section("Differences on the same draws", (_table(comparison),))


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
    parts = (headline, section(comparison), *sides)
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
