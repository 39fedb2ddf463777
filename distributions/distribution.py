"""What every distribution offers: density, cumulative probability, its exact inverse, moments."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from distributions.errors import MarginError

FloatArray = NDArray[np.float64]
Values = float | FloatArray
"""A number or an array of any shape; the answer has the same shape."""

SMALLEST_UNIFORM = 2.0**-54
LARGEST_UNIFORM = 1.0 - 2.0**-53
"""Ends of the open interval (0, 1) as the streams and point sets deliver it."""


def as_floats(x: ArrayLike) -> FloatArray:
    """`x` as an array of float64 of the same shape; an array of another kind that numpy's functions take as it is."""
    if hasattr(x, "__array_function__") and not isinstance(x, np.ndarray):
        return x  # type: ignore[return-value]
    return np.asarray(x, dtype=np.float64)


class NoDensity(MarginError, ValueError):
    """The density was asked of a distribution that has probability concentrated on single values."""


class Distribution(ABC):
    """Base of all distributions: frozen dataclasses of parameters with vectorised functions.

    Values are drawn by inversion, `ppf(u)` of uniform u, so that random, Latin hypercube and Sobol points
    serve alike. A shape of your own is a frozen dataclass with `pdf`, `cdf`, `ppf`, `mean`, `sd`, `support`
    and, as the word that describes it, `title`.

    >>> from distributions import Normal
    >>> Normal(10.0, 2.0).ppf([0.5, 0.975]).round(2).tolist()
    [10.0, 13.92]
    """

    title: ClassVar[str]

    @abstractmethod
    def pdf(self, x: Values) -> FloatArray:
        """Probability density at `x`; NoDensity where values have probability of their own."""

    @abstractmethod
    def cdf(self, x: Values) -> FloatArray:
        """Probability of a value of at most `x`."""

    @abstractmethod
    def ppf(self, u: Values) -> FloatArray:
        """Smallest value whose cumulative probability reaches `u`, for u in the open interval (0, 1)."""

    @property
    @abstractmethod
    def support(self) -> tuple[float, float]:
        """Smallest and largest value, infinite where there is none."""

    # Declared for the reader and the type checker only: at run time an inherited property would be taken
    # for the default of a dataclass field of that name, and the normal distribution has `mean` and `sd`
    # as its parameters.
    if TYPE_CHECKING:

        @property
        @abstractmethod
        def mean(self) -> float:
            """Expectation."""

        @property
        @abstractmethod
        def sd(self) -> float:
            """Standard deviation."""

    @property
    def atoms(self) -> FloatArray:
        """Values, ascending, that have a probability of their own; empty for a continuous distribution."""
        return np.empty(0)

    @property
    def parameters_text(self) -> str:
        """Parameters besides mean and standard deviation, as `describe` prints them; '' for none."""
        return ""

    def describe(self) -> str:
        """Short text for reports, such as 'normal, mean 0, sd 0.01'."""
        parts = [self.title, self.parameters_text, f"mean {self.mean:.4g}", f"sd {self.sd:.4g}"]
        return ", ".join(part for part in parts if part)


def no_density(distribution: Distribution) -> NoDensity:
    """The error that `pdf` raises for a distribution with atoms."""
    return NoDensity(
        f"{distribution.title} distribution has no density: single values have probability; use cdf instead"
    )
