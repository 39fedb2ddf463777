"""Plain functions in the place of a case: outputs of random units as drawn and with inputs drawn again, and the Sobol
indices of a linear limit state in closed form."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from distributions import Stream
from margin.estimates.sensitivity.rounds import Study

Array = NDArray[np.float64]


@dataclass(frozen=True)
class RedrawnFunction:
    """Outputs (unit, k) of a function of uniforms (unit, c), a group for each column (`redraw_sums.Outputs`)."""

    function: Callable[[Array], Array]
    columns: int
    seed: int = 0
    second_order: bool = False

    def __call__(self, start: int, count: int) -> Iterator[Array]:
        stream = Stream(self.seed)
        a, b = (
            np.stack([stream.uniforms(f"{name}{c}", start, count) for c in range(self.columns)], axis=1)
            for name in ("a", "b")
        )
        yield self._of(a)
        yield self._of(b)
        for kept, other in ((a, b), (b, a)) if self.second_order else ((a, b),):
            for column in range(self.columns):
                mixed = kept.copy()
                mixed[:, column] = other[:, column]
                yield self._of(mixed)

    def _of(self, uniforms: Array) -> Array:
        return self.function(uniforms).reshape(len(uniforms), -1)


def both_beyond(limit: float, correlation: float) -> float:
    """Probability that two standard normals of this correlation both lie beyond +-limit."""

    def above(rho: float) -> float:
        cov = [[1.0, rho], [rho, 1.0]]
        return float(stats.multivariate_normal.cdf([-limit, -limit], cov=cov, allow_singular=True))

    return 2.0 * (above(correlation) + above(-correlation))


def limit_state_effects(shares: Array, limit: float) -> tuple[Array, Array, Array]:
    """Main and total effect, and the part cured, of causes on |y| > limit, y a standard normal sum of normal causes.

    shares  of the variance of y. Two units that have a cause alone in common have errors with its share as
    correlation (bivariate normal distribution), two that have all others in common 1 less that.
    """
    p = 2.0 * stats.norm.sf(limit)
    main = np.array([(both_beyond(limit, share) - p**2) / (p - p**2) for share in shares])
    total = np.array([1.0 - (both_beyond(limit, 1.0 - share) - p**2) / (p - p**2) for share in shares])
    return main, total, total * (1.0 - p)


def margin_effects(shares: Array, limit: float, farthest: float) -> tuple[Array, Array]:
    """Main and total effect of causes on 1 - min(|y| / limit, farthest), y as in `limit_state_effects`.

    By quadrature (trapezoidal rule): the mean given one cause, squared, over that cause; a total effect is 1 less the
    main effect of all other causes together.
    """
    x = np.linspace(-8.0, 8.0, 3201)
    density = stats.norm.pdf(x) * (x[1] - x[0])

    def margin(y: Array) -> Array:
        return 1.0 - np.minimum(np.abs(y) / limit, farthest)

    mean = float(density @ margin(x))
    variance = float(density @ margin(x) ** 2) - mean**2

    def alone(share: float) -> float:
        given = margin(np.sqrt(share) * x[:, np.newaxis] + np.sqrt(1.0 - share) * x) @ density
        return (float(density @ given**2) - mean**2) / variance

    main = np.array([alone(share) for share in shares])
    return main, np.array([1.0 - alone(1.0 - share) for share in shares])


def study_of(columns: int, units: int, **asked: Any) -> Study:
    """As many units as asked for, none left out because intervals are narrow."""
    groups = tuple(f"x{number}" for number in range(1, columns + 1))
    matrices = 2 + columns * (2 if asked.get("second_order") else 1)
    return Study(groups, ("y",), **{"runs": units * matrices, "width": 1e-9, **asked})
