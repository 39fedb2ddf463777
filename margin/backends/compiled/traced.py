"""An array that records what is done with it, so that the source of the chain can be compiled as it stands."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.lib.mixins import NDArrayOperatorsMixin

from margin.backends.compiled import array_functions
from margin.backends.compiled.graph import POINT, Graph, Node, Shape
from margin.backends.compiled.lookup import place_among, straight_between
from margin.backends.compiled.operations import OPERATIONS, Recorder, number_of, truth_of
from margin.backends.compiled.operations import NotTraceable as NotTraceable
from margin.backends.compiled.reasons import BRANCH, KEEP_AXES, NUMBERS, VALUES, instead_of, name_of

UNITS = 7919
"""Length of the unit axis while recording: a prime, which no other axis has."""


class Traced(NDArrayOperatorsMixin):
    """An array (unit, condition, loading, reading, load) of a recorder's graph.

    cells  object array over the four axes behind the unit; one node each. An array that varies on axes and has
           not been taken apart is a single node, whose own axes are those on which it varies.
    shape  as it broadcasts
    shared  whether numpy would have another array stand for the same memory
    """

    def __init__(self, recorder: Recorder, cells: Any, shape: Shape, shared: bool = False) -> None:
        self.recorder = recorder
        self.cells = cells
        self.axes = shape
        self.shared = shared

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

    @property
    def dtype(self) -> np.dtype[Any]:
        return np.dtype(np.bool_ if self.cells.flat[0].is_truth else np.float64)

    def __len__(self) -> int:
        return UNITS

    def __bool__(self) -> bool:
        raise NotTraceable("a branch on drawn values", BRANCH)

    def __array__(self, *args: Any, **kwargs: Any) -> Any:
        raise NotTraceable("a plain array asked of drawn values", VALUES)

    def __float__(self) -> float:
        raise NotTraceable("a single number asked of drawn values", VALUES)

    __int__ = __index__ = __float__

    def __iter__(self) -> Any:
        raise NotTraceable("a loop over units", VALUES)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_") or not hasattr(np.ndarray, name):
            raise AttributeError(f"{type(self).__name__!r} object has no attribute {name!r}")
        raise NotTraceable(f"numpy.ndarray.{name}", instead_of(name))

    # ---- elementwise

    def __array_ufunc__(self, ufunc: Any, method: str, *inputs: Any, **kwargs: Any) -> Any:
        name, out = name_of(ufunc), kwargs.pop("out", None)
        if method != "__call__":
            raise NotTraceable(
                f"{name}.{method}", "use the function itself, or numpy.sum, numpy.max, numpy.prod"
            )
        if kwargs.pop("where", True) is not True:
            raise NotTraceable(f"{name} with where=", "choose by numpy.where")
        if np.dtype(kwargs.pop("dtype", None) or np.float64) != np.float64 or kwargs:
            raise NotTraceable(f"{name} with {', '.join(kwargs) or 'dtype='}", NUMBERS)
        if ufunc is np.divmod and out is None:
            return np.floor_divide(*inputs), np.remainder(*inputs)
        if ufunc is np.positive:
            (value,) = inputs
            found: Traced = value.copy()
        else:
            op = OPERATIONS.get(ufunc)
            if op is None:
                raise NotTraceable(name, instead_of(ufunc.__name__))
            found = self._elementwise(op, inputs)
        return found if out is None else _put(out, found, name)

    def _elementwise(self, op: str, inputs: tuple[Any, ...]) -> Traced:
        parts = [_as_traced(self.recorder, value) for value in inputs]
        shape = _broadcast(*(p.axes for p in parts))
        if all(p.cells.size == 1 for p in parts):
            node = self.recorder.record(op, tuple(p.node for p in parts))
            return Traced(self.recorder, _cell_array(node), shape)
        apart: list[Any] = [p.taken_apart().cells for p in parts]
        cells = np.empty(_broadcast(*(a.shape for a in apart)), dtype=object)
        spread: list[Any] = [np.broadcast_to(a, cells.shape) for a in apart]
        for place in np.ndindex(*cells.shape):
            cells[place] = self.recorder.record(op, tuple(a[place] for a in spread))
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

    def copy(self, order: str = "K") -> Traced:
        """The same values in an array of their own."""
        return Traced(self.recorder, self.cells, self.axes)

    def astype(self, dtype: Any, *args: Any, **kwargs: Any) -> Traced:
        """Numbers of truths, or truths of numbers, in an array of their own."""
        if np.dtype(dtype) == np.float64:
            return self._each(number_of)
        if np.dtype(dtype) == np.bool_:
            return self._each(truth_of)
        raise NotTraceable(f"numpy.ndarray.astype({np.dtype(dtype)})", NUMBERS)

    def _each(self, change: Callable[[Graph, Node], Node]) -> Traced:
        cells = np.empty_like(self.cells)
        for place in np.ndindex(*cells.shape):
            cells[place] = change(self.recorder.graph, self.cells[place])
        return Traced(self.recorder, cells, self.axes)

    def clip(self, *args: Any, **kwargs: Any) -> Any:
        return array_functions.clip(self, *args, **kwargs)

    def round(self, *args: Any, **kwargs: Any) -> Any:
        return array_functions.rounded(self, *args, **kwargs)

    # ---- along axes

    def __getitem__(self, key: Any) -> Traced:
        keys = list(key) if isinstance(key, tuple) else [key]
        if any(k is Ellipsis for k in keys):
            place = next(i for i, k in enumerate(keys) if k is Ellipsis)
            keys[place : place + 1] = [slice(None)] * (self.ndim - len(keys) + 1)
        keys += [slice(None)] * (self.ndim - len(keys))
        if any(isinstance(k, Traced) for k in keys):
            raise NotTraceable(
                "an index by drawn values", f"{BRANCH}, or read a table by numpy.take or numpy.interp"
            )
        if len(keys) != self.ndim or keys[0] != slice(None):
            raise NotTraceable("an index that selects units or adds axes", KEEP_AXES)
        if any(not isinstance(k, slice | list) for k in keys):
            raise NotTraceable("an index that removes axes", KEEP_AXES)
        if all(
            k == slice(None) or (n == 1 and k == slice(None, 1))
            for k, n in zip(keys[1:], self.axes, strict=True)
        ):
            return self
        whole = np.broadcast_to(self.taken_apart().cells, self.axes)
        for axis, k in enumerate(keys[1:]):
            whole = whole[(slice(None),) * axis + (k,)]
        # an index by slices alone stands for the same memory
        shared = not any(isinstance(k, list) for k in keys)
        self.shared = self.shared or shared
        return Traced(self.recorder, whole, _shape4(whole.shape), shared)

    def __setitem__(self, key: Any, value: Any) -> None:
        """Values chosen by a truth, or all of them."""
        if isinstance(key, Traced) and key.dtype == np.bool_ and np.ndim(value) == 0:
            chosen: Any = np.where(key, value, self)
            _put((self,), chosen, "a value set by an index")
        elif key is Ellipsis or (isinstance(key, slice) and key == slice(None)):
            _put((self,), _as_traced(self.recorder, value), "a value set by an index")
        else:
            raise NotTraceable(
                "values set by an index", "make a new array by numpy.where or numpy.concatenate"
            )

    def _folded(self, axis: Any, keepdims: bool, op: str) -> tuple[Traced, int]:
        """Elements along axes joined one after the other, and how many were."""
        axes = sorted({a % self.ndim for a in ((axis,) if isinstance(axis, int) else axis or (0,))})
        if not keepdims or 0 in axes:
            raise NotTraceable("a sum or an extreme over units, or one that removes axes", KEEP_AXES)
        graph = self.recorder.graph
        whole = np.broadcast_to(self._each(number_of).taken_apart().cells, self.axes)
        kept = _shape4(tuple(1 if i + 1 in axes else n for i, n in enumerate(self.axes)))
        cells = np.empty(kept, dtype=object)
        along = [range(n) if i + 1 in axes else (None,) for i, n in enumerate(self.axes)]
        for place in np.ndindex(*kept):
            result: Node | None = None
            for moved in itertools.product(*along):
                part = whole[tuple(p if m is None else m for p, m in zip(place, moved, strict=True))]
                result = part if result is None else graph.apply(op, result, part)
            cells[place] = result
        return Traced(self.recorder, cells, kept), math.prod(self.axes[a - 1] for a in axes)

    def sum(self, axis: Any = None, keepdims: bool = False) -> Traced:
        return self._folded(axis, keepdims, "add")[0]

    def prod(self, axis: Any = None, keepdims: bool = False) -> Traced:
        return self._folded(axis, keepdims, "multiply")[0]

    def mean(self, axis: Any = None, keepdims: bool = False) -> Traced:
        total, count = self._folded(axis, keepdims, "add")
        result: Traced = total / float(count)
        return result

    def min(self, axis: Any = None, keepdims: bool = False) -> Traced:
        return self._folded(axis, keepdims, "minimum")[0]

    def max(self, axis: Any = None, keepdims: bool = False) -> Traced:
        return self._folded(axis, keepdims, "maximum")[0]

    def cumsum(self, axis: Any = None) -> Traced:
        """Sums of the elements up to each, along an axis behind that of the units."""
        if axis is None or axis % self.ndim == 0:
            raise NotTraceable(
                "numpy.cumsum over units", "name an axis behind that of the units, such as axis=-1"
            )
        cells = np.broadcast_to(self._each(number_of).taken_apart().cells, self.axes).copy()
        along = np.moveaxis(cells, axis % self.ndim - 1, 0)
        for number in range(1, len(along)):
            for place in np.ndindex(*along.shape[1:]):
                parts = along[(number - 1, *place)], along[(number, *place)]
                along[(number, *place)] = self.recorder.graph.apply("add", *parts)
        return Traced(self.recorder, cells, self.axes)

    # ---- tests that all values are numbers: recorded as required, and taken as passed

    def all(self) -> bool:
        node = self.node
        if node.op != "finite":
            raise NotTraceable("a branch on drawn values", BRANCH)
        self.recorder.require(node)
        return True

    def any(self) -> bool:
        node = self.node
        if node.op in ("nan", "infinite"):
            self.recorder.require(self.recorder.graph.apply("not", node))
            return False
        if node.op != "not" or node.args[0].op != "finite":
            raise NotTraceable("a branch on drawn values", BRANCH)
        self.recorder.require(node.args[0])
        return False

    # ---- functions of numpy

    def __array_function__(self, function: Any, types: Any, args: Any, kwargs: Any) -> Any:
        own = _FUNCTIONS.get(function)
        if own is None:
            raise NotTraceable(name_of(function), instead_of(function.__name__))
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
        if array.shape[0] != 1 and not np.array_equal(
            array[1:], array[:-1], equal_nan=array.dtype.kind == "f"
        ):
            raise NotTraceable(
                "numbers given for each unit", "declare what varies by unit as a parameter or a draw"
            )
        array = array[0]
    if array.ndim > 4:
        raise NotTraceable("numbers with more axes than five")
    return Traced.of(recorder, recorder.graph.constant(array.astype(np.float64)))


def _first(*values: Any) -> Traced:
    return next(v for v in values if isinstance(v, Traced))


def _put(out: Any, found: Traced, name: str) -> Traced:
    """The array that stands in `out` with other values, as numpy writes into its memory."""
    (target,) = out
    if not isinstance(target, Traced):
        raise NotTraceable(f"{name} into a plain array", "make a new array: a = a + b in place of a += b")
    if target.shared:
        raise NotTraceable(
            f"{name} into an array that shares its memory with another",
            "change a copy: x = x.copy(), or x = x + y",
        )
    if _broadcast(target.axes, found.axes) != target.axes or (target.dtype == np.bool_ != found.dtype):
        raise NotTraceable(
            f"{name} into an array with fewer axes or of another kind", "make a new array: a = a + b"
        )
    target.cells = found.cells if target.dtype == np.bool_ else found.astype(float).cells
    return target


def _where(condition: Any, *branches: Any) -> Traced:
    if len(branches) != 2:
        raise NotTraceable(
            "numpy.where of a condition alone", "give it what to take where true and where not"
        )
    return _first(condition, *branches)._elementwise("where", (condition, *branches))


def _broadcast_to(value: Traced, shape: tuple[int, ...]) -> Traced:
    if len(shape) != 5 or shape[0] != UNITS:
        raise NotTraceable(f"numpy.broadcast_to {shape}", KEEP_AXES)
    value.shared = True
    return Traced(value.recorder, value.cells, _broadcast(value.axes, shape[1:]), shared=True)


def _full_like(like: Any, number: Any, dtype: Any = None, **named: Any) -> Traced:
    """Values in the shape of an array; where dtype asks for truths, truths."""
    if named or not isinstance(like, Traced):
        raise NotTraceable("numpy.full_like with a shape of its own", "write numpy.zeros_like(x) + value")
    recorder, kind = like.recorder, like.dtype if dtype is None else np.dtype(dtype)
    value = _as_traced(recorder, number).astype(kind)
    return Traced(recorder, value.cells, _broadcast(like.axes, value.axes))


def _filled(number: float) -> Callable[..., Traced]:
    return lambda like, **named: _full_like(like, number, **named)


def _concatenate(parts: Any, axis: int = 0) -> Traced:
    behind = axis % 5 - 1
    if behind < 0 or not -5 <= axis < 5:
        raise NotTraceable("numpy.concatenate of units", "join along the last axis: axis=-1")
    recorder = _first(*parts).recorder
    arrays = [_as_traced(recorder, p)._each(number_of) for p in parts]
    cells = np.concatenate([np.broadcast_to(a.taken_apart().cells, a.axes) for a in arrays], axis=behind)
    return Traced(recorder, cells, _shape4(cells.shape))


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
    np.clip: array_functions.clip,
    np.round: array_functions.rounded,
    np.fix: array_functions.truncated,
    np.polyval: array_functions.polynomial,
    np.select: array_functions.selected,
    np.piecewise: array_functions.piecewise,
    np.nan_to_num: array_functions.without_nan,
    np.average: array_functions.average,
    np.var: array_functions.variance,
    np.std: array_functions.deviation,
    np.ptp: array_functions.extent,
    np.diff: array_functions.differences,
    np.broadcast_to: _broadcast_to,
    np.full_like: _full_like,
    np.zeros_like: _filled(0.0),
    np.ones_like: _filled(1.0),
    np.copy: Traced.copy,
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
    np.prod: Traced.prod,
    np.mean: Traced.mean,
    np.cumsum: Traced.cumsum,
    np.shape: lambda value: value.shape,
    np.ndim: lambda value: value.ndim,
    np.size: lambda value: value.size,
}
