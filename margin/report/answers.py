"""One line for each section of the page: its answer, which stands in the heading while the section is closed."""

from __future__ import annotations

from collections.abc import Mapping

from margin.estimates import numbers
from margin.estimates.results import Results
from margin.report.summary import leading_causes, option_lines


def answers(results: Results) -> Mapping[str, str]:
    """The answer by heading of the section, for the option in focus."""
    focus = results.focus
    line = next(each for each in option_lines(results) if each.name == focus.name)
    saturated = float(focus.saturation["saturated"].max()) if len(focus.saturation) else 0.0
    target = numbers.percent(results.case.requirement.target, digits=6)
    case = results.case
    found = {
        "Yields": f"{focus.name}: {line.yields.value}, lower bound {line.bound.value} against {target}",
        "Which limit can be promised": (
            f"{focus.name}: largest error of a unit {line.largest.value} of the permissible one, {target} of units"
        ),
        "Errors by load and condition": f"{focus.name}: 95 % of |error| below {line.error_text}",
        "Saturation and resolution": (
            "no readings at a limit"
            if saturated == 0.0
            else f"{numbers.percent(saturated, digits=2)} of the readings at a limit at the worst load"
        ),
        "Inputs": f"{len(case.assumptions)} assumptions, {len(case.defaults)} defaults",
        "Computation": f"{numbers.count(results.units)} units, seed {results.seed}",
    }
    leading = [cause.factor for cause in leading_causes(results, focus.name) if cause.resolved]
    if leading:
        found["Budget by cause"] = f"leading: {leading[0]}"
    return found
