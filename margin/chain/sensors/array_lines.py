"""One element of an array of films on shared lines, read into a virtual ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from margin.chain.parameter import Value


class Seen(NamedTuple):
    """Conductance seen of an element of conductance G: `path` + `gain` G / (1 + `series` G).

    path    S, through three neighbours in a row, whatever the element
    gain    share of the current that reaches the virtual ground
    series  ohm, of the lines
    drive   voltage across an element of no conductance, of that of the drive
    """

    path: Value
    gain: Value
    series: Value
    drive: Value

    def of(self, conductance: Value) -> Value:
        """Conductance (S) that the circuit sees of an element."""
        return self.path + self.gain * conductance / (1.0 + self.series * conductance)

    def element(self, seen: Value) -> Value:
        """Inverse of `of`; at or beyond what the lines let through, a large value."""
        share = (seen - self.path) / self.gain
        result: Value = share / np.maximum(1.0 - self.series * share, 1e-9)
        return result

    def across(self, conductance: Value) -> Value:
        """Voltage across the element, of that of the drive."""
        return self.drive / (1.0 + self.series * conductance)


@dataclass(frozen=True)
class ArrayLines:
    """Row and column lines with their switches, and the neighbours of an element.

    rows, columns        numbers of lines
    row, column          ohm, of each line and its closed switch
    neighbour            S, of each other element, one value for all of them

    One row is driven; every other row lies at ground and every column at a virtual ground, each through its own line
    and switch. Without resistance nothing of the neighbours is seen.
    """

    rows: int
    columns: int
    row: Value
    column: Value
    neighbour: Value

    def seen(self) -> Seen:
        """What the circuit sees of the element: current into the virtual ground of its column over the drive D.

        Nodes by symmetry: x the driven row, y the column of the element, c every other column, r every other row.
        With k = columns - 1, l = rows - 1, neighbours g, lines Rr and Rc, current P = G (x - y) of the element:
          (D - x) / Rr = P + k g (x - c)           y / Rc = P + l g (r - y)
          c / Rc = g (x - c) + l g (r - c)         r / Rr = g (y - r) + k g (c - r)
        The last two give c and r by x and y, then the first two x and y by P. Kirchhoff's laws, exact.
        """
        g, rr, rc = self.neighbour, self.row, self.column
        beside, above = self.columns - 1, self.rows - 1
        of_column, of_row = 1.0 + rc * g * self.rows, 1.0 + rr * g * self.columns
        both = of_column * of_row - rc * rr * beside * above * g * g
        c_of_x, c_of_y = of_row * rc * g / both, rc * rr * above * g * g / both
        r_of_y, r_of_x = of_column * rr * g / both, rc * rr * beside * g * g / both
        # own_y y - cross_y x = Rc P  and  own_x x - cross_x y = D - Rr P
        own_y, cross_y = 1.0 + rc * above * g * (1.0 - r_of_y), rc * above * g * r_of_x
        own_x, cross_x = 1.0 + rr * beside * g * (1.0 - c_of_x), rr * beside * g * c_of_y
        whole = own_x * own_y - cross_x * cross_y
        drive = (own_y - cross_y) / whole
        path = above * g * r_of_x
        series = rr * drive + rc * (own_x - cross_x) / whole
        return Seen(path / whole, drive * (own_x - path * rr) / whole, series, drive)
