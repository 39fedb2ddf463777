"""Force error, calibration decision and yield of force-sensing pads and their front ends."""
