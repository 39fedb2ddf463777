"""The results as tidy frames, one row an observation, with the unit in the name of the column."""

from __future__ import annotations

import dataclasses

import pandas as pd

from margin.estimates.results import Results
from margin.estimates.yield_result import Yield


def yields_frame(results: Results) -> pd.DataFrame:
    """Decisive yield of each option: interval, knowledge, lots, lower bound, largest error, cost, verdict."""
    rows = []
    for option in results.options:
        found = option.decisive_yield
        rows.append(
            {
                "option": option.name,
                "counts": option.decisive,
                **_yield_columns(found),
                "lower_bound": found.lower_bound,
                "largest_ratio": option.largest.value,
                "largest_ratio_low": option.largest.low,
                "largest_ratio_high": option.largest.high,
                "seconds": option.seconds,
                "readings_bias": option.readings_bias,
                "verdict": option.verdict,
                "conforms": option.conforms,
            }
        )
    return pd.DataFrame(rows)


def all_yields_frame(results: Results) -> pd.DataFrame:
    """All three yields of each option, by what counts."""
    rows = [
        {
            "option": option.name,
            "counts": counts,
            "decisive": counts == option.decisive,
            **_yield_columns(found),
            "lower_bound": found.lower_bound,
            "seconds": option.seconds,
        }
        for option in results.options
        for counts, found in option.yields.items()
    ]
    return pd.DataFrame(rows)


def errors_frame(results: Results) -> pd.DataFrame:
    """Error percentiles by option, condition and load."""
    return _by_option(results, "errors")


def worst_case_frame(results: Results) -> pd.DataFrame:
    """Worst case three ways by option and load."""
    return _by_option(results, "worst_case")


def extremes_frame(results: Results) -> pd.DataFrame:
    """The corner of each extreme value by option, load, end and factor."""
    return _by_option(results, "extremes")


def convergence_frame(results: Results) -> pd.DataFrame:
    """The lower bound of the decisive yield over ever more outer draws by option."""
    return _by_option(results, "convergence")


def limit_curve_frame(results: Results) -> pd.DataFrame:
    """Yield against the multiple of the permissible error by option."""
    return _by_option(results, "limit_curve")


def saturation_frame(results: Results) -> pd.DataFrame:
    """Saturated and blind readings, resolution and noise by option and load."""
    return _by_option(results, "saturation")


def checks_frame(results: Results) -> pd.DataFrame:
    """The design checks."""
    names = ["name", "value", "limit", "unit", "margin", "verdict", "note"]
    return pd.DataFrame([dataclasses.asdict(check) for check in results.checks], columns=names)


def _by_option(results: Results, name: str) -> pd.DataFrame:
    frames = []
    for option in results.options:
        frame: pd.DataFrame = getattr(option, name).reset_index(drop=True).copy()
        frame.insert(0, "option", option.name)
        frames.append(frame)
    return pd.concat(frames, ignore_index=True)


def _yield_columns(found: Yield) -> dict[str, float | None]:
    known, lots = found.knowledge or (None, None), found.lots or (None, None)
    return {
        "yield": found.sampled.value,
        "yield_low": found.sampled.low,
        "yield_high": found.sampled.high,
        "knowledge_low": known[0],
        "knowledge_high": known[1],
        "known_low": None if found.known_low is None else found.known_low.value,
        "known_low_low": None if found.known_low is None else found.known_low.low,
        "known_low_high": None if found.known_low is None else found.known_low.high,
        "lots_low": lots[0],
        "lots_high": lots[1],
    }
