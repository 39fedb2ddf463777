"""A calibration plan on the terminal, as a page and as files."""

from __future__ import annotations

from html import escape
from pathlib import Path
from typing import Any

from margin.case import units
from margin.design.calibration_plan.result import CalibrationPlan, Plan
from margin.estimates import numbers
from margin.estimates.number_columns import (
    Cell,
    bound_column,
    estimated,
    plain_column,
    share_column,
    stated_column,
)
from margin.estimates.yield_result import Estimate, conforms_by
from margin.messages.requirement import requirement_in_words
from margin.report import plan_figures, plan_words, style
from margin.report.blocks import Block, Fragment, Listing, Section, Table, Text, bare, figure_files, picture
from margin.report.document import records, to_json, with_undetermined
from margin.report.figures import figure_of
from margin.report.folder import csv_text, publish_made
from margin.report.layout import Column, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of
from margin.report.page import page
from margin.report.shown import listing
from margin.report.shown import table as html_table

FORMAT, VERSION = "margin calibration plan", 1
_COLUMNS = (
    Column("Plan", "left"),
    Column("Time a unit\n(s)"),
    Column("Yield"),
    Column("Lower bound"),
    Column("Verdict", "left"),
)


def render(found: CalibrationPlan, width: int | None = None) -> str:
    """Answer, front and reference as plain text, by default as wide as the terminal."""
    width = width or page_width()
    lines = [line for label, text in _above(found) for line in wrapped(label, text, width)]
    rows = [
        (name, seconds, reached.lines, bound.lines, verdict)
        for name, seconds, reached, bound, verdict in _front_rows(found)
    ]
    lines += table_lines(_COLUMNS, rows, width)
    lines += [line for label, text in _below(found) for line in wrapped(label, text, width)]
    command = found.command.replace(" --change ", " \\\n  --change ")
    pasted = f"\nPaste into the case:\n\n{found.text}\nThen run:\n\n{command}\n"
    return plain_text(lines) + pasted


def notebook_html(found: CalibrationPlan) -> str:
    """The same as simple HTML for a notebook."""
    columns = [column.heading.replace("\n", " ") for column in _COLUMNS]
    rows = [
        (name, seconds, reached.text, bound.text, verdict)
        for name, seconds, reached, bound, verdict in _front_rows(found)
    ]
    pasted = f"<p>Paste into the case:</p>{_preformatted(found.text)}<p>Then run: {escape(found.command)}</p>"
    return f"<div>{listing(_above(found))}{html_table(columns, rows)}{listing(_below(found))}{pasted}</div>"


def _above(found: CalibrationPlan) -> list[tuple[str, str]]:
    """Label and sentence of what stands above the front."""
    said = [("Plan:", plan_words.answer(found)), ("How sure:", plan_words.sureness(found))]
    other = plan_words.thermometer_line(found)
    return [*said, *([("Thermometer:", other)] if other else [])]


def _below(found: CalibrationPlan) -> list[tuple[str, str]]:
    said = [("Reference:", plan_words.reference_answer(found)), ("Note:", plan_words.HEURISTIC)]
    left_out = plan_words.unconfirmed_line(found)
    return [*said, *([("Note:", left_out)] if left_out else [])]


def _front_rows(found: CalibrationPlan) -> list[tuple[str, str, Cell, Cell, str]]:
    """Name, time, yield, lower bound and verdict of each plan."""
    plans = found.plans
    seconds = stated_column([float(f"{plan.seconds:.4g}") for plan in plans], numbers.Scale(1.0, ""))
    reached = share_column([estimated(plan.reached) for plan in plans])
    bounds = bound_column([estimated(plan.bound) for plan in plans], found.case.requirement.target)
    return [
        (plan.name, time, first, second, plan.verdict)
        for plan, time, first, second in zip(plans, seconds, reached, bounds, strict=True)
    ]


