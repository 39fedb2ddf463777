"""Shapley effects as data."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from margin.estimates.sensitivity.interval import Interval, root, verdicts


@dataclass(frozen=True)
class ShapleyEffects:
    """Shapley effects of d groups on k outputs.

    effect        (d, k) share of the variance; sums to 1 over groups
    contribution  (d, k) the same in output units squared
    variance      (k,) output units squared
    reasons       why an output's effects are NaN, by output
    dropped       base rows left out because a run failed
    method        'all sets', or how many random orders
    """

    groups: tuple[str, ...]
    outputs: tuple[str, ...]
    effect: Interval
    contribution: Interval
    variance: Interval
    reasons: dict[str, str]
    dropped: int
    method: str
    level: float
    base: int
    runs: int
    seed: int

    def to_frame(self) -> pd.DataFrame:
        """One row an output and group: effect and contribution with _low and _high, standard contribution in
        output units, verdict, reason, method, confidence (of the intervals), units (base rows in use), seed."""
        outputs, groups = len(self.outputs), len(self.groups)
        columns: dict[str, object] = {
            "output": np.repeat(np.array(self.outputs, dtype=object), groups),
            "group": np.tile(np.array(self.groups, dtype=object), outputs),
        }
        for name, found in (("effect", self.effect), ("contribution", self.contribution)):
            for suffix, values in (("", found.value), ("_low", found.low), ("_high", found.high)):
                columns[name + suffix] = values.T.ravel()
        columns["standard"] = root(self.contribution.value).T.ravel()
        columns["verdict"] = verdicts(self.effect).T.ravel()
        columns["reason"] = np.repeat([self.reasons.get(name, "") for name in self.outputs], groups)
        columns["method"], columns["confidence"] = self.method, self.level
        columns["units"], columns["seed"] = self.base, self.seed
        return pd.DataFrame(columns)
