"""The report of a bench as a page: figures of merit, models, spreads, differences, what is missing, the next day."""

from __future__ import annotations

import pandas as pd

from margin.bench.data.counted import counted
from margin.bench.merits.merit import Merit
from margin.estimates import numbers
from margin.estimates.bench_findings import Findings, Setup
from margin.estimates.bench_tables import components_frame, fits_frame, models_of
from margin.estimates.next_measurement import SPAN_COEFFICIENT, SPREAD_TOGETHER, NextMeasurement
from margin.estimates.number_columns import PERCENT, plain_column
from margin.report import bench_figures as figures
from margin.report import bench_words as words
from margin.report import style
from margin.report.blocks import Block, Listing, Section, Table, Text, picture
from margin.report.figures import figure_of
from margin.report.page import page
from margin.version import version

CAUTIONS = (
    "Figures hold for these sensors, mountings, loads and temperatures, and for nothing outside them.",
    "What is listed as not available was not measured: a case must state it, and then it is assumed.",
    "An interval over sensors takes them as drawn at random from production: hand-picked samples are not.",
)


def render(findings: Findings, outlook: NextMeasurement | None, sections: tuple[Section, ...]) -> str:
    """The page of sections already made."""
    lacks = len(words.gathered(findings))
    verdict = f"{len(findings.setups)} setup{'s' if len(findings.setups) > 1 else ''}, {lacks} quantities not available"
    return page(words.title(findings), verdict, None, version(), sections)


def bench_sections(findings: Findings, outlook: NextMeasurement | None) -> tuple[Section, ...]:
    """All sections, what matters first."""
    with style.settings():
        return (
            _summary(findings, outlook),
            *(_setup(setup, findings) for setup in findings.setups),
            Section("Side by side", differences(findings)),
            Section("Not available from these data", lacks(findings)),
            Section("How much more to measure", (*next_day(outlook), *_outlook_pictures(outlook))),
            Section(
                "Interpretation of the inputs",
                (Listing("Data", findings.notes), Listing("Cautions", CAUTIONS)),
            ),
        )


def _summary(findings: Findings, outlook: NextMeasurement | None) -> Section:
    blocks: list[Block] = [Text(f"{words.extent(findings)}.")]
    blocks += [Text(f"Model, {setup.name}: {words.model_statement(setup)}.") for setup in findings.setups]
    for by, (resolved, _) in words.difference_statements(findings).items():
        told = "; ".join(resolved) or "none"
        blocks.append(Text(f"Differences by {by} that are resolved: {told}."))
    blocks.append(
        Text(outlook.sentence if outlook else "Nothing to look ahead from: see what is not available.")
    )
    return Section("Summary", tuple(blocks))


def _setup(setup: Setup, findings: Findings) -> Section:
    blocks: list[Block] = [_figures_table(setup)]
    blocks += _loops(setup, findings)
    blocks += _models(setup, findings)
    blocks += _components(setup, findings)
    if any(sensor.holds for sensor in setup.sensors):
        drift = setup.pooled["drift per decade"]
        t0 = float(drift.definition.rsplit("t0 = ", 1)[1].removesuffix(" s"))
        text = f"Creep: output under constant load over log time, {setup.name}."
        axes = figures.creep(setup, t0)
        alternative = "Relative change of the output over the logarithm of time."
        blocks.append(
            picture(_name("creep", setup), figure_of(axes), _caption(text, setup, findings), alternative)
        )
    return Section(f"Setup: {setup.name}", tuple(blocks))


def _figures_table(setup: Setup) -> Table:
    """Figures of merit with definitions, pooled and of every sensor."""
    names = [sensor.name for sensor in setup.sensors]
    rows = []
    for name, merit in setup.pooled.items():
        single = {m.sensor: m for m in setup.merits if m.name == name and m.sensor != "pooled"}
        cells = (cell.text for cell in words.merit_column((merit, *map(single.get, names))))
        rows.append((name, _definition(merit), *cells))
    level = numbers.percent(setup.merits[0].confidence)
    return Table(
        f"Figures of merit, {setup.name}, with intervals at {level}: of the mean over sensors by Student's t over "
        "sensors; of one sensor over its mountings or cycles.",
        ("Figure", "Definition", "Mean over sensors", *names),
        tuple(rows),
        2,
    )


