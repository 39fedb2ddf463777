"""From operations as the chain writes them to those that a kernel has."""

from __future__ import annotations

import math

import numpy as np

from margin.backends.compiled.composed import COMPOSED
from margin.backends.compiled.graph import POINT, Graph, Node

_LOG10_E = 1.0 / math.log(10.0)

_MOST_FACTORS = 16
"""Of more, a power is found by its logarithm, to as many digits."""


def lowered(graph: Graph, node: Node, args: tuple[Node, ...]) -> Node:
    """Rule for `rewritten`. Powers become exponentials of logarithms, so that each is taken where it varies."""
    match node.op:
        case "square":
            return graph.apply("multiply", args[0], args[0])
        case "log10":
            return graph.apply("multiply", graph.apply("log", args[0]), graph.constant(_LOG10_E))
        case "hypot":
            squares = [graph.apply("multiply", a, a) for a in args]
            return graph.apply("sqrt", graph.apply("add", *squares))
        case "power":
            return _power(graph, *args)
        case "divide":
            return _quotient(graph, *args)
        case "minimum" | "maximum":
            return _limited(graph, node.op, *args)
        case _ if node.op in COMPOSED:
            return COMPOSED[node.op](graph, *args)
        case "cell" if isinstance(node.extra, tuple):
            return graph.cell(args[0], node.extra)
        case "constant" | "table" | "drawn" | "given" | "argument":
            return graph.node(node.op, args, node.shape, node.extra)
        case _:
            return graph.apply(node.op, *args)


def _power(graph: Graph, base: Node, exponent: Node) -> Node:
    number = exponent.single
    if number == 1.0:
        return base
    if number == 2.0:
        return graph.apply("multiply", base, base)
    if number == 0.5:
        return graph.apply("sqrt", base)
    if number is not None and number.is_integer():
        return _whole_power(graph, base, int(number))
    if base.op == "constant" and np.all(base.values > 0.0):
        logarithm = graph.constant(np.log(base.values))
    else:
        logarithm = graph.apply("log", base)
    return graph.apply("exp", graph.apply("multiply", exponent, logarithm))


def _whole_power(graph: Graph, base: Node, exponent: int) -> Node:
    """A whole number of factors, also of what is negative."""
    if exponent == 0:
        return graph.constant(1.0)
    if abs(exponent) > _MOST_FACTORS:
        logarithm = graph.apply("log", graph.apply("absolute", base))
        size = graph.apply("exp", graph.apply("multiply", graph.constant(float(exponent)), logarithm))
        return graph.apply("copysign", size, base) if exponent % 2 else size
    found, square, left = None, base, abs(exponent)
    while left:
        if left % 2:
            found = square if found is None else graph.apply("multiply", found, square)
        left //= 2
        square = graph.apply("multiply", square, square) if left else square
    product = base if found is None else found
    return graph.apply("divide", graph.constant(1.0), product) if exponent < 0 else product


def _quotient(graph: Graph, above: Node, below: Node) -> Node:
    """A quotient by a power of two is a product, to the bit."""
    if below.op == "constant" and np.all(np.abs(np.frexp(below.values)[0]) == 0.5):
        return graph.apply("multiply", above, graph.constant(1.0 / below.values))
    return graph.apply("divide", above, below)


def _limited(graph: Graph, op: str, value: Node, limit: Node) -> Node:
    """A limit of plus or minus infinity on the far side limits nothing."""
    none = math.inf if op == "minimum" else -math.inf
    if limit.single == none:
        return value
    if value.single == none:
        return limit
    # a constant stands last: the kernel's limit then hands on what is not a number
    if value.op == "constant" and value.shape in (POINT, limit.shape):
        value, limit = limit, value
    return graph.apply(op, value, limit)
