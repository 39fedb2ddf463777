"""A pad in service without any variation, whose error tests compare with closed forms. All values invented."""

from __future__ import annotations

from typing import Any

import numpy as np
from pad_study import NONE, only, pad_case

PAD = {"kind": "thin film", "sensitivity": "4 uS", "reference_load": "20 N"}
LOAD = 20.0
K = 8.617333262e-5
"""Boltzmann's constant, eV/K (BIPM, SI brochure, 9th edition)."""


def error(option: dict[str, Any] = NONE, **tables: dict[str, Any]) -> float:
    """Error at 20 N of a case without any variation, as a share of the load."""
    case = pad_case(option, load={"check": [f"{LOAD:g} N"]}, **{"sensor": PAD, **tables})
    return float(np.unique(only(case, 2))[0]) / LOAD
