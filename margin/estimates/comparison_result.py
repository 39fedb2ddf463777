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
    """

    first: Results
    second: Results
    differences: pd.DataFrame
