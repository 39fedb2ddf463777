"""One circuit with one interface on the page of a bench: figures of merit, loops, models, spreads, creep."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from margin.bench.data.counted import counted
from margin.estimates import numbers
from margin.estimates.bench_findings import MAIN_FIGURES, Findings, Setup
from margin.estimates.bench_statements import definition_of
from margin.estimates.bench_tables import components_frame, fits_frame, models_of
from margin.estimates.finding import Finding
from margin.estimates.number_columns import PERCENT, plain_column
from margin.report import bench_columns as columns
from margin.report import bench_figures as figures
from margin.report.blocks import Block, Listing, Section, Table, Term, Text, picture
from margin.report.figures import figure_of
from margin.version import version

_BESIDE = 2
"""Setups whose figures are side by side as numbers, each on one line."""


def merits_beside(findings: Findings, *, main: bool = False) -> Table:
    """Pooled figures of merit of all setups side by side; `main`: one of each kind."""
    names = MAIN_FIGURES if main else tuple(dict.fromkeys(n for s in findings.setups for n in s.pooled))
    rows = tuple(
        (
            term,
            *(cell.text for cell in columns.merit_column([s.pooled.get(term.name) for s in findings.setups])),
        )
        for term in terms_of(findings, names)
    )
    level = numbers.percent(findings.confidence)
    return Table(
        f"Figures of merit, mean over sensors, with intervals at {level}.",
        ("Figure", *(setup.name for setup in findings.setups)),
        rows,
        # the cells of many setups are wrapped, so that all of them are seen at once
        1 if len(findings.setups) <= _BESIDE else 1 + len(findings.setups),
    )


def terms_of(findings: Findings, names: Sequence[str]) -> list[Term]:
    """The figures of merit that some setup has, each with its definition."""
    found = []
    for name in names:
        setup = next(
            (s for s in findings.setups if name in s.pooled and s.pooled[name].value is not None), None
        )
        if setup is not None:
            found.append(Term(name, _sentence(definition_of(setup, name))))
    return found


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def setup_section(setup: Setup, findings: Findings, found: Sequence[Finding]) -> Section:
    """All of one setup, folded; its model and sensitivity stand in the heading."""
    blocks: list[Block] = [*_figures_table(setup)]
    blocks += _loops(setup, findings)
    blocks += _models(setup, findings)
    blocks += _components(setup, findings)
    if any(sensor.holds for sensor in setup.sensors):
        text = f"Creep: output under constant load over log time, {setup.name}."
        axes = figures.creep(setup, findings.t0)
        alternative = "Relative change of the output over the logarithm of time."
        blocks.append(picture(_name("creep", setup), figure_of(axes), _caption(text, setup), alternative))
    model = next(
        (str(f.values["model"]) for f in found if f.kind == "model supported" and f.subject == setup.name), ""
    )
    shown = columns.merit_column([setup.pooled.get("sensitivity")])[0].text
    answer = f"{model}; sensitivity {shown}" if model else f"sensitivity {shown}"
    return Section(f"Setup: {setup.name}", tuple(blocks), folded=True, answer=answer)


def _figures_table(setup: Setup) -> list[Block]:
    """Figures of merit, pooled and of every sensor; notes on values below."""
    names = [sensor.name for sensor in setup.sensors]
    rows, notes = [], []
    for name, merit in setup.pooled.items():
        single = {m.sensor: m for m in setup.merits if m.name == name and m.sensor != "pooled"}
        cells = (cell.text for cell in columns.merit_column((merit, *map(single.get, names))))
        rows.append((Term(name, _sentence(definition_of(setup, name))), *cells))
        if merit.note and merit.value is not None:
            notes.append(f"{name}: {merit.note}")
    level = numbers.percent(setup.merits[0].confidence)
    table = Table(
        f"Figures of merit, {setup.name}, with intervals at {level}: of the mean over sensors by Student's t over "
        "sensors; of one sensor over its mountings or cycles.",
        ("Figure", "Mean over sensors", *names),
        tuple(rows),
    )
    return [table, *([Listing("Notes", tuple(notes))] if notes else [])]


def _loops(setup: Setup, findings: Findings) -> list[Block]:
    if not any(sensor.sweeps.cycles for sensor in setup.sensors):
        return [Text("No load cycles: no loops to draw.", warning=True)]
    text = f"Loops by branch, mean over the cycles of each sensor, {setup.name}."
    if len(setup.sensors) > figures.MOST_PANELS:
        text += f" The first {figures.MOST_PANELS} of {len(setup.sensors)} sensors."
    panels = figures.loops(setup, findings.data.unit)
    alternative = "One panel a sensor: output over load going up and going down."
    drawn: list[Block] = [
        picture(_name("loops", setup), figure_of(panels[0]), _caption(text, setup), alternative)
    ]
    if setup.pooled["hysteresis"].value is not None:
        text = f"Width of the loop over load, {setup.name}."
        axes = figures.loop_widths(setup)
        alternative = "Difference of the branches over load, a line a sensor and their mean."
        drawn.append(picture(_name("loop-width", setup), figure_of(axes), _caption(text, setup), alternative))
    return drawn


def _models(setup: Setup, findings: Findings) -> list[Block]:
    table = models_of(setup)
    if table.empty:
        return [Text("No candidate model could be fitted.", warning=True)]
    records = table.to_dict("records")
    scale = PERCENT if findings.kind == "thin film" else numbers.Scale(1.0, "")
    residuals = plain_column([float(row["residual_sd"]) for row in records], scale)
    weights = columns.whole_percents([float(row["weight"]) for row in records])
    rows = tuple(
        (
            str(row["model"]),
            f"{row['parameters']:.0f}",
            "–" if pd.isna(row["delta"]) else f"{row['delta']:.1f}",
            "–" if pd.isna(row["delta"]) else weight,
            f"{row['best_of']:.0f} of {row['sensors']:.0f}",
            "no repeated loads"
            if pd.isna(row["lack_of_fit"])
            else f"{row['lack_of_fit']:.0f} of {row['sensors']:.0f}",
            residual,
        )
        for row, residual, weight in zip(records, residuals, weights, strict=True)
    )
    shown = Table(
        "Candidate models over all sensors, best first. AICc is summed over sensors; the weight is the share of "
        "support. Lack of fit is tested against the scatter of repeated readings, which the cycles of a sensor share "
        "over all loads: the test is a cautious one.",
        (
            "Model",
            "Parameters",
            "AICc above best",
            "Weight",
            "Best of sensors",
            "Lack of fit resolved",
            "Residual sd",
        ),
        rows,
    )
    fits = fits_frame([setup])
    best = Table(
        "The best model of each sensor, with standard errors.",
        ("Sensor", "Model", "Values (SI)"),
        tuple(
            (row["sensor"], row["model"], row["values"])
            for row in fits[fits["delta"] == 0].to_dict("records")
        ),
        3,
    )
    text = f"Mean residuals of the candidate models over load, {setup.name}: grey single sensors, black their mean."
    panels = figures.residuals(setup)
    alternative = "One panel a candidate model: residual over load."
    name = _name("residuals", setup)
    return [shown, picture(name, figure_of(panels[0]), _caption(text, setup), alternative), best]


def _components(setup: Setup, findings: Findings) -> list[Block]:
    table = components_frame([setup])
    if table.empty:
        return [Text("No spread can be estimated from these data: see what is not available.", warning=True)]
    records = table.to_dict("records")
    shares = columns.whole_percents(
        [None if pd.isna(row["share"]) else float(row["share"]) for row in records]
    )
    rows = tuple(
        (
            str(row["parameter"]), f"per {row['level']}", spread, share,
            f"{row['units']:.0f}", str(row["note"]),
        )
        for row, spread, share in zip(records, columns.component_column(records), shares, strict=True)
    )  # fmt: skip
    shown = Table(
        f"Spread by level of variation, {setup.name}, with intervals at {numbers.percent(findings.confidence)}. The "
        "scatter inside a level is subtracted; the sensitivity is relative.",
        ("Parameter", "Level", "Standard deviation", "Share of variance", "Units", "Note"),
        rows,
        2,
        True,
    )
    text = f"Spread by level, {setup.name}; whiskers are intervals at {numbers.percent(findings.confidence)}."
    panels = figures.components(setup)
    alternative = "One bar a level of variation, with its interval."
    name = _name("components", setup)
    return [shown, picture(name, figure_of(panels[0]), _caption(text, setup), alternative)]


def _name(figure: str, setup: Setup) -> str:
    """Name of a figure's file."""
    words_of = "".join(
        c if c.isascii() and c.isalnum() else " " for c in f"{setup.circuit} {setup.interface}".lower()
    )
    return "-".join([figure, *words_of.split()])


def _caption(text: str, setup: Setup) -> str:
    size = setup.size
    return (
        f"{text} {counted(size.sensors, 'sensor')}, {counted(size.mountings, 'mounting')} of each, "
        f"{counted(size.cycles, 'cycle')} of each mounting; "
        f"margin {version()}."
    )
