"""One finished result of each kind, small and seeded, for the tests of the Python face."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from bench_rows import bench_frame
from gain_designs import file_of, gain_case
from pad_study import EVERY_LEVEL, NONE, ONE_POINT, pad_case

import margin
from margin.case.types import Case
from margin.design.measures import read_measures
from margin.validation.line import Line


@lru_cache
def case() -> Case:
    """A pad with something at every level of variation."""
    return pad_case(NONE, ONE_POINT, **EVERY_LEVEL, study={"units": 400, "outer": 10})


@lru_cache
def results() -> dict[str, Any]:
    """By kind: what printing, notebooks, tables and figures are tried on."""
    other = margin.change(case(), {"circuit.feedback": "50 kohm +/- 0.1 %"})
    parts = gain_case(0.06, 0.95)
    lines = (
        Line("error laws", "95 % point (N)", "closed form", 1.5, 1.51, 1.45, 1.55),
        Line("error laws", "yield <i>", "closed form", 0.9, 0.8, 0.79, 0.81),
    )
    return {
        "case": case(),
        "study": margin.estimate(case(), workers=1),
        "pair": margin.compare(case(), other, workers=1),
        "budget": margin.budget(
            case(), option="none", runs=3000, width=1.0, second_order=True, shapley=True, workers=1
        ),
        "bench": margin.characterise(
            bench_frame(cycles=2, interfaces=("soft", "hard"), hold=True, warm=True)
        ),
        "rare": margin.rare(case(), "one-point", target_cv=0.5, budget=4000),
        "improve": margin.improve(parts, read_measures(file_of(400.0, 1.0), parts), workers=1),
        "validation": margin.ValidationStudy(lines, 1),
    }
