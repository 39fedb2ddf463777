"""Which figures of a prototype lie outside what its baseline explains: a probability each, and one for all together."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from distributions.errors import InvalidArgument
from margin.bench.compare import holm
from margin.diagnosis.baseline import Baseline
from margin.diagnosis.figures import Figure

Array = NDArray[np.float64]
Method = Literal["Student t", "drawn units"]

CONFIDENCE = 0.95
FIRST = (
    "sensitivity",
    "exponent",
    "hysteresis",
    "scatter from run to run",
    "zero",
    "bend",
    "creep",
    "zero return",
)
"""Figures in the order in which Hotelling's T2 takes them where units are too few for all, fixed before any data."""

SMALLEST_SHARE = 1e-8
"""Directions with less than this share of the largest variance of standardised figures count for nothing."""


@dataclass(frozen=True)
class Compared:
    """One figure of the prototype against the baseline.

    expected, low, high  median or mean, and the limits within which one unchanged unit lies at the stated confidence
    p                    chance that an unchanged unit lies so far out; adjusted: for the number of comparisons (Holm)
    position             of the value: 0 as expected, -1 and 1 at the limits
    """

    figure: Figure
    value: float
    expected: float
    low: float
    high: float
    p: float
    adjusted: float
    unusual: bool

    @property
    def position(self) -> float:
        """Place of the value between expectation and limits; of a scatter by its logarithm."""
        value, middle, low, high = self.value, self.expected, self.low, self.high
        if self.figure.logarithmic:
            value, middle, low, high = (math.log(max(x, 1e-300)) for x in (value, middle, low, high))
        half = high - middle if value >= middle else middle - low
        return (
            0.0
            if value == middle
            else (value - middle) / half
            if half > 0.0
            else math.copysign(math.inf, value - middle)
        )


@dataclass(frozen=True)
class Together:
    """All figures in one comparison.

    statistic  Hotelling's T2, or squared distance of the prototype from the drawn units; p, adjusted: as of a figure
    """

    names: tuple[str, ...]
    statistic: float
    p: float
    adjusted: float
    unusual: bool
    method: str


@dataclass(frozen=True)
class Comparison:
    """Every figure that could be compared, and all together where there are two or more."""

    figures: tuple[Compared, ...]
    together: Together | None
    confidence: float
    method: Method
    units: int

    @property
    def unusual(self) -> tuple[Compared, ...]:
        """Figures outside what the baseline explains, the least likely first."""
        return tuple(sorted((f for f in self.figures if f.unusual), key=lambda f: (f.p, -abs(f.position))))

    @property
    def nothing_unusual(self) -> bool:
        """Whether neither a single figure nor all together lie outside."""
        return not self.unusual and not (self.together is not None and self.together.unusual)

    @property
    def smallest(self) -> float:
        """The smallest adjusted probability."""
        both = [f.adjusted for f in self.figures]
        return min([*both, *([] if self.together is None else [self.together.adjusted])])


def compared(baseline: Baseline, confidence: float = CONFIDENCE) -> Comparison:
    """Compare the prototype with its baseline.

    Measured units: prediction limits by Student's t for one more unit, and Hotelling's T2 for as many figures as half
    of the units allow. Drawn units: the place of the prototype among them, of each figure and of its distance. Of a
    scatter only a larger one counts. All
    probabilities are adjusted together (Holm), so that an unchanged prototype is called unusual with at most
    1 - confidence, however the figures hang together.

    Raises InvalidArgument for a confidence outside 0.5 to 1.
    """
    if not 0.5 <= confidence < 1.0:
        raise InvalidArgument(f"confidence must be from 0.5 to below 1, such as 0.95 (got {confidence:g})")
    logarithmic = np.array([figure.logarithmic for figure in baseline.figures])
    own, units = _straight(baseline.own, logarithmic), _straight(baseline.units, logarithmic)
    each = prediction if baseline.by == "bench" else predictive
    found = [each(own[k], units[:, k], confidence, bool(logarithmic[k])) for k in range(own.size)]
    together = _together(baseline, own, units)
    chances = [p for *_, p in found] + ([] if together is None else [together[1]])
    adjusted = holm(np.array(chances, dtype=np.float64))
    risk = 1.0 - confidence
    if baseline.by == "case" and 2.0 * adjusted.size / (len(units) + 1.0) >= risk:
        least = math.ceil(2.0 * adjusted.size / risk)
        raise InvalidArgument(
            f"{len(units)} units cannot show a chance of {risk:.3g} for {adjusted.size} comparisons: draw {2 * least}"
        )
    rows = []
    for k, figure in enumerate(baseline.figures):
        expected, low, high = (math.exp(x) if figure.logarithmic else x for x in found[k][:3])
        unusual = bool(adjusted[k] < risk)
        own_value = float(baseline.own[k])
        rows.append(
            Compared(figure, own_value, expected, low, high, found[k][3], float(adjusted[k]), unusual)
        )
    all_in_one = None
    if together is not None:
        statistic, p, names, method = together
        all_in_one = Together(names, statistic, p, float(adjusted[-1]), bool(adjusted[-1] < risk), method)
    method_of_each: Method = "Student t" if baseline.by == "bench" else "drawn units"
    return Comparison(tuple(rows), all_in_one, confidence, method_of_each, len(units))


