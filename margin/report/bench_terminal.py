"""The findings of a bench on the terminal and in a notebook."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from rich.text import Text

from margin.estimates import numbers
from margin.estimates.bench_findings import MAIN_FIGURES, Findings
from margin.estimates.bench_statements import statements_of
from margin.estimates.bench_tables import components_frame
from margin.estimates.finding import Finding
from margin.estimates.next_measurement import NextMeasurement
from margin.messages.bench_sentences import title
from margin.messages.sentences import said
from margin.report.bench_columns import component_column, merit_column, outlook_column, outlook_level
from margin.report.bench_page import (
    DIFFERENCE,
    NO_DIFFERENCE,
    differences,
    lacks,
    model_lines,
    next_day,
    next_of,
    of_kinds,
)
from margin.report.bench_setup import merits_beside, terms_of
from margin.report.blocks import Block, Table
from margin.report.blocks import Text as Paragraph
from margin.report.layout import Column, Row, page_width, plain_text, table_lines, wrap, wrapped
from margin.report.shown import listing
from margin.report.shown import table as html_table

_SETUPS_BESIDE = 4
_PLANS = (
    Column("Next measurement", "left"),
    Column("Readings"),
    Column("Interval"),
    Column("Narrower by"),
)


def render(findings: Findings, outlook: NextMeasurement | None, width: int | None = None) -> str:
    """The findings as plain text, by default as wide as the terminal."""
    width = width or page_width()
    found = statements_of(findings, outlook)
    blocks = [
        _head(found, width),
        _merits(findings, width),
        _spreads(findings, width),
        _labelled(model_lines(found), width),
        _labelled(_difference_lines(findings, found), width),
        _labelled([("Not available:", f"{said(each)}.") for each in of_kinds(found, "not available")], width),
        _outlook(found, outlook, width),
    ]
    return "\n".join(plain_text(block) for block in blocks if block)


def _labelled(lines: Iterable[tuple[str, str]], width: int) -> list[Text]:
    return [line for label, text in lines for line in wrapped(label, text, width)]


def _head(found: Sequence[Finding], width: int) -> list[Text]:
    out = [Text(line) for line in wrap(title(found[0].values), width)]
    out += wrapped("Measured:", said(found[0]), width)
    notes = [said(each) for each in of_kinds(found, "note on the data") if each.values["at_once"]]
    return out + (wrapped("Data:", "; ".join(notes), width) if notes else [])


def _merits(findings: Findings, width: int) -> list[Text]:
    """Pooled figures, each with its interval and its definition, some setups side by side."""
    terms = terms_of(findings, MAIN_FIGURES)
    columns = [[setup.pooled.get(term.name) for setup in findings.setups] for term in terms]
    cells = [merit_column(merits) for merits in columns]
    out: list[Text] = []
    for first in range(0, len(findings.setups), _SETUPS_BESIDE):
        shown = findings.setups[first : first + _SETUPS_BESIDE]
        headings = (
            Column("Figure of merit, mean over sensors", "left", "Figure"),
            *(Column(s.name) for s in shown),
        )
        rows: list[Row | str] = []
        for term, own in zip(terms, cells, strict=True):
            rows.append((str(term), *(cell.lines for cell in own[first : first + _SETUPS_BESIDE])))
            rows.append(f"  : {term.definition}")
        out += table_lines(headings, rows, width)
    level = f"{numbers.percent(findings.confidence)} over sensors; single sensors and all linearities in the report"
    return out + wrapped("Intervals:", level, width)


def _spreads(findings: Findings, width: int) -> list[Text]:
    """Spread per level, in the first setup."""
    rows = _spread_rows(findings)
    columns = (
        Column(f"Spread, {findings.setups[0].name}", "left", "Spread"),
        Column("Standard deviation\n(interval)"),
    )
    return table_lines(columns, rows, width) if rows else []


def _spread_rows(findings: Findings) -> list[tuple[str, str]]:
    """Parameter with its level, and standard deviation, in the first setup; empty where it shows none."""
    table = components_frame(findings.setups[:1])
    records = [row for row in table.to_dict("records") if row["level"] != "lot" or row["sd"] == row["sd"]]
    return [
        (f"{row['parameter']} per {row['level']}", shown)
        for row, shown in zip(records, component_column(records), strict=True)
    ]


def _difference_lines(findings: Findings, found: Sequence[Finding]) -> list[tuple[str, str]]:
    """Differences that are resolved, and the figures in which none is."""
    lines = []
    for by in findings.comparisons:
        of = [each for each in of_kinds(found, DIFFERENCE, NO_DIFFERENCE) if each.values["by"] == by]
        lines += [(f"By {by}, resolved:", said(each)) for each in of if each.kind == DIFFERENCE]
        rest = [each.subject for each in of if each.kind == NO_DIFFERENCE]
        if rest:
            lines.append((f"By {by}, no difference resolved:", "; ".join(rest)))
    return lines


def _outlook(found: Sequence[Finding], outlook: NextMeasurement | None, width: int) -> list[Text]:
    if outlook is None:
        return []
    records = outlook.of(outlook.decides).to_dict("records")
    rows = [
        (
            str(row["words"]),
            numbers.count(round(row["readings"])) if row["readings"] == row["readings"] else "",
            *cells,
        )
        for row, (*cells,) in zip(records, outlook_column(records), strict=True)
        if row["low"] == row["low"]
    ]
    level = f"{outlook.decides}, {outlook_level(outlook, outlook.decides)}"
    shown = [(name, readings, ends, gain) for name, readings, ends, _, gain in rows]
    return [
        *wrapped("More measurements:", level, width),
        *table_lines(_PLANS, shown, width),
        *wrapped("Next:", f"{said(next_of(found))}.", width),
    ]


def notebook_html(findings: Findings, outlook: NextMeasurement | None) -> str:
    """The same as simple HTML: the tables of the page that matter first."""
    found = statements_of(findings, outlook)
    parts = [f"<p><strong>{escape(title(found[0].values))}</strong></p><p>{escape(said(found[0]))}</p>"]
    blocks: list[Block] = [merits_beside(findings)]
    if rows := _spread_rows(findings):
        caption = f"Spread by level of variation, {findings.setups[0].name}."
        blocks.append(Table(caption, ("Spread", "Standard deviation (interval)"), tuple(rows)))
    blocks += [Paragraph(f"{label} {text}") for label, text in model_lines(found)]
    for block in (*blocks, *differences(findings, found), *lacks(found), *next_day(found, outlook)):
        if isinstance(block, Table):
            parts.append(html_table(block.columns, block.rows, block.caption))
        elif isinstance(block, Paragraph):
            parts.append(f"<p>{escape(block.text)}</p>")
    every = tuple(dict.fromkeys(name for setup in findings.setups for name in setup.pooled))
    defined = listing((f"{term}:", term.definition) for term in terms_of(findings, every))
    return f"<div>{''.join(parts)}<details><summary>Definitions</summary>{defined}</details></div>"
