"""Variance components: nested levels, scatter that differs between units, parameters that move together."""

from margin.bench.components.nested import Component, Components, nested_components
from margin.bench.components.scatter import UnitScatter, scatter_by_unit, scatter_of_variances
from margin.bench.components.together import (
    Between,
    Correlation,
    between_units,
    correlation,
    sampling_draws,
)

__all__ = [
    "Between",
    "Component",
    "Components",
    "Correlation",
    "UnitScatter",
    "between_units",
    "correlation",
    "nested_components",
    "sampling_draws",
    "scatter_by_unit",
    "scatter_of_variances",
]
