"""Checks of parameters: one error type, one way to say what is wrong."""

from __future__ import annotations

import math

from distributions.errors import MarginError


class InvalidParameter(MarginError, ValueError):
    """A parameter that a distribution cannot have; carries `shape`, `name`, `value` and `reason`."""

    def __init__(self, shape: str, name: str, value: object, reason: str) -> None:
        super().__init__(f"{shape}: {name} must be {reason} (got {value!r})")
        self.shape = shape
        self.name = name
        self.value = value
        self.reason = reason

    def __reduce__(self) -> tuple[type[InvalidParameter], tuple[str, str, object, str]]:
        return type(self), (self.shape, self.name, self.value, self.reason)


def require_finite(shape: str, /, **parameters: float) -> None:
    """Raise InvalidParameter for the first parameter that is not a finite number."""
    for name, value in parameters.items():
        if not math.isfinite(value):
            raise InvalidParameter(shape, name, value, "a finite number")


def require_positive(shape: str, /, **parameters: float) -> None:
    """Raise InvalidParameter for the first parameter that is not finite and above zero."""
    for name, value in parameters.items():
        if not (math.isfinite(value) and value > 0.0):
            raise InvalidParameter(shape, name, value, "finite and above 0")


def require_limits(shape: str, low: float, high: float) -> None:
    """Raise InvalidParameter unless `low` and `high` are finite and `low` lies below `high`."""
    require_finite(shape, low=low, high=high)
    if not low < high:
        raise InvalidParameter(shape, "high", high, f"above low = {low!r}")
