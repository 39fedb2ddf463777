"""Two studies side by side as one page and as files; both reports lie beside it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from margin.estimates.comparison_findings import PLACES, findings_of_comparison
from margin.estimates.comparison_result import Comparison
from margin.estimates.finding import Finding
from margin.estimates.results import Results
from margin.messages.comparison_sentences import input_shown
from margin.messages.requirement import requirement_in_words
from margin.messages.sentences import said
from margin.report import style
from margin.report.blocks import Block, Fragment, Listing, Section, Table, Text
from margin.report.comparison import (
    MOST_INPUTS,
    check_rows,
    checks_table,
    difference_by_option,
    differences_table,
    of_kind,
)
from margin.report.document import with_undetermined
from margin.report.page import options_table, page
from margin.report.summary import summarise
from margin.report.where import drawn_picture

VERSION = 1


def render_page(comparison: Comparison) -> str:
    """The page that compares."""
    return page_of(comparison, sections_of(comparison))


def page_of(comparison: Comparison, sections: tuple[Section, ...]) -> str:
    """The page of sections already made."""
    names = tuple(dict.fromkeys(results.case.name for _, results in _both(comparison)))
    title = " and ".join(names) if len(names) > 1 else f"{names[0]}: two variants"
    verdicts = "; ".join(f"{place}: {results.verdict}" for place, results in _both(comparison))
    return page(title, verdicts[:1].upper() + verdicts[1:], None, comparison.second.version, sections)


def sections_of(comparison: Comparison) -> tuple[Section, ...]:
    """All sections: both verdicts and the differences, then checks, inputs, either case and how it was computed."""
    findings = findings_of_comparison(comparison)
    with style.settings():
        first = _summary(comparison, findings)
    return (
        first,
        _checks(findings),
        _inputs(findings),
        *(_side(place, results) for place, results in _both(comparison)),
        _computed(findings),
    )


def _both(comparison: Comparison) -> tuple[tuple[str, Results], ...]:
    return tuple(zip(PLACES, (comparison.first, comparison.second), strict=True))


def _summary(comparison: Comparison, findings: Sequence[Finding]) -> Section:
    """Verdicts, which is better, the differences as figure and table, what was changed, links."""
    better = said(findings[0])
    blocks: list[Block] = [
        Text(f"{str(each.values['place']).capitalize()}: {said(each)}.")
        for each in of_kind(findings, "verdict of a case")
    ]
    blocks.append(Text(f"{better[:1].upper()}{better[1:]}."))
    inputs = of_kind(findings, "changed input")
    if 0 < len(inputs) <= MOST_INPUTS:
        blocks.append(Listing("Changed inputs", tuple(map(said, inputs))))
    blocks.append(
        drawn_picture(
            "difference-by-option",
            difference_by_option(comparison),
            "Difference of the yields on the same draws, second less first, with its interval, a line an option.",
            f"{said(findings[-1])}.",
        )
    )
    blocks.append(differences_table(comparison, findings))
    blocks += [
        Text(f"Design check exceeded: {said(each)}.", warning=True)
        for each in of_kind(findings, "design check of two cases")
        if _exceeded(each)
    ]
    links = ", ".join(f'<a href="{place}/report.html">{place} case</a>' for place in PLACES)
    blocks.append(Fragment(f"<p>Full reports: {links}.</p>"))
    blocks += [Text(line) for line in requirement_in_words(comparison.first.case)]
    return Section("Summary", tuple(blocks))


def _exceeded(check: Finding) -> bool:
    """Whether a design check is exceeded on either side."""
    sides = [check.values[place] for place in PLACES]
    return any(side is not None and side["verdict"] == "exceeded" for side in sides)


def _checks(findings: Sequence[Finding]) -> Section:
    """Design checks side by side."""
    exceeded = sum(map(_exceeded, of_kind(findings, "design check of two cases")))
    answer = f"{len(check_rows(findings))} checks, {exceeded or 'none'} exceeded"
    return Section("Design checks side by side", (checks_table(findings),), folded=True, answer=answer)


def _inputs(findings: Sequence[Finding]) -> Section:
    """Inputs in which the cases differ, by key."""
    found = of_kind(findings, "changed input")
    heading = "Changed inputs"
    if not found:
        return Section(heading, (Text("Both cases state the same inputs."),), folded=True, answer="none")
    rows = tuple((each.subject, *(input_shown(each.values[place]) for place in PLACES)) for each in found)
    caption = "Inputs that differ, by the key with which --change names them; values as written."
    table = Table(caption, ("Key", "First", "Second"), rows, 3)
    answer = found[0].subject if len(found) == 1 else f"{len(found)} keys"
    return Section(heading, (table,), folded=True, answer=answer)


def _side(place: str, results: Results) -> Section:
    """One case with its options; its report is linked."""
    summary = summarise(results)
    link = Fragment(f'<p><a href="{place}/report.html">Full report of the {place} case</a></p>')
    blocks = (
        Text(f"{summary.verdict.capitalize()}. Recommended: {summary.recommendation}."),
        options_table(summary),
        Text(f"Next step: {summary.next_step}."),
        link,
    )
    heading = f"{place.capitalize()}: {results.case.name}"
    return Section(heading, blocks, folded=True, answer=results.verdict)


def _computed(findings: Sequence[Finding]) -> Section:
    """Draws, seed and version, and the cautions of both."""
    computed = said(findings[-1])
    cautions = tuple(said(each) for each in of_kind(findings, "caution"))
    explained = (
        "Both cases draw the same random numbers for every factor that they have in common; the interval of a "
        "difference comes from the scatter of the differences between groups of units"
    )
    blocks = (Listing("Draws", (computed, explained)), Listing("Cautions", cautions))
    count = f"{len(cautions)} caution{'' if len(cautions) == 1 else 's'}"
    return Section("Computation", blocks, folded=True, answer=count)


def document(comparison: Comparison, files: tuple[str, ...] = ()) -> dict[str, Any]:
    """The comparison as plain data; what is not finite is null, its place in `undetermined`."""
    plain = {
        "format": {"name": "margin comparison", "version": VERSION},
        "files": list(files),
        "first": comparison.first.case.name,
        "second": comparison.second.case.name,
        "differences": json.loads(comparison.differences.to_json(orient="records")),
        "checks": json.loads(comparison.checks.to_json(orient="records")),
        "findings": [each.to_dict() for each in findings_of_comparison(comparison)],
    }
    return with_undetermined(plain)