def sections(found: CalibrationPlan) -> tuple[Section, ...]:
    """All sections of the page: the answer first, then how to run it, the reference, the loads, the computation."""
    return (
        _answer_section(found),
        _run_section(found),
        _reference_section(found),
        Section(
            "Computation",
            (
                Listing("Search and draws", plan_words.computed_lines(found)),
                Text(plan_words.HEURISTIC),
                *(Text(line) for line in (plan_words.unconfirmed_line(found),) if line),
            ),
        ),
    )


def _answer_section(found: CalibrationPlan) -> Section:
    other = plan_words.thermometer_line(found)
    level = numbers.percent(found.case.requirement.confidence)
    front = picture(
        "yield-over-seconds",
        figure_of(plan_figures.yield_over_seconds(found)),
        "Yield (marker) and lower bound (stroke) of each plan against its time, with intervals that hold together at "
        f"{level}; steps: the yield within a time. {_drawn(found)}",
        "One marker a plan: yield and lower bound over seconds a unit, required yield as a dashed line.",
    )
    loads = picture(
        "loads-by-plan",
        figure_of(plan_figures.loads_by_plan(found)),
        "Loads of each plan over the load range (diamonds: read on both branches; edged in black: the plan chosen), "
        "and the check loads of the case.",
        "One line a plan with a mark at each of its loads.",
    )
    return Section(
        "Calibration plan",
        (
            Text(plan_words.answer(found)),
            Text(plan_words.sureness(found)),
            *((Text(other),) if other else ()),
            *(Text(line) for line in requirement_in_words(found.case)),
            front,
            _front_table(found),
            loads,
        ),
    )


def _front_table(found: CalibrationPlan) -> Table:
    rows = tuple(
        (name, verdict, _loads_cell(plan), str(plan.spec.reloads) if plan.spec.loads else "–",
         _branches(plan), numbers.plain(plan.dwell, "s"), time, reached.text, bound.text)
        for plan, (name, time, reached, bound, verdict) in zip(found.plans, _front_rows(found), strict=True)
    )  # fmt: skip
    columns = (
        "Plan", "Verdict", "Loads", "Placements of each", "Branches", "Dwell", "Time a unit (s)", "Yield (interval)",
        "Lower bound (interval)",
    )  # fmt: skip
    return Table(
        "Plans worth their time: each has a higher yield than every quicker one with no more parts. The verdict holds "
        "the lower bound against the required yield.",
        columns,
        rows,
        3,
    )


def _run_section(found: CalibrationPlan) -> Section:
    return Section(
        "How to run it",
        (
            Text("Paste this into the case:"),
            Fragment(_preformatted(found.text)),
            Text("Then run:"),
            Fragment(_preformatted(found.command)),
            Text(plan_words.NO_ADDING),
        ),
    )


def _reference_section(found: CalibrationPlan) -> Section:
    blocks: list[Block] = [
        Text(plan_words.reference_answer(found)),
        Text(plan_words.RATIO),
        _loads_table(found),
    ]
    if len(found.need.curve):
        blocks.append(
            picture(
                "yield-over-reference",
                figure_of(plan_figures.yield_over_reference(found)),
                f"Yield and lower bound of {found.chosen.name!r} with every error of the reference multiplied, on the "
                "same draws; bands are intervals.",
                "Two curves that fall with the multiple of the reference's errors, required yield as a dashed line.",
            )
        )
        blocks.append(_curve_table(found))
    return Section("Reference of the station", tuple(blocks))


def _loads_table(found: CalibrationPlan) -> Table:
    frame = found.need.loads
    forces = [frame[name].tolist() for name in ("permissible_N", "expanded_N", "expanded_averaged_N")]
    scale = numbers.scale_for([value for column in forces for value in column], "N")
    loads = [units.show(float(load), "N") for load in frame["load_N"]]
    limits, singles, means = (plain_column(column, bare(scale)) for column in forces)
    ratios = [
        ["no error stated" if value == float("inf") else numbers.plain(value) for value in frame[name]]
        for name in ("ratio", "ratio_averaged")
    ]
    rows = tuple(zip(frame["at"], loads, limits, singles, ratios[0], means, ratios[1], strict=True))
    return Table(
        "Test uncertainty ratio at the loads of the plan and of the check; averaged: over the placements of the plan.",
        (
            "At", "Load", f"Permissible error ({scale.unit})", f"U, k = 2 ({scale.unit})", "Ratio",
            f"U averaged ({scale.unit})", "Ratio averaged",
        ),
        rows,
    )  # fmt: skip


