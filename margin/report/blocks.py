"""What a page is made of: sections of paragraphs, lists, tables and figures, without any markup."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from margin.estimates import numbers
from margin.estimates.results import Results
from margin.report import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Table:
    """A table; the first `text_columns` columns hold words, the rest numbers, the last words if so said."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    text_columns: int = 1
    last_is_text: bool = False

    def is_text(self, column: int) -> bool:
        """Whether the column (from 0) holds words."""
        return column < self.text_columns or (self.last_is_text and column == len(self.columns) - 1)

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


Block = Table | Picture | Text | Listing


@dataclass(frozen=True)
class Section:
    """A heading and what stands under it."""

    heading: str
    blocks: tuple[Block, ...] = field(default=())

    @property
    def anchor(self) -> str:
        """Name for links to it."""
        return "-".join("".join(c if c.isalnum() else " " for c in self.heading.lower()).split())

    @property
    def pictures(self) -> tuple[Picture, ...]:
        return tuple(block for block in self.blocks if isinstance(block, Picture))


def picture(name: str, figure: Figure, caption: str, alternative: str) -> Picture:
    """A figure drawn once, for the page and for its own file."""
    return Picture(name, style.svg(figure, name), caption, alternative)


def cell(row: pd.Series, name: str, scale: numbers.Scale) -> str:
    """A number of a row with its interval (columns `name`, `name`_low, `name`_high), unit in the heading."""
    bare = numbers.Scale(scale.factor, "")
    value, low, high = (_number(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
    return numbers.with_interval(value, low, high, scale=bare)


def cell_digits(row: pd.Series, name: str, scale: numbers.Scale) -> str:
    """A number of a row to the digits that its interval supports, the interval not shown."""
    bare = numbers.Scale(scale.factor, "")
    value, low, high = (_number(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
    return numbers.value_only(value, low, high, scale=bare)


def cell_plain(row: pd.Series, name: str, scale: numbers.Scale, reason: str = numbers.NO_REASON) -> str:
    """A number of a row that has no interval, to three digits."""
    return numbers.plain(_number(row[name]), scale=numbers.Scale(scale.factor, ""), reason=reason)


def newtons(results: Results) -> numbers.Scale:
    """One unit of force for all tables of a study."""
    return numbers.scale_for([results.case.load_high], "N")


def _number(value: object) -> float:
    return float("nan") if value is None else float(str(value))
