"""Candidate models of a sensor, each with the elements' own equation, starting values and limits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.chain.elements import Contact
from margin.chain.sensors import ThinFilm
from margin.chain.setting import Setting

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ThinFilmModel:
    """A thin-film model: the power law with some of the further terms of `ThinFilm` left free.

    extra  fields of ThinFilm that are fitted beside sensitivity (S) and exponent
    """

    name: str
    extra: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        return ("sensitivity", "exponent", *self.extra)

    def sensor(self, parameters: Mapping[str, float], reference_load: float) -> ThinFilm:
        """The element with these values; limits keep its fields admissible."""
        values: dict[str, Any] = dict(parameters)
        return ThinFilm(reference_load=reference_load, **values)

    def logarithm(self, reference_load: float) -> Callable[[Array, Array], Array]:
        """ln of the conductance (S) from load (N) and parameters."""

        def curve(load: Array, parameters: Array) -> Array:
            sensor = self.sensor(dict(zip(self.names, parameters, strict=True)), reference_load)
            with np.errstate(divide="ignore"):
                return np.asarray(np.log(sensor.output(Contact(load), Setting())), dtype=float)

        return curve

    def start(self, load: Array, conductance: Array, reference_load: float) -> list[float]:
        """Straight line in logarithms for the power law; small shares of the data for the rest."""
        slope, level = np.polyfit(np.log(load / reference_load), np.log(conductance), 1)
        small = {
            "offset_conductance": 0.05 * float(conductance.min()),
            "turn_on": 0.1 * float(load.min()),
            "series_resistance": 0.05 / float(conductance.max()),
        }
        slope = float(np.clip(slope, 0.05, 1.9))
        return [float(np.exp(level)), slope, *(small[field] for field in self.extra)]

    def limits(self, load: Array, conductance: Array) -> tuple[list[float], list[float]]:
        """Lower and upper limits: exponent to 2, turn-on below the lowest load, offset below its output."""
        upper = {
            "offset_conductance": float(conductance.min()),
            "turn_on": 0.999 * float(load.min()),
            "series_resistance": 1 / float(conductance.max()),
        }
        low = [1e-6 * float(conductance.min()), 0.01, *(0.0 for _ in self.extra)]
        high = [float("inf"), 2.0, *(upper[field] for field in self.extra)]
        return low, high


THIN_FILM_MODELS: tuple[ThinFilmModel, ...] = (
    ThinFilmModel("power law"),
    ThinFilmModel("power law with offset", ("offset_conductance",)),
    ThinFilmModel("power law with turn-on", ("turn_on",)),
    ThinFilmModel("power law with series resistance", ("series_resistance",)),
    ThinFilmModel("power law with offset and series resistance", ("offset_conductance", "series_resistance")),
    ThinFilmModel("power law with turn-on and series resistance", ("turn_on", "series_resistance")),
)

POLYNOMIALS: dict[str, int] = {"straight line": 1, "quadratic": 2, "cubic": 3}
"""Candidate models of a strain-gauge bridge, by degree."""
