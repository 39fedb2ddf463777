"""Endurance data and qualification tests on the terminal, as a page and as files."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from margin.estimates import numbers
from margin.messages.lives import few_failures
from margin.report import page, style
from margin.report.blocks import Block, Listing, Section, Table, Text, picture
from margin.report.document import records, to_json, with_undetermined
from margin.report.figures import figure_of
from margin.report.folder import csv_text, publish, require_writable
from margin.report.layout import Column, page_width, plain_text, table_lines, wrapped
from margin.report.shown import listing
from margin.report.shown import table as html_table
from margin.service.endurance import Drift, LifeData
from margin.service.life_fits import LifeFit, Lives
from margin.service.plans import TestPlans
from margin.version import version

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FORMAT, VERSION = "margin endurance", 1
QUALIFICATION = "margin qualification"

CAUTIONS = (
    "A fit beyond the longest life tested is an extrapolation: other mechanisms of failure may come first.",
    "Units of one lot show the life of that lot.",
    "Where a wrong force can hurt someone, local codes and a licensed engineer decide.",
)
TEST_CAUTIONS = (
    "A test shows what its loads, temperatures and units stand for, and nothing else.",
    "A shape that is stated, not measured, carries the result wherever the test does not last just one life.",
    "Where a wrong force can hurt someone, local codes and a licensed engineer decide.",
)


def schema_path(name: Literal["endurance", "qualification"]) -> Path:
    """The JSON Schema of endurance.json or qualification.json."""
    return Path(__file__).with_name(f"{name}.schema.json")


def lives_frame(fits: Sequence[LifeFit], shares: Sequence[float], confidence: float) -> pd.DataFrame:
    """Lives by fit and share failed; see `LifeStudy.lives`."""
    columns = [
        "distribution", "scale", "scale_low", "scale_high", "shape", "shape_low", "shape_high", "failed", "life",
        "life_low", "life_high", "akaike",
    ]  # fmt: skip
    rows = [
        (
            fit.shape_name, fit.scale, *scale, fit.shape, *shape, share, fit.life(share),
            *fit.interval_of_life(share, confidence), fit.akaike,
        )
        for fit in fits
        for scale, shape in [(fit.interval_of_scale(confidence), fit.interval_of_shape(confidence))]
        for share in shares
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


def rates_frame(found: Drift) -> pd.DataFrame:
    """Rates of a drift by unit; see `DriftStudy.rates`."""
    columns = ["unit", "rate", "error", "ended"]
    return pd.DataFrame(dict(zip(columns, (found.unit, found.rate, found.error, found.ended), strict=True)))


def failed_over_life(fits: Sequence[LifeFit], counted_in: str, ax: Axes | None = None) -> Axes:
    """Share failed over life: steps of the data (Kaplan and Meier, JASA 53, 1958), lines of the fits."""
    axes = style.axes_of(ax, 5.2, 3.2)
    lives = fits[0].lives
    at, share = failed_by(lives)
    axes.step(at, 100.0 * share, where="post", color=style.BLACK, lw=1.2, label="data")
    ends = np.geomspace(0.5 * float(lives.low[lives.low > 0.0].min()), 1.2 * float(lives.low.max()), 120)
    for fit, colour, line in zip(fits, (style.BLUE, style.VERMILLION), ("-", "--"), strict=True):
        failed = [100.0 * (1.0 - fit.reliability(each)) for each in ends]
        axes.plot(ends, failed, color=colour, ls=line, lw=1.4, label=fit.shape_name)
    axes.set_xscale("log")
    axes.set_xlabel(f"Life ({counted_in})")
    axes.set_ylabel("Units failed (%)")
    axes.legend(frameon=False)
    return axes


def failed_by(lives: Lives) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Times, and share failed by them, by Kaplan and Meier; a life known between inspections counts at the later."""
    failed = np.isfinite(lives.high)
    ended = np.where(failed, lives.high, lives.low)
    at = np.unique(ended[failed])
    left = np.array([np.sum(ended >= each) for each in at])
    died = np.array([np.sum(failed & (ended == each)) for each in at])
    survive = np.cumprod(1.0 - died / left)
    return np.concatenate([[0.0], at]), np.concatenate([[0.0], 1.0 - survive])


