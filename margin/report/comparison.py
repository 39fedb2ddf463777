"""Two studies side by side, on the terminal, in a notebook and as a page."""

from __future__ import annotations

import math
import textwrap
from html import escape

import pandas as pd

from margin.estimates import numbers
from margin.estimates.comparison_result import Comparison
from margin.estimates.results import Results
from margin.report.blocks import Block, Section, Table, Text
from margin.report.page import options_table, page
from margin.report.requirement_words import requirement_in_words
from margin.report.summary import computed_in_words, summarise
from margin.report.terminal import WIDTH, Column, table_lines, wrapped

_COLUMNS = (
    Column("Calibration\noption", 20, "left"),
    Column("Yield,\nfirst", 9),
    Column("Yield,\nsecond", 9),
    Column("Second less first,\npoints (interval)", 24),
    Column("", 13, "left"),
)

_CHECKS = (
    Column("Design check", 29, "left"),
    Column("First\n(limit)", 24),
    Column("Second\n(limit)", 24),
)


def render(comparison: Comparison) -> str:
    """The comparison as plain text, 80 columns."""
    shown = []
    for place, results in _both(comparison):
        shown.extend(wrapped(f"{place}:", f"{results.case.name}, {results.verdict}", WIDTH, 1))
        recommended = results.recommendation.option or "no calibration option"
        shown.extend(wrapped("  Recommended:", recommended, WIDTH, 1))
    shown.extend(
        line
        for text in requirement_in_words(comparison.first.case)
        for line in wrapped(f"{text.split(': ', 1)[0]}:", text.split(": ", 1)[1], WIDTH, 2)
    )
    rows = [
        (
            "\n".join(textwrap.wrap(name, _COLUMNS[0].width, max_lines=2, placeholder=" …")),
            one,
            two,
            short.replace("(within ", "("),
            "" if found == numbers.BELOW_RESOLUTION else found,
        )
        for name, one, two, _, short, found in _rows(comparison)
    ]
    shown.extend(table_lines(_COLUMNS, rows))
    shown.extend(table_lines(_CHECKS, [(row[0], row[1], row[2]) for row in _check_rows(comparison)]))
    cautions = tuple(dict.fromkeys((*comparison.first.cautions, *comparison.second.cautions)))
    if cautions:
        shown.extend(wrapped(f"Cautions ({len(cautions)}):", " | ".join(cautions), WIDTH, 1))
    shown.extend(wrapped("Computed:", computed_in_words(comparison.second), WIDTH, 2))
    return "\n".join(line.plain.rstrip() for line in shown) + "\n"


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


def checks_section(comparison: Comparison) -> Section:
    """The design checks of both as a section of a page."""
    caption = "Value at the least favourable end, limit in brackets, and verdict; – where the chain has no such check."
    table = Table(caption, ("Design check", "First", "Second"), tuple(_check_rows(comparison)))
    return Section("Design checks side by side", (table,))


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
        ("Calibration", "Yield, first", "Yield, second", "Second less first (interval)", "Verdict"),
        tuple((name, one, two, full, found) for name, one, two, full, _, found in _rows(comparison)),
    )


def _check_rows(comparison: Comparison) -> list[tuple[str, str, str]]:
    """Name of each design check and what it found on either side."""
    return [
        (str(row["check"]), _check(row, "first"), _check(row, "second"))
        for _, row in comparison.checks.iterrows()
    ]


def _check(row: pd.Series, place: str) -> str:
    """'4.73 V (4.8 V) kept'."""
    value, limit, verdict = (row[f"{key}_{place}"] for key in ("value", "limit", "verdict"))
    if pd.isna(value):
        return "–"
    if not math.isfinite(float(value)):
        return "not determined"
    if row["check"] == "saturation":
        return numbers.percent(float(value), digits=2)
    unit = str(row["unit"])
    text = numbers.plain(float(value), unit)
    if not pd.isna(limit):
        text += f" ({numbers.plain(float(limit), unit)})"
    return (
        text
        if verdict == "for information"
        else f"{text} {str(verdict).upper() if verdict == 'exceeded' else verdict}"
    )


def _rows(comparison: Comparison) -> list[tuple[str, str, str, str, str, str]]:
    return [
        (str(row["option"]), *_yields(comparison, row), *_difference(row), str(row["verdict"]))
        for _, row in comparison.differences.iterrows()
    ]


def _yields(comparison: Comparison, row: pd.Series) -> tuple[str, str]:
    """Both yields to the digits that the interval of each study supports."""
    shown = []
    for (_, results), name in zip(_both(comparison), ("yield_first", "yield_second"), strict=True):
        found = results.option(str(row["option"])).decisive_yield.sampled
        shown.append(numbers.share_value(float(row[name]), found.low, found.high))
    return shown[0], shown[1]


def _difference(row: pd.Series) -> tuple[str, str]:
    values = [float(row[f"difference{end}"]) for end in ("", "_low", "_high")]
    resolved = row["verdict"] != numbers.BELOW_RESOLUTION
    return (
        numbers.share_change(values[0], values[1], values[2], resolved=resolved),
        numbers.share_change(values[0], values[1], values[2], resolved=resolved, unit=""),
    )
