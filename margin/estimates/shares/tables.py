"""Effects on the outputs of a case as tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.estimates.sensitivity.effects import Effects
from margin.estimates.sensitivity.interval import Interval, root, verdicts
from margin.estimates.shares.outputs import FAILING
from margin.estimates.shares.plan import long_frame

Array = NDArray[np.float64]


def effects_frame(found: Effects, by: str) -> pd.DataFrame:
    """One row an option, output and group.

    Columns: option, output, group; main, total and cured, each with _low and _high; main_standard and total_standard
    (roots of the variance by the group, output units); rank; main_verdict and verdict (of the total effect):
    'resolved', 'below resolution' or 'undefined'; reason; confidence; units; by.
    """
    outputs, groups = len(found.outputs), len(found.groups)
    columns: dict[str, object] = {
        "output": np.repeat(np.array(found.outputs, dtype=object), groups),
        "group": np.tile(np.array(found.groups, dtype=object), outputs),
    }
    for name in ("main", "total", "cured"):
        for end, values in zip(("", "_low", "_high"), _ends(getattr(found, name)), strict=True):
            columns[name + end] = values.T.ravel()
    for name in ("main", "total"):
        share: Interval = getattr(found, name)
        columns[f"{name}_standard"] = root(share.value * found.variance).T.ravel()
    columns["rank"] = found.rank.T.ravel()
    columns["main_verdict"] = verdicts(found.main).T.ravel()
    columns["verdict"] = verdicts(found.total).T.ravel()
    columns["reason"] = np.repeat([found.reasons.get(place, "") for place in range(outputs)], groups)
    columns["confidence"], columns["units"] = found.level, found.units
    return long_frame(pd.DataFrame(columns), by)


def sums_frame(found: Effects, by: str) -> pd.DataFrame:
    """One row an option and output: mean, variance, standard_deviation, sums of main and of total effects, finding.

    Main effects of independent groups sum to at most 1, total effects to at least 1, and no total effect lies below its
    main effect. A rule broken beyond its interval points at dependent groups.
    """
    columns: dict[str, object] = {
        "output": list(found.outputs),
        "mean": found.mean,
        "variance": found.variance,
        "standard_deviation": root(found.variance),
    }
    for name in ("main", "total"):
        for end, values in zip(("", "_low", "_high"), _ends(getattr(found, f"{name}_sum")), strict=True):
            columns[f"{name}_sum{end}"] = values
    columns["finding"] = [_finding(found, place) for place in range(len(found.outputs))]
    return long_frame(pd.DataFrame(columns), by)


def second_frame(found: Effects, by: str) -> pd.DataFrame | None:
    """One row an option, output and pair: group, other, second with _low and _high, verdict; None without them."""
    if found.second is None:
        return None
    above, right = np.triu_indices(len(found.groups), 1)
    verdict = verdicts(found.second)
    frames = [
        pd.DataFrame(
            {
                "output": name,
                "group": [found.groups[g] for g in above],
                "other": [found.groups[h] for h in right],
                "second": found.second.value[above, right, place],
                "second_low": found.second.low[above, right, place],
                "second_high": found.second.high[above, right, place],
                "verdict": verdict[above, right, place],
                "confidence": found.level,
            }
        )
        for place, name in enumerate(found.outputs)
    ]
    return long_frame(pd.concat(frames, ignore_index=True), by)


def scopes_frame(found: Effects) -> pd.DataFrame:
    """Shares of what all units have in common, what differs between units, what moves within a unit.

    Scopes are nested: with what all units have in common given, and then the unit, the variance that is left is that
    within a unit (law of total variance). These are shares: main effect of the first, total effect of the last, and in
    the middle what the two leave. They sum to 1.
    """
    main, total = found.trials
    scopes = {
        "common": _scope(main, found.main, found.groups, "common to all units"),
        "within": _scope(total, found.total, found.groups, "within a unit"),
    }
    (common, of_common), (within, of_within) = scopes.values()
    between = found.interval(1.0 - common - within)
    failing = np.array([name.endswith(f"\n{FAILING}") for name in found.outputs])
    # few failing units have exact intervals, which hold for the rest together
    ends = (
        np.clip(1.0 - of_common.high - of_within.high, 0.0, 1.0),
        np.clip(1.0 - of_common.low - of_within.low, 0.0, 1.0),
    )
    low, high = np.where(failing, ends[0], between.low), np.where(failing, ends[1], between.high)
    parts = {
        "common": (common[0], of_common.low, of_common.high),
        "between": (1.0 - common[0] - within[0], low, high),
        "within": (within[0], of_within.low, of_within.high),
    }
    whole = sum(np.maximum(value, 0.0) for value, _, _ in parts.values())
    whole = np.where([place in found.reasons for place in range(len(found.outputs))], np.nan, whole)
    columns: dict[str, object] = {"output": list(found.outputs), "standard_deviation": root(found.variance)}
    for name, (part, low, high) in parts.items():
        # estimates below zero count as none, and leave the others a whole
        value = np.maximum(part, 0.0) / whole
        columns |= {
            name: value,
            f"{name}_low": np.minimum(low, value),
            f"{name}_high": np.maximum(high, value),
        }
    columns["reason"] = [found.reasons.get(place, "") for place in range(len(found.outputs))]
    return long_frame(pd.DataFrame(columns), "scope").drop(columns="by")


def _scope(batch: Array, ends: Interval, groups: tuple[str, ...], scope: str) -> tuple[Array, Interval]:
    """Trials and interval of a scope; zeros where nothing varies in it."""
    if scope not in groups:
        none = np.zeros((len(batch), batch.shape[-1]))
        return none, Interval(none[0], none[0], none[0])
    place = groups.index(scope)
    return batch[:, place], Interval(ends.value[place], ends.low[place], ends.high[place])


def _ends(of: Interval) -> tuple[Array, Array, Array]:
    return of.value, of.low, of.high


def _finding(found: Effects, place: int) -> str:
    if place in found.reasons:
        return found.reasons[place]
    broken = []
    # exactly additive outputs meet a rule with equality, known to round-off only
    if found.main_sum.low[place] > 1.0 + 1e-9:
        broken.append("main effects sum to more than 1")
    if found.total_sum.high[place] < 1.0 - 1e-9:
        broken.append("total effects sum to less than 1")
    below = found.excess.high[:, place] < -1e-9
    broken += [f"total effect below main effect for {found.groups[g]!r}" for g in np.nonzero(below)[0]]
    return "; ".join(broken) if broken else "kept"
