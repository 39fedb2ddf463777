"""Measures on the terminal, as a page and as files."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import ROUND_HALF_EVEN
from pathlib import Path
from typing import Any

import pandas as pd

from margin.case.types import Case
from margin.design.measures.result import Improvement, SetResult
from margin.design.measures.tables import cost_frame, path_frame, set_name, sets_frame, worth_frame
from margin.estimates import numbers
from margin.estimates.number_columns import (
    NONE,
    Entry,
    bound_column,
    change_column,
    column,
    plain_column,
    share_column,
)
from margin.estimates.yield_result import conforms_by
from margin.messages.requirement import requirement_in_words
from margin.report import measures_figure, style
from margin.report.blocks import Block, Listing, Section, Table, Text, figure_files, picture
from margin.report.document import records, to_json, with_undetermined
from margin.report.figures import figure_of
from margin.report.folder import csv_text, publish_made
from margin.report.layout import Column, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of
from margin.report.page import page
from margin.report.shown import listing
from margin.report.shown import table as html_table
from margin.version import version

FORMAT, VERSION = "margin measures", 1
FORMULA = (
    "Cost a good unit = (unit made + rework x share that fails) / (yield + recovered x share that fails); unit made = "
    "parts + measures + share of what is paid once + station time x price of an hour. 'Units lost' is what dividing by "
    "the good ones adds."
)
ORDER = (
    "Sets are looked at in ascending cost of a unit made, and a good unit never costs less than that: the search ends "
    "when the next set costs more to make than the answer costs a good unit. It assumes nothing of how yields add up."
)
SCREEN = (
    "A set is rejected by few units at 99 %, on the same draws for every set; what is confirmed is drawn anew, with "
    "one error probability for all confirmations together."
)
_ON_TERMINAL = 5


def render(case: Case, found: Improvement, width: int | None = None) -> str:
    """The answer, how sure it is, the path and the next-best sets, by default as wide as the terminal."""
    width = width or page_width()
    lines = [line for label, text in said(case, found) for line in wrapped(label, text, width)]
    for frame, heading, most in _tables(found):
        columns, rows = _set_rows(frame, found, heading)
        if rows:
            sides = [Column(name, "left" if k < 2 else "right") for k, name in enumerate(columns)]
            lines += table_lines(sides, rows[:most], width)
    lines += [line for label, text in _after(found) for line in wrapped(label, text, width)]
    return plain_text(lines)


def notebook_html(case: Case, found: Improvement) -> str:
    """The same as simple HTML for a notebook."""
    parts = [listing(said(case, found))]
    for frame, heading, most in _tables(found):
        columns, rows = _set_rows(frame, found, heading)
        parts.append(html_table(columns, rows[:most]) if rows else "")
    return f"<div>{''.join(parts)}{listing(_after(found))}</div>"


def _tables(found: Improvement) -> tuple[tuple[pd.DataFrame, str, int], ...]:
    sets = sets_frame(found)
    return (
        (path_frame(found), "Step: measure added", 20),
        (sets[sets["standing"] == "next best"], "Next-best sets", _ON_TERMINAL),
    )


def said(case: Case, found: Improvement) -> Iterator[tuple[str, str]]:
    """Label and sentence of the answer, its sureness, its cost and the command that runs it again."""
    answer, currency = found.answer, found.measures.prices.currency
    yield "Measures for:", f"{case.name}, today with calibration {found.today.option!r}"
    yield "Today:", _reached(found, found.today)
    if answer is None:
        yield "Answer:", _no_answer(found)
    elif not answer.chosen:
        yield "Answer:", f"no measure is needed: {_reached(found, answer)}"
    else:
        count = len(answer.names)
        noun = "measure" if count == 1 else "measures"
        how = (
            "cheapest set that conforms"
            if found.proven
            else "a set that conforms (not shown to be the cheapest)"
        )
        yield "Answer:", f"{how}, {count} {noun}: {set_name(answer)}; {_reached(found, answer)}"
        saved = found.today.good.value - answer.good.value
        if saved > 0.0:
            yield (
                "Saves:",
                f"{numbers.plain(saved, digits=3)} {currency} a good unit against today, by fewer units lost",
            )
    yield "Evidence:", _sure(found)
    if found.undecided:
        named = "; ".join(f"{set_name(each)} ({_money(found, each)})" for each in found.undecided)
        yield (
            "Undecided:",
            f"could cost less a good unit, and the draws leave open whether they conform: {named}",
        )
    alike = _alike(found)
    if alike:
        yield "Cost not distinguishable:", "; ".join(set_name(each) for each in alike)
    if answer is not None:
        yield "Run it:", f"{answer.command}  (row {answer.option!r})"


def _reached(found: Improvement, of: SetResult) -> str:
    judged = of.judged
    bound = numbers.lower_bound(judged.bound.value, judged.bound.low, judged.bound.high, target=found.target)
    reached = numbers.share_value(judged.reached.value, judged.reached.low, judged.reached.high)
    ends = numbers.share_interval(judged.bound.low, judged.bound.high)
    word = {"conforms": "reaches", "does not conform": "misses"}.get(of.verdict, "may or may not reach")
    target = numbers.percent(found.target, digits=6)
    sampled = numbers.share_interval(judged.reached.low, judged.reached.high)
    cost = f"{_money(found, of)} a good unit"
    return f"{cost}; yield {reached} ({sampled}), lower bound {bound} ({ends}) {word} {target}"


def _money(found: Improvement, of: SetResult) -> str:
    scale = numbers.Scale(1.0, found.measures.prices.currency)
    return numbers.with_interval(of.good.value, of.good.low, of.good.high, scale=scale)


def _no_answer(found: Improvement) -> str:
    if found.verdict == "does not conform":
        return f"none of the {numbers.count(found.sets)} sets conforms: other measures are needed"
    return "no set is shown to conform; see what is undecided or was not looked at"


def _sure(found: Improvement) -> str:
    text = (
        f"{numbers.count(found.screened)} of {numbers.count(found.sets)} sets judged in order of cost, "
        f"{numbers.count(found.rejected)} rejected"
    )
    text += f", {numbers.count(found.refused)} not possible in this case" if found.refused else ""
    text += f", {found.confirmations} confirmed or drawn further on other draws"
    level = numbers.percent(found.confidence)
    if found.cheapest_left is not None:
        currency = found.measures.prices.currency
        left = numbers.plain(found.cheapest_left, digits=5)
        text += f"; the search ended there: sets from {left} {currency} a unit made were not looked at"
        text += "; the set was found by gain" if found.way == "by gain" else ""
    elif found.answer is not None:
        text += "; every other set costs more a good unit, was rejected, or is listed below"
    return f"{text}; intervals at {level} for all confirmations together"


def _alike(found: Improvement) -> list[SetResult]:
    """Confirmed sets that conform and whose cost the draws do not tell from that of the answer."""
    if found.answer is None:
        return []
    return [
        each
        for each in found.others
        if each.stage == "confirmed"
        and each.verdict == "conforms"
        and each.good.low <= found.answer.good.high
    ]


def _after(found: Improvement) -> list[tuple[str, str]]:
    notes = [("Note:", found.measures.notes)] if found.measures.notes else []
    if found.measures.prices.hour == 0.0:
        notes.append(("Note:", "time on the station costs nothing here: no price of an hour is stated"))
    return notes


def _set_rows(
    frame: pd.DataFrame, found: Improvement, first: str
) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Headings and rows of a table of sets; the first column is what is added, or the set."""
    rows = [row for _, row in frame.iterrows()]
    currency = found.measures.prices.currency
    name = "added" if "added" in frame else "set"
    reached = share_column([_entry(row, "yield") for row in rows])
    bounds = bound_column([_entry(row, "lower_bound") for row in rows], found.target)
    bare = numbers.Scale(1.0, "")
    made = plain_column([float(row["made_cost"]) for row in rows], bare, 4)
    good = column([_entry(row, "good_cost") for row in rows], bare)
    cells: list[tuple[str, ...]] = [
        (str(row[name]), str(row["verdict"]), a.text, b.text, c, d.text, numbers.count(int(row["units"])))
        for row, a, b, c, d in zip(rows, reached, bounds, made, good, strict=True)
    ]
    heads = (
        first, "Verdict", "Yield (interval)", "Lower bound (interval)", f"Unit made ({currency})",
        f"Good unit ({currency})", "Units drawn",
    )  # fmt: skip
    return heads, cells


