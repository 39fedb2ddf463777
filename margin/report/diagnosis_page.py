"""A diagnosis on the terminal, as a page and as files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from margin.diagnosis.result import (
    Diagnosed,
    causes_frame,
    figures_frame,
    missing_frame,
    steps_frame,
    tests_frame,
)
from margin.estimates import numbers
from margin.messages import diagnosis as said
from margin.report import diagnosis_figures, figures, style
from margin.report.blocks import Block, Listing, Section, Table, Text, figure_files, picture
from margin.report.document import records, to_json, with_undetermined
from margin.report.folder import csv_text, publish_made
from margin.report.layout import Column, page_width, plain_text, table_lines, wrapped
from margin.report.manifest import subject_of_bench
from margin.report.page import page
from margin.report.shown import listing
from margin.report.shown import table as html_table

FORMAT, VERSION = "margin diagnosis", 1
_SHOWN = 8
_COLUMNS = (
    "Figure",
    "Prototype",
    "Expected",
    "Limits of an\nunchanged unit",
    "Probability",
    "For as many\ncomparisons",
)


def render(found: Diagnosed, command: str, width: int | None = None) -> str:
    """The answer, how sure it is, figures and what is missing, by default as wide as the terminal."""
    width = width or page_width()
    lines = [line for label, text, look in _above(found) for line in wrapped(label, text, width, look)]
    columns = [Column(name, "left" if number == 0 else "right") for number, name in enumerate(_COLUMNS)]
    rows = _rows(found)
    lines += table_lines(columns, rows[:_SHOWN], width)
    if len(rows) > _SHOWN:
        lines += wrapped("and", f"{len(rows) - _SHOWN} figures less far out, in figures.csv", width)
    lines += [
        line for label, text, look in _below(found, command) for line in wrapped(label, text, width, look)
    ]
    return plain_text(lines)


def notebook_html(found: Diagnosed, command: str) -> str:
    """The same as simple HTML for a notebook."""
    above = listing((label, text) for label, text, _ in _above(found))
    below = listing((label, text) for label, text, _ in _below(found, command))
    table = html_table([name.replace("\n", " ") for name in _COLUMNS], _rows(found)[:_SHOWN])
    return f"<div>{above}{table}{below}</div>"


def _above(found: Diagnosed) -> Iterator[tuple[str, str, str]]:
    yield "Diagnosis of:", f"{found.prototype.label} in {Path(found.source).name}", ""
    yield "Answer:", " ".join(said.answer(found)), "" if found.comparison.nothing_unusual else "bold"
    yield "How sure:", " ".join(said.how_sure(found)), ""


def _below(found: Diagnosed, command: str) -> Iterator[tuple[str, str, str]]:
    if not found.comparison.nothing_unusual:
        yield "Causes:", " ".join(said.causes(found)), ""
    for text in said.missing(found):
        yield "Not in the data:", text, ""
    for text in said.cautions(found):
        yield "Caution:", text, ""
    yield "Again:", command, ""


def _rows(found: Diagnosed) -> list[tuple[str, ...]]:
    """Cells of the table of figures, the least likely first."""
    return [
        (
            one.figure.name, said.value_of(one), said.expected_of(one), said.limits_of(one),
            said.chance(one.p), said.chance(one.adjusted) + (" unusual" if one.unusual else ""),
        )
        for one in sorted(found.comparison.figures, key=lambda one: one.p)
    ]  # fmt: skip


def write(found: Diagnosed, command: str, folder: str | Path, *, replace: bool = False) -> Path:
    """Write page, figures, JSON and CSV to `folder`; the path of the page. FolderNotOurs as for a report."""
    subject = subject_of_bench(found.source)
    return publish_made(folder, subject, lambda: contents(found, command), "diagnosis.html", replace=replace)


def contents(found: Diagnosed, command: str) -> dict[str, str]:
    """Every file as text by name."""
    with style.settings():
        parts = sections(found, command)
    title = f"Diagnosis: {found.prototype.label}"
    files = {
        "diagnosis.html": page(
            title, said.headline(found), found.comparison.nothing_unusual, found.version, parts
        ),
        "figures.csv": csv_text(figures_frame(found)),
        "steps.csv": csv_text(steps_frame(found)),
    }
    if found.causes is not None:
        files |= {"causes.csv": csv_text(causes_frame(found)), "tests.csv": csv_text(tests_frame(found))}
    files |= figure_files(parts)
    files["diagnosis.json"] = to_json(document(found, command, (*files, "diagnosis.json")))
    return files


def sections(found: Diagnosed, command: str) -> tuple[Section, ...]:
    """Answer with the band, how sure, figures, what is missing, cautions and computation."""
    level = numbers.percent(found.comparison.confidence)
    band = picture(
        "error-over-load",
        figures.figure_of(diagnosis_figures.error_over_load(found)),
        f"Error of the prototype over the load, single runs as points. Band: {level} of {found.baseline.name}, going "
        f"up; dashed: going down.{_warmer(found)} {_computed(found)}.",
        "Error of the prototype on both branches over the load, in the band of unchanged units.",
    )
    dots = picture(
        "figures-by-position",
        figures.figure_of(diagnosis_figures.figures_by_position(found)),
        f"Figures of merit on the scale of their own prediction interval at {level}, each by itself; filled: unusual "
        f"for as many comparisons. {_computed(found)}.",
        "Place of each figure of merit in its prediction interval.",
    )
    answer: list[Block] = [Text(line) for line in said.answer(found)]
    columns = tuple(name.replace("\n", " ") for name in _COLUMNS)
    caption = "Figures of merit of the prototype against one more unchanged unit, the least likely first."
    meanings = tuple(f"{one.figure.name}: {one.figure.about}" for one in found.comparison.figures)
    return (
        Section("Answer", (*answer, band)),
        *([] if found.comparison.nothing_unusual else [_cause_section(found)]),
        Section("How sure", (Listing("Probabilities and baseline", said.how_sure(found)),)),
        Section("Figures of merit", (dots, Table(caption, columns, tuple(_rows(found))))),
        Section("Not in these data", (Listing("What to measure", said.missing(found)),)),
        Section(
            "Cautions and computation",
            (
                Listing("Cautions", said.cautions(found)),
                Listing("Readings", found.baseline.notes),
                Listing("Definitions", meanings),
                Text(f"{_computed(found)}. To run it again: {command}"),
            ),
        ),
    )


def _cause_section(found: Diagnosed) -> Section:
    """Causes with probabilities and sizes, classes alike and further tests; or why there are none."""
    blocks: list[Block] = [Text(line) for line in said.causes(found)]
    if found.causes is None:
        return Section("Causes", tuple(blocks))
    ranking = found.causes.ranking
    caption = (
        "Probabilities of the causes that lead, with the size of the change. Nothing unusual: "
        f"{said.chance(ranking.nothing)}; none of the catalogue: {said.chance(ranking.unknown)}. {_computed(found)}."
    )
    axes = diagnosis_figures.probability_by_cause(found.causes)
    blocks.append(picture("probability-by-cause", figures.figure_of(axes), caption, "Bars of the causes."))
    alike = tuple(
        f"{', '.join(one.names)} ({said.chance(one.probability)} together)"
        for one in ranking.classes
        if len(one.names) > 1
    )
    blocks.append(Listing("Causes that act alike in these readings", alike))
    columns = ("Test", "Information (bit)", "Effort (min)", "Separates")
    rows = tuple(
        (
            one.name,
            numbers.plain(one.information, digits=2),
            numbers.plain(one.test.minutes),
            ", ".join(one.separates),
        )
        for one in found.causes.tests
    )
    blocks.append(Table("Further tests, by expected information for their effort.", columns, rows, 1, True))
    if found.causes.hidden:
        blocks.append(Listing("Causes that these readings cannot show", found.causes.hidden))
    return Section("Causes", tuple(blocks))


def _causes(found: Diagnosed) -> dict[str, Any]:
    """Ranking, classes and tests as plain data."""
    if found.causes is None:
        return {"ranked": False, "why": found.no_causes}
    ranking = found.causes.ranking
    return {
        "ranked": True,
        "verdict": ranking.verdict,
        "nothing_unusual": ranking.nothing,
        "none_of_the_catalogue": ranking.unknown,
        "causes": records(causes_frame(found)),
        "classes": [{"names": list(one.names), "probability": one.probability} for one in ranking.classes],
        "tests": records(tests_frame(found)),
        "hidden": list(found.causes.hidden),
    }


def _warmer(found: Diagnosed) -> str:
    if not found.baseline.elsewhere:
        return ""
    return f" Both at {found.prototype.temperature:g} degC; triangles: means at other temperatures, going up."


def _computed(found: Diagnosed) -> str:
    seed = "" if found.seed is None else f"seed {found.seed}, "
    return f"{numbers.count(found.comparison.units)} units, {seed}margin {found.version}"


def document(found: Diagnosed, command: str, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """Everything found as plain data; what is not finite is null, its place in `undetermined`."""
    comparison, baseline = found.comparison, found.baseline
    together = comparison.together
    plain = {
        "format": {"name": FORMAT, "version": VERSION},
        "files": list(files),
        "prototype": found.prototype.label,
        "data": Path(found.source).name,
        "temperatures": [
            {"temperature_degC": part.temperature, "runs": part.runs}
            for part in (baseline.shape, *baseline.shape.elsewhere)
        ],
        "age_h": 0.0 if baseline.plan is None else baseline.plan.age,
        "baseline": {"by": baseline.by, "name": baseline.name, "option": baseline.option},
        "nothing_unusual": comparison.nothing_unusual,
        "unusual": [one.figure.name for one in comparison.unusual],
        "smallest_adjusted_probability": comparison.smallest,
        "confidence": comparison.confidence,
        "together": None
        if together is None
        else {
            "method": together.method,
            "figures": list(together.names),
            "statistic": together.statistic,
            "p": together.p,
            "p_adjusted": together.adjusted,
            "unusual": together.unusual,
        },
        "figures": records(figures_frame(found)),
        "steps": records(steps_frame(found)),
        "missing": records(missing_frame(found)),
        "causes": _causes(found),
        "answer": list(said.answer(found)),
        "cautions": list(said.cautions(found)),
        "notes": list(baseline.notes),
        "computed": {
            "units": comparison.units,
            "seed": found.seed,
            "version": found.version,
            "command": command,
        },
    }
    return with_undetermined(plain)
