"""A recorded graph evaluated by numpy, operation by operation: what a kernel must give."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from scipy.special import ndtri

from margin.backends.compiled.graph import Node, needed_for
from margin.backends.compiled.tables import NUMPY
from margin.backends.compiled.trace import Trace
from margin.propagation.draws import StreamSource

OPERATIONS: dict[str, Any] = {
    **NUMPY, "power": np.power, "square": np.square, "log10": np.log10, "hypot": np.hypot, "normal_quantile": ndtri,
}  # fmt: skip


def uniforms(trace: Trace, source: StreamSource, name: str) -> np.ndarray[Any, Any]:
    """Uniforms that a kernel draws itself, (unit, condition, loading, reading, load)."""
    drawn = trace.drawn[name]
    shape = (source.count, *drawn.shape)
    if len(drawn.streams) == 1:
        return source.stream.uniforms(name, source.start * drawn.each, source.count * drawn.each).reshape(
            shape
        )
    found = np.empty(shape)
    _, _, readings, loads = drawn.shape
    for number, stream in enumerate(drawn.streams):
        placement, load = divmod(number, loads)
        part = source.stream.uniforms(stream, source.start * readings, source.count * readings)
        found[:, 0, placement, :, load] = part.reshape(source.count, readings)
    return found


def evaluated(
    trace: Trace,
    source: StreamSource,
    ends: tuple[Node, ...],
    computed: Mapping[str, np.ndarray[Any, Any]] | None = None,
) -> dict[int, np.ndarray[Any, Any]]:
    """Values of the nodes that the ends need, by number; computed: name -> what is computed outside of the graph."""
    found: dict[int, np.ndarray[Any, Any]] = {}
    for node in needed_for(ends):
        args = [found[a.number] for a in node.args]
        if node.op == "constant":
            found[node.number] = node.values[None]
        elif node.op == "drawn":
            found[node.number] = uniforms(trace, source, str(node.extra))
        elif node.op == "argument":
            found[node.number] = np.ones((1, *node.shape))
        elif node.op == "given" and node.extra in (computed or {}):
            found[node.number] = (computed or {})[str(node.extra)]
        elif node.op == "given":
            given = trace.given[str(node.extra)]
            found[node.number] = np.asarray(source.deviation(given.factor, given.event))
        elif node.op == "cell":
            place = tuple(slice(i, i + 1) for i in node.extra)  # type: ignore[union-attr]
            found[node.number] = args[0][(slice(None), *place)]
        elif node.op == "table":
            found[node.number] = np.frombuffer(node.extra)[args[0].astype(int)]  # type: ignore[arg-type]
        else:
            found[node.number] = OPERATIONS[node.op](*args)
    return found
