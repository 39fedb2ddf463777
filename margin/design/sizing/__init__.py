"""Values of reference, resistors, ratios and filter for the sensors and loads of a case, over preferred values."""

from margin.design.sizing.designs import Design, command_of
from margin.design.sizing.parts import PartTable, SizingError, read_parts, wish
from margin.design.sizing.search import Ranked, Sizing, size_case
from margin.design.sizing.trials import Trial

__all__ = [
    "Design", "PartTable", "Ranked", "Sizing", "SizingError", "Trial", "command_of", "read_parts", "size_case", "wish",
]  # fmt: skip
