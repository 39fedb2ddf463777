"""Converter and sorting without their steps, and the steps as inputs of their own."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.polynomial.polynomial import polyfit
from numpy.typing import NDArray
from scipy.special import ndtri

from margin.case.types import ElementSpec
from margin.chain.parameter import Value, draw
from margin.propagation.calibrated import Classes

Array = NDArray[np.float64]

NEEDED = 4096
"""Needed gains by which the error of the classes is computed, equally probable."""

ROUNDING = "converter.rounding_draw"
"""Quantity of the factor that stands for the rounding: the rounding error of a reading plus half a count."""


def without_staircase(spec: ElementSpec) -> ElementSpec | None:
    """The converter with its limits but not its staircase; None for an ideal one (bits = 0), which has none.

    Its code is that of the counts plus a rounding error, drawn uniformly over one count for each reading (JCGM
    100, F.2.2.1) and 0 at its mean. A converter of a user's own loses its `code_of_counts` likewise: its limits
    stay, a bias of its rounding (truncation) goes.
    """
    if not spec.options.get("bits"):
        return None
    return dataclasses.replace(spec, cls=_unrounded(spec.cls))


@cache
def _unrounded(cls: Any) -> type:
    class Unrounded(cls):  # type: ignore[misc]
        rounding_draw: Value = draw("uniform", level="reading", doc="rounding error plus half a count")

        def code_of_counts(self, counts: Value) -> Value:
            lowest, highest = super().code_of_counts(np.array([0.0, 2.0**self.bits - 1.0]))
            code: Value = np.clip(counts + (self.rounding_draw - 0.5), lowest, highest)
            return code

    # a dataclass that is frozen can only be derived from one that is
    return dataclass(frozen=cls.__dataclass_params__.frozen, kw_only=True)(Unrounded)


def rounding_variance(errors: Callable[[Array], Array], mean: Array, sd: Array) -> Array:
    """(output,) variance by the rounding of every reading, in use and at the calibration: sum of (c_i u_i)^2.

    errors    rows (row, rounding) -> (row, output); mean, sd: (rounding,), u = 1 count / root 12 for each reading
    Every c_i u_i is half the difference of the outputs one u above and below (JCGM 100, 5.1.3, note 2). The mean of
    several readings at the calibration counts as one rounding, since readings without scatter all round alike;
    where scatter of half a count or more would average it, that scatter outweighs it.
    """
    if not mean.size:
        return np.zeros(errors(mean[None]).shape[1])
    steps = np.diag(sd)
    below, above = np.split(errors(np.concatenate([mean - steps, mean + steps])), 2)
    variance: Array = np.sum((0.5 * (above - below)) ** 2, axis=0)
    return variance


@dataclass(frozen=True)
class Continuous(Classes):
    """Sorting without steps: each unit is given the gain that it needs, times (1 + error)."""

    error: float = 0.0

    def gain(self, needed: Array) -> Array:
        return needed * (1.0 + self.error)


def class_error(classes: Classes) -> float:
    """Standard deviation of the gain that a unit is given by its class, relative to the gain that it needs.

    The needed gains count as normal, through the quantiles that are known of them: of K classes with equal shares the
    edges are those at k / K, the gains those at (k + 1/2) / K (least squares). Counted as independent of the scatter
    at the calibration, of which wide classes pass on less: the sum is then somewhat too large.
    """
    count = classes.gains.size
    scores = ndtri(np.arange(1, 2 * count) / (2.0 * count))
    quantiles = np.empty(2 * count - 1)
    quantiles[0::2], quantiles[1::2] = classes.gains, classes.edges
    centre, slope = polyfit(scores, quantiles, 1)
    needed = centre + slope * ndtri((np.arange(NEEDED) + 0.5) / NEEDED)
    return float(np.std(classes.gain(needed) / needed))
