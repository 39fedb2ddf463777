"""Operations of numpy that a kernel computes from others."""

from __future__ import annotations

import math
from collections.abc import Callable

from margin.backends.compiled.graph import Graph, Node

_LARGE = 2.0**28
"""From here on the area functions are log(2 x) to the last bit."""


def _sign(graph: Graph, x: Node) -> Node:
    """What is not a number goes on as such."""
    zero, one, less = (graph.constant(number) for number in (0.0, 1.0, -1.0))
    # a zero counts as positive whatever its sign
    held = graph.apply("where", graph.apply("equal", x, zero), zero, x)
    below = graph.apply("where", graph.apply("less", x, zero), less, held)
    return graph.apply("where", graph.apply("greater", x, zero), one, below)


def _heaviside(graph: Graph, x: Node, at_zero: Node) -> Node:
    zero = graph.constant(0.0)
    held = graph.apply("where", graph.apply("equal", x, zero), at_zero, x)
    below = graph.apply("where", graph.apply("less", x, zero), zero, held)
    return graph.apply("where", graph.apply("greater", x, zero), graph.constant(1.0), below)


def _of_numbers(op: str) -> Callable[[Graph, Node, Node], Node]:
    """Smaller or larger of two, where one is not a number the other."""

    def extreme(graph: Graph, a: Node, b: Node) -> Node:
        both = graph.apply("where", _nan(graph, a), b, graph.apply(op, a, b))
        return graph.apply("where", _nan(graph, b), a, both)

    return extreme


def _nan(graph: Graph, x: Node) -> Node:
    return graph.apply("not_equal", x, x)


def _infinite(graph: Graph, x: Node) -> Node:
    return graph.apply("equal", graph.apply("absolute", x), graph.constant(math.inf))


def _reciprocal(graph: Graph, x: Node) -> Node:
    return graph.apply("divide", graph.constant(1.0), x)


def _scaled(factor: float) -> Callable[[Graph, Node], Node]:
    return lambda graph, x: graph.apply("multiply", x, graph.constant(factor))


def _log_of_twice(graph: Graph, x: Node) -> Node:
    return graph.apply("add", graph.apply("log", x), graph.constant(math.log(2.0)))


def _area_sine(graph: Graph, x: Node) -> Node:
    """arcsinh(x) = log(1 + a + a^2 / (1 + root(1 + a^2))) of a = |x|, with the sign of x."""
    one, size = graph.constant(1.0), graph.apply("absolute", x)
    square = graph.apply("multiply", size, size)
    root = graph.apply("sqrt", graph.apply("add", square, one))
    more = graph.apply("add", size, graph.apply("divide", square, graph.apply("add", root, one)))
    large = graph.apply("greater", size, graph.constant(_LARGE))
    found = graph.apply("where", large, _log_of_twice(graph, size), graph.apply("log1p", more))
    return graph.apply("copysign", found, x)


def _area_cosine(graph: Graph, x: Node) -> Node:
    """arccosh(x) = log(1 + t + root(2 t + t^2)) of t = x - 1."""
    t = graph.apply("subtract", x, graph.constant(1.0))
    roots = (graph.apply("sqrt", each) for each in (t, graph.apply("add", t, graph.constant(2.0))))
    more = graph.apply("add", t, graph.apply("multiply", *roots))
    large = graph.apply("greater", x, graph.constant(_LARGE))
    return graph.apply("where", large, _log_of_twice(graph, x), graph.apply("log1p", more))


def _area_tangent(graph: Graph, x: Node) -> Node:
    """arctanh(x) = log(1 + 2 a / (1 - a)) / 2 of a = |x|, with the sign of x."""
    size = graph.apply("absolute", x)
    rest = graph.apply("subtract", graph.constant(1.0), size)
    ratio = graph.apply("divide", graph.apply("multiply", graph.constant(2.0), size), rest)
    half = graph.apply("multiply", graph.constant(0.5), graph.apply("log1p", ratio))
    return graph.apply("copysign", half, x)


COMPOSED: dict[str, Callable[..., Node]] = {
    "sign": _sign,
    "heaviside": _heaviside,
    "fmin": _of_numbers("minimum"),
    "fmax": _of_numbers("maximum"),
    "nan": _nan,
    "infinite": _infinite,
    "reciprocal": _reciprocal,
    "radians": _scaled(math.pi / 180.0),
    "degrees": _scaled(180.0 / math.pi),
    "arcsinh": _area_sine,
    "arccosh": _area_cosine,
    "arctanh": _area_tangent,
}
"""Operation -> how a graph has it."""
