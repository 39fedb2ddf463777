"""Which calibration to choose, or what stands in the way of all of them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from margin.case.types import Case
from margin.estimates.results import DesignCheck, OptionResult, Recommendation

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
            f"{100.0 * chosen.decisive_yield.lower_bound:.1f} %, reaches {100.0 * target:g} %"
        )
        return Recommendation(chosen.name, why)
    best = max(options, key=lambda o: o.decisive_yield.lower_bound)
    why = (
        f"none reaches {100.0 * target:g} %; {best.name!r} comes nearest with a lower bound of "
        f"{100.0 * best.decisive_yield.lower_bound:.1f} %"
    )
    return Recommendation(None, why, tuple(_obstacles(case, best, budget, checks)))


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
            found.append(
                f"{row['factor']}: without it the yield would be {100.0 * row['yield']:.1f} % and 95 % of the "
                f"errors would stay within {row['error_ratio']:.2f} times the permissible error"
            )
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
