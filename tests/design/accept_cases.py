"""A linear pad whose units and whose station have normal errors, so that the risks of its test are closed forms."""

from __future__ import annotations

from typing import Any

from pad_study import NONE, pad_case

from margin.case import Case

LIMITS = (0.8, 1.0, 1.1)
LOAD, PERMISSIBLE = 40.0, 0.4
"""N; the permissible error is 1 % of it."""
SD, SCATTER = 0.5102, 0.125
"""Errors of units and of measurement over the permissible error: 95 % within, test uncertainty ratio 4."""


def line(seed: int = 1, units: int = 4000, gain: float = 0.0, **tables: Any) -> Case:
    """Units read as designed but for their sensitivity; a reference with scatter, and a gain error of its own.

    gain  standard deviation of the gain error of the reference, over the permissible error
    """
    station = {
        "reference_scatter": f"{SCATTER * PERMISSIBLE} N",
        "reference_gain": f"0 % +/- {2.0 * gain} % (2 sigma)",
    }
    study = {"units": units, "seed": seed, **tables.pop("study", {})}
    requirement = {
        "permissible_error": "1 % of reading",
        "confidence": 0.999,
        **tables.pop("requirement", {}),
    }
    given = {
        "load": {"check": [f"{LOAD:g} N"]},
        "requirement": requirement,
        "sensor": {"sensitivity": f"4 uS +/- {2.0 * SD} % (2 sigma)"},
        "station": station if gain else {"reference_scatter": station["reference_scatter"]},
        "study": study,
    }
    return pad_case(NONE, **{**given, **tables})
