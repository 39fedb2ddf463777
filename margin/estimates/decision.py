"""Which calibration to choose, or what stands in the way of all of them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from margin.case.types import Case
from margin.estimates import numbers
from margin.estimates.results import DesignCheck, OptionResult, Recommendation, Yield

LEADING = 3


def recommend(
    case: Case, options: tuple[OptionResult, ...], budget: pd.DataFrame, checks: tuple[DesignCheck, ...]
) -> Recommendation:
    """The least effort whose lower bound on the decisive yield reaches the target.

    Effort is the time on the station; of two that cost the same the one with the higher lower bound. Where
    none conforms the option with the highest lower bound is named with what moves its error most.
    """
    target = case.requirement.target
    conforming = sorted(
        (o for o in options if o.conforms), key=lambda o: (o.seconds, -o.decisive_yield.lower_bound)
    )
    if conforming:
        chosen = conforming[0]
        why = (
            f"least effort ({chosen.seconds:.3g} s a unit) whose lower bound on the yield, "
            f"{bound_in_words(chosen.decisive_yield, target)}, reaches {100.0 * target:g} %"
        )
        return Recommendation(chosen.name, why)
    best = max(options, key=lambda o: o.decisive_yield.lower_bound)
    why = (
        f"none reaches {100.0 * target:g} %; {best.name!r} comes nearest with a lower bound of "
        f"{bound_in_words(best.decisive_yield, target)}"
    )
    return Recommendation(None, why, tuple(_obstacles(case, best, budget, checks)))


def bound_in_words(found: Yield, target: float) -> str:
    """The lower bound with the interval of what it was taken from: '96 % (94 to 98 %)'.

    Alone where the draws set it: then it is itself the end of the interval of the yield.
    """
    ends = found.behind_bound
    bound = numbers.lower_bound(found.lower_bound, *ends, target=target)
    if ends == (found.sampled.low, found.sampled.high):
        return bound
    return f"{bound} ({numbers.share_interval(*ends)})"


def _obstacles(
    case: Case, best: OptionResult, budget: pd.DataFrame, checks: tuple[DesignCheck, ...]
) -> list[str]:
    found: list[str] = []
    saturated = best.saturation[best.saturation["saturated"] > 1e-3]
    if not saturated.empty:
        worst = saturated.iloc[int(np.argmax(saturated["saturated"]))]
        found.append(
            f"saturation: {100.0 * worst['saturated']:.2g} % of the readings at {worst['load_N']:g} N are at a "
            "limit of circuit or converter: lower the gain"
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
    found += [f"design check exceeded: {c.name}" for c in checks if c.verdict == "exceeded"]
    if not found:
        errors = best.errors[best.errors["condition"] == "all"]
        worst = errors.iloc[int(np.argmax(errors["p95_abs_N"] / errors["permissible_N"]))]
        found.append(f"no single cause: the error is largest against its limit at {worst['load_N']:g} N")
    return found


def _without(row: pd.Series) -> str:
    """What freezing one cause brings, each number to the digits that the interval of its change supports.

    The ratio to the permissible error has no interval of its own and takes the relative one of the error.
    """
    reached, error, ratio = (float(row[name]) for name in ("yield", "error_N", "error_ratio"))
    yields = [reached + float(row[f"yield_change_{end}"] - row["yield_change"]) for end in ("low", "high")]
    errors = [error + float(row[f"error_change_N_{end}"] - row["error_change_N"]) for end in ("low", "high")]
    low, high = (each * ratio / error if error > 0.0 else 0.0 for each in errors)
    return (
        f"{row['factor']}: without it the yield would be {numbers.share_value(reached, yields[0], yields[1])} "
        f"and 95 % of the errors would stay within {numbers.value_only(ratio, low, high)} times the permissible error"
    )
