"""An array that records what is done with it, so that the source of the chain can be compiled as it stands."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.lib.mixins import NDArrayOperatorsMixin

from margin.backends.compiled.graph import POINT, Node, Shape
from margin.backends.compiled.lookup import place_among, straight_between
from margin.backends.compiled.operations import OPERATIONS, Recorder, applied
from margin.backends.compiled.operations import NotTraceable as NotTraceable

UNITS = 7919
"""Length of the unit axis while recording: a prime, which no other axis has."""


class Traced(NDArrayOperatorsMixin):
    """An array (unit, condition, loading, reading, load) of a recorder's graph.

    cells  object array over the four axes behind the unit; one node each. An array that varies on axes and has
           not been taken apart is a single node, whose own axes are those on which it varies.
    shape  as it broadcasts
    """

    def __init__(self, recorder: Recorder, cells: Any, shape: Shape) -> None:
        self.recorder = recorder
        self.cells = cells
        self.axes = shape

    @classmethod
    def of(cls, recorder: Recorder, node: Node, shape: Shape | None = None) -> Traced:
        return cls(recorder, _cell_array(node), node.shape if shape is None else shape)

    @property
    def node(self) -> Node:
        """The one node of an array that has not been taken apart."""
        if self.cells.size != 1:
            raise NotTraceable(
                "an array taken apart by loads is used where one is needed that varies on axes"
            )
        node: Node = self.cells.flat[0]
        return node

    @property
    def shape(self) -> tuple[int, ...]:
        return (UNITS, *self.axes)

    @property
    def ndim(self) -> int:
        return len(self.shape)

    @property
    def size(self) -> int:
        return math.prod(self.shape)

    def __bool__(self) -> bool:
        raise NotTraceable("a branch that depends on drawn values")

    def __array__(self, *args: Any, **kwargs: Any) -> Any:
        raise NotTraceable("values of drawn arrays are asked for")

    def __float__(self) -> float:
        raise NotTraceable("the value of a drawn array is asked for")

    __int__ = __index__ = __float__

    def __iter__(self) -> Any:
        raise NotTraceable("a loop over units")

    # ---- elementwise

    def __array_ufunc__(self, ufunc: Any, method: str, *inputs: Any, **kwargs: Any) -> Any:
        op = OPERATIONS.get(ufunc)
        if op is None or method != "__call__" or kwargs:
            raise NotTraceable(f"numpy.{ufunc.__name__} ({method})")
        return self._elementwise(op, inputs)

    def _elementwise(self, op: str, inputs: tuple[Any, ...]) -> Traced:
        parts = [_as_traced(self.recorder, value) for value in inputs]
        shape = _broadcast(*(p.axes for p in parts))
        graph = self.recorder.graph
        if all(p.cells.size == 1 for p in parts):
            node = applied(graph, op, tuple(p.node for p in parts))
            return Traced(self.recorder, _cell_array(node), shape)
        apart: list[Any] = [p.taken_apart().cells for p in parts]
        cells = np.empty(_broadcast(*(a.shape for a in apart)), dtype=object)
        spread: list[Any] = [np.broadcast_to(a, cells.shape) for a in apart]
        for place in np.ndindex(*cells.shape):
            cells[place] = applied(graph, op, tuple(a[place] for a in spread))
        return Traced(self.recorder, cells, shape)

    def taken_apart(self) -> Traced:
        """The same array with a node for every element behind the unit axis."""
        if self.cells.size > 1 or self.node.shape == POINT:
            return self
        node = self.node
        cells = np.empty(node.shape, dtype=object)
        for place in np.ndindex(*node.shape):
            cells[place] = self.recorder.graph.cell(node, place)
        return Traced(self.recorder, cells, self.axes)

    def entries_of(self, table: Any) -> Traced:
        """Entries of a table (entry,) of numbers; the array holds whole numbers, places in it."""
        cells = np.empty_like(self.cells)
        for place in np.ndindex(*cells.shape):
            cells[place] = self.recorder.graph.entry(table, self.cells[place])
        return Traced(self.recorder, cells, self.axes)

    # ---- along axes

    def __getitem__(self, key: Any) -> Traced:
        keys = list(key) if isinstance(key, tuple) else [key]
        if Ellipsis in [k for k in keys if not isinstance(k, list)]:
            place = next(i for i, k in enumerate(keys) if k is Ellipsis)
            keys[place : place + 1] = [slice(None)] * (self.ndim - len(keys) + 1)
        keys += [slice(None)] * (self.ndim - len(keys))
        if len(keys) != self.ndim or keys[0] != slice(None):
            raise NotTraceable("an index that selects units or adds axes")
        if any(not isinstance(k, slice | list) for k in keys):
            raise NotTraceable("an index that removes axes")
        if all(
            k == slice(None) or (n == 1 and k == slice(None, 1))
            for k, n in zip(keys[1:], self.axes, strict=True)
        ):
            return self
        whole = np.broadcast_to(self.taken_apart().cells, self.axes)
        for axis, k in enumerate(keys[1:]):
            whole = whole[(slice(None),) * axis + (k,)]
        return Traced(self.recorder, whole, _shape4(whole.shape))

    def _folded(self, axis: Any, keepdims: bool, step: Callable[[Node, Node], Node]) -> tuple[Traced, int]:
        """Elements along axes joined one after the other, and how many were."""
        axes = sorted({a % self.ndim for a in ((axis,) if isinstance(axis, int) else axis)})
        if not keepdims or 0 in axes:
            raise NotTraceable("a sum over units, or one that removes axes")
        whole = np.broadcast_to(self.taken_apart().cells, self.axes)
        kept = _shape4(tuple(1 if i + 1 in axes else n for i, n in enumerate(self.axes)))
        cells = np.empty(kept, dtype=object)
        along = [range(n) if i + 1 in axes else (None,) for i, n in enumerate(self.axes)]
        for place in np.ndindex(*kept):
            result: Node | None = None
            for moved in itertools.product(*along):
                part = whole[tuple(p if m is None else m for p, m in zip(place, moved, strict=True))]
                result = part if result is None else step(result, part)
            cells[place] = result
        return Traced(self.recorder, cells, kept), math.prod(self.axes[a - 1] for a in axes)

    def sum(self, axis: Any, keepdims: bool = False) -> Traced:
        return self._folded(axis, keepdims, lambda a, b: self.recorder.graph.apply("add", a, b))[0]

    def mean(self, axis: Any, keepdims: bool = False) -> Traced:
        total, count = self._folded(axis, keepdims, lambda a, b: self.recorder.graph.apply("add", a, b))
        result: Traced = total / float(count)
        return result

    def min(self, axis: Any, keepdims: bool = False) -> Traced:
        return self._folded(axis, keepdims, lambda a, b: self.recorder.graph.apply("minimum", a, b))[0]

    def max(self, axis: Any, keepdims: bool = False) -> Traced:
        return self._folded(axis, keepdims, lambda a, b: self.recorder.graph.apply("maximum", a, b))[0]

    # ---- tests that all values are numbers: recorded as required, and taken as passed

    def all(self) -> bool:
        node = self.node
        if node.op != "finite":
            raise NotTraceable("a branch that depends on drawn values")
        self.recorder.require(node)
        return True

    def any(self) -> bool:
        node = self.node
        if node.op != "not" or node.args[0].op != "finite":
            raise NotTraceable("a branch that depends on drawn values")
        self.recorder.require(node.args[0])
        return False

    # ---- functions of numpy

    def __array_function__(self, function: Any, types: Any, args: Any, kwargs: Any) -> Any:
        own = _FUNCTIONS.get(function)
        if own is None:
            raise NotTraceable(f"numpy.{function.__name__}")
        return own(*args, **kwargs)


class Counted(NDArrayOperatorsMixin):
    """Numbers of true readings by load, added up over conditions of use."""

    def __init__(self, nodes: tuple[Traced, ...]) -> None:
        self.nodes = nodes

    def __array_ufunc__(self, ufunc: Any, method: str, *inputs: Any, **kwargs: Any) -> Counted:
        if ufunc is not np.add or method != "__call__" or len(inputs) != 2:
            raise NotTraceable("counts of readings can only be added")
        nodes: tuple[Traced, ...] = ()
        for value in inputs:
            if isinstance(value, Counted):
                nodes += value.nodes
            elif np.any(value):
                raise NotTraceable("counts of readings begin at 0")
        return Counted(nodes)


def _cell_array(node: Node) -> Any:
    cells = np.empty((1, 1, 1, 1), dtype=object)
    cells[0, 0, 0, 0] = node
    return cells


def _shape4(shape: tuple[int, ...]) -> Shape:
    return (shape[0], shape[1], shape[2], shape[3])


def _broadcast(*shapes: tuple[int, ...]) -> Shape:
    return _shape4(np.broadcast_shapes(*shapes))


def _as_traced(recorder: Recorder, value: Any) -> Traced:
    if isinstance(value, Traced):
        return value
    array = np.asarray(value)
    if array.dtype.kind not in "fiub":
        raise NotTraceable(f"a value of kind {array.dtype}")
    if array.ndim == 5:
        if array.shape[0] != 1:
            raise NotTraceable("numbers given for each unit")
        array = array[0]
    if array.ndim > 4:
        raise NotTraceable("numbers with more axes than five")
    return Traced.of(recorder, recorder.graph.constant(array.astype(np.float64)))


def _first(*values: Any) -> Traced:
    return next(v for v in values if isinstance(v, Traced))


def _where(condition: Any, yes: Any, no: Any) -> Traced:
    return _first(condition, yes, no)._elementwise("where", (condition, yes, no))


def _clip(value: Any, low: Any, high: Any) -> Any:
    return np.minimum(np.maximum(value, low), high)


def _round(value: Traced, decimals: int = 0) -> Any:
    if decimals:
        raise NotTraceable("rounding to decimals")
    return np.rint(value)


def _broadcast_to(value: Traced, shape: tuple[int, ...]) -> Traced:
    if len(shape) != 5 or shape[0] != UNITS:
        raise NotTraceable(f"broadcast to {shape}")
    return Traced(value.recorder, value.cells, _broadcast(value.axes, shape[1:]))


def _filled(number: float) -> Callable[[Traced], Traced]:
    def filled(like: Traced) -> Traced:
        return Traced.of(like.recorder, like.recorder.graph.constant(number), like.axes)

    return filled


def _concatenate(parts: list[Any], axis: int = 0) -> Traced:
    if axis != -1 or any(not isinstance(p, Traced) for p in parts):
        raise NotTraceable("arrays joined along another axis than the load")
    cells = np.concatenate([np.broadcast_to(p.taken_apart().cells, p.axes) for p in parts], axis=-1)
    return Traced(parts[0].recorder, cells, _shape4(cells.shape))


def _take(table: Any, place: Any) -> Traced:
    if not isinstance(place, Traced) or np.ndim(table) != 1:
        raise NotTraceable("entries of a table that is not of numbers in a row")
    return place.entries_of(np.asarray(table))


def _count_nonzero(value: Traced, axis: Any) -> Counted:
    if axis != (0, 1, 2, 3):
        raise NotTraceable("counts that are not by load")
    return Counted((value,))


_FUNCTIONS: dict[Any, Callable[..., Any]] = {
    np.where: _where,
    np.clip: _clip,
    np.round: _round,
    np.broadcast_to: _broadcast_to,
    np.zeros_like: _filled(0.0),
    np.ones_like: _filled(1.0),
    np.concatenate: _concatenate,
    np.count_nonzero: _count_nonzero,
    np.take: _take,
    np.searchsorted: place_among,
    np.interp: straight_between,
    np.all: Traced.all,
    np.any: Traced.any,
    np.min: Traced.min,
    np.max: Traced.max,
    np.sum: Traced.sum,
    np.mean: Traced.mean,
    np.shape: lambda value: value.shape,
    np.ndim: lambda value: value.ndim,
    np.size: lambda value: value.size,
}
