"""Calibration as an event: what the station sees, what it stores in a unit, what that costs."""
