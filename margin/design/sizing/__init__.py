"""Values of reference, resistors, ratios and filter for the sensors and loads of a case, over preferred values."""

from margin.design.sizing.design_trials import Trial
from margin.design.sizing.designs import Design
from margin.design.sizing.find_designs import Ranked, Sizing, size_case
from margin.design.sizing.part_table import PartTable, SizingError, read_parts, wish

__all__ = [
    "Design", "PartTable", "Ranked", "Sizing", "SizingError", "Trial", "read_parts", "size_case", "wish",
]  # fmt: skip
