"""Calibration plan of each unit: points, loads, direction, reloads, dwell, correction, and the reference it needs."""
