"""Bench data: reading, flags, load points."""

from margin.bench.data.flags import KINDS, SET_ASIDE
from margin.bench.data.points import at_points, load_points
from margin.bench.data.read import BenchData, read_bench
from margin.bench.data.sequence import branches

__all__ = ["KINDS", "SET_ASIDE", "BenchData", "at_points", "branches", "load_points", "read_bench"]
