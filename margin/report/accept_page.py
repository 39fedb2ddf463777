"""The acceptance test on the terminal, as a page and as files."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from margin.design.acceptance.result import Acceptance, LimitRisks
from margin.design.acceptance.shares import Share
from margin.design.acceptance.tables import limits_frame, rules_frame
from margin.estimates import numbers
from margin.estimates.number_columns import NONE, Entry, plain_column, share_column
from margin.estimates.numbers import Scale
from margin.estimates.yield_result import conforms_by
from margin.messages import acceptance as said
from margin.messages.requirement import requirement_in_words
from margin.report import accept_figures, figures, style
from margin.report.blocks import Block, Listing, Section, Table, Text, figure_files, picture
from margin.report.document import records, to_json, with_undetermined
from margin.report.folder import csv_text, publish_made
from margin.report.layout import Column, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of
from margin.report.page import page
from margin.report.shown import listing
from margin.report.shown import table as html_table

FORMAT, VERSION = "margin acceptance", 1
_RULES = ("Rule", "Guard band\n/ U", "Test limit", "Scrapped", "Bad in use,\nof shipped", "Scrapped good")
_LIMITS = (
    "Test limit", "Scrapped", "Shipped bad in use\n(of produced)", "Bad in use,\nof shipped",
    "Scrapped good\n(of produced)", "Scrapped,\nof good", "Bad at the station,\nof shipped",
    "Upper bound of\nbad, of shipped", "Required yield",
)  # fmt: skip
_RULES_CAPTION = (
    "Test limits by rule, as multiples of the permissible error, with what they scrap and leave bad in use. A limit "
    "between two steps counts as the stricter."
)
_LIMITS_CAPTION = (
    "Operating table: what becomes of the units at each test limit, with intervals. The last column holds the upper "
    "bound of those bad in use, of the units shipped, against the required yield."
)


def render(found: Acceptance, command: str, width: int | None = None) -> str:
    """The answer, how sure it is, limits by rule and how to run it again, by default as wide as the terminal."""
    width = width or page_width()
    lines = [
        line for label, text, look in _said(found, command) for line in wrapped(label, text, width, look)
    ]
    place = len([line for label, text, look in _above(found) for line in wrapped(label, text, width, look)])
    columns = [Column(name, "left" if number == 0 else "right") for number, name in enumerate(_RULES)]
    table = table_lines(columns, [tuple(cells) for cells in _rule_rows(found, "\n")], width)
    return plain_text([*lines[:place], *table, *lines[place:]])


def notebook_html(found: Acceptance, command: str) -> str:
    """The same as simple HTML for a notebook."""
    above = listing((label, text) for label, text, _ in _above(found))
    below = listing((label, text) for label, text, _ in _below(found, command))
    columns = [name.replace("\n", " ") for name in _RULES]
    return f"<div>{above}{html_table(columns, _rule_rows(found, ' '))}{below}</div>"


def _said(found: Acceptance, command: str) -> Iterator[tuple[str, str, str]]:
    yield from _above(found)
    yield from _below(found, command)


def _above(found: Acceptance) -> Iterator[tuple[str, str, str]]:
    """Label, sentence and style on a terminal of what stands above the limits by rule."""
    yield "Acceptance test of:", f"{found.case.name}, calibration {found.option!r}", ""
    yield "Answer:", " ".join(said.answer(found)), ""
    for text in said.warnings(found):
        yield "Warning:", text, "bold red"


def _below(found: Acceptance, command: str) -> Iterator[tuple[str, str, str]]:
    yield "How sure:", " ".join(said.how_sure(found)), ""
    yield "Cost:", " ".join(said.cost_lines(found)), ""
    yield "Test:", _test(found), ""
    yield "Caution:", said.ONLY_WHAT_IS_TESTED, ""
    yield "Safety:", said.SAFETY, ""
    yield "Again:", command, ""


def _test(found: Acceptance) -> str:
    test = found.test
    loads = ", ".join(numbers.plain(load, "N") for load in test.loads)
    placements = "1 placement" if test.reloads == 1 else f"{test.reloads} placements"
    readings = "1 reading" if test.samples == 1 else f"{test.samples} readings"
    same = "the station that calibrated the unit"
    who = same if test.station == "same" else "another station with its own reference"
    return f"{loads}; {placements} of {readings} at each load, their mean counts; by {who}"


def _rule_rows(found: Acceptance, parted: str) -> list[list[str]]:
    """Cells of the limits by rule; number and interval parted by `parted`."""
    rules = found.rules
    multiples = plain_column([rule.multiplier for rule in rules], Scale(1.0, ""))
    risks = [rule.risks for rule in rules]
    limits = [NONE if each is None else said.limit_text(each.limit) for each in risks]
    shares = (
        _cells([None if each is None else each.scrapped for each in risks], parted),
        _cells([None if each is None else each.use.bad_of_shipped for each in risks], parted),
        _cells([None if each is None else each.use.scrapped_good for each in risks], parted),
    )
    rows = zip([rule.name for rule in rules], multiples, limits, *shares, strict=True)
    return [list(row) for row in rows]


def _cells(shares: Sequence[Share | None], parted: str = " ", *, bound: bool = False) -> list[str]:
    """Shares with intervals in one format; '–' for a share of nothing."""
    entries = []
    for share in shares:
        e = None if share is None or not share.known else share.bound if bound else share.sampled
        entries.append(None if e is None else Entry(e.value, e.low, e.high))
    cells = share_column(entries)
    return [f"{c.value}{parted}({c.interval})" if c.interval else c.value for c in cells]


def write(found: Acceptance, command: str, folder: str | Path, *, replace: bool = False) -> Path:
    """Write page, figure, JSON and CSV to `folder`; the path of the page. FolderNotOurs as for a report."""
    return publish_made(
        folder, subject_of(found.case), lambda: contents(found, command), "accept.html", replace=replace
    )


def contents(found: Acceptance, command: str) -> dict[str, str]:
    """Every file as text by name."""
    with style.settings():
        parts = sections(found, command)
    conforms = conforms_by(found.verdict)
    head = f"{found.verdict}: {said.headline(found)}"
    files = {
        "accept.html": page(f"Acceptance test: {found.case.name}", head, conforms, found.version, parts),
        "limits.csv": csv_text(limits_frame(found)),
        "rules.csv": csv_text(rules_frame(found)),
    }
    files |= figure_files(parts)
    files["accept.json"] = to_json(document(found, command, (*files, "accept.json")))
    return files


def sections(found: Acceptance, command: str) -> tuple[Section, ...]:
    """Answer, how sure, limits, test, computation."""
    level = numbers.percent(found.case.requirement.confidence)
    chosen = "" if found.chosen.limit is None else "solid upright line: the limit chosen; "
    caption = (
        f"Consumer's and producer's risk against the test limit ({found.option}). Bands: intervals at {level}; {chosen}"
        f"dashed: the permissible error, and the stated risk. {numbers.count(found.units)} units, seed "
        f"{found.case.study.seed}, margin {found.version}."
    )
    shown = picture(
        "risk-over-limit",
        figures.figure_of(accept_figures.risk_over_limit(found)),
        caption,
        "Shares of units bad in use, bad at the station, scrapped good and scrapped, over the test limit.",
    )
    answer: list[Block] = [Text(line) for line in said.answer(found)]
    answer += [Text(line, warning=True) for line in said.warnings(found)]
    answer += [
        shown,
        Text(f"Safety: {said.SAFETY}"),
        *(Text(line) for line in requirement_in_words(found.case)),
    ]
    rules = tuple(tuple(row) for row in _rule_rows(found, " "))
    by_rule = Table(_RULES_CAPTION, tuple(name.replace("\n", " ") for name in _RULES), rules)
    study = (
        f"Units drawn: {numbers.count(found.units)}, outer draws {numbers.count(found.outer)}; seed "
        f"{found.case.study.seed}; margin {found.version}"
    )
    return (
        Section("Answer", tuple(answer)),
        Section("How sure", (Listing("Intervals and uncertainty of the test", said.how_sure(found)),)),
        Section("Test limits by rule", (by_rule, *(Text(line) for line in said.cost_lines(found)))),
        Section("Operating table", (_operating(found),)),
        Section(
            "Test and computation",
            (
                Text(f"Test: {_test(found)}."),
                Text(said.SIMULATED),
                Text(said.ONLY_WHAT_IS_TESTED),
                Listing("Draws", (study,)),
                Text(f"To run it again: {command}"),
            ),
        ),
    )


def _operating(found: Acceptance) -> Table:
    rows = found.limits
    columns = [
        _cells([row.scrapped for row in rows]),
        *(
            _cells([getattr(row.use, name) for row in rows])
            for name in ("shipped_bad", "bad_of_shipped", "scrapped_good", "scrapped_of_good")
        ),
        _cells([row.station.bad_of_shipped for row in rows]),
        _cells([row.use.bad_of_shipped for row in rows], bound=True),
        [_verdict(found, row) for row in rows],
    ]
    body = tuple(zip([said.limit_text(row.limit) for row in rows], *columns, strict=True))
    return Table(_LIMITS_CAPTION, tuple(name.replace("\n", " ") for name in _LIMITS), body, 1, True)


def _verdict(found: Acceptance, row: LimitRisks) -> str:
    field = row.use.bad_of_shipped
    return field.verdict(1.0 - found.case.requirement.target) if field.known else "nothing shipped"


def document(found: Acceptance, command: str, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """Everything found as plain data; what is not finite is null, its place in `undetermined`."""
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "case": found.case.name,
        "option": found.option,
        "test": {
            "loads_N": list(found.test.loads),
            "reloads": found.test.reloads,
            "samples": found.test.samples,
            "station": found.test.station,
        },
        "stated": {"risk": found.risk, "of": found.of, "against": found.against},
        "verdict": found.verdict,
        "field_verdict": found.field_verdict,
        "tested": found.chosen.limit is not None,
        "limit": found.chosen.limit,
        "guard_band": None if found.chosen.limit is None else 1.0 - found.chosen.limit,
        "risk": _share(found.chosen_risk),
        "scrapped": _share(found.chosen.scrapped),
        "scrapped_good": _share(found.chosen.use.scrapped_good),
        "field_failures": _share(found.chosen.use.bad_of_shipped),
        "by_estimate": None
        if found.estimated is None
        else {"tested": found.estimated.limit is not None, "limit": found.estimated.limit},
        "expanded_uncertainty": found.expanded,
        "at_load_N": found.at_load,
        "test_uncertainty_ratio": found.ratio if math.isfinite(found.ratio) else None,
        "costs": None if found.costs is None else dataclasses.asdict(found.costs),
        "limits": records(limits_frame(found)),
        "rules": records(rules_frame(found)),
        "answer": list(said.answer(found)),
        "warnings": list(said.warnings(found)),
        "computed": {
            "units": found.units,
            "outer": found.outer,
            "seed": found.case.study.seed,
            "version": found.version,
            "confidence": found.case.requirement.confidence,
            "command": command,
        },
    }
    return with_undetermined(plain)


def _share(share: Share) -> dict[str, Any]:
    low, high = share.draws or (None, None)
    return {"sampled": vars(share.sampled), "p5": low, "p95": high, "upper_bound": vars(share.bound)}
