"""The summary of a study on a terminal and in a notebook; readable without colour, no text cut."""

from __future__ import annotations

from html import escape

from rich.console import Console
from rich.text import Text

from margin.estimates.results import Results
from margin.messages.requirement import requirement_in_words
from margin.report.layout import (
    HEAD,
    Column,
    listed,
    page_width,
    plain_text,
    table_lines,
    wrap,
    wrapped,
)
from margin.report.shown import table as html_table
from margin.report.summary import OptionLine, Summary, capitalised, summarise

_GOOD, _BAD = "green", "bold red"
_BOUND_WORDS = {"conforms": "enough", "does not conform": "too low", "undecided": "open"}

_OPTIONS = (
    Column("Calibration\noption", "left"),
    Column("Yield and\ninterval", name="Yield"),
    Column("Lower\nbound", name="Lower bound"),
    Column("95 % of |error|\nbelow, at load", name="95 % of |error| below"),
    Column("Largest /\npermiss.", name="Largest / permissible"),
    Column("Per\nunit", name="Time per unit"),
)
_CAUSES = (
    Column("Rank"),
    Column("Leading cause", "left", "Cause"),
    Column("Yield\nbecomes", name="Yield becomes"),
    Column("Change in points", "left"),
)


def render(results: Results, width: int | None = None) -> str:
    """The summary as plain text, each line at most `width` columns (by default those of the terminal)."""
    return plain_text(lines(summarise(results), width or page_width()))


def print_summary(results: Results, console: Console) -> None:
    """Print the summary on `console`; colour only repeats what the words say."""
    for line in lines(summarise(results), console.width):
        console.print(line, no_wrap=True, overflow="ignore", highlight=False, markup=False)


def lines(summary: Summary, width: int) -> list[Text]:
    """The lines of the summary: title, requirement, options, recommendation, causes, notes."""
    blocks = (
        _head(summary, width),
        _options(summary, width),
        _recommendation(summary, width),
        _causes(summary, width),
        _notes(summary, width),
    )
    joined: list[Text] = []
    for block in blocks:
        joined.extend([Text("")] if joined else [])
        joined.extend(block)
    return joined


def _head(summary: Summary, width: int) -> list[Text]:
    title = f"{summary.title}:"
    verdict = summary.verdict.upper().replace(" ", "\N{NO-BREAK SPACE}")
    out = [Text(line, style=HEAD) for line in wrap(f"{title} {verdict}", width, rest="  ")]
    out[-1] = Text(out[-1].plain.replace("\N{NO-BREAK SPACE}", " "), style=HEAD)
    out[-1].stylize(_GOOD if summary.conforms else _BAD, len(out[-1]) - len(verdict))
    out.extend(Text(line) for line in wrap(f"{capitalised(summary.headline)}.", width, rest="  "))
    for label, text in summary.requirement:
        out.extend(wrapped(f"{label}:", f"{text}.", width))
    return out


def _options(summary: Summary, width: int) -> list[Text]:
    return table_lines(_OPTIONS, [_option_row(option) for option in summary.options], width)


def _option_row(option: OptionLine) -> tuple[str | Text, ...]:
    bound = Text(
        f"{option.bound.value}\n{_BOUND_WORDS[option.verdict]}", style=_GOOD if option.conforms else _BAD
    )
    error = f"{option.error.value} at {option.error_at}\n{option.error.interval}"
    return (option.name, option.yields.lines, bound, error, option.largest.lines, option.seconds)


def _recommendation(summary: Summary, width: int) -> list[Text]:
    out = wrapped("Recommended:", summary.recommendation, width)
    return out + listed(f"{summary.obstacles_heading}:", summary.obstacles, width)


def _causes(summary: Summary, width: int) -> list[Text]:
    heading = f"{summary.causes_of!r}, spread of one cause halved:"
    if not summary.causes:
        return wrapped(heading, "not determined (no budget was computed, or nothing varies)", width)
    rows = [(cause.rank, cause.factor, cause.yield_becomes, cause.change.text) for cause in summary.causes]
    return [*(Text(line, style=HEAD) for line in wrap(heading, width)), *table_lines(_CAUSES, rows, width)]


def _notes(summary: Summary, width: int) -> list[Text]:
    return [
        *listed("Checks EXCEEDED:", summary.checks_exceeded, width, _BAD),
        *wrapped("Other checks:", summary.checks_other, width),
        *wrapped("Assumed:", summary.assumed, width),
        *(
            line
            for label, _, text in (ideal.partition(" ") for ideal in summary.ideal)
            for line in wrapped(label, text, width)
        ),
        *listed(f"Cautions ({len(summary.cautions)}):", summary.cautions, width),
        *(wrapped("Note:", summary.cancels, width) if summary.cancels else ()),
        *wrapped("Next:", summary.next_step, width),
        *wrapped("Computed:", summary.computed, width),
    ]


def notebook_html(results: Results) -> str:
    """The summary as simple HTML for a notebook: what the terminal shows, in tables."""
    summary = summarise(results)
    options = html_table(
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
                line.yields.text,
                line.bound.text,
                line.error_text,
                line.largest.text,
                line.seconds,
                line.verdict,
            )
            for line in summary.options
        ],
    )
    causes = html_table(
        (
            "",
            f"Leading cause with {summary.causes_of!r}",
            "Part, level",
            "If halved, yield becomes",
            "Change in points",
        ),
        [(c.rank, c.factor, f"{c.part}, {c.level}", c.yield_becomes, c.change.text) for c in summary.causes],
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
    head = "".join(f"<p>{escape(line)}</p>" for line in requirement_in_words(results.case))
    title = f"<p><strong>{escape(summary.title)}: {escape(summary.verdict)}</strong></p>"
    title += f"<p>{escape(capitalised(summary.headline))}.</p>"
    return f"<div>{title}{head}{options}{causes}<ul>{listed}</ul></div>"
