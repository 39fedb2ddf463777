"""The published reliability problem set (RP numbers), restated in standard normal space, with exact values.

Source: problem set of the black-box reliability challenge (TNO 2019), which collects older problems;
statements from memory. Every probability is recomputed here by closed form or one-dimensional quadrature,
except RP8, RP14 and RP57, whose values and uncertainties come from a conditional Monte Carlo and a fine grid.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
from limit_states import Array, KnownLimit, Limit
from scipy import integrate
from scipy.special import k0, log_ndtr, ndtr
from scipy.stats import multivariate_normal, norm

ROOT2 = np.sqrt(2.0)
EULER = 0.5772156649015329


def lognormal(z: Array, mean: float, deviation: float) -> Array:
    """Values of a lognormal quantity with this mean and standard deviation."""
    variance = np.log1p((deviation / mean) ** 2)
    return np.asarray(mean * np.exp(np.sqrt(variance) * z - variance / 2))


def integral(density_times_tail: Callable[[float], float], *breaks: float) -> float:
    """Sum of the integrals between the breaks."""
    return sum(
        integrate.quad(density_times_tail, low, high, epsabs=1e-16, epsrel=1e-11, limit=400)[0]
        for low, high in pairwise(breaks)
    )


def rp8(z: Array) -> Array:
    """Plastic frame: six lognormal moments and loads."""
    means = (120.0, 120.0, 120.0, 120.0, 50.0, 40.0)
    deviations = (12.0, 12.0, 12.0, 12.0, 10.0, 8.0)
    x = [lognormal(*each) for each in zip(z, means, deviations, strict=True)]
    return x[0] + 2 * x[1] + 2 * x[2] + x[3] - 5 * x[4] - 5 * x[5]


def rp14(z: Array) -> Array:
    """Shaft under bending and torsion: uniform strength, Gumbel moment (mean 1500, sd 350), three normals."""
    strength = 70 + 10 * ndtr(z[0])
    diameter = 39 + 0.1 * z[1]
    scale = 350 * np.sqrt(6) / np.pi
    force = 1500 - EULER * scale - scale * np.log(-log_ndtr(z[2]))
    arm = 400 + 0.1 * z[3]
    torque = 250_000 + 35_000 * z[4]
    return strength - 32 / (np.pi * diameter**3) * np.sqrt(force**2 * arm**2 / 16 + torque**2)


def rp22(z: Array) -> Array:
    return 2.5 - (z[0] + z[1]) / ROOT2 + 0.1 * (z[0] - z[1]) ** 2


def rp24(z: Array) -> Array:
    x1, x2 = 10 + 3 * z[0], 10 + 3 * z[1]
    return 2.5 - 0.2357 * (x1 - x2) + 0.00463 * (x1 + x2 - 20) ** 4


def rp25(z: Array) -> Array:
    return np.maximum(z[0] ** 2 - 8 * z[1] + 16, -16 * z[0] + z[1] + 32)


def rp28(z: Array) -> Array:
    return (78064 + 11710 * z[0]) * (0.0104 + 0.00156 * z[1]) - 146.14


def rp31(z: Array) -> Array:
    return 2 - z[1] + (4 * z[0]) ** 4


def rp33(z: Array) -> Array:
    return np.minimum(3 * np.sqrt(3) - z[0] - z[1] - z[2], 3 - z[2])


def rp35(z: Array) -> Array:
    return np.minimum(2 - z[1] + np.exp(-0.1 * z[0] ** 2) + (0.2 * z[0]) ** 4, 4.5 - z[0] * z[1])


def rp53(z: Array) -> Array:
    x1, x2 = 1.5 + z[0], 2.5 + z[1]
    return np.sin(2.5 * x1) + 2 - (x1**2 + 4) * (x2 - 1) / 20


def rp55(z: Array) -> Array:
    """Four branches of two uniform factors on (-1, 1)."""
    x1, x2 = 2 * ndtr(z[0]) - 1, 2 * ndtr(z[1]) - 1
    gap = x1 - x2
    quartic = 0.2 + 0.6 * gap**4
    return np.minimum(quartic - np.abs(gap) / ROOT2, 5 / ROOT2 - 2.2 - np.abs(gap))


def rp57(z: Array) -> Array:
    x1, x2 = z[0], z[1]
    parallel = np.maximum(-(x1**2) + x2**3 + 3, 2 - x1 - 8 * x2)
    return np.minimum(parallel, (x1 + 3) ** 2 + (x2 + 3) ** 2 - 4)


def rp75(z: Array) -> Array:
    return 3 - z[0] * z[1]


def rp107(z: Array) -> Array:
    return 5 - z.sum(axis=0) / np.sqrt(10)


def rp110(z: Array) -> Array:
    """Failure at x1 > 4 or x2 > 5; the slopes elsewhere point to other places."""
    first = np.where(z[0] > 3.5, 4 - z[0], 0.85 - 0.1 * z[0])
    second = np.where(z[1] > 2, 0.5 - 0.1 * z[1], 2.3 - z[1])
    return np.minimum(first, second)


def rp111(z: Array) -> Array:
    return 12.5 - np.abs(z[0] * z[1])


def four_branches(z: Array, k: float) -> Array:
    """Series system of four branches (Waarts 2000)."""
    bowl = 3 + 0.1 * (z[0] - z[1]) ** 2
    return np.minimum(bowl - np.abs(z[0] + z[1]) / ROOT2, k / ROOT2 - np.abs(z[0] - z[1]))


def four_branches_probability(k: float) -> float:
    """In u = (x1 + x2) / sqrt 2 and v = (x1 - x2) / sqrt 2: |v| > k / 2, or |u| > 3 + 0.2 v^2 within."""
    inside = integral(lambda v: float(2 * ndtr(-(3 + 0.2 * v**2)) * norm.pdf(v)), -k / 2, 0, k / 2)
    return inside + float(2 * ndtr(-k / 2))


def rp24_probability() -> float:
    """u = (x1 + x2 - 20) / sqrt 2, v = (x1 - x2) / sqrt 2, both N(0, 3)."""
    width = 0.2357 * ROOT2
    return integral(
        lambda u: float(ndtr(-(2.5 + 0.00463 * (3 * ROOT2 * u) ** 4) / (3 * width)) * norm.pdf(u)), -9, 0, 9
    )


def rp25_probability() -> float:
    """x2 > 2 + x1^2 / 8 and x2 < 16 x1 - 32."""
    return integral(
        lambda x: float(max(ndtr(-(2 + x**2 / 8)) - ndtr(-(16 * x - 32)), 0.0) * norm.pdf(x)), 2.0, 2.2, 3, 9
    )


def rp28_probability() -> float:
    """The condition on the second factor at each value of the first, which may even be negative."""

    def tail(a: float) -> float:
        x = 78064 + 11710 * a
        bound = (146.14 / x - 0.0104) / 0.00156
        return float((ndtr(bound) if x > 0 else ndtr(-bound)) * norm.pdf(a))

    zero = -78064 / 11710
    return integral(tail, -10, zero, -6.6, -3, 0, 9)


def rp33_probability() -> float:
    """One minus a bivariate normal probability, correlation 1 / sqrt 3, both at beta 3."""
    joint = multivariate_normal(mean=[0, 0], cov=[[1, 3**-0.5], [3**-0.5, 1]])
    return float(2 * ndtr(-3.0) - joint.cdf([-3.0, -3.0]))


def rp35_probability() -> float:
    """For each x1 the failing x2 lie above a bound (and below another where x1 < 0)."""

    def tail(x: float) -> float:
        first = 2 + np.exp(-0.1 * x**2) + (0.2 * x) ** 4
        if x > 0:
            return float(ndtr(-min(first, 4.5 / x)) * norm.pdf(x))
        return (
            float(min(ndtr(-first) + ndtr(4.5 / x), 1.0) * norm.pdf(x))
            if x < 0
            else float(ndtr(-first) * norm.pdf(x))
        )

    return integral(tail, -9, -3, -1, 0, 1, 1.5, 1.9, 3, 9)


def rp53_probability() -> float:
    """Linear in the second factor."""
    return integral(
        lambda a: float(
            ndtr(1.5 - 20 * (np.sin(2.5 * (1.5 + a)) + 2) / ((1.5 + a) ** 2 + 4)) * norm.pdf(a)
        ),
        -9, -3, 0, 3, 9,
    )  # fmt: skip


def rp55_probability() -> float:
    """The gap d of the two uniforms has the triangular density (2 - |d|) / 4; failure between the two roots.

    The other two branches need a gap above 1.336; the first two fail from 0.29 to 0.94.
    """
    roots = np.roots([0.6, 0, 0, -1 / ROOT2, 0.2])
    low, high = np.sort(roots[np.abs(roots.imag) < 1e-9].real)
    cut = 5 / ROOT2 - 2.2

    def below(gap: float) -> float:
        return gap - gap**2 / 4

    return float(below(high) - below(low) + below(2.0) - below(cut))


RESISTANCE = Limit(2, lambda z: (200 + 20 * z[0]) - (100 + 30 * z[1]))
LOGNORMAL_RESISTANCE = Limit(2, lambda z: np.log(lognormal(z[0], 100, 10)) - np.log(lognormal(z[1], 50, 10)))


def lognormal_beta() -> float:
    """Closed form for two lognormals, means 100 and 50, coefficients of variation 0.1 and 0.2."""
    first, second = np.log1p(0.1**2), np.log1p(0.2**2)
    return float((np.log(2) - first / 2 + second / 2) / np.sqrt(first + second))


def product_tail(bound: float) -> float:
    """P(x1 x2 > bound): (1 / pi) times the integral of the Bessel function K0."""
    return integral(lambda t: float(k0(t)) / np.pi, bound, bound + 3, bound + 40)


PUBLISHED = (
    KnownLimit("RP8", Limit(6, rp8), 7.8955e-4, 1.0e-6),
    KnownLimit("RP14", Limit(5, rp14), 7.709e-4, 3.6e-6),
    KnownLimit(
        "RP22", Limit(2, rp22), integral(lambda v: float(ndtr(-(2.5 + 0.2 * v**2)) * norm.pdf(v)), -9, 0, 9)
    ),
    KnownLimit("RP24", Limit(2, rp24), rp24_probability()),
    KnownLimit("RP25", Limit(2, rp25), rp25_probability()),
    KnownLimit("RP28", Limit(2, rp28), rp28_probability()),
    KnownLimit(
        "RP31",
        Limit(2, rp31),
        integral(lambda x: float(ndtr(-(2 + (4 * x) ** 4)) * norm.pdf(x)), -1, -0.3, 0, 0.3, 1),
    ),
    KnownLimit("RP33", Limit(3, rp33), rp33_probability()),
    KnownLimit("RP35", Limit(2, rp35), rp35_probability()),
    KnownLimit("RP53", Limit(2, rp53), rp53_probability()),
    KnownLimit("RP55", Limit(2, rp55), rp55_probability()),
    KnownLimit("RP57", Limit(2, rp57), 2.8237e-2, 1e-5),
    KnownLimit("RP75", Limit(2, rp75), product_tail(3.0)),
    KnownLimit("RP107", Limit(10, rp107), float(ndtr(-5.0))),
    KnownLimit("RP110", Limit(2, rp110), float(1 - ndtr(4.0) * ndtr(5.0))),
    KnownLimit("RP111", Limit(2, rp111), 2 * product_tail(12.5)),
    KnownLimit("normal resistance and load", RESISTANCE, float(ndtr(-100 / np.sqrt(20**2 + 30**2)))),
    KnownLimit("lognormal resistance and load", LOGNORMAL_RESISTANCE, float(ndtr(-lognormal_beta()))),
    KnownLimit(
        "four branches k=7", Limit(2, lambda z: four_branches(z, 7.0)), four_branches_probability(7.0)
    ),
    KnownLimit(
        "four branches k=6", Limit(2, lambda z: four_branches(z, 6.0)), four_branches_probability(6.0)
    ),
)
