"""The findings of a bench on the terminal, 80 columns, and in a notebook."""

from __future__ import annotations

import textwrap
from html import escape

from rich.text import Text

from margin.estimates.bench_findings import MAIN_FIGURES, Findings
from margin.estimates.bench_tables import components_frame
from margin.estimates.next_measurement import NextMeasurement
from margin.report import bench_words as words
from margin.report.terminal import WIDTH, Column, table_lines, wrapped

_MOST_SETUPS = 4
_CELL = 22
"""Columns of a setup in the table of figures; fewer where the setups are many."""
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
    Column("Next measurement", 33, "left"),
    Column("readings", 8),
    Column("interval", 20),
    Column("narrower by", 16),
)


def render(findings: Findings, outlook: NextMeasurement | None, width: int = WIDTH) -> str:
    """The findings as plain text, each line at most `width` columns."""
    blocks = [
        _head(findings, width),
        _merits(findings, width),
        _spreads(findings, width),
        _models(findings, width),
        _differences(findings, width),
        _missing(findings, width),
        _outlook(outlook, width),
    ]
    return "\n\n".join("\n".join(line.plain.rstrip() for line in block) for block in blocks if block) + "\n"


def _head(findings: Findings, width: int) -> list[Text]:
    out = [Text(words.title(findings))]
    out += wrapped("Measured:", words.extent(findings), width, 6)
    said = [note for note in findings.data.notes if any(word in note for word in _TOLD)]
    return out + (wrapped("Data:", "; ".join(said), width, 4) if said else [])


def _merits(findings: Findings, width: int) -> list[Text]:
    """Pooled figures, each with its interval and its definition."""
    shown = findings.setups[:_MOST_SETUPS]
    each = min(_CELL, (width - 16) // len(shown) - 1)
    name_width = width - len(shown) * (each + 1)
    columns = (
        Column(
            "\n".join(textwrap.wrap("Figure of merit, mean over sensors", name_width)), name_width, "left"
        ),
        *(Column("\n".join(textwrap.wrap(s.name, each)), each) for s in shown),
    )
    out = table_lines(columns, [])
    for name in MAIN_FIGURES:
        merits = [setup.pooled.get(name) for setup in shown]
        present = [m for m in merits if m is not None]
        if not any(m.value is not None for m in present):
            continue
        scale = words.scale_of(present, present[0].unit)
        cells = [("–", "") if m is None else words.merit_parts(m, scale) for m in merits]
        label = "\n".join(textwrap.wrap(name, name_width))
        row = (label, *(f"{value}\n{ends}" for value, ends in cells))
        out += table_lines(columns, [row], heading=False)
        text = present[0].definition.removeprefix("mean over sensors: ")
        out += [
            Text(line)
            for line in textwrap.wrap(text, width - 4, initial_indent="  : ", subsequent_indent="    ")
        ]
    if len(findings.setups) > len(shown):
        out += wrapped("…", f"{len(findings.setups) - len(shown)} more setups stand in the report", width, 1)
    level = f"{100 * findings.confidence:g} % over sensors; single sensors and all linearities stand in the report"
    return out + wrapped("Intervals:", level, width, 2)


def _spreads(findings: Findings, width: int) -> list[Text]:
    """Spread per level, in the first setup."""
    rows = _spread_rows(findings)
    columns = (
        Column(f"Spread, {findings.setups[0].name}", 30, "left"), Column("standard deviation", 40)
    )  # fmt: skip
    return table_lines(columns, rows) if rows else []


def _spread_rows(findings: Findings) -> list[tuple[str, str]]:
    """Parameter with its level, and standard deviation, in the first setup; empty where it shows none."""
    table = components_frame(findings.setups[:1])
    return [
        (f"{row['parameter']} per {row['level']}", words.component_shown(row))
        for row in table.to_dict("records")
        if row["level"] != "lot" or row["sd"] == row["sd"]
    ]


def _models(findings: Findings, width: int) -> list[Text]:
    return [line for label, said in _model_lines(findings) for line in wrapped(label, said, width, 6)]


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
            out += wrapped(f"By {by}, resolved:", line, width, 3)
        names = "; ".join(line.split(": ", 1)[0] for line in rest)
        if rest:
            out += wrapped(f"By {by}, no difference resolved:", names, width, 4)
    return out


def _missing(findings: Findings, width: int) -> list[Text]:
    out = []
    for what, where, why, measure in words.gathered(findings):
        place = "" if where == words.WHOLE or len(findings.setups) == 1 else f" ({where})"
        out += wrapped("Cannot be had:", f"{what}{place}: {why}. {_measure(measure)}", width, 4)
    return out


def _measure(text: str) -> str:
    return f"Measure next: {text}." if text else ""


def _outlook(outlook: NextMeasurement | None, width: int) -> list[Text]:
    if outlook is None:
        return []
    rows = []
    for row in outlook.of(outlook.decides).to_dict("records"):
        ends, _, gain = words.outlook_value(row)
        readings = "" if row["readings"] != row["readings"] else f"{row['readings']:.0f}"
        if row["low"] == row["low"]:
            rows.append((str(row["words"]), readings, ends, gain))
    out = wrapped(
        "How much more:", f"{outlook.decides}, {words.outlook_level(outlook, outlook.decides)}", width, 2
    )
    return [*out, *table_lines(_PLANS, rows), *_whole(outlook.sentence, width)]


def _whole(text: str, width: int) -> list[Text]:
    return [Text(line) for line in textwrap.wrap(text, width, subsequent_indent="  ")]


def notebook_html(findings: Findings, outlook: NextMeasurement | None) -> str:
    """The same as simple HTML: the tables of the page that matter first."""
    from margin.report.bench_page import differences, figures_table, lacks, next_day
    from margin.report.blocks import Block, Table
    from margin.report.blocks import Text as Paragraph

    parts = [
        f"<p><strong>{escape(words.title(findings))}</strong></p><p>{escape(words.extent(findings))}</p>"
    ]
    blocks: list[Block] = [figures_table(setup, pooled_only=True) for setup in findings.setups]
    if rows := _spread_rows(findings):
        caption = f"Spread by level of variation, {findings.setups[0].name}."
        blocks.append(Table(caption, ("Spread", "Standard deviation"), tuple(rows)))
    blocks += [Paragraph(f"{label} {said}") for label, said in _model_lines(findings)]
    for block in (*blocks, *differences(findings), *lacks(findings), *next_day(outlook)):
        if isinstance(block, Table):
            parts.append(_html_table(block.caption, block.columns, block.rows))
        elif isinstance(block, Paragraph):
            parts.append(f"<p>{escape(block.text)}</p>")
    return f"<div>{''.join(parts)}</div>"


def _html_table(caption: str, columns: tuple[str, ...], rows: tuple[tuple[str, ...], ...]) -> str:
    head = "".join(f"<th>{escape(name)}</th>" for name in columns)
    body = "".join("<tr>" + "".join(f"<td>{escape(text)}</td>" for text in row) + "</tr>" for row in rows)
    return f"<table><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
