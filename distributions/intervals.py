"""Coverage intervals of a sample (JCGM 101, 7.7 and 5.3.4)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def _check(samples: Array, probability: float) -> Array:
    values = np.sort(np.asarray(samples, dtype=np.float64).ravel())
    if values.size < 2 or not np.all(np.isfinite(values)):
        raise ValueError("an interval needs at least two finite values")
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must lie inside (0, 1) (got {probability!r})")
    return values


def symmetric_interval(samples: Array, probability: float) -> tuple[float, float]:
    """Probabilistically symmetric coverage interval (JCGM 101, 7.7.2).

    >>> import numpy as np
    >>> from distributions import symmetric_interval
    >>> [round(end, 6) for end in symmetric_interval(np.arange(1001.0), 0.9)]
    [50.0, 950.0]
    """
    values = _check(samples, probability)
    low, high = np.quantile(values, [0.5 - 0.5 * probability, 0.5 + 0.5 * probability])
    return float(low), float(high)


def shortest_interval(samples: Array, probability: float) -> tuple[float, float]:
    """Shortest coverage interval (JCGM 101, 7.7.4): the narrowest that contains the share `probability`.

    >>> import numpy as np
    >>> from distributions import shortest_interval
    >>> shortest_interval(np.array([0.0, 1.0, 1.1, 1.2, 1.3, 9.0]), 0.5)
    (1.0, 1.3)
    """
    values = _check(samples, probability)
    inside = min(int(probability * values.size + 0.5), values.size - 1)
    widths = values[inside:] - values[: values.size - inside]
    first = int(np.argmin(widths))
    return float(values[first]), float(values[first + inside])
