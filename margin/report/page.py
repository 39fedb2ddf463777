"""The report as one HTML page that needs nothing beside it: no script, font or image from elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

from margin.estimates import numbers
from margin.estimates.error_map import ErrorMap
from margin.estimates.results import Results
from margin.report import basis, sections, style
from margin.report.blocks import Fragment, Section, Table, Text
from margin.report.by_option import focus_place
from margin.report.first_page import first_page
from margin.report.glossary import with_glossary
from margin.report.summary import Summary, capitalised, summarise
from margin.report.trials_table import trials_rows
from margin.report.what_if import what_if_fragment
from margin.report.worst_case_section import worst_cases
from margin.report.yields_section import limit, options_table, yields

__all__ = ["Chooser", "options_table", "page", "render", "render_sections", "report_sections"]


@dataclass(frozen=True)
class Chooser:
    """What the reader chooses the option in focus from.

    names  in the order of the study, as `ByOption` has its variants; order: places as they are offered
    focus  place of the option shown first
    """

    names: tuple[str, ...]
    order: tuple[int, ...]
    focus: int


def render(results: Results) -> str:
    """The whole page."""
    return render_sections(results, report_sections(results))


def render_sections(results: Results, parts: tuple[Section, ...]) -> str:
    """The page of sections already made, so that the figures are drawn once for page and files."""
    summary = summarise(results)
    return page(
        summary.title,
        summary.verdict,
        summary.conforms,
        results.version,
        parts,
        headline=f"{capitalised(summary.headline)}.",
        chooser=_chooser(results),
    )


def page(
    title: str,
    verdict: str,
    conforms: bool | None,
    version: str,
    parts: tuple[Section, ...],
    *,
    headline: str = "",
    chooser: Chooser | None = None,
) -> str:
    """A page with a headline and sections.

    headline  a sentence in the place of title and verdict, which then stand above it
    chooser   where sections have blocks by option
    """
    template = _environment().get_template("page.html")
    return str(
        template.render(
            title=title,
            verdict=verdict,
            conforms=conforms,
            version=version,
            sections=with_glossary(parts),
            headline=headline,
            chooser=chooser,
        )
    )


def _chooser(results: Results) -> Chooser | None:
    """All options, the one in focus first; None where there is but one."""
    names = tuple(option.name for option in results.options)
    if len(names) < 2:
        return None
    focus = focus_place(results)
    return Chooser(names, (focus, *(place for place in range(len(names)) if place != focus)), focus)


def report_sections(
    results: Results,
    payload: Mapping[str, Any] | None = None,
    *,
    error_map: ErrorMap | None = None,
    command: str | None = None,
) -> tuple[Section, ...]:
    """All sections: the first page, 'what if' where there is a payload for it, and the evidence, folded.

    payload    of `margin.estimates.what_if.what_if_payload`
    error_map  of the option in focus; None: no map is shown
    command    that made the study; None: 'margin estimate FILE'
    """
    with style.settings():
        summary = summarise(results)
        evidence = (
            *_actions_tried(results, summary),
            yields(results, summary),
            limit(results),
            sections.errors(results),
            *basis.over_temperature(results, error_map),
            worst_cases(results),
            sections.saturation(results),
            sections.budget(results),
            sections.effects_of_causes(results),
            sections.where_in_range(results),
            *basis.chain(results),
            basis.inputs(results),
            basis.not_modelled(results),
            basis.computation(results),
            basis.reproduce(results, command),
        )
        moved = () if payload is None else (_what_if(payload),)
        return (first_page(results), *moved, *(replace(part, folded=True) for part in evidence))


def _what_if(payload: Mapping[str, Any]) -> Section:
    return Section(
        "What if",
        (Fragment(what_if_fragment(payload, "what-if-controls")),),
        folded=True,
        answer="move tolerances, limit and target, and see yield and error without a new run",
    )


def _actions_tried(results: Results, summary: Summary) -> tuple[Section, ...]:
    """The actions that were tried, where the design does not conform."""
    if results.advice is None or not (rows := trials_rows(results.advice, results.case.requirement.target)):
        return ()
    advice = results.advice
    title = (
        f"Actions tried for {advice.option!r}, {numbers.count(advice.units)} units each on the same draws; those that "
        "do not raise the yield are left out."
    )
    columns = ("Action", "Yield becomes", "Change in points (interval)", "Lower bound (interval)", "Verdict")
    blocks = (Text(f"{capitalised(summary.next_step)}."), Table(title, columns, rows, 1))
    return (Section("Actions tried", blocks, answer=f"{len(rows)} raise the yield"),)


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
