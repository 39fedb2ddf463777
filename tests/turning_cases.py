"""Cases whose yield is known in closed form as a function of one or two quantities, run by the real engine.

A pad with a straight line (exponent 1) behind an amplifier: the relative force error of an uncalibrated unit is
(1 + x)(1 + y) - 1, with x that of the feedback resistor and y that of the sensitivity. The permissible error is 6 % of
reading, whatever the load.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from pad_study import NONE, pad_case
from scipy.optimize import brentq
from scipy.stats import norm

from margin.case import Case

LIMIT, TARGET = 0.06, 0.95
OHM = 60e3


def line_case(
    feedback: str,
    *,
    sensitivity: str = "4 uS",
    units: int = 4000,
    seed: int = 3,
    outer: int | None = 1,
) -> Case:
    """The case with these tolerances."""
    return pad_case(
        NONE,
        load={"range": "2 N to 60 N", "check": 2},
        requirement={"permissible_error": "6 % of reading"},
        sensor={"kind": "thin film", "sensitivity": sensitivity, "reference_load": "20 N", "exponent": "1"},
        circuit={"kind": "inverting amplifier", "reference": "1.2 V", "feedback": feedback},
        study={"units": units, "outer": outer, "seed": seed},
    )


def normal_yield(sd: float, shift: float = 0.0) -> float:
    """Share of units within, of a normal error of x about a mean that is off by a relative shift."""
    low, high = ((1.0 + end) / (1.0 + shift) - 1.0 for end in (-LIMIT, LIMIT))
    return float(norm.cdf(high / sd) - norm.cdf(low / sd))


def product_yield(sd: float, other: float) -> float:
    """The same of two independent normal errors, by Gauss-Hermite quadrature over the second."""
    nodes, weights = hermegauss(80)
    inside = [normal_yield(sd, other * node) for node in nodes]
    return float(weights @ inside / np.sqrt(2.0 * np.pi))


TURNING_SD = LIMIT / float(norm.ppf(0.5 * (1.0 + TARGET)))
"""Standard deviation of a normal error of which 95 % lie within the limit: 3.06 %."""

TURNING_HALF_WIDTH = LIMIT / TARGET
"""Half width of a rectangular error of which 95 % lie within: 6.32 %."""


def turning_shift(sd: float, sign: int) -> float:
    """Relative shift of the mean at which 95 % of a normal error lie within."""
    ends = (0.0, LIMIT) if sign > 0 else (-LIMIT, 0.0)
    return float(brentq(lambda shift: normal_yield(sd, shift) - TARGET, *ends))


def turning_multiple(sd: float, other: float) -> float:
    """Multiple of both of two normal errors at which 95 % lie within."""
    return float(brentq(lambda k: product_yield(k * sd, k * other) - TARGET, 0.01, 20.0))


def turning_alone(sd: float, other: float) -> float:
    """Multiple of the first alone at which 95 % lie within."""
    return float(brentq(lambda k: product_yield(k * sd, other) - TARGET, 0.01, 20.0))


def turning_beside_common(half_width: float) -> float:
    """Standard deviation per unit at which the 5 % point of the yield, over a rectangular error common to all units, is
    95 %: the yield falls as the common error grows to either side."""

    def bound(sd: float) -> float:
        moved = 1.0 + np.linspace(-half_width, half_width, 4001)
        high, low = (norm.cdf(((1.0 + end) / moved - 1.0) / sd) for end in (LIMIT, -LIMIT))
        return float(np.quantile(high - low, 0.05))

    return float(brentq(lambda sd: bound(sd) - TARGET, 0.005, TURNING_SD))
