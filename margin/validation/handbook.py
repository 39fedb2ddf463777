"""Published and textbook values by their equations: sums of inputs, intervals, sample sizes, bridge, noise, indices."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import product

from scipy.special import bdtr, ndtr

from margin.validation.quadrature import quantile

BOLTZMANN = 1.380649e-23
"""J/K, exact by definition (SI brochure, BIPM, 9th edition)."""


def share_of_uniform_sum(limit: float, halves: Sequence[float]) -> float:
    """P(|X1 + ... + Xn| <= limit), X_i rectangular on (-h_i, h_i), by the volume of a cut cube.

    P(X1 + ... + Xn <= x) = sum over signs of prod(signs) (x + sum(signs h))_+^n / (n! 2^n prod(h)) (Feller, An
    Introduction to Probability Theory, vol. II, I.9; for equal h the distribution of Irwin and Hall, 1927).
    """
    n = len(halves)

    def distribution(x: float) -> float:
        total = math.fsum(
            math.prod(signs) * max(x + math.fsum(s * h for s, h in zip(signs, halves, strict=True)), 0.0) ** n
            for signs in product((1, -1), repeat=n)
        )
        return total / (math.factorial(n) * 2.0**n * math.prod(halves))

    return distribution(limit) - distribution(-limit)


def conformance_probability(value: float, uncertainty: float, low: float, high: float) -> float:
    """Phi((T_U - y) / u) - Phi((T_L - y) / u) (JCGM 106:2012, 7.2, normal distribution about the measured value)."""
    return float(ndtr((high - value) / uncertainty) - ndtr((low - value) / uncertainty))


def binomial_interval(successes: int, trials: int, confidence: float) -> tuple[float, float]:
    """Ends at which the count, or a more extreme one, has half of the error probability (Clopper and Pearson, 1934).

    Found as roots of the binomial distribution function itself; 0 < successes < trials.
    """
    tail = 0.5 * (1.0 - confidence)
    low = quantile(lambda p: 1.0 - float(bdtr(successes - 1, trials, p)), tail, 0.0, 1.0)
    high = quantile(lambda p: -float(bdtr(successes, trials, p)), -tail, 0.0, 1.0)
    return low, high


def sample_without_failure(share: float, confidence: float) -> int:
    """Smallest n with 1 - share^n >= confidence (Wilks, Annals of Mathematical Statistics 12, 1941)."""
    n = 1
    while 1.0 - share**n < confidence:
        n += 1
    return n


def sample_between_extremes(share: float, confidence: float) -> int:
    """Smallest n whose extremes enclose `share`: its content is beta distributed with n - 1 and 2 (Wilks, 1941).

    P(content > p) = P(at most n - 2 of n uniforms lie below p).
    """
    n = 2
    while float(bdtr(n - 2, n, share)) < confidence:
        n += 1
    return n


def quarter_bridge(x: float) -> float:
    """Relative departure of a quarter bridge from its straight line x / 4, x the relative change of resistance.

    Two voltage dividers: (R + dR) / (2 R + dR) - 1/2, against x / 4 (Wheatstone equation).
    """
    return ((1.0 + x) / (2.0 + x) - 0.5) / (0.25 * x) - 1.0


def noise_on_capacitor(kelvin: float, capacitance: float) -> float:
    """V rms, sqrt(k T / C): thermal noise behind a resistor of any value (equipartition theorem; Nyquist 1928)."""
    return math.sqrt(BOLTZMANN * kelvin / capacitance)


def linearity_of_parabola() -> dict[str, float]:
    """Largest departure of x + 4 d x (1 - x) on (0, 1) from the lines of ISA-51.1, in units of d.

    From the terminal-based line it is the bow d itself, from the independent one half of it. From the zero-based one
    b x it is c^2 / (16 d) with c = 1 + 4 d - b inside, and 4 d - c at the end: equal at c = 8 (sqrt(2) - 1) d.
    """
    return {
        "terminal-based": 1.0,
        "independent minimax": 0.5,
        "zero-based minimax": 4.0 * (math.sqrt(2.0) - 1.0) ** 2,
    }


def ishigami(a: float, b: float) -> tuple[list[float], list[float]]:
    """First and total order indices of sin x1 (1 + b x3^4) + a sin^2 x2, x rectangular on (-pi, pi).

    V1 = (1 + b pi^4 / 5)^2 / 2, V2 = a^2 / 8, V13 = 8 b^2 pi^8 / 225 (Ishigami and Homma, 1990).
    """
    alone = (0.5 * (1.0 + b * math.pi**4 / 5.0) ** 2, a * a / 8.0, 0.0)
    together = 8.0 * b * b * math.pi**8 / 225.0
    whole = sum(alone) + together
    interacting = (together, 0.0, together)
    total = [(v + extra) / whole for v, extra in zip(alone, interacting, strict=True)]
    return [v / whole for v in alone], total
