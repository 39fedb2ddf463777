"""A sizing on the terminal, as a page and as files."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from margin.case import units
from margin.case.again import command_of
from margin.design.sizing import Ranked, Sizing, Trial
from margin.design.sizing.designs import LEAST_RISK
from margin.design.sizing.nominal_screen import NEEDED, RESOLUTION
from margin.estimates import numbers
from margin.estimates.number_columns import NONE, PERCENT, bound_column, estimated, share_column
from margin.estimates.yield_result import conforms_by
from margin.messages.requirement import requirement_in_words
from margin.report import size_figures, style
from margin.report.blocks import Block, Listing, Section, Table, Text, figure_files, picture
from margin.report.document import records, to_json, with_undetermined
from margin.report.figures import figure_of
from margin.report.folder import csv_text, publish_made
from margin.report.layout import Column, listed, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of
from margin.report.page import page
from margin.report.shown import listing, paragraph
from margin.report.shown import table as html_table
from margin.report.size_tables import constraints_frame, designs_frame, tried_frame

FORMAT, VERSION = "margin sizing", 1

_TERMINAL = (
    Column("Rank", "right"), Column("Circuit and values", "left"), Column("Verdict", "left"),
    Column("Lower bound", "right"), Column("One count\nat smallest load", "right"), Column("Cost", "right"),
)  # fmt: skip

NOTES = (
    "Ratios of the reference (drive, bias, pedestal) are taken as exact; other circuits have the amplifier of the "
    "case, with its offset, noise and swing.",
    "Of designs, 'not dominated' means that no other tried design is as good in resolution, risk of saturation, error "
    "and cost, and better in one; differences of 1 % in resolution and error do not count.",
    "The risk of saturation beyond the drawn units extrapolates their tail: it ranks designs and promises nothing.",
)


def render(found: Sizing, width: int | None = None) -> str:
    """The list of designs as plain text, by default as wide as the terminal."""
    width = width or page_width()
    lines = [line for label, text in _head(found) for line in wrapped(label, text, width)]
    rows = [
        (f"{rank}", f"{each.design.space.name}: {each.design.told}", each.verdict, bound, one, cost)
        for rank, (each, (_, bound, _, one, *_, cost)) in enumerate(
            zip(found.ranked, _cells(found, found.ranked), strict=True), 1
        )
    ]
    lines += table_lines(_TERMINAL, rows, width)
    lines += listed("Circuits:", _circuits(found), width)
    lines += listed("What limits:", _limits(found), width)
    lines += listed("Not checked:", _unchecked(found), width)
    if found.ranked:
        lines += wrapped("Run design 1:", command_of(found.case, more=found.ranked[0].changes), width)
    return plain_text(lines)


def notebook_html(found: Sizing) -> str:
    """The same as simple HTML for a notebook."""
    head = "".join(paragraph(label, text) for label, text in _head(found))
    table = _design_table(found)
    more = [("Not checked:", text) for text in _unchecked(found)]
    circuits = [("Circuit:", text) for text in _circuits(found)]
    limits = [("What limits:", text) for text in _limits(found)]
    again = [("Run design 1:", command_of(found.case, more=each.changes)) for each in found.ranked[:1]]
    below = listing([*circuits, *limits, *more, *again])
    return f"<div>{head}{html_table(table.columns, table.rows)}{below}</div>"


def write(found: Sizing, folder: str | Path, *, replace: bool = False) -> Path:
    """Write page, figures, JSON and CSV to `folder`; the path of the page. FolderNotOurs as for a report."""
    return publish_made(
        folder, subject_of(found.case), lambda: contents(found), "sizing.html", replace=replace
    )


def contents(found: Sizing) -> dict[str, str]:
    """Every file as text by name."""
    with style.settings():
        parts = sections(found)
    conforms = conforms_by(found.verdict)
    title = f"Sizing: {found.case.name}"
    files = {
        "sizing.html": page(title, f"best design: {found.verdict}", conforms, found.version, parts),
        "designs.csv": csv_text(designs_frame(found)),
        "tried.csv": csv_text(tried_frame(found)),
        "constraints.csv": csv_text(constraints_frame(found)),
    }
    files |= figure_files(parts)
    files["sizing.json"] = to_json(document(found, (*files, "sizing.json")))
    return files


def document(found: Sizing, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """The sizing as plain data; what is not finite is null, its place in `undetermined`."""
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "case": found.case.name,
        "option": found.option,
        "supply_V": found.supply,
        "supply_stated": found.supply_stated,
        "share": found.share,
        "resolution_N": found.resolution,
        "parts": Path(found.parts.file).name,
        "designs": [
            {**row, "changes": each.changes}
            for row, each in zip(records(designs_frame(found)), found.ranked, strict=True)
        ],
        "circuits": [
            {"circuit": one.space.name, "tried": one.tried, "left": one.left, "best": told}
            for one, told in zip(found.screens, _circuits(found), strict=True)
        ],
        "constraints": records(constraints_frame(found)),
        "unchecked": _unchecked(found),
        "computed": {
            "seed": found.case.study.seed,
            "version": found.version,
            "confidence": found.case.requirement.confidence,
            "on_the_nominal_chain": sum(one.tried for one in found.screens),
            "on_the_full_chain": len(found.tried),
        },
    }
    return with_undetermined(plain)


def sections(found: Sizing) -> tuple[Section, ...]:
    """All sections of the page."""
    trade_off = picture(
        "error-over-resolution",
        figure_of(size_figures.error_over_resolution(found)),
        f"Designs on the full chain with {found.option!r}, {numbers.count(len(found.tried))} of them; numbered: the "
        f"list below. Seed {found.case.study.seed}, margin {found.version}.",
        "Scatter of error against resolution, one marker a circuit; the dashed line is the permissible error.",
    )
    limits = picture(
        "refusals-by-constraint",
        figure_of(size_figures.refusals_by_constraint(found)),
        "Designs on the nominal chain that each constraint refuses, and refuses alone.",
        "One bar a constraint.",
    )
    summary: list[Block] = [Text(line) for line in requirement_in_words(found.case)]
    summary += [Text(f"{label} {text}") for label, text in _head(found)]
    summary += [
        _design_table(found),
        trade_off,
        Listing("Circuits, the best of each", tuple(_circuits(found))),
    ]
    commands = tuple(command_of(found.case, more=each.changes) for each in found.ranked)
    return (
        Section("Designs", tuple(summary)),
        Section("Constraints of each design", (_check_table(found),)),
        Section(
            "What limits", (_limit_table(found), limits, Listing("Not checked", tuple(_unchecked(found))))
        ),
        Section("Run it again", (Listing("Commands, by rank", commands),)),
        Section("Computation", (Listing("Draws", tuple(_computed(found))), Listing("Notes", NOTES))),
    )


def _head(found: Sizing) -> Iterator[tuple[str, str]]:
    """Label and sentence of the answer and of what it rests on."""
    if found.ranked:
        best = found.ranked[0]
        yield "Best design:", f"{best.design.space.name}: {best.design.told}; {best.verdict}."
    total, left = (sum(getattr(one, name) for one in found.screens) for name in ("tried", "left"))
    own = f"calibration {found.option!r}"
    yield (
        "Searched:",
        f"{numbers.count(total)} designs on the nominal chain, {numbers.count(left)} meet every constraint; "
        f"{numbers.count(len(found.tried))} of them on the full chain, {own}.",
    )
    counted = RESOLUTION not in found.screens[0].unchecked
    most = f"; one count at most {units.show(found.resolution, 'N')} at the smallest load" if counted else ""
    supply = f"{units.show(found.supply, 'V')} ({'stated' if found.supply_stated else 'as in the case'})"
    yield (
        "Held to:",
        f"supply {supply}; {numbers.percent(found.share, digits=5)} of the units within the limits of the output in "
        f"all conditions of use{most}.",
    )
    if found.as_it_is is None:
        yield "As the case is:", "the chain gives no number."
    else:
        row = _bounds(found, [found.as_it_is])[0]
        yield (
            "As the case is:",
            f"lower bound {row}, error {found.as_it_is.error:.3g} of the permissible one.",
        )


def _bounds(found: Sizing, trials: list[Trial]) -> list[str]:
    """Lower bounds with their intervals, one column."""
    target = found.case.requirement.target
    return [cell.text for cell in bound_column([estimated(trial.found.bound) for trial in trials], target)]


def _cells(found: Sizing, ranked: tuple[Ranked, ...]) -> list[tuple[str, ...]]:
    """Yield, lower bound, share of readings at limits, one count, error, risk and cost, as text by design."""
    trials = [each.trial for each in ranked]
    yields = share_column([estimated(trial.found.sampled) for trial in trials])
    clipped = share_column([estimated(trial.clipped) for trial in trials], PERCENT)
    return [
        (
            reached.text, bound, at_limits.text, _count_text(found, each),
            f"{each.trial.error:.3g}", _risk_text(each.design.risk), f"{each.design.cost:g}",
        )
        for each, reached, bound, at_limits in zip(ranked, yields, _bounds(found, trials), clipped, strict=True)
    ]  # fmt: skip


def _risk_text(risk: float) -> str:
    """A risk of saturation, to one digit; none below what a fitted tail can say."""
    return f"below {numbers.percent(LEAST_RISK)}" if risk < LEAST_RISK else numbers.percent(risk, digits=1)


def _count_text(found: Sizing, each: Ranked) -> str:
    """Load that one count stands for; '–' of a converter without bits."""
    load = found.one_count(each.design)
    return NONE if math.isnan(load) else numbers.plain(load, "N")


def _design_table(found: Sizing) -> Table:
    columns = (
        "Rank", "Circuit", "Values", "Verdict", "Yield (interval)", "Lower bound (interval)",
        "Readings at limits, worst load", "One count at smallest load", "Error / permissible",
        "Risk of saturation", "Cost",
    )  # fmt: skip
    rows = tuple(
        (f"{rank}", each.design.space.name, each.design.told, each.verdict, *cells)
        for rank, (each, cells) in enumerate(zip(found.ranked, _cells(found, found.ranked), strict=True), 1)
    )
    share = numbers.percent(found.case.requirement.target)
    caption = (
        f"Designs that are not dominated, the best first. Error: of {share} of the units, at their worst."
    )
    return Table(caption, columns, rows, 4)


def _check_table(found: Sizing) -> Table:
    """Design checks of each listed design over drawn units."""
    names = list(dict.fromkeys(check.name for each in found.ranked for check in each.trial.checks))
    rows = []
    for rank, each in enumerate(found.ranked, 1):
        checks = {check.name: check for check in each.trial.checks}
        cells = []
        for name in names:
            check = checks.get(name)
            if check is None:
                cells.append(NONE)
                continue
            verdict = "passed" if check.verdict == "kept" else check.verdict
            limit = "" if check.limit is None else f", limit {numbers.plain(check.limit, check.unit)}"
            cells.append(f"{verdict}: {numbers.plain(check.value, check.unit)}{limit}")
        rows.append((f"{rank}", *cells))
    screened = found.screens[0]
    passed = ", ".join(name for name in screened.refused if name not in screened.unchecked)
    caption = (
        f"Design checks over drawn units. On the nominal chain every design of the list passes: {passed}."
    )
    return Table(caption, ("Rank", *names), tuple(rows), 1 + len(names))


def _limit_table(found: Sizing) -> Table:
    rows = tuple(
        (
            str(row["circuit"]), str(row["constraint"]),
            numbers.count(int(row["refused"])), numbers.count(int(row["alone"])),
            numbers.percent(row["alone"] / row["tried"]),
        )
        for row in records(constraints_frame(found))
        if row["checked"]
    )  # fmt: skip
    columns = ("Circuit", "Constraint", "Refused", "Refused by it alone", "of all")
    return Table("Designs that each constraint refuses.", columns, rows, 2)


def _circuits(found: Sizing) -> list[str]:
    """The best design of each circuit in a sentence."""
    told = []
    for one, best in zip(found.screens, found.circuits, strict=True):
        own = " (that of the case)" if one.space.own else ""
        if best is None:
            told.append(
                f"{one.space.name}{own}: none of {numbers.count(one.tried)} designs meets every constraint"
            )
            continue
        told.append(
            f"{one.space.name}{own}: {best.design.told}; {best.verdict}, lower bound "
            f"{_bounds(found, [best.trial])[0]}, one count {_count_text(found, best)}, error "
            f"{best.trial.error:.3g} of the permissible one, cost {best.design.cost:g}"
        )
    return told


def _limits(found: Sizing) -> list[str]:
    """Constraints that refuse designs alone, over all circuits, the one that refuses most first."""
    total = max(sum(one.tried for one in found.screens), 1)
    alone = {name: sum(one.alone[name] for one in found.screens) for name in found.screens[0].alone}
    ordered = sorted((item for item in alone.items() if item[1]), key=lambda item: -item[1])
    return [
        f"{name} refuses {numbers.count(count)} alone ({numbers.percent(count / total)})"
        for name, count in ordered
    ]


def _unchecked(found: Sizing) -> list[str]:
    """Constraints that the case states nothing for, and what to state."""
    names = [name for name in found.screens[0].refused if all(name in one.unchecked for one in found.screens)]
    told = [f"{name}: the case does not state {NEEDED[name]}" for name in names if name in NEEDED]
    product = found.case.elements["circuit"].quantities.get("gain_bandwidth")
    if product is not None and product.nominal == 0.0:
        told.append("bandwidth and settling of the amplifier: the case does not state circuit.gain_bandwidth")
    return told


def _computed(found: Sizing) -> Iterator[str]:
    first = found.tried[0][1].units
    yield f"Full chain: {numbers.count(first)} units a design, all on the same draws"
    if found.ranked:
        yield f"Lower bounds: {numbers.count(found.ranked[0].trial.units)} units a design"
    yield f"Parts: {found.parts.file}"
    yield f"Seed {found.case.study.seed}; margin {found.version}"
    level = numbers.percent(found.case.requirement.confidence)
    yield f"Intervals at {level}, two-sided"
