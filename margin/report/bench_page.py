"""The report of a bench as a page: the answer first, then each setup, differences, what is missing, the next day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from margin.estimates import numbers
from margin.estimates.bench_findings import Findings
from margin.estimates.bench_plans import NOW
from margin.estimates.bench_statements import statements_of
from margin.estimates.finding import Finding
from margin.estimates.next_measurement import SPAN_COEFFICIENT, SPREAD_TOGETHER, NextMeasurement
from margin.messages.bench_sentences import number_shown, pair_shown, title
from margin.messages.sentences import said
from margin.report import bench_columns as columns
from margin.report import bench_figures as figures
from margin.report import style
from margin.report.bench_setup import merits_beside, setup_section
from margin.report.blocks import Block, Listing, Picture, Section, Table, Text, picture
from margin.report.figures import figure_of
from margin.report.page import page
from margin.version import version

NO_DIFFERENCE, DIFFERENCE = "no difference of two setups resolved", "difference of two setups"


def render(findings: Findings, outlook: NextMeasurement | None, sections: tuple[Section, ...]) -> str:
    """The page of sections already made."""
    found = statements_of(findings, outlook)
    count = _setups_and_lacks(findings, found)
    return page(title(found[0].values), count, None, version(), sections)


def _setups_and_lacks(findings: Findings, found: Sequence[Finding]) -> str:
    """'2 setups, 3 quantities not available'."""
    setups, lacks = len(findings.setups), _missing_quantities(found)
    noun = "quantity" if lacks == 1 else "quantities"
    return f"{setups} setup{'' if setups == 1 else 's'}, {lacks or 'no'} {noun} not available"


def _missing_quantities(found: Sequence[Finding]) -> int:
    """Number of figures and spreads that are not available."""
    return sum(len(each.values["what"]) for each in of_kinds(found, "not available"))


def bench_sections(findings: Findings, outlook: NextMeasurement | None) -> tuple[Section, ...]:
    """All sections: the answer, then the evidence, folded."""
    found = statements_of(findings, outlook)
    resolved, all_pairs = of_kinds(found, DIFFERENCE), of_kinds(found, DIFFERENCE, NO_DIFFERENCE)
    missing = _missing_quantities(found)
    advice = next_of(found)
    with style.settings():
        setups = [setup_section(setup, findings, found) for setup in findings.setups]
        # the loops of the first setup are for the first page
        loops = setups[0].pictures[:1]
        setups[0] = replace(
            setups[0], blocks=tuple(block for block in setups[0].blocks if block not in loops)
        )
        return (
            _summary(findings, found, loops),
            *setups,
            Section(
                "Side by side",
                differences(findings, found),
                folded=True,
                answer=f"{len(resolved)} of {len(all_pairs)} differences resolved"
                if all_pairs
                else "one setup",
            ),
            Section(
                "Not available from these data",
                lacks(found),
                folded=True,
                answer=f"{missing} quantit{'y' if missing == 1 else 'ies'}"
                if missing
                else "nothing is missing",
            ),
            Section(
                "Next measurement",
                (*next_day(found, outlook), *_outlook_pictures(outlook)),
                folded=True,
                answer=said(advice) if advice.kind == "measure next for an interval" else _first_plan(advice),
            ),
            _inputs(found),
        )


def _first_plan(advice: Finding) -> str:
    """The plan that is advised, in the few words of a heading."""
    if advice.kind != "measure next":
        return "no plan narrows the interval" if advice.kind == "no plan narrows" else "not determined"
    return said(Finding(advice.kind, advice.subject, {**advice.values, "then": None}))


def of_kinds(found: Sequence[Finding], *kinds: str) -> list[Finding]:
    """Findings of these kinds, in their order."""
    return [each for each in found if each.kind in kinds]


def model_lines(found: Sequence[Finding]) -> list[tuple[str, str]]:
    """Setups that share a statement on their model, and the statement."""
    shared: dict[str, list[str]] = {}
    for each in of_kinds(found, "model supported", "no model fits every sensor"):
        shared.setdefault(said(each), []).append(each.subject)
    return [(f"Model, {'; '.join(names)}:", statement) for statement, names in shared.items()]


def next_of(found: Sequence[Finding]) -> Finding:
    """The finding on what to measure next."""
    kinds = ("measure next", "measure next for an interval", "no plan narrows", "no outlook")
    return of_kinds(found, *kinds)[0]


def _summary(findings: Findings, found: Sequence[Finding], loops: tuple[Picture, ...]) -> Section:
    """Extent, figures of merit of all setups side by side, models, resolved differences, next measurement."""
    blocks: list[Block] = [Text(f"{said(found[0])}."), merits_beside(findings, main=True)]
    blocks += [Text(f"{label} {statement}.") for label, statement in model_lines(found)]
    for by in findings.comparisons:
        resolved = [said(each) for each in of_kinds(found, DIFFERENCE) if each.values["by"] == by]
        blocks.append(Text(f"Differences by {by} that are resolved: {'; '.join(resolved) or 'none'}."))
    blocks.append(Text(f"Next measurement: {said(next_of(found))}."))
    missing = _missing_quantities(found)
    if missing:
        noun = "quantity is" if missing == 1 else "quantities are"
        blocks.append(
            Text(f"{missing} {noun} not available from these data; the section below says what to measure.")
        )
    return Section("Summary", (*blocks, *loops))


def _inputs(found: Sequence[Finding]) -> Section:
    """Notes on the data, and cautions."""
    notes = tuple(said(each) for each in of_kinds(found, "note on the data"))
    cautions = tuple(said(each) for each in of_kinds(found, "caution"))
    blocks = (
        Listing("Data", notes),
        Listing("Cautions", cautions),
        Text(f"{said(of_kinds(found, 'computed bench')[0])}."),
    )
    count = f"{len(notes)} note{'' if len(notes) == 1 else 's'} on the data"
    return Section("Interpretation of the inputs", blocks, folded=True, answer=count)


def differences(findings: Findings, found: Sequence[Finding]) -> tuple[Block, ...]:
    """Setups side by side, and which differences are resolved."""
    blocks: list[Block] = []
    for by in findings.comparisons:
        rows = tuple(
            (
                each.subject, pair_shown(each.values), number_shown(plain["difference"], signed=True),
                _p_value(plain["p_adjusted"]["value"]), str(each.values["test"]),
                "resolved" if each.kind == DIFFERENCE else "not resolved",
            )
            for each in of_kinds(found, DIFFERENCE, NO_DIFFERENCE)
            if each.values["by"] == by
            for plain in (each.to_dict()["values"],)
        )  # fmt: skip
        if rows:
            blocks.append(
                Table(
                    f"By {by}: second less first, intervals one at a time at "
                    f"{numbers.percent(findings.confidence)}; p adjusted for the number of comparisons (Holm). A "
                    f"difference is resolved when the adjusted p is below {1 - findings.confidence:.2g}.",
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


def lacks(found: Sequence[Finding]) -> tuple[Block, ...]:
    """Not available from these data, why, and what to measure."""
    rows = tuple(
        (
            "; ".join(each.values["what"]),
            "; ".join(each.values["where"]) or columns.WHOLE,
            str(each.values["why"]),
            each.action,
        )
        for each in of_kinds(found, "not available")
    )
    if not rows:
        return (Text("Everything looked for is available from these data."),)
    return (
        Table("Not available from these data.", ("Quantity", "Where", "Reason", "Measure next"), rows, 4),
    )


def next_day(found: Sequence[Finding], outlook: NextMeasurement | None) -> tuple[Block, ...]:
    """What more measuring would bring."""
    advice = said(next_of(found))
    if outlook is None:
        return (Text(f"Next measurement: {advice}.", warning=True),)
    blocks: list[Block] = [Text(f"Next measurement: {advice}.")]
    for quantity in dict.fromkeys(outlook.table["quantity"]):
        records = outlook.of(quantity).to_dict("records")
        rows = tuple(
            (
                str(row["words"]),
                "–" if pd.isna(row["readings"]) else numbers.count(round(row["readings"])),
                *cells,
            )
            for row, cells in zip(records, columns.outlook_column(records), strict=True)
        )
        of = f"; {outlook.units} units, seed {outlook.seed}, same draws" if outlook.units else ""
        caption = f"{quantity[0].upper()}{quantity[1:]}: {columns.outlook_level(outlook, quantity)}{of}."
        headings = ("Next measurement", "Readings to take", "Interval expected", "Width", "Narrower by")
        blocks.append(Table(caption, headings, rows))
    return tuple(blocks)


def _outlook_pictures(outlook: NextMeasurement | None) -> list[Block]:
    if outlook is None:
        return []
    drawn: list[Block] = []
    made = f" margin {version()}."
    rows = outlook.of(outlook.decides)
    if rows.loc[rows["measure"] == NOW, "width"].notna().any():
        if outlook.units:
            made = f" {outlook.units} units for each count, seed {outlook.seed}, margin {version()}."
        text = (
            f"Interval against the number of sensors, if the same spreads came out: {outlook.decides} (black), "
            f"{columns.outlook_level(outlook, outlook.decides)} (blue); dotted, if the spreads were known.{made}"
        )
        axes = figures.outlook_interval(outlook)
        alternative = "Ends of the interval against the number of sensors."
        drawn.append(picture("outlook-sensors", figure_of(axes), text, alternative))
    for name, quantity in (("outlook-effort", SPREAD_TOGETHER), ("outlook-temperature", SPAN_COEFFICIENT)):
        rows = outlook.of(quantity)
        if not rows.loc[rows["measure"] == NOW, "width"].gt(0).any():
            continue
        text = f"Width of the interval against the readings to take: {quantity}. margin {version()}."
        alternative = "Relative width of the interval against the readings, a line a kind of measurement."
        drawn.append(picture(name, figure_of(figures.outlook_effort(outlook, quantity)), text, alternative))
    return drawn
