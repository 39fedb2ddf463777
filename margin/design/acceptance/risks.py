"""Risks of an acceptance test in closed form: normal errors of units, normal errors of measurement.

JCGM 106:2012, 'The role of measurement uncertainty in conformity assessment': conformance probability (7), guard bands
(8), consumer's and producer's risk (9). Clause numbers are from memory. Arguments of one call share one unit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.integrate import quad
from scipy.special import ndtr, ndtri

from distributions.errors import InvalidArgument

FAR = 38.0
"""Standard deviations beyond which a normal density is zero in double precision."""

STEEP = 8.0
"""Standard deviations of measurement around an acceptance limit within which acceptance goes from 0 to 1."""

PRECISION = 1e-10
"""Relative error of an integral that is asked for; absolute below 1e-15."""


@dataclass(frozen=True)
class GlobalRisks:
    """Shares of the units produced (JCGM 106, 9.5).

    consumer   bad and accepted: global consumer's risk
    producer   good and rejected: global producer's risk
    accepted   accepted; conforming: within the tolerance interval
    """

    consumer: float
    producer: float
    accepted: float
    conforming: float

    @property
    def consumer_of_accepted(self) -> float:
        """Share of the accepted units that are bad; NaN where none is accepted."""
        return self.consumer / self.accepted if self.accepted > 0.0 else math.nan

    @property
    def producer_of_conforming(self) -> float:
        """Share of the good units that are rejected; NaN where none is good."""
        return self.producer / self.conforming if self.conforming > 0.0 else math.nan


def conformance_probability(
    estimate: float, uncertainty: float, lower: float = -math.inf, upper: float = math.inf
) -> float:
    """Probability that the true value lies in the tolerance interval, its posterior normal (JCGM 106, 7.2 to 7.5).

    Phi((upper - y) / u) - Phi((lower - y) / u), without loss in the tails. One end infinite: a one-sided interval.

    InvalidArgument for a negative uncertainty, an interval without width or what is not a number.

    >>> round(conformance_probability(13.6, 1.8, 12.5, 16.3), 4)
    0.6626
    """
    _require_interval(lower, upper)
    _require("estimate", estimate, math.isfinite(estimate), "a finite number")
    _require_uncertainty(uncertainty)
    if uncertainty == 0.0:
        return float(lower <= estimate <= upper)
    return _between((lower - estimate) / uncertainty, (upper - estimate) / uncertainty)


def specific_risks(
    estimate: float, uncertainty: float, lower: float = -math.inf, upper: float = math.inf
) -> tuple[float, float]:
    """Specific consumer's risk, if the item is accepted, and producer's risk, if rejected (JCGM 106, 9.3).

    The probability that the item measured does not conform, and that it does.
    """
    conforms = conformance_probability(estimate, uncertainty, lower, upper)
    if uncertainty == 0.0:
        return 1.0 - conforms, conforms
    below, above = (lower - estimate) / uncertainty, (upper - estimate) / uncertainty
    return float(ndtr(below) + ndtr(-above)), conforms


def guarded_limits(lower: float, upper: float, guard_band: float) -> tuple[float, float]:
    """Acceptance limits inside a tolerance interval by a guard band w; w < 0 lies outside: relaxed acceptance.

    A_L = T_L + w, A_U = T_U - w (JCGM 106, 8.2 and 8.3). InvalidArgument where nothing is left between them.

    >>> guarded_limits(-1.0, 1.0, 0.25)
    (-0.75, 0.75)
    """
    _require_interval(lower, upper)
    _require("guard_band", guard_band, math.isfinite(guard_band), "a finite number")
    low, high = lower + guard_band, upper - guard_band
    _require("guard_band", guard_band, low < high, "less than half of the tolerance interval")
    return low, high


def guard_band(expanded_uncertainty: float, multiplier: float = 1.0) -> float:
    """Length w = r U of the guard band (JCGM 106, 8.3.2); r = 1 is the decision rule of ISO 14253-1."""
    _require_uncertainty(expanded_uncertainty)
    _require("multiplier", multiplier, math.isfinite(multiplier), "a finite number")
    return multiplier * expanded_uncertainty


def guard_band_multiplier(risk: float, coverage_factor: float = 2.0) -> float:
    """Multiplier r of w = r U, U = k u, that keeps the specific consumer's risk at one limit (JCGM 106, 8.3.2).

    z(1 - risk) / k: an item measured on the acceptance limit is bad with that probability, by a normal posterior far
    from the other limit.

    >>> round(guard_band_multiplier(0.0228), 2)
    1.0
    """
    _require("risk", risk, 0.0 < risk < 1.0, "a share above 0 and below 1")
    _require("coverage_factor", coverage_factor, 0.0 < coverage_factor < math.inf, "above 0 and finite")
    return -float(ndtri(risk)) / coverage_factor


def posterior(mean: float, sd: float, measured: float, uncertainty: float) -> tuple[float, float]:
    """Mean and standard deviation of a normal value N(mean, sd) after a normal measurement (JCGM 106, A.4.4).

    >>> mean, sd = posterior(0.0, 1.0, 0.8, 0.5)
    >>> round(mean, 3), round(sd, 3)
    (0.64, 0.447)
    """
    _require("sd", sd, 0.0 < sd < math.inf, "above 0 and finite")
    _require_uncertainty(uncertainty)
    weight = sd**2 / (sd**2 + uncertainty**2)
    return mean + weight * (measured - mean), uncertainty * math.sqrt(weight)


def global_risks(
    sd: float,
    uncertainty: float,
    tolerance: tuple[float, float],
    acceptance: tuple[float, float],
    *,
    mean: float = 0.0,
    bias: float = 0.0,
) -> GlobalRisks:
    """Global consumer's and producer's risk of units N(mean, sd) measured with N(bias, uncertainty) (JCGM 106, 9.5).

    tolerance, acceptance  lower and upper limit of the true and of the measured value; either may be infinite

    Integrals over the true value by adaptive quadrature, cut where the integrand is steep; their relative error is
    `PRECISION`. InvalidArgument for a spread of 0, a negative uncertainty or an interval without width.

    >>> found = global_risks(1 / 1.959964, 0.125, (-1.0, 1.0), (-1.0, 1.0))
    >>> round(100 * found.consumer, 3), round(100 * found.producer, 3)
    (0.858, 1.554)
    """
    _require("sd", sd, 0.0 < sd < math.inf, "above 0 and finite")
    _require_uncertainty(uncertainty)
    _require("mean and bias", mean + bias, math.isfinite(mean + bias), "finite numbers")
    _require_interval(*tolerance)
    _require_interval(*acceptance)
    inside = ((tolerance[0] - mean) / sd, (tolerance[1] - mean) / sd)
    passed = ((acceptance[0] - mean - bias) / sd, (acceptance[1] - mean - bias) / sd)
    u = uncertainty / sd

    def weighed(low: float, high: float, accepted: bool) -> float:
        return _integral(low, high, passed, u, accepted)

    consumer = weighed(-math.inf, inside[0], True) + weighed(inside[1], math.inf, True)
    producer = weighed(*inside, False)
    spread = math.hypot(1.0, u)
    return GlobalRisks(
        consumer, producer, _between(passed[0] / spread, passed[1] / spread), _between(*inside)
    )


def uncertainty_ratio(permissible: float, expanded_uncertainty: float) -> float:
    """Permissible error over the expanded uncertainty (k = 2) of the measurement that tests it.

    4 is common practice for a test without a guard band, no source. Infinite where the uncertainty is 0.

    >>> uncertainty_ratio(1.0, 0.25)
    4.0
    """
    _require("permissible", permissible, 0.0 < permissible < math.inf, "above 0 and finite")
    _require_uncertainty(expanded_uncertainty)
    return permissible / expanded_uncertainty if expanded_uncertainty > 0.0 else math.inf


def _integral(low: float, high: float, passed: tuple[float, float], u: float, accepted: bool) -> float:
    """Standard normal weight of [low, high] with the probability of being accepted, or of being rejected."""
    low, high = max(low, -FAR), min(high, FAR)
    if low >= high:
        return 0.0
    if u == 0.0:
        inside = _between(max(low, passed[0]), min(high, passed[1]))
        return inside if accepted else _between(low, high) - inside

    def integrand(x: float) -> float:
        below, above = (passed[0] - x) / u, (passed[1] - x) / u
        chance = _between(below, above) if accepted else float(ndtr(below) + ndtr(-above))
        return math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi) * chance

    steep = [limit + side * STEEP * u for limit in passed for side in (-1.0, -0.25, 0.0, 0.25, 1.0)]
    body = np.arange(-FAR, FAR + 1.0, 2.0).tolist()
    cuts = sorted({low, high, *(cut for cut in (*steep, *body) if low < cut < high)})
    parts = (quad(integrand, a, b, epsabs=1e-16, epsrel=PRECISION, limit=200)[0] for a, b in pairwise(cuts))
    return math.fsum(parts)


def _between(low: float, high: float) -> float:
    """Phi(high) - Phi(low), 0 for an empty interval, from the tail in which it is the smaller difference."""
    if low >= high:
        return 0.0
    return float(ndtr(high) - ndtr(low) if low < 0.0 else ndtr(-low) - ndtr(-high))


def _require_interval(lower: float, upper: float) -> None:
    if not lower < upper:
        raise InvalidArgument(
            f"an interval needs a lower limit below its upper one (got {lower!r} and {upper!r})"
        )


def _require_uncertainty(value: float) -> None:
    _require("uncertainty", value, 0.0 <= value < math.inf, "0 or above, and finite")


def _require(name: str, value: float, kept: bool, wanted: str) -> None:
    if not kept:
        raise InvalidArgument(f"{name} must be {wanted} (got {value!r})")