def _definition(merit: Merit) -> str:
    text = merit.definition.removeprefix("mean over sensors: ")
    return f"{text} ({merit.note})" if merit.note else text


def _loops(setup: Setup, findings: Findings) -> list[Block]:
    if not any(sensor.sweeps.cycles for sensor in setup.sensors):
        return [Text("No load cycles: no loops to draw.", warning=True)]
    text = f"Loops by branch, mean over the cycles of each sensor, {setup.name}."
    if len(setup.sensors) > figures.MOST_PANELS:
        text += f" The first {figures.MOST_PANELS} of {len(setup.sensors)} sensors."
    panels = figures.loops(setup, findings.data.unit)
    alternative = "One panel a sensor: output over load going up and going down."
    drawn: list[Block] = [
        picture(_name("loops", setup), figure_of(panels[0]), _caption(text, setup, findings), alternative)
    ]
    if setup.pooled["hysteresis"].value is not None:
        text = f"Width of the loop over load, {setup.name}."
        axes = figures.loop_widths(setup)
        alternative = "Difference of the branches over load, a line a sensor and their mean."
        drawn.append(
            picture(_name("loop-width", setup), figure_of(axes), _caption(text, setup, findings), alternative)
        )
    return drawn


def _models(setup: Setup, findings: Findings) -> list[Block]:
    table = models_of(setup)
    if table.empty:
        return [Text("No candidate model could be fitted.", warning=True)]
    records = table.to_dict("records")
    scale = PERCENT if findings.kind == "thin film" else numbers.Scale(1.0, "")
    residuals = plain_column([float(row["residual_sd"]) for row in records], scale)
    weights = words.whole_percents([float(row["weight"]) for row in records])
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
    return [shown, picture(name, figure_of(panels[0]), _caption(text, setup, findings), alternative), best]


def _components(setup: Setup, findings: Findings) -> list[Block]:
    table = components_frame([setup])
    if table.empty:
        return [Text("No spread can be estimated from these data: see what is not available.", warning=True)]
    records = table.to_dict("records")
    shares = words.whole_percents([None if pd.isna(row["share"]) else float(row["share"]) for row in records])
    rows = tuple(
        (
            str(row["parameter"]), f"per {row['level']}", spread, share,
            f"{row['units']:.0f}", str(row["note"]),
        )
        for row, spread, share in zip(records, words.component_column(records), shares, strict=True)
    )  # fmt: skip
    shown = Table(
        f"Spread by level of variation, {setup.name}, with intervals at {numbers.percent(findings.confidence)}. What "
        "scatters inside a level is taken off; the sensitivity is relative.",
        ("Parameter", "Level", "Standard deviation", "Share of variance", "Units", "Note"),
        rows,
        2,
        True,
    )
    text = f"Spread by level, {setup.name}; whiskers are intervals at {numbers.percent(findings.confidence)}."
    panels = figures.components(setup)
    alternative = "One bar a level of variation, with its interval."
    name = _name("components", setup)
    return [shown, picture(name, figure_of(panels[0]), _caption(text, setup, findings), alternative)]


def differences(findings: Findings) -> tuple[Block, ...]:
    """Setups side by side, and which differences are resolved."""
    blocks: list[Block] = []
    for by, comparison in findings.comparisons.items():
        rows = tuple(
            (
                str(row["figure"]), f"{row['second']} against {row['first']}", words.difference_shown(row),
                _p_value(float(row["p_adjusted"])), str(row["test"]),
                "resolved" if row["resolved"] else "not resolved",
            )
            for row in comparison.differences.to_dict("records")
        )  # fmt: skip
        blocks.append(
            Table(
                f"By {by}: second less first, intervals one at a time at {numbers.percent(findings.confidence)}; p "
                "adjusted for the number of comparisons (Holm). A difference is resolved when the adjusted p is below "
                f"{1 - findings.confidence:.2g}.",
                ("Figure", "Pair", "Difference (interval)", "p, adjusted", "Test", "Verdict"),
                rows,
                2,
                True,
            )
        )
    return tuple(blocks) or (Text("One setup: nothing to compare."),)


