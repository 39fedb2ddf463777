"""What a page is made of: sections of paragraphs, lists, tables and figures, without any markup."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING

import pandas as pd

from margin.estimates import numbers
from margin.estimates.number_columns import stated_column
from margin.report import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Term(str):
    """A term of the trade: text like any other, which on a page carries its definition.

    definition  one or two sentences; a page shows them beside the pointer and under the keyboard's focus
    name        of the term in the glossary, by default the text itself
    source      of the definition; '' where it is part of the data
    """

    definition: str
    name: str
    source: str

    def __new__(cls, text: str, definition: str, name: str = "", source: str = "") -> Term:
        term = super().__new__(cls, text)
        term.definition, term.name, term.source = definition, name or text, source
        return term

    def __html__(self) -> str:
        """The term as HTML: template engines take it for markup."""
        return f'<abbr class="term" tabindex="0" title="{escape(self.definition)}">{escape(str(self))}</abbr>'


LONG = 12
"""Rows from which a table is folded, with their count in its caption."""


WORDY = 40
"""Characters of a cell from which its column keeps a width for several words."""


@dataclass(frozen=True)
class Table:
    """A table; the first `text_columns` columns hold words, the rest numbers, the last words if so said.

    folded  closed until it is opened, however short
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    text_columns: int = 1
    last_is_text: bool = False
    folded: bool = False

    @property
    def long(self) -> bool:
        """Whether it is folded: as asked, or because it has many rows."""
        return self.folded or len(self.rows) > LONG

    def is_text(self, column: int) -> bool:
        """Whether the column (from 0) holds words."""
        return column < self.text_columns or (self.last_is_text and column == len(self.columns) - 1)

    def is_wordy(self, column: int) -> bool:
        """Whether cells of a column of words are so long that it must not be squeezed to the width of a word."""
        return self.is_text(column) and max((len(row[column]) for row in self.rows), default=0) > WORDY

    @property
    def kind(self) -> str:
        return "table"


@dataclass(frozen=True)
class Picture:
    """A figure as SVG text with its caption and a sentence for those who cannot see it."""

    name: str
    svg: str
    caption: str
    alternative: str

    @property
    def kind(self) -> str:
        return "picture"

    @property
    def inline(self) -> str:
        """The SVG as it stands inside a page."""
        return style.inline(self.svg, self.alternative)


@dataclass(frozen=True)
class Text:
    """A paragraph; `warning` sets it off."""

    text: str
    warning: bool = False

    @property
    def kind(self) -> str:
        return "text"


@dataclass(frozen=True)
class Listing:
    """A list of sentences with a lead; 'nothing' where there is none."""

    lead: str
    items: tuple[str, ...]

    @property
    def kind(self) -> str:
        return "list"


@dataclass(frozen=True)
class Fragment:
    """HTML that another module has made whole, such as the controls of 'what if'."""

    html: str

    @property
    def kind(self) -> str:
        return "fragment"


@dataclass(frozen=True)
class Row:
    """Cells of blocks side by side where the window is wide enough, else below each other."""

    cells: tuple[tuple[Block, ...], ...]

    @property
    def kind(self) -> str:
        return "row"


@dataclass(frozen=True)
class ByOption:
    """Blocks for each calibration option, in the order of the study; those of the option in focus are shown.

    focus  place of the option that is in focus until the reader chooses another
    """

    variants: tuple[tuple[Block, ...], ...]
    focus: int = 0

    @property
    def kind(self) -> str:
        return "by option"


Block = Table | Picture | Text | Listing | Fragment | Row | ByOption


@dataclass(frozen=True)
class Section:
    """A heading and the blocks under it.

    folded   closed until it is opened; its answer stands in the heading
    answers  by calibration option, in place of `answer` where options differ; `focus` is the place of the one shown
    first    the page that is to be read on its own, and printed on one sheet
    """

    heading: str
    blocks: tuple[Block, ...] = field(default=())
    folded: bool = False
    answer: str = ""
    answers: tuple[str, ...] = ()
    focus: int = 0
    first: bool = False

    @property
    def anchor(self) -> str:
        """Name for links to it."""
        return "-".join("".join(c if c.isalnum() else " " for c in self.heading.lower()).split())

    @property
    def pictures(self) -> tuple[Picture, ...]:
        """Its figures; of those drawn for each option, the ones of the option in focus."""
        return tuple(block for block in flat(self.blocks) if isinstance(block, Picture))


def flat(blocks: Iterable[Block]) -> Iterator[Block]:
    """Blocks with those inside rows, and those of the option in focus, in their place."""
    for block in blocks:
        if isinstance(block, Row):
            for cell in block.cells:
                yield from flat(cell)
        elif isinstance(block, ByOption):
            yield from flat(block.variants[block.focus])
        else:
            yield block


def pictures(parts: Iterable[Section]) -> tuple[Picture, ...]:
    """All figures of a page."""
    return tuple(shown for part in parts for shown in part.pictures)


def figure_files(parts: Iterable[Section]) -> dict[str, str]:
    """SVG texts of the figures of a page by the name of their file."""
    return {f"{shown.name}.svg": shown.svg for shown in pictures(parts)}


def picture(name: str, figure: Figure, caption: str, alternative: str) -> Picture:
    """A figure drawn once, for the page and for its own file."""
    return Picture(name, style.svg(figure, name), caption, alternative)


def forces(rows: Iterable[pd.Series], *names: str) -> numbers.Scale:
    """One unit for all forces of a table: that of the largest number in its columns."""
    return numbers.scale_for([float(row[name]) for row in rows for name in names], "N")


def bare(scale: numbers.Scale) -> numbers.Scale:
    """The scale of cells whose heading has the unit."""
    return numbers.Scale(scale.factor, "")


def loads_of(rows: Sequence[pd.Series]) -> tuple[tuple[str, ...], str]:
    """Loads of a table in one format, and their unit for the heading."""
    scale = forces(rows, "load_N")
    return stated_column([float(row["load_N"]) for row in rows], bare(scale)), scale.unit
