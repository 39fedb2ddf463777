"""Arrays on a device that numpy's functions take, beside constants in host memory."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
from numpy.lib.mixins import NDArrayOperatorsMixin

from distributions.errors import MarginError


class NotOnDevice(MarginError, ValueError):
    """Something of a case that takes numpy's own arrays alone."""


class DeviceArray(NDArrayOperatorsMixin):
    """An array of the namespace `space` (CuPy; numpy in its place), and what numpy's functions make of it.

    An array of numpy that meets it (check loads, reference loads) is copied to the device; nothing is copied back
    but by `to_host`. Raises NotOnDevice for a function that the namespace lacks.
    """

    def __init__(self, space: ModuleType, special: ModuleType, data: Any) -> None:
        self.space = space
        self.special = special
        self.data = data

    @property
    def shape(self) -> tuple[int, ...]:
        return tuple(self.data.shape)

    @property
    def ndim(self) -> int:
        return int(self.data.ndim)

    @property
    def size(self) -> int:
        return int(self.data.size)

    @property
    def dtype(self) -> Any:
        return self.data.dtype

    def to_host(self) -> Any:
        """Copy as an array of numpy."""
        return self.data.get() if hasattr(self.data, "get") else self.data.copy()

    def __len__(self) -> int:
        return len(self.data)

    def __bool__(self) -> bool:
        return bool(self.data)

    def __array__(self, *args: Any, **kwargs: Any) -> Any:
        raise NotOnDevice(
            "a part of this case is computed in host memory only (an element of your own that makes numpy arrays of "
            "its inputs): run it without the accelerator, or write it by numpy's ufuncs"
        )

    def __getitem__(self, place: Any) -> Any:
        return self._wrapped(self.data[self._inner(place)])

    def __getattr__(self, name: str) -> Any:
        """Methods of the array, such as reshape, max or astype."""
        if name.startswith("_"):
            raise AttributeError(name)
        method = getattr(self.data, name)

        def called(*args: Any, **kwargs: Any) -> Any:
            return self._wrapped(method(*self._inner(args), **self._inner(kwargs)))

        return called

    def __array_ufunc__(self, ufunc: np.ufunc, method: str, *inputs: Any, **kwargs: Any) -> Any:
        function = getattr(self.space, ufunc.__name__, None) or getattr(self.special, ufunc.__name__, None)
        if method != "__call__" or function is None:
            raise NotOnDevice(f"the accelerator has no {ufunc.__name__} ({method})")
        out = kwargs.pop("out", (None,))[0]
        result = self._wrapped(function(*self._inner(inputs), **self._inner(kwargs)))
        if out is None:
            return result
        if isinstance(out, DeviceArray):
            out.data[...] = result.data
        else:
            out[...] = result.to_host()
        return out

    def __array_function__(self, function: Any, types: Any, args: Any, kwargs: Any) -> Any:
        found = getattr(self.space, function.__name__, None)
        if found is None:
            raise NotOnDevice(f"the accelerator has no {function.__name__}")
        return self._wrapped(found(*self._inner(args), **self._inner(kwargs)))

    def _inner(self, value: Any) -> Any:
        if isinstance(value, DeviceArray):
            return value.data
        if isinstance(value, np.ndarray):
            return self.space.asarray(value)
        if isinstance(value, tuple | list):
            return type(value)(self._inner(each) for each in value)
        if isinstance(value, dict):
            return {key: self._inner(each) for key, each in value.items()}
        return value

    def _wrapped(self, value: Any) -> Any:
        if isinstance(value, self.space.ndarray):
            return DeviceArray(self.space, self.special, value)
        if isinstance(value, tuple | list):
            return type(value)(self._wrapped(each) for each in value)
        return value
