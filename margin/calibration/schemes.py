"""Corrections that a calibration can store in a unit, fitted to what the station saw.

A correction maps a coordinate x of the firmware (its own estimate of the load, its logarithm, the signal
voltage or the sensor's output) to the load. All functions are vectorised over units: x has the shape
(unit, 1, 1, 1, load), the reference loads y the shape (load,).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from margin.chain.arrays import as_array

Array = NDArray[np.float64]

DEGENERATE = 1e-9
"""Coordinates closer together than this share of their size cannot tell two loads apart (a stuck or saturated
unit): such a unit gets a correction that always reads zero, which no requirement accepts."""


class Correction(Protocol):
    """Stored constants of calibrated units."""

    def load(self, x: Array) -> Array:
        """Load, N (or its logarithm), at coordinate x, broadcast over (unit, condition, loading, reading, load)."""


@dataclass(frozen=True)
class Polynomial:
    """load = sum of coefficients[j] * (x - centre)**j; constants of each unit, (unit, 1, 1, 1, 1)."""

    coefficients: tuple[Array, ...]
    centre: Array

    def load(self, x: Array) -> Array:
        t = x - self.centre
        *lower, highest = self.coefficients
        result = highest if lower else highest + np.zeros_like(t)
        for coefficient in reversed(lower):
            result = result * t + coefficient
        return as_array(result)


@dataclass(frozen=True)
class Gain:
    """load = gain * (x - zero)."""

    gain: Array
    zero: Array | float

    def load(self, x: Array) -> Array:
        return self.gain * (x - self.zero)


@dataclass(frozen=True)
class Offset:
    """load = x + offset: a gain, where x and load are logarithms."""

    offset: Array

    def load(self, x: Array) -> Array:
        return x + self.offset


@dataclass(frozen=True)
class Scaled:
    """A curve, then a correction of what it reports."""

    curve: Correction
    scale: Correction

    def load(self, x: Array) -> Array:
        return self.scale.load(self.curve.load(x))


@dataclass(frozen=True)
class Piecewise:
    """Straight lines between the calibrated points, the end pieces extended.

    sign  (unit, 1, 1, 1, 1): -1 where the unit's coordinate falls (a divider with the sensor to ground), else 1; the
          points are kept with the coordinate times the sign, which rises
    """

    sign: Array
    x: Array
    y: Array
    slope: Array

    def load(self, x: Array) -> Array:
        x = self.sign * x
        shape = np.broadcast_shapes(x.shape, self.x.shape[:-1] + (1,))
        result = np.broadcast_to(self.y[0] + self.slope[..., :1] * (x - self.x[..., :1]), shape)
        for j in range(1, self.slope.shape[-1]):
            piece = self.y[j] + self.slope[..., j : j + 1] * (x - self.x[..., j : j + 1])
            result = np.where(x > self.x[..., j : j + 1], piece, result)
        return result


def _apart(difference: Array, size: Array) -> NDArray[np.bool_]:
    return as_array(np.abs(difference) > DEGENERATE * np.abs(size))


def one_point(x: Array, y: float, zero: Array | float) -> Gain:
    """Gain from one load `y` (N), through the zero given in the same coordinate.

    x: (unit, 1, 1, 1, 1).
    """
    rise = x - zero
    good = _apart(rise, np.maximum(np.abs(x), np.abs(zero)))
    return Gain(np.where(good, y / np.where(good, rise, 1.0), 0.0), zero)


def one_point_logarithm(x: Array, log_y: float) -> Offset:
    """Gain from one load in logarithms: the same as a gain on the force."""
    return Offset(log_y - x)


def least_squares(x: Array, y: Array, degree: int, weights: Array) -> Polynomial:
    """Polynomial of load on coordinate, weighted least squares, unit by unit (inverse regression).

    x: (unit, 1, 1, 1, load) with at least degree + 1 loads; y, weights: (load,), weights multiply the squares.
    The coordinate is scaled to [-1, 1] in each unit and the system solved by orthogonal columns, so that the
    conditioning is that of the design and not of the units of x. Two loads and degree 1 give the two-point line
    exactly.

    Raises ValueError with fewer loads than degree + 1.
    """
    if y.size < degree + 1:
        raise ValueError(f"a polynomial of degree {degree} needs {degree + 1} loads, there are {y.size}")
    low, high = x.min(axis=-1, keepdims=True), x.max(axis=-1, keepdims=True)
    centre, half = 0.5 * (low + high), 0.5 * (high - low)
    good = _apart(half, np.maximum(np.abs(low), np.abs(high)))
    half = np.where(good, half, 1.0)
    t = np.where(good, (x - centre) / half, np.linspace(-1.0, 1.0, y.size))
    scaled, solvable = weighted_polynomial(t, y, degree, weights)
    kept = good & solvable
    return Polynomial(tuple(np.where(kept, c / half**j, 0.0) for j, c in enumerate(scaled)), centre)


def weighted_polynomial(t: Any, y: Array, degree: int, weights: Array) -> tuple[list[Any], Any]:
    """Coefficients of y on t (..., load), lowest power first, and whether each row has them, all (..., 1).

    By modified Gram-Schmidt, the right-hand side orthogonalised too, which is as stable as Householder's QR (Golub
    and Van Loan, Matrix Computations, 5.2.8 and 5.3.5). Load by load, so that all units are done at once.
    """
    root = np.sqrt(weights)
    at = [t[..., i : i + 1] for i in range(y.size)]
    powers = [[np.ones_like(at[0]) * r for r in root]]
    for _ in range(degree):
        powers.append([before * x for before, x in zip(powers[-1], at, strict=True)])
    rest: list[Any] = list(y * root)
    norms: list[Any] = []
    shares: list[Any] = []
    along: list[list[Any]] = []
    for j in range(degree + 1):
        norm = np.sqrt(_total([v * v for v in powers[j]]))
        safe = np.where(norm > 0.0, norm, 1.0)
        q = [v / safe for v in powers[j]]
        along.append([_total([a * b for a, b in zip(q, later, strict=True)]) for later in powers[j + 1 :]])
        for k, overlap in enumerate(along[j], j + 1):
            powers[k] = [v - overlap * a for v, a in zip(powers[k], q, strict=True)]
        share = _total([a * b for a, b in zip(q, rest, strict=True)])
        rest = [b - share * a for a, b in zip(q, rest, strict=True)]
        norms.append(norm)
        shares.append(share)
    solvable = reduce(np.minimum, norms) > DEGENERATE * reduce(np.maximum, norms)
    found: list[Any] = []
    for j in reversed(range(degree + 1)):
        known = [a * c for a, c in zip(along[j], found[::-1], strict=True)]
        found.append((shares[j] - _total(known) if known else shares[j]) / np.where(solvable, norms[j], 1.0))
    return found[::-1], solvable


def _total(terms: list[Any]) -> Any:
    """Sum in the order given: a sum along an axis may round otherwise for another number of units."""
    return reduce(np.add, terms)


def piecewise(x: Array, y: Array) -> Piecewise:
    """Straight lines through the calibrated points. x: (unit, 1, 1, 1, load), y: (load,), two loads or more.

    Firmware has no use for a curve that turns back: where noise makes a step of x go the wrong way, that
    piece is flat. The direction (rising or falling) is that of the unit's end points.
    """
    if y.size < 2:
        raise ValueError(f"straight lines between points need 2 loads, there are {y.size}")
    sign = np.where(x[..., -1:] < x[..., :1], -1.0, 1.0)
    rising = sign * x
    steps = rising[..., 1:] - rising[..., :-1]
    good = _apart(steps, rising[..., 1:]) & (steps > 0.0)
    slope = np.where(good, np.diff(y) / np.where(good, steps, 1.0), 0.0)
    return Piecewise(sign, rising, y, slope)
