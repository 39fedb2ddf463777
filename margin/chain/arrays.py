"""Arrays of numpy, and those that take their place."""

from __future__ import annotations

from typing import Any

import numpy as np


def as_array(value: Any) -> Any:
    """A number as an array with shape and axes; an array as it is, of whatever kind that numpy's functions take."""
    return value if hasattr(value, "__array_function__") else np.asarray(value)
