"""Two studies on the same draws: plain data that the report shows. Nothing is computed here."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from margin.estimates.results import Results


@dataclass(frozen=True)
class Comparison:
    """Two finished studies and the differences of their decisive yields, second less first.

    differences  one row a calibration option that both have: option, yield_first, yield_second, difference
                 with difference_low and difference_high (paired draws), verdict ('first better',
                 'second better' or 'below resolution')
    checks       one row a design check of either: check, unit, and of each side value, limit, margin and verdict
                 (value_first, ..., verdict_second), as in `DesignCheck`, missing where the chain has no such check;
                 saturation is the share of readings at a limit at the load where it is largest
    """

    first: Results
    second: Results
    differences: pd.DataFrame
    checks: pd.DataFrame
