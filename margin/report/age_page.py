"""Results over age on the terminal, as a page and as files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from margin.estimates import numbers
from margin.estimates.number_columns import bound_column, column, estimated, share_column
from margin.estimates.numbers import Scale
from margin.estimates.yield_result import conforms_by
from margin.messages import ageing as said
from margin.messages.requirement import requirement_in_words
from margin.report import age_figures, figures, style
from margin.report.blocks import Block, Listing, Section, Table, Text, figure_files, picture
from margin.report.document import records, to_json, with_undetermined
from margin.report.folder import csv_text, publish_made
from margin.report.layout import Column, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of
from margin.report.page import page
from margin.report.shown import listing
from margin.report.shown import table as html_table
from margin.service.over_age import AgeResult, Compared
from margin.service.served import served

FORMAT, VERSION = "margin results over age", 1
_YIELDS = ("Time in service", "Yield", "Lower bound", "Requirement")
_ERRORS = ("Time in service", "2.5 % point", "Median", "97.5 % point")
_RATIO = Scale(1.0, "")


def schema_path() -> Path:
    """The JSON Schema of age.json."""
    return Path(__file__).with_name("age.schema.json")


def yields_frame(found: AgeResult) -> pd.DataFrame:
    """Yield, error and share failed by age; see `AgeStudy.yields`."""
    rows = []
    for each, failed in zip(found.ages, found.passages.failed, strict=True):
        sampled, bound = each.found.sampled, each.found.bound
        row: dict[str, Any] = {"age": each.age, "yield": sampled.value, "yield_low": sampled.low}
        row |= {
            "yield_high": sampled.high,
            "bound": bound.value,
            "bound_low": bound.low,
            "bound_high": bound.high,
        }
        row |= {"verdict": each.verdict, "failed": float(failed)}
        for name, error in zip(("error_p2_5", "error_median", "error_p97_5"), each.errors, strict=True):
            row |= {name: error.value, f"{name}_low": error.low, f"{name}_high": error.high}
        rows.append(row)
    return pd.DataFrame(rows)


def courses_frame(found: AgeResult) -> pd.DataFrame:
    """Yields of other courses of service by age; see `AgeStudy.courses`."""
    named = [(f"without {each.name}", each) for each in found.causes]
    named += [(action.name, each) for action, each in zip(found.actions, found.fields, strict=True)]
    rows = [
        {
            "course": name, "age": at.age, "yield": own.sampled.value, "yield_low": own.sampled.low,
            "yield_high": own.sampled.high, "bound": own.bound.value, "gain": gain.value, "gain_low": gain.low,
            "gain_high": gain.high,
        }
        for name, course in named
        for at, own, gain in zip(found.ages, course.yields, course.gains, strict=True)
    ]  # fmt: skip
    columns = ["course", "age", "yield", "yield_low", "yield_high", "bound", "gain", "gain_low", "gain_high"]
    return pd.DataFrame(rows, columns=columns)


def passages_frame(found: AgeResult) -> pd.DataFrame:
    """Units by the interval of their first non-conformity; see `AgeStudy.passages`."""
    ages = [0.0, *found.passages.ages.tolist()]
    ends = [*found.passages.ages.tolist(), float("inf")]
    return pd.DataFrame({"after": ages, "before": ends, "units": found.passages.first})


def service_frame(found: AgeResult) -> pd.DataFrame:
    """What units have been through by age; see `AgeStudy.service`."""
    rows = [vars(each) for each in served(found.case, [at.age for at in found.ages])]
    return pd.DataFrame(rows, columns=["age", "what", "by", "value"])


def render(found: AgeResult, command: str, width: int | None = None) -> str:
    """The answer, the yield over age, actions and how to run it again, by default as wide as the terminal."""
    width = width or page_width()
    columns = [Column(name, "right" if 0 < k < 3 else "left") for k, name in enumerate(_YIELDS)]
    lines = [line for label, text, look in _above(found) for line in wrapped(label, text, width, look)]
    lines += table_lines(columns, [tuple(row) for row in _yield_rows(found)], width)
    lines += [line for label, text in _below(found, command) for line in wrapped(label, text, width)]
    return plain_text(lines)


def notebook_html(found: AgeResult, command: str) -> str:
    """The same as simple HTML for a notebook."""
    above = listing((label, text) for label, text, _ in _above(found))
    return (
        f"<div>{above}{html_table(list(_YIELDS), _yield_rows(found))}{listing(_below(found, command))}</div>"
    )


def _above(found: AgeResult) -> Iterator[tuple[str, str, str]]:
    yield "Results over age of:", f"{found.case.name}, calibration {found.option!r}", ""
    yield "Answer:", " ".join(said.answer(found)), ""
    for text in said.warnings(found):
        yield "Warning:", text, "bold red"


def _below(found: AgeResult, command: str) -> Iterator[tuple[str, str]]:
    yield "Service:", " ".join(said.profile(found))
    yield "How sure:", " ".join(said.how_sure(found))
    for text in said.passages(found):
        yield "First non-conformity:", text
    for text in said.actions(found):
        yield "In the field:", text
    for each in found.causes:
        yield "Ageing of:", f"{each.name}; without it {_gain(each)} at {said.time_text(found.horizon)}"
    yield "Caution:", f"{said.SAME_UNITS} {said.SAFETY}"
    yield "Again:", command


def _gain(each: Compared) -> str:
    gain = each.gains[-1]
    shown = numbers.with_interval(gain.value, gain.low, gain.high, scale=Scale(100.0, "points"), signed=True)
    return f"the yield changes by {shown}"


def _yield_rows(found: AgeResult) -> list[list[str]]:
    yields = [cell.text for cell in share_column([estimated(each.found.sampled) for each in found.ages])]
    target = found.case.requirement.target
    bounds = [
        cell.text for cell in bound_column([estimated(each.found.bound) for each in found.ages], target)
    ]
    rows = zip(found.ages, yields, bounds, strict=True)
    return [[said.time_text(at.age), own, bound, at.verdict] for at, own, bound in rows]


def write(found: AgeResult, command: str, folder: str | Path, *, replace: bool = False) -> Path:
    """Write page, figures, JSON and CSV to `folder`; the path of the page. FolderNotOurs as for a report."""
    return publish_made(
        folder, subject_of(found.case), lambda: contents(found, command), "age.html", replace=replace
    )


def contents(found: AgeResult, command: str) -> dict[str, str]:
    """Every file as text by name."""
    with style.settings():
        parts = sections(found, command)
    conforms = conforms_by(found.verdict)
    head = f"{found.verdict}: {said.headline(found)}"
    files = {
        "age.html": page(f"Results over age: {found.case.name}", head, conforms, found.version, parts),
        "yields.csv": csv_text(yields_frame(found)),
        "courses.csv": csv_text(courses_frame(found)),
        "passages.csv": csv_text(passages_frame(found)),
        "service.csv": csv_text(service_frame(found)),
    }
    files |= figure_files(parts)
    files["age.json"] = to_json(document(found, command, (*files, "age.json")))
    return files


def sections(found: AgeResult, command: str) -> tuple[Section, ...]:
    """Answer, how sure, time to first non-conformity, the field, causes, error, computation."""
    level = numbers.percent(found.case.requirement.confidence)
    drawn = f"{numbers.count(found.units)} units, seed {found.case.study.seed}, margin {found.version}"
    shown = picture(
        "yield-over-age",
        figures.figure_of(age_figures.yield_over_age(found)),
        f"Yield over the time in service ({found.option}), with its interval at {level} (band), and with each action "
        f"in the field; dashed: the yield required. {drawn}.",
        "Lines of the conforming share over the time in service.",
    )
    answer: list[Block] = [Text(line) for line in said.answer(found)]
    answer += [Text(line, warning=True) for line in said.warnings(found)]
    answer += [
        shown,
        Text(f"Safety: {said.SAFETY}"),
        *(Text(line) for line in requirement_in_words(found.case)),
    ]
    by_age = Table(
        f"Yield over the time in service, with intervals at {level}; verdicts hold the interval of the lower bound "
        "against the yield required.",
        _YIELDS, tuple(map(tuple, _yield_rows(found))), 1, True,
    )  # fmt: skip
    return (
        Section("Answer", tuple(answer)),
        Section("How sure", (Listing("Intervals", said.how_sure(found)), by_age)),
        Section("Time to first non-conformity", _lives(found)),
        Section(
            "In the field",
            (Text(said.recalibration(found)), _gains(found, field=True), Text(said.IN_THE_FIELD)),
        ),
        Section("Service", tuple(Text(line[0].upper() + line[1:]) for line in said.profile(found))),
        Section("What ages", _what_ages(found)),
        Section("Error over age", (_errors(found),)),
        Section(
            "Computation",
            (Text(said.SAME_UNITS), Text(f"Drawn: {drawn}."), Text(f"To run it again: {command}")),
        ),
    )


def _lives(found: AgeResult) -> tuple[Block, ...]:
    blocks: list[Block] = [Text(line) for line in said.passages(found)]
    sound = numbers.count(found.passages.units - found.passages.new_bad)
    if found.passages.aged_out:
        blocks.append(
            picture(
                "failed-over-age",
                figures.figure_of(age_figures.failed_over_age(found)),
                f"Share failed over the time in service, of the {sound} units that conform when new: "
                "counted (points) and fitted (lines).",
                "Points of the share failed over the time in service, and lines of the fitted distributions.",
            )
        )
    return (*blocks, Text(said.FIRST_PASSAGE))


def _what_ages(found: AgeResult) -> tuple[Block, ...]:
    if not found.causes:
        return (Text(said.NO_AGEING, warning=True),)
    return (_gains(found, field=False), Text(said.FROZEN))


def _gains(found: AgeResult, *, field: bool) -> Table:
    """Yield and gain at the last age by course."""
    named: list[tuple[tuple[str, ...], Compared]] = (
        [
            (
                (
                    f"{action.name}: {said.what_text(found, action)}",
                    said.cost_text(action.times, action.seconds),
                ),
                each,
            )
            for action, each in zip(found.actions, found.fields, strict=True)
        ]
        if field
        else [((each.name,), each) for each in found.causes]
    )
    lowest = [min(each.yields, key=lambda own: own.bound.value) for _, each in named]
    yields = [cell.text for cell in share_column([estimated(each.sampled) for each in lowest])]
    gains = [
        cell.text
        for cell in column([estimated(each.gains[-1]) for _, each in named], Scale(100.0, ""), signed=True)
    ]
    to = said.time_text(found.horizon)
    heads = (("Action", "Cost") if field else ("Does not age",)) + ("Lowest yield", f"Gain at {to} (points)")
    rows = tuple((*names, own, gain) for (names, _), own, gain in zip(named, yields, gains, strict=True))
    caption = "Actions in the field" if field else "Ageing by part"
    return Table(
        f"{caption}: lowest yield over the time in service, and gain at its end.", heads, rows, len(heads) - 2
    )


def _errors(found: AgeResult) -> Table:
    columns = [
        [
            cell.text
            for cell in column([estimated(each.errors[k]) for each in found.ages], _RATIO, signed=True)
        ]
        for k in range(3)
    ]
    rows = tuple(zip([said.time_text(each.age) for each in found.ages], *columns, strict=True))
    return Table(
        "Error of the readings over the permissible error, at all check loads and under all conditions.",
        _ERRORS, rows,
    )  # fmt: skip


def document(found: AgeResult, command: str, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """Everything found as plain data; what is not finite is null, its place in `undetermined`."""
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "case": found.case.name,
        "option": found.option,
        "verdict": found.verdict,
        "answer": list(said.answer(found)),
        "warnings": list(said.warnings(found)),
        "ageing": list(found.ageing),
        "horizon_h": found.horizon,
        "recalibration_interval_h": vars(found.interval),
        "recalibrated_every_h": found.every,
        "actions": [
            {"name": each.name, "what": each.what, "times": each.times, "seconds_each": each.seconds}
            for each in found.actions
        ],
        "new_bad": found.passages.new_bad,
        "fits": [
            {
                "distribution": fit.shape_name,
                "scale_h": fit.scale,
                "shape": fit.shape,
                "akaike": fit.akaike,
                "departure": found.fits.departure(fit, found.passages),
            }
            for fit in found.fits.fits
        ],
        "no_fit": found.fits.reason or None,
        "yields": records(yields_frame(found)),
        "courses": records(courses_frame(found)),
        "passages": records(passages_frame(found)),
        "service": records(service_frame(found)),
        "service_profile": list(said.profile(found)),
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
