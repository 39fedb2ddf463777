"""How a result shows itself: as text, as simple HTML in a notebook, and as figures."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

from distributions.errors import InvalidArgument
from margin.report import style
from margin.report.blocks import Term
from margin.report.figures import figure_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


class Shown:
    """A result that shows the same screen printed and named in an interpreter; a notebook shows it as HTML."""

    def __repr__(self) -> str:
        return str(self)


def drawn(draw: Callable[[], Axes | Sequence[Axes]]) -> Figure:
    """The figure that `draw` draws on, in the style of the report; no window and no global state has it."""
    with style.settings():
        axes = draw()
    return figure_of(axes[0] if isinstance(axes, Sequence) else axes)


def require_known(what: str, name: str, known: Iterable[str]) -> str:
    """`name` if it is one of `known`, else InvalidArgument with those that there are."""
    there = list(dict.fromkeys(known))
    if name not in there:
        raise InvalidArgument(f"no {what} {name!r}; there are {', '.join(map(repr, there)) or 'none'}")
    return name


def paragraph(label: str, text: str) -> str:
    """A labelled sentence, as HTML."""
    return f"<p><strong>{escape(label)}</strong> {escape(text)}</p>"


def listing(items: Iterable[tuple[str, str]]) -> str:
    """Labelled sentences as a list, as HTML."""
    lines = "".join(f"<li>{escape(f'{label} {text}'.strip())}</li>" for label, text in items)
    return f"<ul>{lines}</ul>"


def table(columns: Sequence[str], rows: Iterable[Sequence[str]], caption: str = "") -> str:
    """A table of texts, as HTML."""
    head = "".join(f"<th>{_cell(name)}</th>" for name in columns)
    body = "".join("<tr>" + "".join(f"<td>{_cell(text)}</td>" for text in row) + "</tr>" for row in rows)
    above = f"<caption>{escape(caption)}</caption>" if caption else ""
    return f"<table>{above}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _cell(text: str) -> str:
    """A text of a table as HTML, a term with its definition."""
    return text.__html__() if isinstance(text, Term) else escape(text)
