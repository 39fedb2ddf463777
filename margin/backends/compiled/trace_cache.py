"""LRU cache of traced cases, keyed by everything the trace depends on."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from typing import Generic, TypeVar

from margin.backends.compiled.operations import NotTraceable
from margin.propagation.identity import content_of
from margin.propagation.model import Model

T = TypeVar("T")

MOST = 4


class TraceCache(Generic[T]):
    """What `make` makes of a model, for the cases asked for last; the number of units is no part of the key.

    make  may raise NotTraceable, which is kept as well
    """

    def __init__(self, make: Callable[[Model], T]) -> None:
        self._make = make
        self._cached: OrderedDict[tuple[object, ...], T | NotTraceable] = OrderedDict()

    def of(self, model: Model) -> T:
        case = model.case
        # a class made anew may have the name of the one before; classes of sorting follow from the seed
        classes = tuple(spec.cls for spec in case.elements.values())
        key = (tuple(content_of(case).items()), case.study.seed, classes)
        if key not in self._cached:
            try:
                self._cached[key] = self._make(model)
            except NotTraceable as error:
                self._cached[key] = error
        self._cached.move_to_end(key)
        while len(self._cached) > MOST:
            self._cached.popitem(last=False)
        found = self._cached[key]
        if isinstance(found, NotTraceable):
            raise found.with_traceback(None)
        return found
