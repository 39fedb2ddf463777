"""Shapes fitted to measured values, with goodness of fit and what the sample leaves open."""

from distributions.fitting.fit import ShapeFit, ShapeFits, fit_shapes

__all__ = ["ShapeFit", "ShapeFits", "fit_shapes"]
