"""Mechanics between the load and the sensor."""

from margin.chain.interface.concentrator import ConcentratorInterface
from margin.chain.interface.direct import DirectInterface
from margin.chain.interface.geometry import captured_fraction, lens_area, stiffness_share, tilt_angle

__all__ = [
    "ConcentratorInterface",
    "DirectInterface",
    "captured_fraction",
    "lens_area",
    "stiffness_share",
    "tilt_angle",
]
