"""The report as one HTML page that needs nothing beside it: no script, font or image from elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Any

from margin.estimates import numbers
from margin.estimates.assumptions import by_weight
from margin.estimates.results import Results
from margin.messages.requirement import requirement_in_words
from margin.report import figures, sections, style
from margin.report.answers import answers
from margin.report.blocks import Fragment, Listing, Picture, Section, Table, Text, picture
from margin.report.glossary import with_glossary
from margin.report.summary import Summary, summarise
from margin.report.trials_table import trials_rows
from margin.report.what_if import what_if_fragment
from margin.report.worst_case_section import worst_cases


def render(results: Results) -> str:
    """The whole page."""
    return render_sections(results, report_sections(results))


def render_sections(results: Results, parts: tuple[Section, ...]) -> str:
    """The page of sections already made, so that the figures are drawn once for page and files."""
    summary = summarise(results)
    return page(summary.title, summary.verdict, summary.conforms, results.version, parts)


def page(title: str, verdict: str, conforms: bool | None, version: str, parts: tuple[Section, ...]) -> str:
    """A page with a headline and sections."""
    template = _environment().get_template("page.html")
    return str(
        template.render(
            title=title, verdict=verdict, conforms=conforms, version=version, sections=with_glossary(parts)
        )
    )


def report_sections(results: Results, payload: Mapping[str, Any] | None = None) -> tuple[Section, ...]:
    """All sections: the first page, 'what if' where there is a payload for it, and the evidence, folded.

    payload  of `margin.estimates.what_if.what_if_payload`
    """
    with style.settings():
        evidence = (
            sections.yields(results),
            sections.limit(results),
            sections.errors(results),
            worst_cases(results),
            sections.saturation(results),
            sections.budget(results),
            sections.effects_of_causes(results),
            sections.where_in_range(results),
            how_read(results),
            how_computed(results),
        )
        found = answers(results)
        moved = () if payload is None else (Section("What if", (Fragment(what_if_fragment(payload)),)),)
        return (
            first_page(results),
            *moved,
            *(replace(part, folded=True, answer=found.get(part.heading, "")) for part in evidence),
        )


def first_page(results: Results) -> Section:
    """What decides: verdict, options, leading causes, checks, assumptions, next step, error over load."""
    summary = summarise(results)
    obstacles = "What stands in the way" if summary.recommended is None else "Left open by the draws"
    shown = _first_pictures(results)
    exceeded = tuple(Text(f"Design check exceeded: {line}", warning=True) for line in summary.checks_exceeded)
    return Section(
        "Summary",
        (
            *(Text(line) for line in requirement_in_words(results.case)),
            options_table(summary),
            Text(f"Recommended: {summary.recommendation}."),
            *((Listing(obstacles, summary.obstacles),) if summary.obstacles else ()),
            _causes_table(summary),
            *((Text(f"{summary.cancels[0].upper()}{summary.cancels[1:]}."),) if summary.cancels else ()),
            *exceeded,
            Text(f"Other design checks: {summary.checks_other}."),
            Text(f"Assumed: {summary.assumed}."),
            *(Text(f"{line}.") for line in summary.ideal),
            Text(f"Next step: {summary.next_step}."),
            *_trials(results),
            *shown,
        ),
    )


def _first_pictures(results: Results) -> tuple[Picture, ...]:
    """Options side by side, and the error over load of the one in focus."""
    focus = results.focus.name
    options = picture(
        "yield-by-option",
        figures.figure_of(figures.yield_by_option(results)),
        style.caption(
            results, "Yield (marker) and lower bound (stroke) of each option with their intervals."
        ),
        "One line a calibration option: yield, lower bound, required yield as a dashed line, verdict and time a unit.",
    )
    text = (
        f"{focus}: error over load as a fraction of the permissible error: median, 5 to 95 % (darker) and 0.5 to "
        "99.5 % (paler) of all readings, single units in grey."
    )
    error = picture(
        "error-in-focus",
        figures.figure_of(figures.error_over_load(results, focus)),
        style.caption(results, text),
        f"Bands of force error over load for {focus}, against -1 and 1.",
    )
    return options, error


def options_table(summary: Summary) -> Table:
    """The options with yields, errors and cost."""
    rows = tuple(
        (
            line.name,
            line.verdict,
            line.yields.text,
            line.bound.text,
            line.error_text,
            line.largest.text,
            line.seconds,
        )
        for line in summary.options
    )
    columns = (
        "Calibration", "Verdict", "Yield (interval)", "Lower bound (interval)", "95 % of |error| below, worst load",
        "Largest error / permissible", "Time a unit",
    )  # fmt: skip
    return Table(
        "Calibration options. The verdict holds the lower bound against the required yield.", columns, rows, 2
    )


def _causes_table(summary: Summary) -> Table | Text:
    if not summary.causes:
        return Text("Leading causes: not determined (no budget was computed, or nothing varies).")
    rows = tuple(
        (cause.rank, cause.factor, f"{cause.part}, {cause.level}", cause.yield_becomes, cause.change.text)
        for cause in summary.causes
    )
    columns = ("Rank", "Cause", "Part, level", "If halved, yield becomes", "Change in points (interval)")
    return Table(f"Leading causes with {summary.causes_of!r}.", columns, rows, 3)


def _trials(results: Results) -> tuple[Table, ...]:
    """The actions that were tried, where the design does not conform."""
    if results.advice is None or not (rows := trials_rows(results.advice, results.case.requirement.target)):
        return ()
    advice = results.advice
    title = (
        f"Actions tried for {advice.option!r}, {numbers.count(advice.units)} units each on the same draws; those that "
        "do not raise the yield are left out."
    )
    columns = ("Action", "Yield becomes", "Change in points (interval)", "Lower bound (interval)", "Verdict")
    return (Table(title, columns, rows, 1),)


def how_read(results: Results) -> Section:
    """How the case was read: checks, tolerances, defaults, assumptions."""
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
            Listing("How tolerances were read", case.readings),
            Listing("Defaults used", case.defaults),
            Listing(
                "Assumed, not measured: what counts most first",
                tuple(each.assumption.text for each in by_weight(results)),
            ),
        ),
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


def how_computed(results: Results) -> Section:
    """Draws, seed, version, and what to be careful of."""
    study, focus = results.case.study, results.focus
    facts = (
        f"Units drawn: {numbers.count(results.units)}, {numbers.count(study.units_per_lot)} to a lot",
        f"Outer draws of what holds for the whole study: {numbers.count(results.outer)}",
        f"Conditions, loadings, readings a unit: {study.conditions}, {study.loadings}, {study.readings}",
        f"Points: {study.points}; seed {results.seed}; margin {results.version}",
        *_path_facts(results),
        f"Intervals at {numbers.percent(results.case.requirement.confidence)}, two-sided",
        f"Tables and figures of one option show {focus.name!r}: the recommended one, else the nearest",
    )
    return Section("Computation", (Listing("Draws", facts), Listing("Cautions", results.cautions)))


def pictures(parts: tuple[Section, ...]) -> tuple[Picture, ...]:
    """All figures of the page."""
    return tuple(shown for part in parts for shown in part.pictures)


@cache
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("margin.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