def _p_value(p: float) -> str:
    """Three decimals, as is common practice."""
    return "< 0.001" if p < 0.001 else f"{p:.3f}"


def lacks(findings: Findings) -> tuple[Block, ...]:
    """Not available from these data, why, and what to measure."""
    rows = tuple(words.gathered(findings))
    if not rows:
        return (Text("Everything looked for is available from these data."),)
    return (Table("Not available from these data.", ("What", "Where", "Why", "Measure next"), rows, 4),)


def next_day(outlook: NextMeasurement | None) -> tuple[Block, ...]:
    """What more measuring would bring."""
    if outlook is None:
        return (Text("There is nothing to look ahead from: see what is not available.", warning=True),)
    blocks: list[Block] = [Text(outlook.sentence)]
    for quantity in dict.fromkeys(outlook.table["quantity"]):
        records = outlook.of(quantity).to_dict("records")
        rows = tuple(
            (
                str(row["words"]),
                "–" if pd.isna(row["readings"]) else numbers.count(round(row["readings"])),
                *cells,
            )
            for row, cells in zip(records, words.outlook_column(records), strict=True)
        )
        of = (
            f"; {outlook.units} units, seed {outlook.seed}, same draws"
            if quantity.startswith("yield")
            else ""
        )
        caption = f"{quantity[0].upper()}{quantity[1:]}: {words.outlook_level(outlook, quantity)}{of}."
        columns = ("Next measurement", "Readings to take", "Interval expected", "Width", "Narrower by")
        blocks.append(Table(caption, columns, rows))
    return tuple(blocks)


def _outlook_pictures(outlook: NextMeasurement | None) -> list[Block]:
    if outlook is None:
        return []
    drawn: list[Block] = []
    made = f" margin {version()}."
    rows = outlook.of(outlook.decides)
    if rows.loc[rows["measure"] == "now", "width"].notna().any():
        if outlook.units:
            made = f" {outlook.units} units for each count, seed {outlook.seed}, margin {version()}."
        text = (
            f"Interval against the number of sensors, if the same spreads came out: {outlook.decides} (black), "
            f"{words.outlook_level(outlook, outlook.decides)} (blue); dotted, if the spreads were known.{made}"
        )
        axes = figures.outlook_interval(outlook)
        alternative = "Ends of the interval against the number of sensors."
        drawn.append(picture("outlook-sensors", figure_of(axes), text, alternative))
    for name, quantity in (("outlook-effort", SPREAD_TOGETHER), ("outlook-temperature", SPAN_COEFFICIENT)):
        rows = outlook.of(quantity)
        if not rows.loc[rows["measure"] == "now", "width"].gt(0).any():
            continue
        text = f"Width of the interval against the readings to take: {quantity}. margin {version()}."
        alternative = "Relative width of the interval against the readings, a line a kind of measurement."
        drawn.append(picture(name, figure_of(figures.outlook_effort(outlook, quantity)), text, alternative))
    return drawn


def _name(figure: str, setup: Setup) -> str:
    """Name of a figure's file."""
    words_of = "".join(
        c if c.isascii() and c.isalnum() else " " for c in f"{setup.circuit} {setup.interface}".lower()
    )
    return "-".join([figure, *words_of.split()])


def _caption(text: str, setup: Setup, findings: Findings) -> str:
    size = setup.size
    return (
        f"{text} {counted(size.sensors, 'sensor')}, {counted(size.mountings, 'mounting')} of each, "
        f"{counted(size.cycles, 'cycle')} of each mounting; "
        f"margin {version()}."
    )
