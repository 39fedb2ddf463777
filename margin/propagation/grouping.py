"""How the units of a study are nested in outer draws and lots."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from margin.propagation.sections import Instance

Points = Literal["random", "latin", "sobol"]


@dataclass(frozen=True)
class Grouping:
    """How units are nested: `units_per_draw` units in an outer draw, `units_per_lot` drawn of a lot inside it.

    pieces  first unit of every piece of the study, in which better points are scrambled apart
    cells   equal parts of an outer draw that are counted apart: independent repetitions of its yield
    points  how lots and units are sampled
    """

    units_per_draw: int
    units_per_lot: int
    pieces: tuple[int, ...] = (0,)
    cells: int = 1
    points: Points = "random"

    @property
    def units_per_cell(self) -> int:
        """Units in one cell of an outer draw."""
        return self.units_per_draw // self.cells

    def outer_of(self, unit: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of the outer draw of each unit."""
        return unit // self.units_per_draw

    def cell_of(self, unit: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of the cell of each unit, over all outer draws."""
        return unit // self.units_per_cell

    @property
    def lots_per_draw(self) -> int:
        """Lots in one outer draw."""
        return -(-self.units_per_draw // self.units_per_lot)

    def lot_of(self, unit: NDArray[np.int64]) -> NDArray[np.int64]:
        """Index of the lot of each unit, over all outer draws."""
        inside = unit % self.units_per_draw // self.units_per_lot
        return unit // self.units_per_draw * self.lots_per_draw + inside

    def starts(self, instance: Instance) -> NDArray[np.int64] | None:
        """First outer draw, lot or unit of every piece; None where pieces cut through outer draws."""
        units = np.array(self.pieces, dtype=np.int64)
        if instance == "unit":
            return units
        if instance == "lot":
            return self.lot_of(units)
        return None if np.any(units % self.units_per_draw) else self.outer_of(units)
