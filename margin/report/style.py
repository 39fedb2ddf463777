"""How figures look: colours, markers, captions and the way they are written as SVG."""

from __future__ import annotations

import io
import re
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from margin.estimates.findings import computed
from margin.estimates.results import Results
from margin.messages.sentences import said

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe and Ito (2002), as matplotlib lists them; these have enough contrast on white for lines and text.
BLUE, VERMILLION, GREEN, PURPLE, BLACK = "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000"
SKY, ORANGE = "#56B4E9", "#E69F00"
GREY = "#767676"

_COLOURS = (VERMILLION, BLUE, GREEN, PURPLE, BLACK)
_MARKERS = ("o", "s", "^", "D", "v", "P", "X")
_LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)), (0, (1, 3)))

_SETTINGS: Any = {
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.labelsize": 9.0,
    "xtick.labelsize": 8.5,
    "ytick.labelsize": 8.5,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": False,
    "svg.fonttype": "none",
    "font.family": "sans-serif",
}


@dataclass(frozen=True)
class Look:
    """What tells one calibration option from another in every figure: colour, marker and line together."""

    colour: str
    marker: str
    line: Any


def look(results: Results, option: str) -> Look:
    """The look of an option, by its place in the study."""
    place = [found.name for found in results.options].index(option)
    return Look(_COLOURS[place % len(_COLOURS)], _MARKERS[place % len(_MARKERS)], _LINES[place % len(_LINES)])


def label(name: str, most: int = 44) -> str:
    """A name of the case or the data as a figure shows it: cut where it is long, and never taken for a formula.

    matplotlib sets text between dollar signs as mathematics, and leaves a name that begins with an underscore out of
    the legend.
    """
    shown = name if len(name) <= most else f"{name[: most - 1]}…"
    shown = f" {shown}" if shown.startswith("_") else shown
    return shown.replace("$", r"\$")


def new_figure(width: float, height: float) -> Figure:
    """An empty figure (inches) that belongs to no window and no global state."""
    from margin.report.drawing import Drawing

    return Drawing(figsize=(width, height), layout="constrained")


def axes_of(ax: Axes | None, width: float = 5.6, height: float = 3.4) -> Axes:
    """`ax`, or the axes of a new figure."""
    if ax is not None:
        return ax
    return new_figure(width, height).subplots()


def settings() -> Any:
    """Context in which figures are drawn and written."""
    import matplotlib as mpl

    return mpl.rc_context(_SETTINGS)


def caption(results: Results, text: str) -> str:
    """A caption: what is drawn, then level, method, number of draws, seed and version."""
    return f"{text} {said(computed(results))}."


def svg(figure: Figure, name: str) -> str:
    """The figure as SVG text, the same to the byte for the same data; text stays text.

    Every id starts with `name`, so that several figures stand in one page without their ids clashing.
    """
    import matplotlib as mpl

    buffer = io.StringIO()
    none = {"Date": None, "Creator": None, "Format": None, "Type": None}
    with settings(), mpl.rc_context({"svg.hashsalt": name}), warnings.catch_warnings():
        # text stays text, which the reader's own fonts show: what the measuring font lacks does not matter
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        # laid out once here: the writing would do it twice
        engine = figure.get_layout_engine()
        if engine is not None:
            engine.execute(figure)
            figure.set_layout_engine("none")
        figure.savefig(buffer, format="svg", metadata=none)
    text = buffer.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{name}-\1"', text)
    text = text.replace("*{stroke-linejoin", f"#{name} *{{stroke-linejoin")
    return text.replace("<svg ", f'<svg id="{name}" ', 1)


def inline(svg_text: str, label: str) -> str:
    """SVG text to stand inside a page: no XML prologue, no fixed size, named for those who cannot see it."""
    from html import escape

    body = svg_text[svg_text.index("<svg ") :]
    opening, rest = body.split(">", 1)
    opening = re.sub(r'\s(width|height)="[^"]*"', "", opening)
    return f'{opening} role="img" aria-label="{escape(label)}">{rest}'
