"""Distributions made from other distributions or from listed values."""

from distributions.composed.limited import SelectedOut, Truncated
from distributions.composed.mixture import Mixture
from distributions.composed.shifted import Shifted
from distributions.composed.values import Discrete, Empirical

__all__ = ["Discrete", "Empirical", "Mixture", "SelectedOut", "Shifted", "Truncated"]
