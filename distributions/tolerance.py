"""How a tolerance is read: from limits and the words beside them to the distribution of the deviation."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from distributions.composed import SelectedOut, Truncated
from distributions.distribution import Distribution
from distributions.shapes import Arcsine, HalfNormal, Normal, Rectangular, Triangular
from distributions.validity import InvalidParameter

SHAPES = ("rectangular", "triangular", "arcsine", "normal", "half-normal")
"""Shapes that limits alone can give."""

_SIGMA = re.compile(r"([0-9.]+)\s*sigma")
_CPK = re.compile(r"cpk\s*([0-9.]+)", re.IGNORECASE)


@dataclass(frozen=True)
class ReadTolerance:
    """Distribution of the deviation from nominal, and in words how the limits were read.

    >>> from distributions import read_tolerance
    >>> read_tolerance(-0.01, 0.01, coverage="2 sigma").read_as
    'normal, limits at 2 sigma (GUM 4.3.4)'
    """

    distribution: Distribution
    read_as: str


def coverage_factor(coverage: str) -> float:
    """Number of standard deviations in half the width of the limits: 2 for '2 sigma', 3.99 for 'Cpk 1.33'.

    Raises ValueError for other words.

    >>> from distributions import coverage_factor
    >>> coverage_factor("2 sigma")
    2.0
    """
    for pattern, factor in ((_SIGMA, 1.0), (_CPK, 3.0)):
        match = pattern.fullmatch(coverage.strip())
        if match is not None:
            try:
                k = factor * float(match.group(1))
            except ValueError:
                break
            if k > 0.0 and math.isfinite(k):
                return k
    raise ValueError(f"coverage must be such as '2 sigma' or 'Cpk 1.33' (got {coverage!r})")


def read_tolerance(
    minus: float,
    plus: float,
    *,
    coverage: str | None = None,
    screened: bool = False,
    selected_out: float | None = None,
    shape: str | None = None,
) -> ReadTolerance:
    """Distribution of the deviation between the limits `minus` <= 0 <= `plus`.

    coverage      'k sigma': the limits hold k standard deviations (GUM 4.3.4, 4.3.5); 'Cpk c': 3 c of them
    screened      what lies outside the limits was rejected: the shape is cut there
    selected_out  half width of a tighter grade that was sorted out, so that the middle is missing
    shape         one of SHAPES; without coverage and shape the limits are read as rectangular (GUM 4.3.7)

    Raises ValueError for limits on the wrong side of zero or of no width, unknown shapes, words that
    contradict each other.

    >>> from distributions import read_tolerance
    >>> read = read_tolerance(-0.01, 0.01)
    >>> read.read_as, round(read.distribution.sd, 5)
    ('rectangular (GUM 4.3.7)', 0.00577)
    """
    if not (math.isfinite(minus) and math.isfinite(plus)) or minus > 0.0 or plus < 0.0 or minus == plus:
        raise InvalidParameter("tolerance", "limits", (minus, plus), "finite, minus <= 0 <= plus, not both 0")
    if shape is not None and shape not in SHAPES:
        raise InvalidParameter("tolerance", "shape", shape, "one of " + ", ".join(SHAPES))
    if coverage is not None and shape not in (None, "normal"):
        raise InvalidParameter("tolerance", "coverage", coverage, f"absent where the shape is {shape}")
    distribution, read_as = _shape(minus, plus, coverage, shape)
    if screened:
        distribution = Truncated(distribution, minus, plus)
        read_as += ", cut at the limits by screening"
    if selected_out is not None:
        if not 0.0 < selected_out < max(plus, -minus):
            raise InvalidParameter(
                "tolerance", "selected_out", selected_out, "above 0 and inside the limits of the tolerance"
            )
        distribution = SelectedOut(distribution, -selected_out, selected_out)
        read_as += ", tighter grade selected out (common practice, no source)"
    return ReadTolerance(distribution, read_as)


def _shape(minus: float, plus: float, coverage: str | None, shape: str | None) -> tuple[Distribution, str]:
    middle, half = 0.5 * (minus + plus), 0.5 * (plus - minus)
    off_centre = "" if minus == -plus else ", centred between unequal limits"
    if coverage is not None:
        k = coverage_factor(coverage)
        return Normal(middle, half / k), f"normal, limits at {coverage} (GUM 4.3.4){off_centre}"
    if shape in (None, "rectangular"):
        return Rectangular(minus, plus), "rectangular (GUM 4.3.7)"
    if shape == "triangular":
        mode = 0.0 if minus < 0.0 < plus else middle
        return Triangular(minus, plus, mode), "triangular (GUM 4.3.9)"
    if shape == "arcsine":
        return Arcsine(minus, plus), "arcsine (JCGM 101, 6.4.6)"
    if shape == "normal":
        assumed = f"normal, limits at 2 sigma for want of a coverage (GUM 4.3.4){off_centre}"
        return Normal(middle, half / 2.0), assumed
    if minus != 0.0:
        raise InvalidParameter("tolerance", "limits", (minus, plus), "with minus = 0 for a half-normal shape")
    return HalfNormal(plus / 2.0), "half-normal, limit at 2 sigma (common practice, no source)"
