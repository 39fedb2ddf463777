"""Numbers of findings, from plain data, as entries of the columns of a table."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from margin.estimates.number_columns import Entry


def entry(number: Mapping[str, Any]) -> Entry:
    """A number of a finding with its interval; null, as JSON has it, is not a number."""
    value, low, high = (
        math.nan if number[end] is None else float(number[end]) for end in ("value", "low", "high")
    )
    return Entry(value, low, high)
