"""What overturns a decision on the terminal, as a page and as files."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from margin.case.again import command_of
from margin.design.overturning.findings import TOP, findings, of_pair, of_turning
from margin.design.overturning.moves import MOST_SCORES, MOST_TIMES
from margin.design.overturning.result import Overturning, Turning
from margin.estimates import numbers
from margin.estimates.finding import Finding, Number
from margin.estimates.yield_result import conforms_by
from margin.messages import overturning as words
from margin.messages.advice import bound_in_words
from margin.messages.requirement import requirement_in_words
from margin.messages.sentences import said
from margin.report import overturn_figures, style
from margin.report.blocks import Block, Listing, Section, Table, Text, figure_files, picture
from margin.report.document import records, to_json, with_undetermined
from margin.report.figures import figure_of
from margin.report.folder import csv_text, publish_made
from margin.report.layout import Column, listed, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of
from margin.report.page import page
from margin.report.shown import listing, paragraph
from margin.report.shown import table as html_table
from margin.report.summary import capitalised

FORMAT, VERSION = "margin overturning", 1
HEADING = "What would overturn the decision"
DISTANCE = (
    "Distance, in standard scores: of a mean or a true value, standard deviations of its assumed spread or band; of an "
    "assumed size, doublings or halvings, as if it were known within a factor of two (a convention)."
)
ONE_AT_A_TIME = (
    "Each row moves one quantity and leaves all others as assumed; firmware keeps the nominal value, since nobody "
    "knows the true one."
)
INTERVAL = (
    "The interval of a value contains those at which an end of the interval of the lower bound crosses the required "
    "yield."
)
_ON_TERMINAL = 8
_COMMANDS = 3
_COLUMNS = ("Rank", "Assumed quantity", "Number", "Assumed", "Turns at", "Interval", "Distance")


def sentences(found: Overturning, most: int = TOP) -> tuple[str, ...]:
    """The nearest turning values as sentences, at most so many, and how many moves turn nothing: for a first page."""
    return tuple(map(said, findings(found, most)))


def render(found: Overturning, command: str = "", width: int | None = None) -> str:
    """Answer, turning values, pairs and how to run one again, by default as wide as the terminal."""
    width = width or page_width()
    lines = [line for label, text in _head(found) for line in wrapped(label, text, width)]
    rows = [tuple(row) for row in _rows(found, _ON_TERMINAL)]
    if rows:
        columns = [Column(name, "right" if name == "Rank" else "left") for name in _COLUMNS]
        lines += table_lines(columns, rows, width)
    notes = _notes(found, command)
    lines += [line for label, text in notes for line in wrapped(label, text, width)]
    told = [f"{each.text} ({each.why})" for each in found.left_out]
    lines += listed(f"Not moved ({len(told)}):", told[:_ON_TERMINAL], width) if told else []
    return plain_text(lines)


def notebook_html(found: Overturning, command: str = "") -> str:
    """The same as simple HTML for a notebook."""
    head = "".join(paragraph(label, text) for label, text in _head(found))
    told = [("Not moved:", f"{each.text} ({each.why})") for each in found.left_out[:_ON_TERMINAL]]
    body = html_table(_COLUMNS, _rows(found, _ON_TERMINAL))
    return f"<div>{head}{body}{listing([*_notes(found, command), *told])}</div>"


def _head(found: Overturning) -> Iterator[tuple[str, str]]:
    yield "Case:", f"{found.case.name}, calibration {found.option!r}: {answer(found)}"
    first, *rest = sentences(found)
    yield "Answer:", f"{capitalised(first)}."
    for text in rest:
        yield "", f"{capitalised(text)}."


def answer(found: Overturning) -> str:
    """The verdict with its lower bound, in the draws of the search."""
    bound = {"value": found.before.value, "low": found.before.low, "high": found.before.high}
    verdict = "undecided" if found.verdict == "undecided" else found.verdict
    reached = bound_in_words(bound, found.target)
    return f"{verdict}, lower bound {reached} against {numbers.percent(found.target, digits=6)}"


def _notes(found: Overturning, command: str) -> list[tuple[str, str]]:
    pairs = [("Pair:", said(of_pair(found, each))) for each in found.pairs[:TOP]]
    again = [("Run again:", text) for text in commands(found, command)[:1]]
    return [*pairs, ("Note:", ONE_AT_A_TIME), ("Note:", DISTANCE), *again, ("Computed:", computed(found))]


def commands(found: Overturning, command: str) -> list[str]:
    """Commands that run the case at its nearest turning values."""
    start = command or command_of(found.case)
    changed = [each for each in found.nearest if each.change][:_COMMANDS]
    return [f"{start} --change {shlex.quote(each.change)}" for each in changed]


def computed(found: Overturning) -> str:
    """How the numbers came about."""
    outer = f" in {numbers.count(found.outer)} outer draws" if found.outer > 1 else ""
    fewer = f", all others {numbers.count(found.screened)}" if found.screened != found.units else ""
    level = numbers.percent(found.case.requirement.confidence)
    return (
        f"{level} intervals; {numbers.count(found.bounds)} bounds on common draws, the nearest on "
        f"{numbers.count(found.units)} units{outer}{fewer}; seed {found.case.study.seed}, margin {found.version}"
    )


def _rows(found: Overturning, most: int | None = None) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for rank, each in enumerate(found.nearest[:most], 1):
        values = of_turning(found, each).to_dict()["values"]
        number, measure = values["value"], each.measure
        value = f"{each.direction} {words.value_text(number, measure)}"
        interval = words.interval_text(number, measure)
        if each.contains_assumed:
            interval += " (contains the assumed value)"
        assumed, distance = words.assumed_text(values), words.distance_text(values)
        rows.append((str(rank), each.subject, measure, assumed, value, interval, distance))
    return rows


def sections(found: Overturning, command: str = "") -> tuple[Section, ...]:
    """All sections of the page."""
    parts = [
        section(found),
        Section("Pairs that turn the verdict together", (_pairs_table(found),)),
        Section("Moves that do not turn it", (_never_table(found),), folded=True),
    ]
    if found.left_out:
        told = tuple(f"{each.text}: {each.why}" for each in found.left_out)
        parts.append(Section("Assumptions that are no number", (Listing("Not moved", told),), folded=True))
    again = commands(found, command)
    if again:
        text = (
            "At a turning value the verdict is open; at values well to either side of its interval it is not"
        )
        parts.append(Section("To run it again", (Listing(text, tuple(again)),)))
    notes = (INTERVAL, ONE_AT_A_TIME, DISTANCE, computed(found))
    parts.append(Section("Computation", (Listing("How", notes),)))
    return tuple(parts)


def section(found: Overturning) -> Section:
    """The answer with figure and table: on a page of its own, or in that of a study."""
    blocks: list[Block] = [Text(line) for line in requirement_in_words(found.case)]
    blocks.append(Text(f"Calibration {found.option!r}: {answer(found)}."))
    blocks += [Text(f"{capitalised(line)}.") for line in sentences(found)]
    if found.nearest:
        with style.settings():
            figure = figure_of(overturn_figures.turning_values_by_quantity(found))
        caption = (
            "Turning values (size: circle; true value: square; mean: diamond) with their intervals; bars: what is "
            f"plausible. {numbers.percent(found.case.requirement.confidence)} intervals, seed "
            f"{found.case.study.seed}, margin {found.version}."
        )
        told = "A line a quantity: what is plausible, and the value at which the verdict turns with its interval."
        blocks.append(picture("turning-values", figure, caption, told))
        table = Table(f"Turning values, the nearest first. {DISTANCE}", _COLUMNS, tuple(_rows(found)), 7)
        blocks.append(table)
    return Section(HEADING, tuple(blocks))


def lines_of_a_study(found: Overturning | None) -> str:
    """What would overturn the decision below the screen of a study; '' where that was not asked for."""
    if found is None:
        return ""
    lines = wrapped(f"{HEADING}:", f"{capitalised(sentences(found)[0])}.", page_width())
    for text in sentences(found)[1:]:
        lines += wrapped("", f"{capitalised(text)}.", page_width())
    return f"\n{plain_text(lines)}"


def html_of_a_study(screen: str, found: Overturning | None) -> str:
    """The screen of a study in a notebook, with what would overturn the decision."""
    if found is None:
        return screen
    lines = ((f"{HEADING}:" if not place else "", text) for place, text in enumerate(sentences(found)))
    return f"<div>{screen}{listing(lines)}</div>"


def with_section(parts: tuple[Section, ...], found: Overturning | None) -> tuple[Section, ...]:
    """Sections of the page of a study, with the answer on its first page and what it rests on behind that."""
    if found is None:
        return parts
    first, *rest = parts
    told = Listing(HEADING, tuple(f"{capitalised(line)}." for line in sentences(found)))
    whole = section(found)
    pairs = (_pairs_table(found),) if found.pairs else ()
    own = replace(whole, blocks=(*whole.blocks, *pairs), folded=True, answer=sentences(found)[0])
    return (replace(first, blocks=(*first.blocks, told)), own, *rest)


def _pairs_table(found: Overturning) -> Block:
    if not found.pairs:
        return Text("No pair of the nearest quantities was searched, or none turns the verdict.")
    rows = []
    for each in found.pairs:
        cells = [
            f"{one.subject}, {one.measure}: {words.value_text(_plain(value, one), one.measure)}"
            for one, value in ((each.first, each.first_value), (each.second, each.second_value))
        ]
        score = each.score
        alone = f"{_score(each.first)}, {_score(each.second)}"
        rows.append((*cells, f"{score.value:.2g} ({score.low:.2g} to {score.high:.2g})", alone))
    caption = "Both moved by the same number of standard scores."
    return Table(caption, ("First", "Second", "Distance of each together", "Alone"), tuple(rows), 4)


def _plain(value: float, one: Turning) -> dict[str, Any]:
    return dict(Finding("", values={"value": Number(value, unit=one.unit)}).to_dict()["values"]["value"])


def _score(each: Turning) -> str:
    return "none" if each.score is None else f"{each.score.value:.2g}"


def _never_table(found: Overturning) -> Block:
    if not found.never:
        return Text("Every move turns the verdict within the range.")
    rows = []
    for each in found.never:
        there = words.value_text(_plain(each.number_there, each), each.measure)
        if each.held_at:
            reason = f"not up to {there}: {each.held_at}"
        elif each.kind == "size":
            reason = f"not within {MOST_TIMES:g} times" if each.sign > 0 else "not even without it"
        else:
            reason = f"not within {MOST_SCORES:g} standard deviations ({there})"
        bound = (
            ""
            if each.bound is None
            else numbers.lower_bound(each.bound.value, each.bound.low, each.bound.high)
        )
        side = "up" if each.sign > 0 else "down"
        rows.append((each.subject, f"{each.measure} {side}", reason, bound))
    columns = ("Assumed quantity", "Moved", "Turns the verdict", "Lower bound at the end")
    return Table("Searched at the end of the range and at a third of it.", columns, tuple(rows), 4)


def write(found: Overturning, folder: str | Path, command: str = "", *, replace: bool = False) -> Path:
    """Write page, figure, JSON and CSV to `folder`; the path of the page. FolderNotOurs as for a report."""
    return publish_made(
        folder, subject_of(found.case), lambda: contents(found, command), "overturn.html", replace=replace
    )


def contents(found: Overturning, command: str = "") -> dict[str, str]:
    """Every file as text by name."""
    parts = sections(found, command)
    conforms = conforms_by(found.verdict)
    files = {
        "overturn.html": page(f"{HEADING}: {found.case.name}", answer(found), conforms, found.version, parts),
        **tables(found),
    }
    files |= figure_files(parts)
    files["overturn.json"] = to_json(document(found, (*files, "overturn.json")))
    return files


def tables(found: Overturning) -> dict[str, str]:
    """The tables as CSV by name."""
    return {"turning_values.csv": csv_text(found.frame()), "turning_pairs.csv": csv_text(found.pairs_frame())}


def data_files(found: Overturning) -> dict[str, str]:
    """Tables and JSON by name, beside the files of a study."""
    own = tables(found)
    return {**own, "overturn.json": to_json(document(found, (*own, "overturn.json")))}


def document(found: Overturning, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """Everything found as plain data; what is not finite is null, its place in `undetermined`."""
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "case": found.case.name,
        "option": found.option,
        "verdict": found.verdict,
        "lower_bound": {"value": found.before.value, "low": found.before.low, "high": found.before.high},
        "required": found.target,
        "turning_values": records(found.frame()),
        "pairs": records(found.pairs_frame()),
        "not_moved": [{"text": each.text, "why": each.why} for each in found.left_out],
        "findings": [each.to_dict() for each in findings(found)],
        "sentences": list(sentences(found)),
        "computed": {
            "seed": found.case.study.seed,
            "version": found.version,
            "confidence": found.case.requirement.confidence,
            "units": found.units,
            "outer": found.outer,
            "screened": found.screened,
            "bounds": found.bounds,
        },
        "definitions": [INTERVAL, ONE_AT_A_TIME, DISTANCE],
    }
    return with_undetermined(plain)