def _curve_table(found: CalibrationPlan) -> Table:
    curve = found.need.curve
    entries = [
        [
            estimated(Estimate(row[name], row[f"{name}_low"], row[f"{name}_high"]))
            for row in curve.to_dict("records")
        ]
        for name in ("yield", "lower_bound")
    ]
    reached, bounds = share_column(entries[0]), bound_column(entries[1], found.case.requirement.target)
    multiples = [f"{value:g}" for value in curve["multiple"]]
    rows = tuple(
        (multiple, first.text, second.text, verdict)
        for multiple, first, second, verdict in zip(multiples, reached, bounds, curve["verdict"], strict=True)
    )
    return Table(
        "Chosen plan with every error of the reference multiplied (0: a perfect reference).",
        ("Multiple", "Yield (interval)", "Lower bound (interval)", "Verdict"),
        rows,
        0,
        True,
    )


def write(found: CalibrationPlan, folder: str | Path, *, replace: bool = False) -> Path:
    """Write page, figures, JSON, CSV and TOML to `folder`; the path of the page. FolderNotOurs as for a report."""
    return publish_made(folder, subject_of(found.case), lambda: contents(found), "plan.html", replace=replace)


def contents(found: CalibrationPlan) -> dict[str, str]:
    """Every file as text by name."""
    with style.settings():
        parts = sections(found)
    headline = f"{found.chosen.name}: {found.verdict}"
    conforms = conforms_by(found.verdict)
    files = {
        "plan.html": page(f"Calibration plan: {found.case.name}", headline, conforms, found.version, parts),
        "plans.csv": csv_text(found.table),
        "reference.csv": csv_text(found.need.loads),
        "reference_curve.csv": csv_text(found.need.curve),
        "calibration.toml": found.text,
    }
    files |= figure_files(parts)
    files["plan.json"] = to_json(document(found, (*files, "plan.json")))
    return files


def document(found: CalibrationPlan, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """The plan as plain data; what is not finite is null, its place in `undetermined`."""
    need = found.need
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "case": found.case.name,
        "required_yield": found.case.requirement.target,
        "chosen": found.chosen.name,
        "verdict": found.verdict,
        "plans": [
            {**row, "loads_N": list(plan.spec.loads)}
            for row, plan in zip(records(found.table), found.plans, strict=True)
        ],
        "unconfirmed": list(found.unconfirmed),
        "text": found.text,
        "command": found.command,
        "reference": {
            "definition": plan_words.RATIO,
            "loads": records(need.loads),
            "curve": records(need.curve),
            "largest_multiple": _numbers(need.largest),
            "least_ratio": _numbers(need.least_ratio),
            "at_load_N": need.load,
            "largest_expanded_N": _numbers(need.largest_uncertainty),
            "largest_tried": need.tried,
        },
        "computed": {
            "seed": found.case.study.seed,
            "version": found.version,
            "confidence": found.case.requirement.confidence,
            "confidence_of_each": found.confidence,
            "candidates": found.candidates,
            "search_units": found.search_units,
            "choice_units": found.choice_units,
            "most_seconds": found.most_seconds,
            "corrections": list(found.corrections),
        },
    }
    return with_undetermined(plain)


def _preformatted(text: str) -> str:
    return f'<pre style="overflow-x: auto">{escape(text)}</pre>'


def _numbers(found: Estimate | None) -> dict[str, float] | None:
    return None if found is None else {"value": found.value, "low": found.low, "high": found.high}


def _loads_cell(plan: Plan) -> str:
    return plan_words.loads_in_words(plan.spec)


def _branches(plan: Plan) -> str:
    return plan.spec.direction if plan.spec.loads else "–"


def _drawn(found: CalibrationPlan) -> str:
    units = numbers.count(max(plan.units for plan in found.plans))
    return f"Up to {units} units, seed {found.case.study.seed}, margin {found.version}."
