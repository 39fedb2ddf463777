"""The most likely failing points: where the failure region comes nearest to the origin.

Search: the improved Hasofer-Lind-Rackwitz-Fiessler iteration (Hasofer and Lind 1974; Rackwitz and Fiessler
1978) with the merit function and line search of Zhang and Der Kiureghian (1995), on gradients by finite
differences. The step of the differences is wide (a few hundredths of a standard deviation), so that
a converter's staircase does not hide the slope.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from margin.estimates.rare.limit import Array, CountedLimit, RareEventError

STEP = 0.03
CENTRAL_UP_TO = 12
ARMIJO = 0.1
HALVINGS = 6
ITERATIONS = 40
MARGIN_TOLERANCE = 0.01
ANGLE_TOLERANCE = 0.01
SAME_ANGLE = 0.9
RELEVANT = 1e-3
FARTHEST = 12.0


@dataclass(frozen=True)
class DesignPoint:
    """A most likely failing point in standard normal space.

    z           its coordinates, shape (d,)
    beta        its distance from the origin (reliability index, Hasofer and Lind 1974)
    direction   unit vector towards failure, the negative gradient there, shape (d,)
    slope       length of the gradient there, margin per standard deviation
    converged   whether the search ended on the limit with the gradient along z
    """

    z: Array
    beta: float
    direction: Array
    slope: float
    converged: bool

    @property
    def first_order(self) -> float:
        """First-order failure probability Phi(-beta)."""
        return float(ndtr(-self.beta))


def gradient(limit: CountedLimit, z: Array, margin: float) -> Array:
    """Gradient of the margin at z, shape (d,): central differences in few dimensions, forward in many."""
    steps = STEP * np.eye(limit.dimension)
    if limit.dimension <= CENTRAL_UP_TO:
        margins = limit(np.concatenate([z + steps, z - steps]))
        return (margins[: limit.dimension] - margins[limit.dimension :]) / (2 * STEP)
    return (limit(z + steps) - margin) / STEP


def search(limit: CountedLimit, start: Array, scale: float, *, together: bool = False) -> DesignPoint | None:
    """The design point reached from `start`, shape (d,), or None where the search leads nowhere.

    scale     a typical size of the margin (that at the origin): the limit is reached within 1 % of it
    together  the halved steps of a line search are evaluated at once: more evaluations in fewer calls
    """
    z = np.array(start, dtype=np.float64)
    margin = float(limit(z[None, :])[0])
    penalty = 0.0
    nearest: DesignPoint | None = None
    for _ in range(ITERATIONS):
        slopes = gradient(limit, z, margin)
        slope = float(np.linalg.norm(slopes))
        if slope <= 1e-9 * scale:
            return nearest
        distance = float(np.linalg.norm(z))
        across = float(np.linalg.norm(z - (z @ slopes) * slopes / slope**2))
        on_limit = abs(margin) <= MARGIN_TOLERANCE * scale
        converged = on_limit and across <= ANGLE_TOLERANCE * max(distance, 1.0) * 2
        if on_limit or margin < 0:
            found = DesignPoint(z.copy(), distance, -slopes / slope, slope, converged)
            if converged:
                return _on_limit(found, margin)
            if nearest is None or found.beta < nearest.beta:
                nearest = found
        step = ((slopes @ z) - margin) / slope**2 * slopes - z
        penalty = max(penalty, 2 * distance / slope)
        if not on_limit:
            penalty = max(penalty, 0.5 * float(np.sum((z + step) ** 2)) / abs(margin))
        z, margin = _line_search(limit, z, margin, step, penalty, slopes, together)
        if np.linalg.norm(z) > FARTHEST + np.sqrt(limit.dimension):
            return nearest
    return nearest


def _on_limit(point: DesignPoint, margin: float) -> DesignPoint:
    """The converged point moved along its gradient by the little that is missing to the limit."""
    z = point.z + margin / point.slope * point.direction
    return DesignPoint(z, float(np.linalg.norm(z)), point.direction, point.slope, True)


def _line_search(
    limit: CountedLimit, z: Array, margin: float, step: Array, penalty: float, slopes: Array, together: bool
) -> tuple[Array, float]:
    """The longest of the halved steps that lowers the merit |z|^2 / 2 + penalty |margin| enough."""
    merit = 0.5 * float(z @ z) + penalty * abs(margin)
    fall = float((z + penalty * np.sign(margin) * slopes) @ step)
    shares = 0.5 ** np.arange(HALVINGS)
    trials = z + shares[:, None] * step
    margins = limit(trials) if together else None
    for share, trial, row in zip(shares, trials, range(HALVINGS), strict=True):
        reached = float(limit(trial[None, :])[0] if margins is None else margins[row])
        if 0.5 * float(trial @ trial) + penalty * abs(reached) <= merit + ARMIJO * share * min(fall, 0.0):
            break
    return trial, reached


def distinct(points: Sequence[DesignPoint]) -> tuple[DesignPoint, ...]:
    """The points that differ in direction, nearest first; of two alike the nearer stays."""
    kept: list[DesignPoint] = []
    for point in sorted(points, key=lambda p: (p.beta, not p.converged)):
        if differs(point, kept):
            kept.append(point)
    return tuple(kept)


def differs(point: DesignPoint, others: Sequence[DesignPoint]) -> bool:
    """Whether the point's direction from the origin differs from that of all the others (by 26 degrees)."""
    return all(_cosine(point.z, other.z) < SAME_ANGLE for other in others)


