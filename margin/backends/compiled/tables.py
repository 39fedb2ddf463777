"""What depends on a converter's code alone, read off a table.

Codes are few, and the design curve is the same for all units. A table costs one load where the curve costs a
logarithm, an exponential and several quotients.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from margin.backends.compiled.graph import Graph, Node, needed_for, rewritten

Array = NDArray[np.float64]

LARGEST_TABLE = 1 << 14
"""Entries that stay in the cache of a core."""

_COSTLY = frozenset(
    {
        "exp", "log", "divide", "sqrt", "sin", "cos", "arccos", "table", "tanh", "sinh", "cosh", "expm1", "exp2",
        "log1p", "log2", "cbrt", "tan", "arcsin", "arctan", "arctan2", "remainder", "fmod", "floor_divide",
    }
)  # fmt: skip

NUMPY: dict[str, Any] = {
    "add": np.add, "subtract": np.subtract, "multiply": np.multiply, "divide": np.divide,
    "negative": np.negative, "absolute": np.absolute, "sqrt": np.sqrt, "exp": np.exp, "log": np.log,
    "sin": np.sin, "cos": np.cos, "arccos": np.arccos, "minimum": np.minimum, "maximum": np.maximum,
    "round": np.rint, "less": np.less, "less_equal": np.less_equal, "greater": np.greater,
    "greater_equal": np.greater_equal, "equal": np.equal, "not_equal": np.not_equal, "and": np.logical_and,
    "or": np.logical_or, "not": np.logical_not, "finite": np.isfinite, "where": np.where,
    "tanh": np.tanh, "sinh": np.sinh, "cosh": np.cosh, "expm1": np.expm1, "exp2": np.exp2, "log1p": np.log1p,
    "log2": np.log2, "cbrt": np.cbrt, "tan": np.tan, "arcsin": np.arcsin, "arctan": np.arctan, "arctan2": np.arctan2,
    "floor": np.floor, "ceil": np.ceil, "trunc": np.trunc, "copysign": np.copysign, "remainder": np.remainder,
    "fmod": np.fmod, "floor_divide": np.floor_divide,
}  # fmt: skip
"""Elementwise operations of a kernel, as numpy has them."""


def with_tables(ends: Iterable[Node]) -> dict[int, Node]:
    """Every node that the ends need, by its number, with tables in place of functions of a code."""
    ends = list(ends)
    functions: dict[int, tuple[Node, Array, bool]] = {}
    for node in needed_for(ends):
        found = _as_function(node, functions)
        if found is not None:
            functions[node.number] = found

    def rule(graph: Graph, node: Node, args: tuple[Node, ...]) -> Node:
        known = functions.get(node.number)
        if known is not None and known[2] and not node.is_truth:
            code, values, _ = known
            return graph.node("table", (codes[code.number],), node.shape, values.tobytes())
        rebuilt = graph.node(node.op, args, node.shape, node.extra)
        if known is not None and known[0] is node:
            codes[node.number] = rebuilt
        return rebuilt

    codes: dict[int, Node] = {}
    return rewritten(ends, rule)


def _as_function(
    node: Node, functions: dict[int, tuple[Node, Array, bool]]
) -> tuple[Node, Array, bool] | None:
    """The code that a node is a function of, its values at every code, and whether it costs more than a table."""
    top = _top(node)
    if top is not None:
        return node, np.arange(top + 1, dtype=np.float64), False
    varying = [a for a in node.args if a.single is None]
    known = node.op in NUMPY or node.op == "table"
    if not known or not varying or any(a.number not in functions for a in varying):
        return None
    code = functions[varying[0].number][0]
    if any(functions[a.number][0] is not code for a in varying):
        return None
    args = [a.single if a.single is not None else functions[a.number][1] for a in node.args]
    with np.errstate(all="ignore"):
        values = _entries(node, args[0]) if node.op == "table" else NUMPY[node.op](*args)
    costly = node.op in _COSTLY or any(functions[a.number][2] for a in varying)
    return code, values, costly


def _entries(node: Node, place: Any) -> Array:
    """Entries of a table at whole numbers."""
    if not isinstance(node.extra, bytes):
        raise ValueError(f"{node.op} has no entries")
    found: Array = np.frombuffer(node.extra, dtype=np.float64)[np.asarray(place, dtype=np.intp)]
    return found


def _top(node: Node) -> int | None:
    """Highest code where a node is one: rounded, and limited to 0 and that."""
    if node.op != "minimum" or node.args[0].op != "maximum" or node.args[0].args[0].op != "round":
        return None
    low, high = node.args[0].args[1].single, node.args[1].single
    if low != 0.0 or high is None or not high.is_integer() or not 0.0 < high < LARGEST_TABLE:
        return None
    return int(high)
