"""Sobol indices as data: tables, verdicts and the sum rules they must keep."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.estimates.sensitivity.design import Array, SobolDesign

RESOLVED = "resolved"
BELOW = "below resolution"
UNDEFINED = "undefined"


@dataclass(frozen=True)
class Interval:
    """Estimates with the ends of their intervals, arrays of one shape. Nothing is clipped."""

    value: Array
    low: Array
    high: Array

    @property
    def width(self) -> Array:
        return np.asarray(self.high - self.low)


def verdicts(found: Interval) -> NDArray[np.str_]:
    """'resolved' where the interval lies above zero, else 'below resolution'; 'undefined' at NaN."""
    verdict = np.where(found.low > 0.0, RESOLVED, BELOW)
    return np.where(np.isnan(found.value), UNDEFINED, verdict)


def root(variance: Array) -> Array:
    """Standard contribution from one in variance; NaN below zero, where the verdict is 'below resolution'."""
    return np.sqrt(np.where(variance >= 0.0, variance, np.nan))


@dataclass(frozen=True)
class SobolIndices:
    """Indices of every group on every output, (d, k) unless said otherwise.

    variance                of each output, (k,), output units squared
    first, total            shares of that variance; total counts every interaction the group takes part in
    first_variance, total_variance  the same in output units squared
    first_sum, total_sum    over groups, (k,)
    excess                  total less first: the group's interactions
    second                  (d, d, k), upper triangle, interaction of two groups alone; None where not planned
    rank                    by total order; groups that their paired difference does not part share a rank
    reasons                 why an output's indices are NaN, by output
    notes                   what else was noticed
    dropped                 base rows left out because a run failed
    estimators              names, first, total and second order
    interval, level         how intervals were made, and their coverage

    An index is a share for independent groups only.
    """

    design: SobolDesign
    outputs: tuple[str, ...]
    variance: Interval
    first: Interval
    total: Interval
    first_variance: Interval
    total_variance: Interval
    first_sum: Interval
    total_sum: Interval
    excess: Interval
    second: Interval | None
    rank: Array
    reasons: dict[str, str]
    notes: tuple[str, ...]
    dropped: int
    estimators: tuple[str, str, str]
    interval: str
    level: float

    @property
    def groups(self) -> tuple[str, ...]:
        return self.design.names

    @property
    def base(self) -> int:
        """Base rows in use."""
        return self.design.base - self.dropped

    def to_frame(self) -> pd.DataFrame:
        """One row an output and group.

        Columns: output, group; first, total (shares), first_variance, total_variance (output units squared),
        each with _low and _high; first_standard, total_standard (their roots, output units); rank;
        first_verdict and verdict (of the total order): 'resolved', 'below resolution' or 'undefined'; reason;
        first_estimator, total_estimator, interval, level, N (base rows in use), seed.
        """
        outputs, groups = len(self.outputs), len(self.groups)
        columns: dict[str, object] = {
            "output": np.repeat(np.array(self.outputs, dtype=object), groups),
            "group": np.tile(np.array(self.groups, dtype=object), outputs),
        }
        for name in ("first", "total", "first_variance", "total_variance"):
            found: Interval = getattr(self, name)
            for suffix, values in (("", found.value), ("_low", found.low), ("_high", found.high)):
                columns[name + suffix] = values.T.ravel()
        columns["first_standard"] = root(self.first_variance.value).T.ravel()
        columns["total_standard"] = root(self.total_variance.value).T.ravel()
        columns["rank"] = self.rank.T.ravel()
        columns["first_verdict"] = verdicts(self.first).T.ravel()
        columns["verdict"] = verdicts(self.total).T.ravel()
        columns["reason"] = np.repeat([self.reasons.get(name, "") for name in self.outputs], groups)
        columns["first_estimator"], columns["total_estimator"] = self.estimators[:2]
        columns["interval"], columns["level"] = self.interval, self.level
        columns["N"], columns["seed"] = self.base, self.design.seed
        return pd.DataFrame(columns)

    def second_frame(self) -> pd.DataFrame:
        """One row an output and pair: output, group, other, second with _low and _high, verdict."""
        if self.second is None:
            raise ValueError(
                "the plan has no second order; plan with second_order=True, at base (2 d + 2) runs"
            )
        above, right = np.triu_indices(len(self.groups), 1)
        verdict = verdicts(self.second)
        frames = [
            pd.DataFrame(
                {
                    "output": name,
                    "group": [self.groups[g] for g in above],
                    "other": [self.groups[h] for h in right],
                    "second": self.second.value[above, right, k],
                    "second_low": self.second.low[above, right, k],
                    "second_high": self.second.high[above, right, k],
                    "verdict": verdict[above, right, k],
                    "estimator": self.estimators[2],
                    "level": self.level,
                }
            )
            for k, name in enumerate(self.outputs)
        ]
        return pd.concat(frames, ignore_index=True)

    def sum_rules(self) -> pd.DataFrame:
        """One row an output: variance, standard deviation, sums of first and of total orders, finding.

        For independent groups first orders sum to at most 1, total orders to at least 1, and no total lies
        below its first order. A rule broken beyond its interval points at dependent groups or at outputs that
        do not belong to their inputs.
        """
        rows = []
        for k, name in enumerate(self.outputs):
            rows.append(
                {
                    "output": name,
                    "variance": self.variance.value[k],
                    "standard_deviation": float(root(self.variance.value[k : k + 1])[0]),
                    "first_sum": self.first_sum.value[k],
                    "first_sum_low": self.first_sum.low[k],
                    "first_sum_high": self.first_sum.high[k],
                    "total_sum": self.total_sum.value[k],
                    "total_sum_low": self.total_sum.low[k],
                    "total_sum_high": self.total_sum.high[k],
                    "finding": self._finding(k, name),
                }
            )
        return pd.DataFrame(rows)

    def _finding(self, output: int, name: str) -> str:
        if name in self.reasons:
            return self.reasons[name]
        broken = []
        # exactly additive outputs meet a rule with equality, known to round-off only
        if self.first_sum.low[output] > 1.0 + 1e-9:
            broken.append("first orders sum to more than 1")
        if self.total_sum.high[output] < 1.0 - 1e-9:
            broken.append("total orders sum to less than 1")
        below = self.excess.high[:, output] < -1e-9
        broken += [f"total below first order for {self.groups[g]!r}" for g in np.nonzero(below)[0]]
        return "; ".join(broken) if broken else "kept"
