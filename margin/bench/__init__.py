"""Bench data: figures of merit, fits, variance components."""
