"""Measures as an engineer buys them, and the cheapest set of them that reaches the required yield."""

from margin.design.measures.draft import propose
from margin.design.measures.engine import Engine
from margin.design.measures.measure import Measure, Measures, Prices
from margin.design.measures.read import load_measures, read_measures
from margin.design.measures.result import Improvement, SetResult
from margin.design.measures.search import Effort, cheapest

__all__ = [
    "Effort", "Engine", "Improvement", "Measure", "Measures", "Prices", "SetResult", "cheapest", "load_measures",
    "propose", "read_measures",
]  # fmt: skip
