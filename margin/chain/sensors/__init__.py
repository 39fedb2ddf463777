"""Sensing elements."""

from margin.chain.sensors.bridge import StrainGaugeBridge
from margin.chain.sensors.creep import creep_factor, exponential_creep, terms_for_decades
from margin.chain.sensors.hysteresis import play, remembered_load
from margin.chain.sensors.tabulated import TabulatedCurve
from margin.chain.sensors.thin_film import ThinFilm

__all__ = [
    "StrainGaugeBridge",
    "TabulatedCurve",
    "ThinFilm",
    "creep_factor",
    "exponential_creep",
    "play",
    "remembered_load",
    "terms_for_decades",
]
