"""Choice of a calibration, or the obstacles to all of them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from margin.case.types import Case
from margin.estimates import numbers
from margin.estimates.looks import in_order_of_effort, units_to_decide
from margin.estimates.results import DesignCheck, OptionResult, Recommendation
from margin.estimates.yield_result import Yield, nearest_option
from margin.propagation.readings import readings_of_a_unit

LEADING = 3


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
        f"design check exceeded: {check.name}" for check in checks if check.verdict == "exceeded"
    )
    if chosen is not None:
        why = (
            f"least effort ({chosen.seconds:.3g} s a unit) whose lower bound on the yield, "
            f"{bound_in_words(chosen.decisive_yield, target)}, reaches {100.0 * target:g} % with "
            f"{readings_of_a_unit(case)} readings a unit"
        )
        if exceeded:
            why = (
                f"the yield of {chosen.name!r} would do, but not the circuit; {chosen.name!r} takes the {why}"
            )
            return Recommendation(None, why, (*exceeded, *left_open), names)
        return Recommendation(chosen.name, why, left_open, names)
    best = by_name[nearest_option({option.name: option.decisive_yield for option in options})]
    reached = bound_in_words(best.decisive_yield, target)
    if undecided:
        nearest = f"{best.name!r} comes nearest with a lower bound of {reached}"
        why = f"none is shown to reach {100.0 * target:g} %; {nearest}"
        return Recommendation(None, why, (*left_open, *exceeded), names)
    why = f"none reaches {100.0 * target:g} %; {best.name!r} comes nearest with a lower bound of {reached}"
    return Recommendation(None, why, (*exceeded, *_obstacles(case, best, budget)), names)


def _left_open(option: OptionResult, target: float, units: int) -> str:
    """What it would take to decide an option."""
    needed = units_to_decide(option.decisive_yield, target, units)
    takes = (
        "its lower bound lies too near the target for more draws to decide"
        if needed is None
        else f"about {numbers.count(needed)} units would decide"
    )
    return f"undecided: {option.name!r}, {bound_in_words(option.decisive_yield, target)}; {takes}"


def bound_in_words(found: Yield, target: float) -> str:
    """The lower bound with its interval: '96 % (94 to 98 %)'."""
    bound = found.bound
    value = numbers.lower_bound(bound.value, bound.low, bound.high, target=target)
    return f"{value} ({numbers.share_interval(bound.low, bound.high)})"


def _obstacles(case: Case, best: OptionResult, budget: pd.DataFrame) -> list[str]:
    found: list[str] = []
    saturated = best.saturation[best.saturation["saturated"] > 1e-3]
    if not saturated.empty:
        worst = saturated.iloc[int(np.argmax(saturated["saturated"]))]
        found.append(
            f"saturation: {100.0 * worst['saturated']:.2g} % of the readings at {worst['load_N']:g} N are at a "
            f"limit of circuit or converter: {_against_saturation(worst)}"
        )
    blind = best.saturation[best.saturation["blind"] > 1e-3]
    if not blind.empty:
        worst = blind.iloc[int(np.argmax(blind["blind"]))]
        found.append(
            f"blind zone: {100.0 * worst['blind']:.2g} % of the readings at {worst['load_N']:g} N do not show the "
            "load: raise the smallest load or the gain"
        )
    frozen = budget[
        (budget["option"] == best.name) & (budget["change"] == "frozen") & (budget["verdict"] == "resolved")
    ].sort_values("error_change_N")
    for _, row in frozen.head(LEADING).iterrows():
        if row["error_change_N"] < 0.0:
            found.append(_without(row))
    knowledge = best.decisive_yield.knowledge
    sampled = best.decisive_yield.sampled
    if knowledge is not None and sampled.value >= case.requirement.target > knowledge[0]:
        found.append(
            "lack of knowledge: the yield itself reaches the target; what is uncertain is the station and what "
            "few units were measured to tell. Measure more units, or the reference load cell, before buying parts"
        )
    if not found:
        errors = best.errors[best.errors["condition"] == "all"]
        worst = errors.iloc[int(np.argmax(errors["p95_abs_N"] / errors["permissible_N"]))]
        found.append(f"no single cause: the error is largest against its limit at {worst['load_N']:g} N")
    return found


def _against_saturation(row: pd.Series) -> str:
    """What to do about readings at a limit, by the limit that the chain as designed is nearer to at that load."""
    if row["limit"] == "low":
        return "raise the output at no load (a pedestal); a lower gain would not help"
    return "lower the gain"


def _without(row: pd.Series) -> str:
    """What freezing one cause brings, each number to the digits that the interval of its change supports."""
    reached, error = float(row["yield"]), float(row["error_N"])
    yields = [reached + float(row[f"yield_change_{end}"] - row["yield_change"]) for end in ("low", "high")]
    low, high = (
        error + float(row[f"error_change_N_{end}"] - row["error_change_N"]) for end in ("low", "high")
    )
    return (
        f"{row['factor']}: without it the yield would be {numbers.share_value(reached, yields[0], yields[1])} "
        f"and 95 % of the errors would stay within {numbers.value_only(error, low, high)} N"
    )
