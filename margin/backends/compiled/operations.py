"""What operations of numpy are in a graph, and what must hold for what is recorded."""

from __future__ import annotations

from typing import Any

import numpy as np

from distributions.errors import MarginError
from margin.backends.compiled.graph import Graph, Node
from margin.backends.compiled.vector_angles import LARGEST_ANGLE, LARGEST_QUOTIENT


class NotTraceable(MarginError, TypeError):
    """What was asked of a recorded array has no counterpart in a kernel: the plain path must be taken.

    what     that was asked for, and where
    instead  what a kernel has in its place
    """

    def __init__(self, what: str, instead: str = "") -> None:
        super().__init__(what, instead)
        self.what, self.instead = what, instead

    def __str__(self) -> str:
        return f"{self.what}: {self.instead}" if self.instead else self.what


OPERATIONS: dict[Any, str] = {
    np.add: "add",
    np.subtract: "subtract",
    np.multiply: "multiply",
    np.divide: "divide",
    np.power: "power",
    np.float_power: "power",
    np.negative: "negative",
    np.absolute: "absolute",
    np.fabs: "absolute",
    np.square: "square",
    np.sqrt: "sqrt",
    np.exp: "exp",
    np.log: "log",
    np.log10: "log10",
    np.sin: "sin",
    np.cos: "cos",
    np.arccos: "arccos",
    np.hypot: "hypot",
    np.minimum: "minimum",
    np.maximum: "maximum",
    np.rint: "round",
    np.less: "less",
    np.less_equal: "less_equal",
    np.greater: "greater",
    np.greater_equal: "greater_equal",
    np.equal: "equal",
    np.not_equal: "not_equal",
    np.logical_and: "and",
    np.bitwise_and: "and",
    np.logical_or: "or",
    np.bitwise_or: "or",
    np.logical_not: "not",
    np.invert: "not",
    np.isfinite: "finite",
    np.tanh: "tanh",
    np.sinh: "sinh",
    np.cosh: "cosh",
    np.arcsinh: "arcsinh",
    np.arccosh: "arccosh",
    np.arctanh: "arctanh",
    np.expm1: "expm1",
    np.exp2: "exp2",
    np.log1p: "log1p",
    np.log2: "log2",
    np.cbrt: "cbrt",
    np.tan: "tan",
    np.arcsin: "arcsin",
    np.arctan: "arctan",
    np.arctan2: "arctan2",
    np.deg2rad: "radians",
    np.radians: "radians",
    np.rad2deg: "degrees",
    np.degrees: "degrees",
    np.floor: "floor",
    np.ceil: "ceil",
    np.trunc: "trunc",
    np.sign: "sign",
    np.copysign: "copysign",
    np.heaviside: "heaviside",
    np.fmin: "fmin",
    np.fmax: "fmax",
    np.remainder: "remainder",
    np.fmod: "fmod",
    np.floor_divide: "floor_divide",
    np.reciprocal: "reciprocal",
    np.isnan: "nan",
    np.isinf: "infinite",
    np.logical_xor: "xor",
    np.bitwise_xor: "xor",
}

_LOGICAL = frozenset({"and", "or", "not"})
_OF_TRUTHS = {
    "multiply": "and", "minimum": "and", "fmin": "and", "add": "or", "maximum": "or", "fmax": "or", "not_equal": "xor",
}  # fmt: skip
"""What numpy makes of two truths."""


class Recorder:
    """The graph in the making, and what must hold for it: nodes that must be true in every unit."""

    def __init__(self) -> None:
        self.graph = Graph()
        self.required: dict[int, Node] = {}

    def require(self, node: Node) -> None:
        self.required[node.number] = node

    def record(self, op: str, args: tuple[Node, ...]) -> Node:
        """Operation on nodes; beyond the range of a kernel's function its block takes the plain path."""
        node = applied(self.graph, op, args)
        if op == "tan":
            self._require_below(node.args[0], LARGEST_ANGLE)
        elif op in ("remainder", "fmod", "floor_divide"):
            self._require_below(self.graph.apply("divide", *node.args), LARGEST_QUOTIENT)
        return node

    def _require_below(self, node: Node, limit: float) -> None:
        if node.single is None or not abs(node.single) < limit:
            size = self.graph.apply("absolute", node)
            beyond = self.graph.apply("greater_equal", size, self.graph.constant(limit))
            self.require(self.graph.apply("not", beyond))


def applied(graph: Graph, op: str, args: tuple[Node, ...]) -> Node:
    if op in _LOGICAL:
        return _logical(graph, op, args)
    if op == "xor":
        return _either(graph, *(truth_of(graph, a) for a in args))
    if op == "where":
        condition, *branches = args
        return _chosen(graph, truth_of(graph, condition), *branches)
    if args and all(a.is_truth for a in args):
        if op in _OF_TRUTHS:
            return applied(graph, _OF_TRUTHS[op], args)
        if op in ("subtract", "negative"):
            raise NotTraceable(f"numpy.{op} of true and false", "numpy has none: use numpy.logical_xor or ~")
    return graph.apply(op, *(number_of(graph, a) for a in args))


def _either(graph: Graph, one: Node, other: Node) -> Node:
    """Exactly one of two truths."""
    first = graph.apply("and", one, graph.apply("not", other))
    return graph.apply("or", first, graph.apply("and", graph.apply("not", one), other))


def _chosen(graph: Graph, condition: Node, yes: Node, no: Node) -> Node:
    if yes.is_truth and no.is_truth:
        first = graph.apply("and", condition, yes)
        return graph.apply("or", first, graph.apply("and", graph.apply("not", condition), no))
    return graph.apply("where", condition, number_of(graph, yes), number_of(graph, no))


def _logical(graph: Graph, op: str, args: tuple[Node, ...]) -> Node:
    """And, or, not; a constant true or false decides or drops out."""
    if op == "not":
        return graph.apply("not", truth_of(graph, args[0]))
    for this, other in (args, args[::-1]):
        if this.single is not None:
            decides = bool(this.single) == (op == "or")
            return this if decides else truth_of(graph, other)
    return graph.apply(op, *(truth_of(graph, a) for a in args))


def truth_of(graph: Graph, node: Node) -> Node:
    """True where a number is not zero."""
    return node if node.is_truth else graph.apply("not_equal", node, graph.constant(0.0))


def number_of(graph: Graph, node: Node) -> Node:
    """1 where true, 0 elsewhere."""
    if not node.is_truth:
        return node
    return graph.apply("where", node, graph.constant(1.0), graph.constant(0.0))
