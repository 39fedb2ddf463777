"""The first page: what decides, on one screen and on one printed sheet."""

from __future__ import annotations

from margin.estimates import numbers
from margin.estimates.headline import option_headline
from margin.estimates.results import OptionResult, Results
from margin.messages.requirement import requirement_in_words
from margin.messages.sentences import said
from margin.report import figures
from margin.report.blocks import Block, ByOption, Listing, Picture, Row, Section, Table, Text, picture
from margin.report.by_option import by_option, option_picture
from margin.report.summary import Summary, capitalised, leading_causes, summarise

CAUSES = 3
"""Leading causes on the first page; all stand in the budget."""

_FIRST_ASSUMED = 2


def first_page(results: Results) -> Section:
    """Requirement, error of the option in focus, options, leading causes, next step, reasons to distrust, cautions."""
    summary = summarise(results)
    reason = said(results.recommendation.reason)
    recommended = (
        "Nothing recommended" if summary.recommended is None else f"Recommended: {summary.recommended}"
    )
    change: list[Block] = [Listing("What to change first", (f"{capitalised(summary.next_step)}.",))]
    if summary.obstacles:
        change.append(Listing(_obstacles_heading(summary), tuple(map(capitalised, summary.obstacles))))
    return Section(
        "Summary",
        (
            Text(" ".join(requirement_in_words(results.case))),
            Text(f"{recommended}: {reason}."),
            _of_option(results),
            Row(((_error_picture(results),), (_options_picture(results),))),
            Row(
                (
                    (_causes(results), *change),
                    (
                        Listing("Reasons to distrust", reasons_to_distrust(results, summary)),
                        Listing("Cautions", results.cautions),
                    ),
                )
            ),
            Text(f"Computed: {summary.computed}."),
        ),
        first=True,
    )


def _obstacles_heading(summary: Summary) -> str:
    return "What stands in the way" if summary.recommended is None else "Left open by the draws"


def _of_option(results: Results) -> ByOption:
    """The verdict on an option that the reader chose; nothing for the one that the headline is about."""
    return by_option(
        results,
        lambda option: (
            ()
            if option.name == results.focus.name
            else (Text(f"Option shown: {said(option_headline(results, option))}."),)
        ),
    )


def _error_picture(results: Results) -> ByOption:
    """The error over load of each option, as a fraction of the permissible error."""

    def drawn(option: OptionResult) -> tuple[Picture]:
        text = (
            "Error over load: darker band 5 to 95 %, paler 0.5 to 99.5 % of readings, single units in grey, dashes the "
            "permissible error."
        )
        axes = figures.error_over_load(results, option.name)
        alternative = f"Bands of force error over load for {option.name}, against -1 and 1."
        figure = figures.figure_of(axes)
        return (option_picture(results, option, "error-over-load", figure, text, alternative),)

    return by_option(results, drawn)


def _options_picture(results: Results) -> Picture:
    """Options side by side."""
    return picture(
        "yield-by-option",
        figures.figure_of(figures.yield_by_option(results)),
        "Yield (marker) and lower bound (stroke) of each calibration option with their intervals.",
        "One line a calibration option: yield, lower bound, required yield as a dashed line, verdict and time a unit.",
    )


def _causes(results: Results) -> ByOption:
    return by_option(results, lambda option: (_causes_of(results, option.name),))


def _causes_of(results: Results, option: str) -> Table | Text:
    causes = leading_causes(results, option, CAUSES)
    if not causes:
        return Text("Leading causes: not determined (no budget was computed, or nothing varies).")
    rows = tuple((cause.rank, cause.factor, cause.yield_becomes, cause.change.text) for cause in causes)
    columns = ("Rank", "Cause", "If halved, yield becomes", "Change in points (interval)")
    return Table(f"Leading causes with {option!r}", columns, rows, 2)


def reasons_to_distrust(results: Results, summary: Summary) -> tuple[str, ...]:
    """Exceeded checks, undecided options, assumptions, defaults, ideal parts: what the verdict does not rest on."""
    case = results.case
    found = [f"Design check exceeded: {line}" for line in summary.checks_exceeded]
    undecided = [option.name for option in results.options if option.verdict == "undecided"]
    if undecided:
        found.append(f"Undecided by the draws: {', '.join(undecided)}")
    if case.assumptions:
        rest = len(case.assumptions) - _FIRST_ASSUMED
        more = f"; and {rest} more" if rest > 0 else ""
        found.append(
            f"Assumed, not measured: {numbers.count(len(case.assumptions))} spreads, first "
            f"{'; '.join(summary.assumptions[:_FIRST_ASSUMED])}{more}"
        )
    if case.defaults:
        found.append(
            f"Not stated: {numbers.count(len(case.defaults))} values, taken from defaults (see Inputs)"
        )
    found += summary.ideal
    if summary.cancels:
        found.append(capitalised(summary.cancels))
    return (*found, f"Design checks: {summary.checks_other}")