def _entry(row: pd.Series, name: str) -> Entry | None:
    value, low, high = (float(row[name + end]) for end in ("", "_low", "_high"))
    return None if value != value else Entry(value, low, high)


def worth_rows(found: Improvement) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Headings and rows of what each measure brings alone and is worth in the answer."""
    rows = [row for _, row in worth_frame(found).iterrows()]
    points = numbers.Scale(100.0, "")
    alone = change_column([_entry(row, "change_alone") for row in rows], points)
    inside = change_column([_entry(row, "change_in_answer") for row in rows], points)
    cost = plain_column([float(row["added_cost"]) for row in rows], numbers.Scale(1.0, ""))
    heads = (
        "Measure", "In the answer", f"Adds to a unit made ({found.measures.prices.currency})",
        "Alone: change of the yield (points)", "In the answer: change by it (points)", "Without it",
    )  # fmt: skip
    cells: list[tuple[str, ...]] = [
        (
            str(row["measure"]),
            "yes" if row["in_answer"] else "no",
            price,
            "refused by the case" if one.text == NONE else one.text,
            other.text,
            str(row["verdict_without"]) or NONE,
        )
        for row, price, one, other in zip(rows, cost, alone, inside, strict=True)
    ]
    return heads, cells


def sections(case: Case, found: Improvement) -> tuple[Section, ...]:
    """The page: answer and staircase, measures, next-best sets, cost parts, how it was computed."""
    with style.settings():
        steps = picture(
            "staircase",
            figure_of(measures_figure.yield_over_cost(found)),
            "Yield (marker) and lower bound (stroke) with intervals over the cost of a unit made, one measure a step. "
            f"Seed {case.study.seed}, margin {version()}.",
            "Steps from today's design to the answer: yield against cost, required yield as a dashed line.",
        )
    answer: list[Block] = [Text(line) for line in requirement_in_words(case)]
    answer.append(Listing("", tuple(f"{label} {text}" for label, text in said(case, found))))
    answer.append(steps)
    path = _set_table(
        path_frame(found), found, "Step: measure added", "The way from today's design to the answer."
    )
    sets = sets_frame(found)
    others = _set_table(
        sets[sets["standing"] != "answer"], found, "Set", "Undecided and next-best sets, and today's design."
    )
    heads, cells = worth_rows(found)
    worth = Table(
        "Measures: what each brings alone to today's design, and what the answer owes to it. Changes are paired on the "
        "same draws.",
        heads,
        tuple(cells),
        2,
        True,
    )
    return (
        Section("Answer", (*answer, *path)),
        Section("Measures", (worth,)),
        Section("Next-best sets", others),
        Section(
            "Cost of a good unit", (_cost_table(found), Text(FORMULA), *(Text(t) for _, t in _after(found)))
        ),
        Section("Computation", (Listing("Search", (ORDER, SCREEN, _sure(found))),), folded=True),
    )


def _set_table(frame: pd.DataFrame, found: Improvement, first: str, caption: str) -> tuple[Block, ...]:
    heads, rows = _set_rows(frame, found, first)
    return (Table(caption, heads, tuple(rows), 2),) if rows else ()


def _cost_table(found: Improvement) -> Table:
    frame = cost_frame(found)
    decimals = _decimals(float(frame["today_cost"].iloc[-1]))
    columns = [
        tuple(_amount(float(value), decimals) for value in frame[name])
        for name in ("today_cost", "answer_cost")
    ]
    rows = tuple(zip(frame["part"], *columns, strict=True))
    currency = found.measures.prices.currency
    return Table(
        "Parts of the cost of a good unit.", ("Part", f"Today ({currency})", f"Answer ({currency})"), rows
    )


def _decimals(largest: float) -> int:
    """Decimals of amounts of money: cents, more where a unit costs less than ten of the currency's main unit."""
    return 2 if not 0.0 < abs(largest) < 10.0 else 2 - numbers.first_digit(largest) + 1


