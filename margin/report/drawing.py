"""A figure that notebooks show although no window system, and no `pyplot`, is loaded."""

from __future__ import annotations

import io

from matplotlib.figure import Figure

DPI = 144
"""Points an inch of the picture in a notebook."""


class Drawing(Figure):
    """A matplotlib figure that belongs to no window and no global state: it goes when its last name goes.

    A notebook shows it where it is named last in a cell. Where `matplotlib.pyplot` was imported there, its own settings
    for pictures hold; otherwise this class gives the picture. `savefig` writes any format that matplotlib knows.
    """

    def _repr_png_(self) -> bytes:
        buffer = io.BytesIO()
        self.savefig(buffer, format="png", dpi=DPI)
        return buffer.getvalue()
