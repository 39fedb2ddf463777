"""Blocks of each calibration option, of which the page shows those of the option in focus."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from margin.estimates.results import OptionResult, Results
from margin.report.blocks import Block, ByOption, Picture, picture

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def by_option(results: Results, blocks_of: Callable[[OptionResult], Iterable[Block]]) -> ByOption:
    """The blocks that `blocks_of` makes of each option."""
    return ByOption(tuple(tuple(blocks_of(option)) for option in results.options), focus_place(results))


def focus_place(results: Results) -> int:
    """Place of the option in focus in the order of the study."""
    return [option.name for option in results.options].index(results.focus.name)


def option_picture(
    results: Results, option: OptionResult, name: str, figure: Figure, caption: str, alternative: str
) -> Picture:
    """A figure of one option; only that of the option in focus bears the plain name, that of its file."""
    place = [found.name for found in results.options].index(option.name)
    own = name if place == focus_place(results) else f"{name}-{place + 1}"
    return picture(own, figure, caption, alternative)
