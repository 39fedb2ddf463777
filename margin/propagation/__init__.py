"""Draws of the factors at their levels, propagated through chain and calibration in blocks."""