def prediction(
    new: float, units: Array, confidence: float, upper: bool = False
) -> tuple[float, float, float, float]:
    """Mean, prediction limits and probability of one more unit against `units` (n,), normal.

    upper  only a larger value counts as far out; else both sides

    (new - mean) / (s sqrt(1 + 1/n)) ~ Student t, n - 1 degrees of freedom (ISO 16269-8; from memory).

    >>> mean, low, high, p = prediction(4.0, np.array([1.0, 2.0, 3.0]), 0.95)
    >>> mean, round(high, 3), round(p, 3)
    (2.0, 6.968, 0.225)
    """
    n = units.size
    mean, sd = float(units.mean()), float(units.std(ddof=1)) * math.sqrt(1.0 + 1.0 / n)
    half = float(stats.t.ppf(0.5 + confidence / 2.0, n - 1)) * sd
    if sd == 0.0:
        return mean, mean, mean, 1.0 if new == mean or (upper and new < mean) else 0.0
    if upper:
        return mean, mean - half, mean + half, float(stats.t.sf((new - mean) / sd, n - 1))
    return mean, mean - half, mean + half, 2.0 * float(stats.t.sf(abs(new - mean) / sd, n - 1))


def predictive(
    new: float, units: Array, confidence: float, upper: bool = False
) -> tuple[float, float, float, float]:
    """Median, limits and probability of one more unit by its place among drawn `units` (n,).

    upper  only a larger value counts as far out; else both sides

    p = 2 (1 + number at least as far out on its side) / (n + 1), at most 1: exact where the new one is drawn alike.

    >>> predictive(99.5, np.arange(99.0), 0.8)[3]
    0.02
    """
    tail = 0.5 * (1.0 - confidence)
    low, middle, high = (float(q) for q in np.quantile(units, [tail, 0.5, 1.0 - tail]))
    if upper:
        return middle, low, high, (1 + int(np.count_nonzero(units >= new))) / (units.size + 1)
    beyond = min(int(np.count_nonzero(units <= new)), int(np.count_nonzero(units >= new)))
    return middle, low, high, min(1.0, 2.0 * (1 + beyond) / (units.size + 1))


def hotelling(new: Array, units: Array) -> tuple[float, float]:
    """Hotelling's T2 of one more unit (p,) against `units` (n, p), and its probability.

    T2 = d' S^-1 d n / (n + 1), d = new - mean; T2 (n - p) / ((n - 1) p) ~ F(p, n - p), which is
    d' S^-1 d (n - p) n / ((n^2 - 1) p) (Hotelling 1931; Anderson, Multivariate Statistical Analysis, ch. 5; from
    memory). Raises InvalidArgument unless n > p.

    >>> t2, p = hotelling(np.array([2.0, 0.0]), np.array([[0, 1.0], [1, 0], [-1, 0], [0, -1], [0, 0]]))
    >>> round(t2, 3), round(p, 3)
    (6.667, 0.23)
    """
    n, p = units.shape
    if n <= p:
        raise InvalidArgument(f"Hotelling's T2 of {p} figures needs more than {p} units (got {n})")
    apart = new - units.mean(axis=0)
    spread = np.atleast_2d(np.cov(units, rowvar=False))
    scale = np.sqrt(np.diag(spread))
    if not scale.all():
        return (math.inf, 0.0) if np.any(apart[scale == 0.0] != 0.0) else (0.0, 1.0)
    distance = float(
        (apart / scale) @ np.linalg.pinv(spread / np.outer(scale, scale), hermitian=True) @ (apart / scale)
    )
    t2 = distance * n / (n + 1.0)
    return t2, float(stats.f.sf(t2 * (n - p) / ((n - 1.0) * p), p, n - p))


def distance(new: Array, units: Array) -> tuple[float, float]:
    """Squared Mahalanobis distance of the new unit (p,) from drawn `units` (n, p), and its place among theirs.

    p = (1 + units at least as far) / (n + 1). Directions without variance count for nothing.
    """
    middle, scale = units.mean(axis=0), units.std(axis=0, ddof=1)
    kept = scale > 0.0
    if not kept.any():
        return 0.0, 1.0
    z = (units[:, kept] - middle[kept]) / scale[kept]
    own = (new[kept] - middle[kept]) / scale[kept]
    inverse = np.linalg.pinv(np.atleast_2d(np.cov(z, rowvar=False)), rcond=SMALLEST_SHARE, hermitian=True)
    far = np.einsum("ij,jk,ik->i", z, inverse, z)
    reached = float(own @ inverse @ own)
    return reached, (1.0 + int(np.count_nonzero(far >= reached))) / (len(units) + 1.0)


def _straight(values: Array, logarithmic: NDArray[np.bool_]) -> Array:
    """Values as they are compared: logarithms of scatters."""
    return np.where(logarithmic, np.log(np.maximum(values, 1e-300)), values)


def _together(
    baseline: Baseline, own: Array, units: Array
) -> tuple[float, float, tuple[str, ...], str] | None:
    """Statistic, probability, names and method of all figures together; None with fewer than two."""
    names = [figure.name for figure in baseline.figures]
    places = [k for k, figure in enumerate(baseline.figures) if figure.joint]
    if baseline.by == "bench":
        most = (len(units) - 1) // 2
        order = sorted(places, key=lambda k: FIRST.index(names[k]) if names[k] in FIRST else len(FIRST))
        places = [k for k in order if np.ptp(units[:, k]) > 0.0][:most]
    if len(places) < 2:
        return None
    chosen = tuple(names[k] for k in places)
    if baseline.by == "bench":
        return *hotelling(own[places], units[:, places]), chosen, "Hotelling's T2"
    # less scatter than expected is no fault: up to the median all count alike
    least = np.array([np.median(units[:, k]) if baseline.figures[k].logarithmic else -np.inf for k in places])
    return (
        *distance(np.maximum(own[places], least), np.maximum(units[:, places], least)),
        chosen,
        "distance from the drawn units",
    )
