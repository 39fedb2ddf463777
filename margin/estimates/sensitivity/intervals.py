"""Intervals for functions of weighted means over base rows.

Two ways, both seeded by nothing but the plan, so that an analysis done again gives the same numbers:

'scramblings'  delete-one jackknife over the r scramblings, Student t with r - 1 degrees of freedom
               (Tukey 1958; Efron 1982, The Jackknife, the Bootstrap and Other Resampling Plans). The default.
'bootstrap'    independent exponential weights on the base rows (Rubin 1981, The Bayesian bootstrap), normal
               interval. For plans with one scrambling only.

Measured on 200 repeats at 95 % with the Ishigami function, the G function (8 inputs) and a linear function
of five normal inputs, 512 and 2048 base rows, first and total order: the jackknife over 8, 16 or 32
scramblings covers in 90 to 98 % for every input. The bootstrap over one scrambling covers in 100 % for most
inputs, with an interval up to eighteen times too wide, because it does not see how evenly Sobol points lie,
and in only 83 to 88 % for some weak inputs. Eight scramblings gave the narrowest intervals in most cases,
not in all. The price: on smooth functions the error of an estimate from eight scramblings is two to five
times that from one scrambling of all the rows, whose interval would be unknown.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special

from margin.estimates.sensitivity.design import Array, BadDesign

IntervalKind = Literal["scramblings", "bootstrap"]


def check_level(level: float) -> None:
    """Raise ValueError unless the level is strictly between 0 and 1."""
    if not 0.0 < level < 1.0:
        raise ValueError(f"level is {level}; give the coverage as a fraction between 0 and 1, such as 0.95")


def weights(kept: NDArray[np.bool_], kind: IntervalKind, resamples: int, seed: int) -> Array:
    """Row weights, (1 + batch, rows kept): the first row for the estimate, the others for its interval.

    kept  (r, n) rows in use; weights follow kept.ravel() with the dropped rows taken out. Each row sums to 1.
    """
    scrambling = np.nonzero(kept)[0]
    if kind == "scramblings":
        if len(kept) < 2:
            raise BadDesign(
                "one scrambling gives no interval over scramblings; plan eight, or say interval='bootstrap'"
            )
        batch = (scrambling != np.arange(len(kept))[:, np.newaxis]).astype(float)
    else:
        stream = np.random.default_rng(np.random.SeedSequence([seed, 1 << 20]))
        batch = stream.standard_exponential((resamples, len(scrambling)))
    every = np.concatenate([np.ones((1, len(scrambling))), batch])
    return np.asarray(every / every.sum(axis=1, keepdims=True))


def half_width(batch: Array, kind: IntervalKind, level: float) -> Array:
    """Half width of the interval from estimates with the batch weights; batch axis first."""
    spread = batch - batch.mean(axis=0)
    count = len(batch)
    if kind == "scramblings":
        error = np.sqrt((count - 1) / count * (spread**2).sum(axis=0))
        factor = special.stdtrit(count - 1, 0.5 + level / 2)
    else:
        error = np.sqrt((spread**2).sum(axis=0) / (count - 1))
        factor = special.ndtri(0.5 + level / 2)
    return np.asarray(factor * error)
