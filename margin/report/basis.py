"""Sections on what the numbers rest on: chain, inputs, what is not modelled, computation, how to reproduce."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from pathlib import Path

import numpy as np

from margin.case.again import command_of
from margin.case.types import Case
from margin.estimates import numbers
from margin.estimates.assumptions import by_weight
from margin.estimates.error_map import ErrorMap
from margin.estimates.findings import ideal_parts
from margin.estimates.results import Results
from margin.messages.limits import NOT_MODELLED
from margin.messages.sentences import said
from margin.report import figures, style
from margin.report.blocks import Block, Listing, Section, Table, Text, picture
from margin.report.by_option import by_option
from margin.report.chain_figure import ROLES, chain_drawing
from margin.report.error_map_figure import error_over_temperature


def chain(results: Results) -> tuple[Section, ...]:
    """The chain drawn with its values; nothing where parts of it are missing."""
    case = results.case
    if not set(ROLES) <= set(case.elements):
        return ()
    focus = results.focus.name
    axes = chain_drawing(case, budget=results.budget, option=focus)
    text = (
        "Parts from load to indicated force, each with the values that lead in its part of the budget, tolerances as "
        "read; in italics nominal signals at the lowest, the middle and the highest check load."
    )
    alternative = "Boxes from interface to firmware with values, joined by arrows with nominal signals."
    drawn = picture("chain-with-values", figures.figure_of(axes), text, alternative)
    kinds = ", ".join(case.elements[role].kind for role in ROLES if case.elements[role].kind != role)
    return (Section("Chain", (drawn,), answer=kinds),)


def over_temperature(results: Results, found: ErrorMap | None) -> tuple[Section, ...]:
    """Map of the error over load and temperature of the option in focus; nothing where there is none."""
    if found is None:
        return ()
    with style.settings():
        axes = error_over_temperature(found)
    text = (
        f"95 % of |error| as a multiple of the permissible error over load and temperature in use: "
        f"{numbers.count(found.units)} units, seed {found.seed}; each unit of a lot of its own. Thick line: 1."
    )
    alternative = f"Coloured map with contour lines for {found.option}."
    drawn = picture("error-over-temperature", figures.figure_of(axes), text, alternative)
    relative = found.relative
    largest = float(np.nanmax(relative, initial=0.0))
    answer = (
        f"{found.option}: 95 % of |error| up to {numbers.plain(largest, digits=2)} of the permissible error"
    )

    def blocks_of(option: str) -> tuple[Block, ...]:
        if option == found.option:
            return (drawn,)
        return (
            Text(f"Drawn for {found.option!r} alone; in Python study.error_over_temperature({option!r})."),
        )

    shown = by_option(results, lambda option: blocks_of(option.name))
    return (Section("Error over load and temperature", (shown,), answer=answer),)


def inputs(results: Results) -> Section:
    """Interpretation of the inputs: checks, tolerances, defaults, assumptions."""
    case = results.case
    checks = Table(
        "Design checks at their least favourable end.",
        ("Check", "Verdict", "Value", "Limit", "Margin", "Note"),
        tuple(
            (
                check.name,
                "passed" if check.verdict == "kept" else check.verdict,
                numbers.plain(check.value, check.unit),
                "–" if check.limit is None else numbers.plain(check.limit, check.unit),
                "–" if check.margin is None else numbers.percent(check.margin, "limit", 2),
                check.note,
            )
            for check in results.checks
        ),
        2,
        True,
    )
    return Section(
        "Inputs",
        (
            *((Text(case.notes),) if case.notes else ()),
            *((Text(f"Data: {case.data}."),) if case.data else ()),
            checks,
            Listing("Interpretation of tolerances", case.readings),
            Listing("Defaults used", case.defaults),
            Listing(
                "Assumed, not measured, by effect on the error",
                tuple(each.assumption.text for each in by_weight(results)),
            ),
        ),
        answer=f"{len(case.assumptions)} assumptions, {len(case.defaults)} defaults",
    )


def not_modelled(results: Results) -> Section:
    """What no number of the report contains."""
    case = results.case
    stated = len(case.dependences)
    own = (
        *map(said, ideal_parts(case)),
        f"Effects whose value is zero by default: see 'Defaults used' ({len(case.defaults)} defaults)",
        f"Dependence between causes, other than the {stated} stated"
        if stated
        else "Dependence between causes: none stated, all are drawn independently",
    )
    answer = "effects left at zero, damage, interference, gross errors"
    return Section(
        "What is not modelled",
        (Listing("In this case", own), Listing("In no case", NOT_MODELLED)),
        answer=answer,
    )


_PATH_FACTS: dict[str, tuple[str, ...]] = {
    "arrays": (),
    "kernel": (
        "Readings computed by a compiled kernel: its exponentials and logarithms differ from those of array "
        "operations in the last bits",
    ),
    "device": (
        "Readings drawn and computed by a kernel on an accelerator, rounded in its own way; budget, shares and worst "
        "cases on the processor",
    ),
}


def _path_facts(results: Results) -> tuple[str, ...]:
    if results.uncompiled:
        return (f"Readings computed by array operations, not by a compiled kernel: {results.uncompiled}",)
    return _PATH_FACTS[results.path]


def computation(results: Results) -> Section:
    """Draws, seed, version, and what to be careful of."""
    study, focus = results.case.study, results.focus
    facts = (
        f"Units drawn: {numbers.count(results.units)}, {numbers.count(study.units_per_lot)} to a lot",
        f"Outer draws of epistemic uncertainty: {numbers.count(results.outer)}",
        f"Conditions, loadings, readings a unit: {study.conditions}, {study.loadings}, {study.readings}",
        f"Points: {study.points}; seed {results.seed}; margin {results.version}",
        *_path_facts(results),
        f"Intervals at {numbers.percent(results.case.requirement.confidence)}, two-sided",
        f"Option in focus unless another is chosen: {focus.name!r}, the recommended one, else the nearest",
    )
    answer = f"{numbers.count(results.units)} units, seed {results.seed}"
    return Section(
        "Computation", (Listing("Draws", facts), Listing("Cautions", results.cautions)), answer=answer
    )


def reproduce(results: Results, command: str | None = None) -> Section:
    """Command, seed, version, and digest of the inputs.

    command  that made the study; None: 'margin estimate FILE'
    """
    case = results.case
    again = command or command_of(_of_no_folder(case))
    facts = (
        f"Command: {again}",
        f"Seed {results.seed}, {numbers.count(case.study.units)} units asked, margin {results.version}",
        *(
            (f"Digest of the case: {_digest(case)} (SHA-256 of its tables, first 16 digits)",)
            if case.source
            else ()
        ),
        "Digests of the files of this report: manifest.json beside this page",
        "Same case, seed and version: same numbers, whatever the number of processes",
    )
    return Section("How to reproduce", (Listing("Run again", facts),), answer=f"{again}, seed {results.seed}")


def _of_no_folder(case: Case) -> Case:
    """The case with the name of its file alone: a report says nothing of the machine that it was made on."""
    return case if case.path is None else dataclasses.replace(case, path=Path(case.path.name))


def _digest(case: Case) -> str:
    """Of the tables of a case as they stand in its file."""
    text = json.dumps(case.source, sort_keys=True, default=str)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]
