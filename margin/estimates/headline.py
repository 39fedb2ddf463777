"""The verdict on a design, or on one calibration option, as a finding with the numbers that a headline needs."""

from __future__ import annotations

import math

from margin.estimates.finding import Finding, Number
from margin.estimates.results import OptionResult, Results
from margin.estimates.yield_result import Verdict

VERDICT = "verdict"


def headline(results: Results) -> Finding:
    """Verdict of the design with the option in focus: the recommended one, else the nearest."""
    needed = next(
        (
            each.values.get("units_needed")
            for each in results.recommendation.obstacles
            if each.kind == "undecided option" and each.subject == results.focus.name
        ),
        None,
    )
    return _verdict(results, results.focus, results.verdict, len(results.options), needed)


def option_headline(results: Results, option: OptionResult) -> Finding:
    """Verdict on the yield of one option, whatever the others do; design checks are left to that of the design."""
    return _verdict(results, option, option.verdict, 1, None)


def _verdict(
    results: Results, option: OptionResult, verdict: Verdict, options: int, needed: int | None
) -> Finding:
    """Values: verdict, what counts, lower bound, target, 95 % point of |error| and extreme value at the highest check
    load, number of options judged, names of exceeded checks, units that would decide."""
    rows = option.errors[option.errors["condition"] == "all"]
    row = rows.sort_values("load_N").iloc[-1]
    extremes = option.worst_case.sort_values("load_N").iloc[-1]
    worst = max(abs(float(extremes["extreme_low_N"])), abs(float(extremes["extreme_high_N"])))
    value, low, high = (float(row[f"p95_abs_N{end}"]) for end in ("", "_low", "_high"))
    error = Number(value, low, high, "N")
    counts = "readings" if results.case.requirement.counts == "readings" else "units"
    return Finding(
        VERDICT,
        option.name,
        {
            "verdict": verdict,
            "counts": counts,
            "bound": Number.of(option.decisive_yield.bound, "share"),
            "target": Number(results.case.requirement.target, unit="share"),
            "load": Number(float(row["load_N"]), unit="N"),
            "error": error if math.isfinite(error.value) else None,
            "worst": Number(worst, unit="N") if math.isfinite(worst) else None,
            "options": options,
            "option_verdict": option.verdict,
            "exceeded": [check.name for check in results.exceeded]
            if options > 1 or verdict != option.verdict
            else [],
            "units_needed": needed,
        },
    )
