"""Pads whose spreads are moved, and a real run of what a reader has moved."""

from __future__ import annotations

import math
import shlex
from collections.abc import Mapping
from typing import Any

from pad_study import NONE, ONE_POINT, pad_case

import margin
from margin.case import Case
from margin.case.changes import with_changes
from margin.estimates.results import Results

NAMED_ONE_POINT = {**ONE_POINT, "name": "one point"}


def pad(**study: Any) -> Case:
    """Spreads of units, lots, outer draws and readings; two measured on few units."""
    return pad_case(
        NONE,
        NAMED_ONE_POINT,
        requirement={"permissible_error": "larger of 5 % of reading and 1 N"},
        sensor={
            "sensitivity": "4 uS +/- 4 % (2 sigma, from 12 units) per unit, +/- 2 % per lot",
            "exponent": "0.85 +/- 0.05 (2 sigma, from 12 units) per unit",
            "reload_scatter": "1 %",
        },
        circuit={"feedback": "60 kohm +/- 1 %", "offset": "0 mV +/- 1 mV (triangular)"},
        station={"reference_gain": "0 % +/- 1 % (2 sigma)"},
        study={"units": 40_000, "outer": None, "draw": "all units", **study},
    )


def run(case: Case) -> Results:
    """A study without budget."""
    return margin.estimate(case, budget=False).results


def run_again(case: Case, command: str) -> Results:
    """The study that a command asks for: its changes alone are read, as the shell would pass them."""
    words = shlex.split(command)
    changes = dict(words[k + 1].split("=", 1) for k, word in enumerate(words) if word == "--change")
    return run(with_changes(case, changes))


def agrees(found: Mapping[str, float], value: float, low: float, high: float) -> bool:
    """Whether two estimates with intervals agree: their distance is within both half widths, added as variances."""
    distance = found["value"] - value
    own = found["value"] - found["low"] if distance > 0.0 else found["high"] - found["value"]
    other = high - value if distance > 0.0 else value - low
    return abs(distance) <= math.hypot(own, other) + 1e-12
