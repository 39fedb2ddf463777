"""A share of units, such as those shipped bad, from counts by group: interval, ends over outer draws, upper bound."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from margin.estimates.intervals import clopper_pearson, clustered_share
from margin.estimates.outer_draws import bound_over_draws, points_over_draws
from margin.estimates.yield_result import Estimate, Verdict
from margin.propagation.frame import Frame

Array = NDArray[np.float64]

NOTHING = Estimate(math.nan, math.nan, math.nan)
"""A share of nothing."""


@dataclass(frozen=True)
class Share:
    """A share of units, small where all is well.

    sampled    over all units, with the interval that the finite number of draws leaves
    draws      5 % and 95 % points over the outer draws (epistemic uncertainty); None where nothing varies there
    bound      upper bound: 95 % point over the outer draws with its interval, else the share itself; its upper end errs
               half as often as that of `sampled`, since 'conforms' is not to be said in error
    """

    sampled: Estimate
    draws: tuple[float, float] | None
    bound: Estimate

    @property
    def known(self) -> bool:
        """Whether it is a share of anything."""
        return not math.isnan(self.sampled.value)

    def verdict(self, most: float) -> Verdict:
        """What the interval of the upper bound says of a share not to be exceeded."""
        if not self.known:
            return "undecided"
        if self.bound.high <= most:
            return "conforms"
        return "does not conform" if self.bound.low > most else "undecided"


@dataclass(frozen=True)
class Grouped:
    """How counts by group become shares: the frame of the study, whether readings count, and the level of intervals.

    Groups are cells of outer draws, or sections of the units where there is one draw alone.
    """

    frame: Frame
    readings: bool
    confidence: float

    def share(self, part: Array, whole: Array) -> Share:
        """Share of `part` in `whole`, both (group,); NaN where `whole` is empty.

        Its complement is what the intervals of yields are made for: with `part` near 0 few groups show any at all.
        """
        total = float(whole.sum())
        if total <= 0.0:
            return Share(NOTHING, None, NOTHING)
        if self.frame.outer == 1:
            found = self._interval(part, whole, self.confidence)
            sure = self._interval(part, whole, 1.0 - 0.5 * (1.0 - self.confidence))
            return Share(found, None, Estimate(found.value, found.low, sure.high))
        cells = self.frame.grouping.cells
        parts, wholes = (each.reshape(-1, cells) for each in (part, whole))
        sampled = self._interval(parts.sum(axis=1), wholes.sum(axis=1), self.confidence)
        shares, size = _cells(parts, wholes)
        if shares.shape[0] < 2:
            return Share(sampled, None, Estimate(sampled.value, 0.0, 1.0))
        low = bound_over_draws(1.0 - shares, size, self.confidence)
        bound = Estimate(1.0 - low.value, 1.0 - low.high, 1.0 - low.low)
        ends = points_over_draws(1.0 - shares)
        return Share(sampled, (min(1.0 - ends[1], bound.value), bound.value), bound)

    def _interval(self, part: Array, whole: Array, confidence: float) -> Estimate:
        filled = whole > 0.0
        part, whole = part[filled].astype(np.float64), whole[filled].astype(np.float64)
        frame, total = self.frame, float(whole.sum())
        # better points scatter no more than units drawn at random: their ten repetitions alone tell the scatter poorly
        alike = frame.outer == 1 and not frame.by_lot and not self.readings
        if alike:
            count = float(part.sum())
            return Estimate(count / total, *clopper_pearson(count, total, confidence))
        ones = np.ones(whole.size)
        repeated = frame.outer == 1 and frame.repeated
        if 2.0 * part.sum() > total:
            return clustered_share(part, whole, ones, confidence, repeated=repeated)
        rest = clustered_share(whole - part, whole, ones, confidence, repeated=repeated)
        return Estimate(1.0 - rest.value, 1.0 - rest.high, 1.0 - rest.low)


def _cells(parts: Array, wholes: Array) -> tuple[Array, float]:
    """Share in each cell (draw, cell), and mean units of a cell.

    Outer draws without any unit are left out; a cell without one has the share of its draw.
    """
    filled = wholes.sum(axis=1) > 0
    parts, wholes = parts[filled].astype(np.float64), wholes[filled].astype(np.float64)
    of_draw = (parts.sum(axis=1) / np.maximum(wholes.sum(axis=1), 1.0))[:, np.newaxis]
    shares = np.where(wholes > 0.0, parts / np.maximum(wholes, 1.0), of_draw)
    return shares, float(wholes.mean()) if wholes.size else 0.0
