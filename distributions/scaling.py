"""Distribution of a multiple of a variable, in the shape of the variable itself."""

from __future__ import annotations

import dataclasses
from typing import Any

from distributions.composed import Mixture, Shifted
from distributions.distribution import Distribution
from distributions.validity import InvalidParameter

_PLACES = ("mean", "location", "mode", "value", "values")
_WIDTHS = ("sd", "inexactness")
_ENDS = (("low", "high"), ("inner_low", "inner_high"))
_ONE_SIDED = ("sigma", "median", "scale")
"""Scale of a shape above 0, which has no mirror image of its own kind; of Student's t it is a width."""


def scaled(distribution: Distribution, factor: float) -> Distribution:
    """Distribution of factor * X for X of `distribution`, of the same shape.

    Raises InvalidParameter for a factor of 0, and for a negative one where the shape has no mirror image (gamma,
    lognormal, half-normal, ...).

    >>> from distributions import Normal, scaled
    >>> scaled(Normal(1.0, 0.5), -2.0)
    Normal(mean=-2.0, sd=1.0)
    """
    if factor == 0.0:
        raise InvalidParameter("scaled", "factor", factor, "other than 0")
    if isinstance(distribution, Shifted):
        if factor < 0.0:
            base = scaled(distribution.base, -1.0)
            return Shifted(base, factor * distribution.location, -factor * distribution.scale)
        return dataclasses.replace(
            distribution, location=factor * distribution.location, scale=factor * distribution.scale
        )
    if isinstance(distribution, Mixture):
        parts = tuple(scaled(each, factor) for each in distribution.components)
        return dataclasses.replace(distribution, components=parts)
    shape: Any = distribution
    fields = {field.name: getattr(shape, field.name) for field in dataclasses.fields(shape)}
    found: dict[str, Any] = {}
    for name, value in fields.items():
        if isinstance(value, Distribution):
            found[name] = scaled(value, factor)
        elif name in _PLACES and value is not None:
            found[name] = tuple(factor * v for v in value) if isinstance(value, tuple) else factor * value
        elif name in _WIDTHS or (name == "scale" and "location" in fields):
            found[name] = abs(factor) * value
        elif name in _ONE_SIDED:
            if factor < 0.0:
                raise InvalidParameter("scaled", "factor", factor, f"above 0 for {distribution.title}")
            found[name] = factor * value
    for low, high in _ENDS:
        if low in fields:
            ends = (factor * fields[low], factor * fields[high])
            found[low], found[high] = ends if factor > 0.0 else ends[::-1]
    if not found:
        raise InvalidParameter("scaled", "distribution", distribution, "one of the shapes of this package")
    if factor < 0.0 and {"alpha", "beta"} <= set(fields):
        found["alpha"], found["beta"] = fields["beta"], fields["alpha"]
    result: Distribution = dataclasses.replace(shape, **found)
    return result
