"""How figures look: colours, markers, captions and the way they are written as SVG."""

from __future__ import annotations

import io
import re
import warnings
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from margin.chain.parameter import CAUSES
from margin.estimates.findings import computed
from margin.estimates.results import Results
from margin.messages.sentences import said

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe and Ito (2002), as matplotlib lists them; these have enough contrast on white for lines and text.
BLUE, VERMILLION, GREEN, PURPLE = "#0072B2", "#D55E00", "#009E73", "#CC79A7"
# sky and orange have too little: marks in them are edged in black
SKY, ORANGE = "#56B4E9", "#E69F00"
# near black, so that it can be told from the colours of a picture and give way to the colour of the page's text
BLACK = "#101010"
GREY = "#767676"

_COLOURS = (VERMILLION, BLUE, GREEN, PURPLE, BLACK, ORANGE, SKY)
_PALE = (SKY, ORANGE)
_MARKERS = ("o", "s", "^", "D", "v", "P", "X", "<", "h")
_LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)), (0, (1, 2)), (0, (3, 1, 1, 1)))
_OTHER_CAUSES: tuple[str, ...] = ("few units measured",)
_AT_CALIBRATION = " at the calibration"

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
    # written beside every text of a figure: matplotlib's own list is ten times as long
    "font.sans-serif": ["DejaVu Sans", "Arial"],
    "text.color": BLACK,
    "axes.edgecolor": BLACK,
    "axes.labelcolor": BLACK,
    "xtick.color": BLACK,
    "ytick.color": BLACK,
    "patch.edgecolor": BLACK,
    "hatch.linewidth": 0.6,
}
_GEOMETRY = re.compile(r'(?<=\s)(?:d|x|y|x1|y1|x2|y2|transform|points)="[^"]*"')
"""Attributes of an element that place it."""
_LONG = re.compile(r"\d+\.\d{3,}(?:e-?\d+)?")
"""A number with more than two decimals."""
_REM_A_POINT = 0.09
"""Width of a figure on a page for each point that it is wide."""
_UNTURNED = re.compile(r' transform="rotate\(-?0 [^"]*\)"')
"""A rotation by nothing, which matplotlib writes with every text."""
_PADDING = 0.5
"""Space around the axes, in multiples of the font size."""


@dataclass(frozen=True)
class Look:
    """What tells one calibration option, or one cause, from another in every figure: colour, marker and line together.

    edge    of the marker: its colour, or black where that is pale
    filled  whether the marker is; causes beyond the first seven have open ones
    """

    colour: str
    marker: str
    line: Any
    filled: bool = True

    @property
    def fill(self) -> str:
        """Colour inside the marker."""
        return self.colour if self.filled else "none"

    @property
    def edge(self) -> str:
        return BLACK if self.colour in _PALE and self.filled else self.colour


def look(results: Results, option: str) -> Look:
    """The look of an option, by its place in the study."""
    return _look([found.name for found in results.options].index(option))


def look_of_cause(cause: str) -> Look:
    """The look of a cause, by its name: the same whatever its rank, the option, the load or the case.

    What a cause does at the calibration has its colour and the marker and line of another.
    """
    base, at, _ = cause.partition(_AT_CALIBRATION)
    known = (*CAUSES, *_OTHER_CAUSES)
    # a name that no element declares still gets one look
    place = known.index(base) if base in known else len(known) + sum(base.encode()) % 7
    own = replace(_look(place), filled=place < len(_COLOURS))
    return own if not at else replace(own, marker=_MARKERS[(place + 4) % len(_MARKERS)], line=":")


def plain_look(place: int) -> Look:
    """Look number `place`, from 0, of a few things that are neither options nor causes."""
    return _look(place)


def _look(place: int) -> Look:
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
    from matplotlib.layout_engine import TightLayoutEngine

    from margin.report.drawing import Drawing

    # one pass over the texts, for the same margins: the constrained layout makes two, as does a rectangle
    no_rectangle: Any = None
    return Drawing(figsize=(width, height), layout=TightLayoutEngine(pad=_PADDING, rect=no_rectangle))


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

    Every id starts with `name`, so that several figures stand in one page without their ids clashing. The ground is
    transparent and black follows the colour of the text around the picture (`in_current_colour`).
    """
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    buffer = io.StringIO()
    none = {"Date": None, "Creator": None, "Format": None, "Type": None}
    with settings(), mpl.rc_context({"svg.hashsalt": name}), warnings.catch_warnings():
        # text stays text, which the reader's own fonts show: what the measuring font lacks does not matter
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message="Matplotlib currently does not support")
        # laid out and drawn once each: `savefig` would do both twice
        engine = figure.get_layout_engine()
        if engine is not None:
            engine.execute(figure)
            figure.set_layout_engine("none")
        grounds = [figure.patch, *(axes.patch for axes in figure.axes)]
        seen = [ground.get_visible() for ground in grounds]
        for ground in grounds:
            ground.set_visible(False)
        canvas, dpi = figure.canvas, figure.dpi
        writer: Any = FigureCanvasSVG(figure)
        writer.print_svg(buffer, metadata=none)
        figure.set_canvas(canvas)
        figure.dpi = dpi
        for ground, visible in zip(grounds, seen, strict=True):
            ground.set_visible(visible)
    text = buffer.getvalue()
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', text)
    text = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", text)
    text = re.sub(r'href="#([^"]+)"', rf'href="#{name}-\1"', text)
    text = text.replace("*{stroke-linejoin", f"#{name} *{{stroke-linejoin")
    return in_current_colour(short_numbers(text).replace("<svg ", f'<svg id="{name}" ', 1))


def short_numbers(svg_text: str) -> str:
    """SVG text with its coordinates to hundredths of a point, which no screen or printer resolves."""
    found = _GEOMETRY.sub(lambda found: _LONG.sub(_hundredths, " ".join(found[0].split())), svg_text)
    return _UNTURNED.sub("", found)


def _hundredths(found: re.Match[str]) -> str:
    return f"{float(found[0]):.2f}".rstrip("0").rstrip(".")


def in_current_colour(svg_text: str) -> str:
    """SVG text whose black lines, fills and texts take the colour of the text around them (CSS `currentColor`).

    In a page with a dark ground they are then light; a picture that stands alone shows them black. Texts that name no
    fill are black in SVG, and follow too.
    """
    found = re.sub(rf"(fill|stroke): ?(?:{BLACK}|#000000)\b", r"\1: currentColor", svg_text)
    found = re.sub(rf'(fill|stroke)="(?:{BLACK}|#000000)"', r'\1="currentColor"', found)
    return re.sub(r'<text style="(?![^"]*fill:)', '<text style="fill: currentColor; ', found)


def inline(svg_text: str, label: str) -> str:
    """SVG text to stand inside a page: no XML prologue, no fixed size, named for those who cannot see it."""
    from html import escape

    body = re.sub(r">\s+<", "><", svg_text[svg_text.index("<svg ") :])
    opening, rest = body.split(">", 1)
    opening = re.sub(r'\s(width|height)="[^"]*"', "", opening)
    box = re.search(r'viewBox="\S+ \S+ (\S+) ', opening)
    # as wide as gives the texts of all figures one size
    wide = f' style="--wide: {_REM_A_POINT * float(box[1]):.1f}rem"' if box else ""
    return f'{opening}{wide} role="img" aria-label="{escape(label)}">{rest}'
