"""What operations of numpy are in a graph, and what must hold for what is recorded."""

from __future__ import annotations

from typing import Any

import numpy as np

from margin.backends.compiled.graph import TRUTHS, Graph, Node


class NotTraceable(TypeError):
    """What was asked of a recorded array has no counterpart in a kernel: the plain path must be taken."""


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
}

_LOGICAL = frozenset({"and", "or", "not"})


class Recorder:
    """The graph in the making, and what must hold for it: nodes that must be true in every unit."""

    def __init__(self) -> None:
        self.graph = Graph()
        self.required: dict[int, Node] = {}

    def require(self, node: Node) -> None:
        self.required[node.number] = node


def applied(graph: Graph, op: str, args: tuple[Node, ...]) -> Node:
    if op in _LOGICAL:
        return _logical(graph, op, args)
    if op == "where":
        return graph.apply("where", _truth(graph, args[0]), *args[1:])
    if any(a.is_truth for a in args):
        raise NotTraceable("arithmetic with true and false")
    return graph.apply(op, *args)


def _logical(graph: Graph, op: str, args: tuple[Node, ...]) -> Node:
    """And, or, not; a constant true or false decides or drops out."""
    if op == "not":
        return graph.apply("not", _truth(graph, args[0]))
    for this, other in (args, args[::-1]):
        if this.single is not None:
            decides = bool(this.single) == (op == "or")
            return this if decides else _truth(graph, other)
    return graph.apply(op, *(_truth(graph, a) for a in args))


def _truth(graph: Graph, node: Node) -> Node:
    return node if node.op in TRUTHS else graph.apply("not_equal", node, graph.constant(0.0))
