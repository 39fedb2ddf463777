"""Arrays of numpy, and those that take their place."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray


def as_array(value: Any) -> NDArray[Any]:
    """A number as an array with shape and axes; an array as it is, of whatever kind that numpy's functions take."""
    result: NDArray[Any] = value if hasattr(value, "__array_function__") else np.asarray(value)
    return result


def entries(table: NDArray[np.float64], place: Any) -> Any:
    """Entries of a table at whole-number places: a number, or an array of whatever kind.

    What `np.take` is for; but that looks at the kind of the table alone.
    """
    if isinstance(place, np.ndarray) or not hasattr(place, "__array_function__"):
        return table[place]
    return place.__array_function__(np.take, (type(place),), (table, place), {})
