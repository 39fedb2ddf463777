"""What no model of a force-sensing chain in this project contains, in words."""

from __future__ import annotations

NOT_MODELLED = (
    "Damage: overload beyond the range, wear, delamination, broken leads, ingress of liquids",
    "Electromagnetic interference, electrostatic discharge, intermittent contacts",
    "Shear forces and moments on the pad, and neighbouring pads, beyond what tilt and placement of the load state",
    "Gross errors: swapped parts, a wrong reference load, a calibration stored for another unit",
    "Faults of firmware other than rounding and the stated calibration",
)
"""Effects outside every model, a phrase each."""
