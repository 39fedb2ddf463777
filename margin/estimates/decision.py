"""Choice of a calibration, or the obstacles to all of them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from margin.case.types import Case
from margin.estimates.finding import Finding, Number
from margin.estimates.looks import in_order_of_effort, units_to_decide
from margin.estimates.results import DesignCheck, OptionResult, Recommendation, nearest_of
from margin.propagation.readings import readings_of_a_unit

LEADING = 3

NOTICEABLE = 1e-3
"""Share of readings at a limit, or without a signal, from which it is an obstacle (common practice, no source)."""


def recommend(
    case: Case,
    options: tuple[OptionResult, ...],
    budget: pd.DataFrame,
    checks: tuple[DesignCheck, ...],
    units: int,
) -> Recommendation:
    """The option of least effort whose lower bound, interval included, reaches the target.

    Effort is the time on the station (see `in_order_of_effort`). Options of less effort that `units` units leave
    undecided are named. Where none conforms the option with the highest lower bound is named with what moves its
    error most. A design whose checks are exceeded has no option to recommend.
    """
    target = case.requirement.target
    by_name = {option.name: option for option in options}
    ordered = [by_name[spec.name] for spec in in_order_of_effort(case) if spec.name in by_name]
    chosen = next((option for option in ordered if option.conforms), None)
    before = ordered if chosen is None else ordered[: ordered.index(chosen)]
    undecided = [option for option in before if option.verdict == "undecided"]
    names = tuple(option.name for option in undecided)
    left_open = tuple(_left_open(option, target, units) for option in undecided)
    exceeded = tuple(
        Finding("design check exceeded", check.name, {"value": Number(check.value, unit=check.unit)})
        for check in checks
        if check.verdict == "exceeded"
    )
    if chosen is not None:
        values = {
            **_against(chosen, target),
            "seconds": Number(chosen.seconds, unit="s"),
            "readings": readings_of_a_unit(case),
        }
        if exceeded:
            reason = Finding("design check stands in the way", chosen.name, values)
            return Recommendation(None, reason, (*exceeded, *left_open), names)
        return Recommendation(chosen.name, Finding("lowest cost", chosen.name, values), left_open, names)
    best = by_name[nearest_of(options)]
    if undecided:
        reason = Finding("none shown", best.name, _against(best, target))
        return Recommendation(None, reason, (*left_open, *exceeded), names)
    reason = Finding("none reaches", best.name, _against(best, target))
    return Recommendation(None, reason, (*exceeded, *_obstacles(case, best, budget)), names)


def _against(option: OptionResult, target: float) -> dict[str, Number]:
    """Lower bound of an option and the yield that it is held against."""
    return {
        "bound": Number.of(option.decisive_yield.bound, "share"),
        "target": Number(target, unit="share"),
    }


def _left_open(option: OptionResult, target: float, units: int) -> Finding:
    """What it would take to decide an option."""
    needed = units_to_decide(option.decisive_yield, target, units)
    return Finding("undecided option", option.name, {**_against(option, target), "units_needed": needed})


def _obstacles(case: Case, best: OptionResult, budget: pd.DataFrame) -> list[Finding]:
    found: list[Finding] = []
    for column, kind in (("saturated", "saturation"), ("blind", "blind zone")):
        rows = best.saturation[best.saturation[column] > NOTICEABLE]
        if not rows.empty:
            worst = rows.iloc[int(np.argmax(rows[column]))]
            values = {"share": Number(float(worst[column]), unit="share"), "load": _load(worst)}
            # by the limit that the chain as designed is nearer to at that load
            action = ("pedestal" if worst["limit"] == "low" else "gain") if kind == "saturation" else "gain"
            found.append(Finding(kind, best.name, values, action))
    frozen = budget[
        (budget["option"] == best.name) & (budget["change"] == "frozen") & (budget["verdict"] == "resolved")
    ].sort_values("error_change_N")
    for _, row in frozen.head(LEADING).iterrows():
        if row["error_change_N"] < 0.0:
            found.append(_without(row))
    knowledge = best.decisive_yield.knowledge
    sampled = best.decisive_yield.sampled
    if knowledge is not None and sampled.value >= case.requirement.target > knowledge[0]:
        found.append(Finding("epistemic uncertainty", best.name, action="measure more units"))
    if not found:
        errors = best.errors[best.errors["condition"] == "all"]
        worst = errors.iloc[int(np.argmax(errors["p95_abs_N"] / errors["permissible_N"]))]
        found.append(Finding("largest against its limit", best.name, {"load": _load(worst)}))
    return found


def _load(row: pd.Series) -> Number:
    return Number(float(row["load_N"]), unit="N")


def _without(row: pd.Series) -> Finding:
    """What freezing one cause brings."""
    reached, error = float(row["yield"]), float(row["error_N"])
    (low, high), (least, most) = (
        [value + float(row[f"{name}_{end}"] - row[name]) for end in ("low", "high")]
        for value, name in ((reached, "yield_change"), (error, "error_change_N"))
    )
    values = {"yield": Number(reached, low, high, "share"), "error": Number(error, least, most, "N")}
    return Finding("cause frozen", str(row["factor"]), values)