def answer(name: str, found: LifeData | Drift, fits: Sequence[LifeFit]) -> str:
    """What was found, in one sentence."""
    if isinstance(found, Drift):
        mean, found_spread = (numbers.percent(each, digits=2) for each in (found.mean, found.spread_found))
        return (
            f"{name}: the output falls by {mean} per decade of hours, standard deviation {found_spread} between "
            f"{len(found.unit)} units ({numbers.percent(found.spread, digits=2)} without the scatter of readings)"
        )
    best, other = fits
    low, high = best.interval_of_life(0.1)
    life = f"{numbers.plain(best.life(0.1), digits=2)} {found.counted_in}"
    apart = other.akaike - best.akaike
    told = (
        "both fits follow the data as well"
        if apart < 2.0
        else f"better than {other.shape_name} by {apart:.1f}"
    )
    return (
        f"{name}: 10 % of the units have failed by {life} (95 % interval {numbers.plain(low, digits=2)} to "
        f"{numbers.plain(high, digits=2)}), by the {best.shape_name} fit to {found.lives.failures} failures of "
        f"{found.lives.low.size} units ({told})"
    )


def cautions(found: LifeData | Drift) -> tuple[str, ...]:
    """What to keep in mind: what few failures leave of the intervals, then what holds for all such data."""
    if isinstance(found, Drift):
        return CAUTIONS
    return (*few_failures(found.lives.failures, "Test until more units have failed"), *CAUTIONS)


def _tables(found: LifeData | Drift, lives: pd.DataFrame) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    if isinstance(found, Drift):
        rates: list[tuple[str, ...]] = [
            (name, numbers.percent(rate, digits=3), numbers.percent(error, digits=2), numbers.plain(end, "h"))
            for name, rate, error, end in zip(found.unit, found.rate, found.error, found.ended, strict=True)
        ]
        return ("Unit", "Loss per decade", "Standard error", "Last reading"), rates
    rows: list[tuple[str, ...]] = [
        (
            str(row["distribution"]),
            numbers.percent(row["failed"]),
            numbers.plain(row["life"], digits=3),
            f"{numbers.plain(row['life_low'], digits=2)} to {numbers.plain(row['life_high'], digits=2)}",
            f"{numbers.plain(row['scale'], digits=3)} ({numbers.plain(row['scale_low'], digits=2)} to "
            f"{numbers.plain(row['scale_high'], digits=2)})",
            f"{row['shape']:.3g} ({row['shape_low']:.2g} to {row['shape_high']:.2g})",
        )
        for _, row in lives.iterrows()
    ]
    unit = found.counted_in
    return (
        "Distribution",
        "Failed",
        f"Life ({unit})",
        "95 % interval",
        "Scale (interval)",
        "Shape (interval)",
    ), rows


def render_endurance(
    name: str, found: LifeData | Drift, fits: Sequence[LifeFit], lives: pd.DataFrame, width: int | None = None
) -> str:
    """Answer, table, text for a case and cautions, by default as wide as the terminal."""
    width = width or page_width()
    columns, rows = _tables(found, lives)
    lines = wrapped("Found:", f"{answer(name, found, fits)}.", width)
    lines += table_lines([Column(columns[0], "left"), *map(Column, columns[1:])], rows, width)
    if isinstance(found, Drift):
        lines += wrapped("For [sensor] of a case:", found.case_text, width)
    for each in cautions(found):
        lines += wrapped("Caution:", each, width)
    return plain_text(lines)


def endurance_html(name: str, found: LifeData | Drift, fits: Sequence[LifeFit], lives: pd.DataFrame) -> str:
    """The same as simple HTML for a notebook."""
    columns, rows = _tables(found, lives)
    above = listing([("Found:", f"{answer(name, found, fits)}.")])
    for_case = [("For [sensor] of a case:", found.case_text)] if isinstance(found, Drift) else []
    below = listing([*for_case, *(("Caution:", each) for each in cautions(found))])
    return f"<div>{above}{html_table(columns, rows)}{below}</div>"


def write_endurance(
    name: str,
    found: LifeData | Drift,
    fits: Sequence[LifeFit],
    frame: pd.DataFrame,
    folder: Path,
    *,
    replace: bool = False,
) -> Path:
    """Write `endurance.html`, figure, JSON and CSV; FolderNotOurs as for a report."""
    subject = f"endurance data {name}"
    require_writable(folder, subject, replace=replace)
    sentence = f"{answer(name, found, fits)}."
    columns, rows = _tables(found, frame)
    blocks: list[Block] = [
        Table("Rates of the units." if not fits else "Lives by each fit.", columns, tuple(rows))
    ]
    if isinstance(found, Drift):
        blocks.insert(0, Text(f"For [sensor] of a case: {found.case_text}"))
    contents: dict[str, str] = {}
    if isinstance(found, LifeData):
        with style.settings():
            shown = picture(
                "failed-over-life",
                figure_of(failed_over_life(fits, found.counted_in)),
                "Share of the units that has failed: data (steps, Kaplan and Meier) and fits (lines).",
                "Two fitted lines over the steps of the data.",
            )
        blocks.insert(0, shown)
        contents["failed-over-life.svg"] = shown.svg
    parts = (
        Section("Endurance", tuple(blocks)),
        Section("Cautions", (Listing("Cautions", cautions(found)),)),
    )
    contents["endurance.html"] = page.page(f"Endurance: {name}", sentence, None, version(), parts)
    contents["endurance.csv"] = csv_text(frame)
    files = (*contents, "endurance.json")
    contents["endurance.json"] = to_json(endurance_document(name, found, fits, frame, files))
    publish(folder, contents, subject, replace=replace)
    return folder / "endurance.html"


