"""Shapes fitted to measured values, with goodness of fit and sampling uncertainty."""

from distributions.fitting.fit import ShapeFit, ShapeFits, fit_shapes

__all__ = ["ShapeFit", "ShapeFits", "fit_shapes"]
