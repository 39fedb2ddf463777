"""The findings of a bench on the terminal and in a notebook."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from rich.text import Text

from margin.estimates import numbers
from margin.estimates.bench_findings import MAIN_FIGURES, Findings
from margin.estimates.bench_tables import components_frame
from margin.estimates.next_measurement import NextMeasurement
from margin.estimates.number_columns import Cell
from margin.report import bench_words as words
from margin.report.blocks import Block, Table
from margin.report.blocks import Text as Paragraph
from margin.report.layout import Column, Row, page_width, plain_text, table_lines, wrap, wrapped
from margin.report.shown import table as html_table

_SETUPS_BESIDE = 4
_TOLD = (
    "file says",
    "flagged",
    "condensed into",
    "cannot be read",
    "columns",
    "read as",
    "read from",
    "decimal comma",
    "states no",
)
"""Notes on the data that stand on the terminal too, by what they say."""
_PLANS = (
    Column("Next measurement", "left"),
    Column("Readings"),
    Column("Interval"),
    Column("Narrower by"),
)


def render(findings: Findings, outlook: NextMeasurement | None, width: int | None = None) -> str:
    """The findings as plain text, by default as wide as the terminal."""
    width = width or page_width()
    blocks = [
        _head(findings, width),
        _merits(findings, width),
        _spreads(findings, width),
        _models(findings, width),
        _differences(findings, width),
        _missing(findings, width),
        _outlook(outlook, width),
    ]
    return "\n".join(plain_text(block) for block in blocks if block)


def _head(findings: Findings, width: int) -> list[Text]:
    out = [Text(line) for line in wrap(words.title(findings), width)]
    out += wrapped("Measured:", words.extent(findings), width)
    said = [note for note in findings.data.notes if any(word in note for word in _TOLD)]
    return out + (wrapped("Data:", "; ".join(said), width) if said else [])


def _merits(findings: Findings, width: int) -> list[Text]:
    """Pooled figures, each with its interval and its definition, some setups side by side."""
    merits = _pooled(findings, MAIN_FIGURES)
    out: list[Text] = []
    for first in range(0, len(findings.setups), _SETUPS_BESIDE):
        shown = findings.setups[first : first + _SETUPS_BESIDE]
        columns = (
            Column("Figure of merit, mean over sensors", "left", "Figure"),
            *(Column(s.name) for s in shown),
        )
        rows: list[Row | str] = []
        for name, definition, cells in merits:
            rows.append((name, *(cell.lines for cell in cells[first : first + _SETUPS_BESIDE])))
            rows.append(f"  : {definition}")
        out += table_lines(columns, rows, width)
    level = f"{numbers.percent(findings.confidence)} over sensors; single sensors and all linearities in the report"
    return out + wrapped("Intervals:", level, width)


def _pooled(findings: Findings, names: Iterable[str]) -> list[tuple[str, str, tuple[Cell, ...]]]:
    """Name, definition and values by setup, in one format, of the figures that some setup has."""
    rows = []
    for name in names:
        merits = [setup.pooled.get(name) for setup in findings.setups]
        found = next((m for m in merits if m is not None and m.value is not None), None)
        if found is not None:
            definition = found.definition.removeprefix("mean over sensors: ")
            rows.append((name, definition, words.merit_column(merits)))
    return rows


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
        for row, shown in zip(records, words.component_column(records), strict=True)
    ]


def _models(findings: Findings, width: int) -> list[Text]:
    return [line for label, said in _model_lines(findings) for line in wrapped(label, said, width)]


def _model_lines(findings: Findings) -> list[tuple[str, str]]:
    """Setups that share a statement on their model, and the statement."""
    said: dict[str, list[str]] = {}
    for setup in findings.setups:
        said.setdefault(words.model_statement(setup), []).append(setup.name)
    return [(f"Model, {'; '.join(names)}:", statement) for statement, names in said.items()]


def _differences(findings: Findings, width: int) -> list[Text]:
    out = []
    for by, (resolved, rest) in words.difference_statements(findings).items():
        for line in resolved:
            out += wrapped(f"By {by}, resolved:", line, width)
        names = "; ".join(line.split(": ", 1)[0] for line in rest)
        if rest:
            out += wrapped(f"By {by}, no difference resolved:", names, width)
    return out


def _missing(findings: Findings, width: int) -> list[Text]:
    out = []
    for what, where, why, measure in words.gathered(findings):
        place = "" if where == words.WHOLE or len(findings.setups) == 1 else f" ({where})"
        out += wrapped("Not available:", f"{what}{place}: {why}. {_measure(measure)}", width)
    return out


def _measure(text: str) -> str:
    return f"Measure next: {text}." if text else ""


def _outlook(outlook: NextMeasurement | None, width: int) -> list[Text]:
    if outlook is None:
        return []
    records = outlook.of(outlook.decides).to_dict("records")
    rows = [
        (
            str(row["words"]),
            numbers.count(round(row["readings"])) if row["readings"] == row["readings"] else "",
            *cells,
        )
        for row, (*cells,) in zip(records, words.outlook_column(records), strict=True)
        if row["low"] == row["low"]
    ]
    out = wrapped(
        "More measurements:", f"{outlook.decides}, {words.outlook_level(outlook, outlook.decides)}", width
    )
    shown = [(name, readings, ends, gain) for name, readings, ends, _, gain in rows]
    return [*out, *table_lines(_PLANS, shown, width), *_whole(outlook.sentence, width)]


def _whole(text: str, width: int) -> list[Text]:
    return [Text(line) for line in wrap(text, width, rest="  ")]


def notebook_html(findings: Findings, outlook: NextMeasurement | None) -> str:
    """The same as simple HTML: the tables of the page that matter first."""
    from margin.report.bench_page import differences, lacks, next_day

    parts = [
        f"<p><strong>{escape(words.title(findings))}</strong></p><p>{escape(words.extent(findings))}</p>"
    ]
    blocks: list[Block] = [_figures(findings)]
    if rows := _spread_rows(findings):
        caption = f"Spread by level of variation, {findings.setups[0].name}."
        blocks.append(Table(caption, ("Spread", "Standard deviation (interval)"), tuple(rows)))
    blocks += [Paragraph(f"{label} {said}") for label, said in _model_lines(findings)]
    for block in (*blocks, *differences(findings), *lacks(findings), *next_day(outlook)):
        if isinstance(block, Table):
            parts.append(html_table(block.columns, block.rows, block.caption))
        elif isinstance(block, Paragraph):
            parts.append(f"<p>{escape(block.text)}</p>")
    return f"<div>{''.join(parts)}</div>"


def _figures(findings: Findings) -> Table:
    """Pooled figures of all setups side by side."""
    names = dict.fromkeys(name for setup in findings.setups for name in setup.pooled)
    rows = tuple(
        (name, definition, *(cell.text for cell in cells))
        for name, definition, cells in _pooled(findings, names)
    )
    columns = ("Figure", "Definition", *(setup.name for setup in findings.setups))
    level = numbers.percent(findings.confidence)
    return Table(f"Figures of merit, mean over sensors, with intervals at {level}.", columns, rows, 2)