def _amount(value: float, decimals: int) -> str:
    """An amount of money to so many decimals; '–' where there is none."""
    if value != value:
        return NONE
    text = numbers.fixed(value, -decimals, ROUND_HALF_EVEN)
    return f"below {10.0**-decimals:g}" if value > 0.0 and float(text) == 0.0 else text


def write(case: Case, found: Improvement, folder: str | Path, *, replace: bool = False) -> Path:
    """Write page, JSON, CSV and figure; the path of the page. FolderNotOurs as for a report."""
    return publish_made(
        folder, subject_of(case), lambda: contents(case, found), "measures.html", replace=replace
    )


def contents(case: Case, found: Improvement) -> dict[str, str]:
    """Every file as text by name."""
    parts = sections(case, found)
    conforms = conforms_by(found.verdict)
    verdict = {"conforms": "a set of measures conforms", "does not conform": "no set of measures conforms"}
    head = verdict.get(found.verdict, "undecided by the units drawn")
    files = {
        "measures.html": page(f"{case.name}: measures", head, conforms, version(), parts),
        **{f"{name}.csv": csv_text(frame) for name, frame in frames(found).items()},
        **figure_files(parts),
    }
    files["measures.json"] = to_json(document(case, found, (*files, "measures.json")))
    return files


def frames(found: Improvement) -> dict[str, pd.DataFrame]:
    """All tables by name."""
    return {
        "sets": sets_frame(found), "path": path_frame(found), "worth": worth_frame(found), "costs": cost_frame(found),
    }  # fmt: skip


def document(case: Case, found: Improvement, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """Everything found as plain data."""
    answer = found.answer
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "case": case.name,
        "verdict": found.verdict,
        "required_yield": found.target,
        "currency": found.measures.prices.currency,
        "answer": None if answer is None else {
            "measures": list(answer.names), "option": answer.option, "changes": answer.changes,
            "command": answer.command,
        },
        "proven": found.proven,
        "cheapest_left": found.cheapest_left,
        "search": {
            "sets": found.sets, "screened": found.screened, "rejected": found.rejected, "refused": found.refused,
            "confirmations": found.confirmations, "way": found.way,
        },
        "confidence": found.confidence,
        **{name: records(frame) for name, frame in frames(found).items()},
        "formula": FORMULA,
        "notes": found.measures.notes,
        "computed": {"seed": case.study.seed, "version": version()},
    }  # fmt: skip
    return with_undetermined(plain)
