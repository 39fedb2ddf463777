"""What was made lately of cases, by all that a recorded graph follows from."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from typing import Generic, TypeVar

from margin.propagation.identity import content_of
from margin.propagation.model import Model

T = TypeVar("T")

MOST = 4


class Remembered(Generic[T]):
    """What `make` makes of a model, kept for the cases that were asked for last; the number of units is no part of it.

    make  raises what it raises: nothing is kept then
    """

    def __init__(self, make: Callable[[Model], T]) -> None:
        self._make = make
        self._kept: OrderedDict[tuple[object, ...], T] = OrderedDict()

    def of(self, model: Model) -> T:
        case = model.case
        # a class made anew may have the name of the one before; classes of sorting follow from the seed
        classes = tuple(spec.cls for spec in case.elements.values())
        key = (tuple(content_of(case).items()), case.study.seed, classes)
        if key not in self._kept:
            self._kept[key] = self._make(model)
        self._kept.move_to_end(key)
        while len(self._kept) > MOST:
            self._kept.popitem(last=False)
        return self._kept[key]
