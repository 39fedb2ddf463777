"""What to change about a design: sizing, measures, calibration plan, acceptance limits, overturning values."""
