"""Findings on two studies side by side: both verdicts, differences by option, design checks, changed inputs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pandas as pd

from margin.estimates.changed_inputs import changed_inputs
from margin.estimates.comparison_result import Comparison
from margin.estimates.finding import Finding, Number
from margin.estimates.findings import computed
from margin.estimates.numbers import BELOW_RESOLUTION
from margin.estimates.results import Results

PLACES = ("first", "second")


def findings_of_comparison(comparison: Comparison) -> tuple[Finding, ...]:
    """Which is better, verdict of each, differences, design checks, changed inputs, cautions, how computed."""
    sides = (comparison.first, comparison.second)
    cautions = dict.fromkeys(text for results in sides for text in results.cautions)
    return (
        which_is_better(comparison),
        *(_verdict(place, results) for place, results in zip(PLACES, sides, strict=True)),
        *_differences(comparison),
        *_checks(comparison),
        *_inputs(comparison),
        *(Finding("caution", values={"text": text}) for text in cautions),
        computed(comparison.second),
    )


def which_is_better(comparison: Comparison) -> Finding:
    """Numbers of calibration options in which the first, the second or neither is better."""
    verdicts = [str(verdict) for verdict in comparison.differences["verdict"]]
    values = {
        "options": len(verdicts),
        "first": verdicts.count("first better"),
        "second": verdicts.count("second better"),
        "unresolved": verdicts.count(BELOW_RESOLUTION),
    }
    return Finding("which case is better", comparison.second.case.name, values)


def _verdict(place: str, results: Results) -> Finding:
    """Verdict of one case, and the calibration option recommended for it."""
    values = {"place": place, "verdict": results.verdict, "recommended": results.recommendation.option}
    return Finding("verdict of a case", results.case.name, values)


def _differences(comparison: Comparison) -> Iterator[Finding]:
    """Yields of each option that both cases have, and their difference on the same draws."""
    for row in comparison.differences.to_dict("records"):
        option = str(row["option"])
        values: dict[str, Any] = {}
        for place, results in zip(PLACES, (comparison.first, comparison.second), strict=True):
            found = results.option(option).decisive_yield.sampled
            values[place] = Number(float(row[f"yield_{place}"]), found.low, found.high, "share")
        difference, low, high = (float(row[f"difference{end}"]) for end in ("", "_low", "_high"))
        values |= {"difference": Number(difference, low, high, "share"), "verdict": str(row["verdict"])}
        yield Finding("difference of two yields", option, values)


def _checks(comparison: Comparison) -> Iterator[Finding]:
    """Each design check that either case has, on both sides."""
    for row in comparison.checks.to_dict("records"):
        unit = "share" if row["check"] == "saturation" else str(row["unit"])
        values = {place: _side(row, place, unit) for place in PLACES}
        yield Finding("design check of two cases", str(row["check"]), values)


def _side(row: dict[Any, Any], place: str, unit: str) -> dict[str, Any] | None:
    """Value, limit and verdict on one side; None where the chain has no such check."""
    value, limit = row[f"value_{place}"], row[f"limit_{place}"]
    if pd.isna(row[f"verdict_{place}"]):
        return None
    return {
        "value": Number(float(value), unit=unit),
        "limit": None if pd.isna(limit) else Number(float(limit), unit=unit),
        "verdict": str(row[f"verdict_{place}"]),
    }


def _inputs(comparison: Comparison) -> Iterator[Finding]:
    """Inputs in which the cases differ."""
    for each in changed_inputs(comparison.first.case, comparison.second.case):
        yield Finding("changed input", each.key, {"first": each.first, "second": each.second})