def apart(ordered: Array, cosine: float, most: int, chosen: Sequence[Array] = ()) -> list[Array]:
    """The draws chosen before and the first of `ordered` (n, d), at most so many in all, in directions of their own.

    cosine  between the directions of two draws, to stay below
    """
    chosen = list(chosen)
    free = np.ones(len(ordered), dtype=np.bool_)
    for other in chosen:
        free &= _cosines(ordered, other) < cosine
    while len(chosen) < most and free.any():
        chosen.append(ordered[int(np.argmax(free))])
        free &= _cosines(ordered, chosen[-1]) < cosine
    return chosen


def relevant(points: Sequence[DesignPoint]) -> tuple[DesignPoint, ...]:
    """The points whose first-order probability is at least 1e-3 of the largest."""
    if not points:
        return ()
    largest = max(point.first_order for point in points)
    return tuple(point for point in points if point.first_order >= RELEVANT * largest)


def describe(names: Sequence[str], z: Array, quantiles: Callable[[Array], Array]) -> str:
    """The design point in words: which factor stands at which value, the most telling first.

    names      of the d factors
    z          the point in standard normal space, shape (d,)
    quantiles  callable from standard normal values, shape (d,), to values of the factors, shape (d,)

    Factors within a tenth of the point's distance are left out: they stand near their middle. RareEventError
    where the lengths disagree.
    """
    values = np.asarray(quantiles(z))
    if not len(names) == len(z) == len(values):
        raise RareEventError(
            f"{len(names)} names, {len(z)} coordinates, {len(values)} values: give one of each for a factor"
        )
    beta = float(np.linalg.norm(z))
    lines = [f"most likely failing case, {beta:.2f} standard deviations from the middle of all factors:"]
    for index in np.argsort(-np.abs(z), kind="stable"):
        if abs(z[index]) < 0.1 * beta:
            continue
        side = "above" if z[index] > 0 else "below"
        lines.append(
            f"  {names[index]} at {float(values[index]):.4g} ({abs(z[index]):.2f} standard deviations {side} "
            f"its median, {100 * (z[index] / beta) ** 2:.0f} % of the squared distance)"
        )
    if beta == 0 or len(lines) == 1:
        lines.append("  every factor near its median")
    return "\n".join(lines)


def _cosine(first: Array, second: Array) -> float:
    return float(_cosines(first[None, :], second)[0])


def _cosines(z: Array, other: Array) -> Array:
    """Cosines (n,) of the angles between draws (n, d) and another, (d,); 1 where one of them is the origin."""
    lengths = np.linalg.norm(z, axis=1) * float(np.linalg.norm(other))
    return np.where(lengths > 0, (z @ other) / np.where(lengths > 0, lengths, 1.0), 1.0)