def endurance_document(
    name: str,
    found: LifeData | Drift,
    fits: Sequence[LifeFit],
    frame: pd.DataFrame,
    files: Sequence[str] = (),
) -> dict[str, Any]:
    """Everything found as plain data; what is not finite is null, its place in `undetermined`."""
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "data": name,
        "answer": f"{answer(name, found, fits)}.",
        "case_text": found.case_text if isinstance(found, Drift) else None,
        "rows": records(frame),
        "cautions": list(cautions(found)),
        "version": version(),
    }
    return with_undetermined(plain)


def _plan_rows(found: TestPlans) -> list[tuple[str, ...]]:
    return [
        (
            f"{row['duration']:g}",
            str(int(row["failures"])),
            numbers.count(int(row["units"])),
            f"{row['unit_lives']:.3g}",
        )
        for _, row in found.table.iterrows()
    ]


_PLAN = ("Duration (lives)", "Failures allowed", "Units", "Unit lives")


def qualification_answer(found: TestPlans) -> str:
    """What is to be shown, by which assumption, and what a finished test shows."""
    living, sure = numbers.percent(found.reliability), numbers.percent(found.confidence)
    target = f"that {living} of units live, at {sure} confidence"
    shape = "" if found.shape is None else f", with a stated Weibull shape of {found.shape:g}"
    faster = found.acceleration
    if faster is not None:
        shape += (
            f", each hour at {faster.in_test:g} degC counting as {faster.factor:.3g} at {faster.in_service:g} degC "
            f"({faster.activation_energy:g} eV, stated)"
        )
    test = found.finished
    if test is None:
        return f"Tests that show {target}{shape}"
    passed = "shows" if test.shown >= found.reliability else "does not show"
    ended = (
        f"over {_counted(test.duration, 'life', 'lives')} with {_counted(test.failed, 'failure', 'failures')}"
    )
    reached, rest = numbers.percent(test.shown), numbers.percent(1.0 - test.shown)
    said = f"{passed} {target}{shape}: it shows {reached}, and leaves open that up to {rest} fail"
    return f"A test of {test.units} units {ended} {said}"


def _counted(number: float, one: str, several: str) -> str:
    return f"{number:g} {one if number == 1 else several}"


def render_qualification(found: TestPlans, width: int | None = None) -> str:
    """Answer, tests and cautions, by default as wide as the terminal."""
    width = width or page_width()
    lines = wrapped("Qualification:", f"{qualification_answer(found)}.", width)
    lines += table_lines([Column(each) for each in _PLAN], _plan_rows(found), width)
    for each in TEST_CAUTIONS:
        lines += wrapped("Caution:", each, width)
    return plain_text(lines)


def qualification_html(found: TestPlans) -> str:
    """The same as simple HTML for a notebook."""
    above = listing([("Qualification:", f"{qualification_answer(found)}.")])
    below = listing(("Caution:", each) for each in TEST_CAUTIONS)
    return f"<div>{above}{html_table(_PLAN, _plan_rows(found))}{below}</div>"


def write_qualification(found: TestPlans, folder: Path, *, replace: bool = False) -> Path:
    """Write `qualification.json` and CSV; FolderNotOurs as for a report."""
    require_writable(folder, QUALIFICATION, replace=replace)
    contents = {"qualification.csv": csv_text(found.table)}
    files = (*contents, "qualification.json")
    contents["qualification.json"] = to_json(qualification_document(found, files))
    publish(folder, contents, QUALIFICATION, replace=replace)
    return folder / "qualification.json"


def qualification_document(found: TestPlans, files: Sequence[str] = ()) -> dict[str, Any]:
    """Everything found as plain data."""
    return {
        "format": {"name": QUALIFICATION, "version": VERSION},
        "files": list(files),
        "reliability": found.reliability,
        "confidence": found.confidence,
        "shape": found.shape,
        "acceleration": None if found.acceleration is None else found.acceleration.factor,
        "shown": None if found.finished is None else found.finished.shown,
        "answer": f"{qualification_answer(found)}.",
        "plans": records(found.table),
        "cautions": list(TEST_CAUTIONS),
        "version": version(),
    }
