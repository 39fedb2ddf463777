"""Triangular distribution."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from distributions.distribution import Distribution, FloatArray, Values, as_floats
from distributions.validity import InvalidParameter, require_finite, require_limits


@dataclass(frozen=True)
class Triangular(Distribution):
    """Triangular distribution (GUM 4.3.9; JCGM 101, 6.4.5 for the symmetric one).

    mode  most probable value, within [low, high]; the middle if None

    >>> from distributions import Triangular
    >>> round(Triangular(-1.0, 1.0).sd, 4)
    0.4082
    """

    low: float
    high: float
    mode: float | None = None
    title: ClassVar[str] = "triangular"

    def __post_init__(self) -> None:
        require_limits("Triangular", self.low, self.high)
        if self.mode is not None:
            require_finite("Triangular", mode=self.mode)
            if not self.low <= self.mode <= self.high:
                raise InvalidParameter(
                    "Triangular", "mode", self.mode, f"within [{self.low!r}, {self.high!r}]"
                )

    @property
    def peak(self) -> float:
        """Most probable value."""
        return 0.5 * (self.low + self.high) if self.mode is None else self.mode

    def pdf(self, x: Values) -> FloatArray:
        x = as_floats(x)
        width, peak = self.high - self.low, self.peak
        # A side of zero width holds no value; the 1 only avoids a division by zero there.
        rise = (x - self.low) / ((peak - self.low) or 1.0)
        fall = (self.high - x) / ((self.high - peak) or 1.0)
        return (
            2.0
            / width
            * np.where(x < peak, np.maximum(rise, 0.0), np.clip(fall, 0.0, None))
            * ((x >= self.low) & (x <= self.high))
        )

    def cdf(self, x: Values) -> FloatArray:
        x = np.clip(x, self.low, self.high)
        width, peak = self.high - self.low, self.peak
        below = (x - self.low) ** 2 / (width * ((peak - self.low) or 1.0))
        above = (self.high - x) ** 2 / (width * ((self.high - peak) or 1.0))
        return np.where(x < peak, below, 1.0 - above)

    def ppf(self, u: Values) -> FloatArray:
        u = as_floats(u)
        width, peak = self.high - self.low, self.peak
        rising = self.low + np.sqrt(u * (width * (peak - self.low)))
        falling = self.high - np.sqrt((1.0 - u) * (width * (self.high - peak)))
        return np.where(u * width < peak - self.low, rising, falling)

    @property
    def mean(self) -> float:
        return (self.low + self.high + self.peak) / 3.0

    @property
    def sd(self) -> float:
        left, right = self.peak - self.low, self.high - self.peak
        return math.sqrt((left * left + left * right + right * right) / 18.0)

    @property
    def support(self) -> tuple[float, float]:
        return self.low, self.high

    @property
    def parameters_text(self) -> str:
        return f"{self.low:.4g} to {self.high:.4g}, mode {self.peak:.4g}"
