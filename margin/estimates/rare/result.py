"""What an estimate of a failure probability says, and how its interval is made."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit
from scipy.stats import beta as beta_distribution

from margin.estimates.rare.design_point import DesignPoint


@dataclass(frozen=True)
class CrossCheck:
    """Search for failing regions that importance sampling missed, independent of its draws.

    sweeps       runs of subset sampling, each with draws of its own
    added        design points that they, or the draws of a round, added to those of the first round
    evaluations  of the limit state, beside those of the estimate
    complete     whether the last sweep found nothing to add
    """

    sweeps: int
    added: int
    evaluations: int
    complete: bool


@dataclass(frozen=True)
class RareResult:
    """A failure probability with its interval and the way it was found.

    probability               point estimate
    low, high                 interval that covers the true value with probability `level`
    coefficient_of_variation  standard error over estimate; infinite where no failure was found
    evaluations               of the limit state for the estimate, pilot and search included
    method                    'crude', 'importance' or 'subset'
    design_points             most likely failing points, the nearest first; empty where none was looked for
    effective_samples         number of independent failing draws that would carry the same information
    why                       the reason for the method, in a sentence
    warnings                  what speaks against trusting the number; empty where nothing does
    failing                   a few failing draws that were met, shape (k, d); not for every method
    cross_check               search for missed regions; None where the method needs none or it was not reached
    """

    probability: float
    low: float
    high: float
    level: float
    coefficient_of_variation: float
    evaluations: int
    method: str
    design_points: tuple[DesignPoint, ...] = ()
    warnings: tuple[str, ...] = ()
    effective_samples: float = 0.0
    why: str = ""
    failing: NDArray[np.float64] | None = field(default=None, compare=False, repr=False)
    cross_check: CrossCheck | None = None

    def __str__(self) -> str:
        text = (
            f"failure probability {self.probability:.3g} "
            f"({100 * self.level:.0f} % interval {self.low:.3g} to {self.high:.3g}), "
            f"{self.method}, {self.evaluations} evaluations"
        )
        return "\n".join([text, *(f"caution: {warning}" for warning in self.warnings)])


def lognormal_interval(
    probability: float, coefficient_of_variation: float, level: float, freedom: float
) -> tuple[float, float]:
    """Two-sided interval of a positive estimate whose logarithm is nearly normal.

    The standard deviation of the logarithm is sqrt(ln(1 + cv^2)); Student's t with `freedom` degrees of
    freedom (at least 1) allows for a coefficient of variation that was itself estimated.
    """
    spread = math.sqrt(math.log1p(coefficient_of_variation**2))
    reach = float(stdtrit(max(freedom, 1.0), 0.5 + level / 2)) * spread
    return probability * math.exp(-reach), min(probability * math.exp(reach), 1.0)


def binomial_interval(failures: int, draws: int, level: float) -> tuple[float, float]:
    """Clopper-Pearson interval of a share (Clopper and Pearson 1934)."""
    tail = (1 - level) / 2
    low = 0.0 if failures == 0 else float(beta_distribution.ppf(tail, failures, draws - failures + 1))
    high = (
        1.0 if failures == draws else float(beta_distribution.ppf(1 - tail, failures + 1, draws - failures))
    )
    return low, high


def inverse_binomial_interval(failures: int, draws: int, level: float) -> tuple[float, float]:
    """Exact interval of a share where drawing ended with the last of so many failures.

    As many draws or fewer have probability I_low(k, n - k + 1), as many or more I_(1 - high)(n - k, k), k failures in
    n draws (negative binomial distribution); both equal (1 - level) / 2.
    """
    tail = (1 - level) / 2
    low = float(beta_distribution.ppf(tail, failures, draws - failures + 1))
    high = 1.0 if failures == draws else float(beta_distribution.ppf(1 - tail, failures, draws - failures))
    return low, high
