"""Probability distributions, tolerances, random numbers and dependence."""

from distributions.distribution import Distribution

__all__ = ["Distribution"]
