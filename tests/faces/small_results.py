"""One finished result of each kind, small and seeded, for the tests of the Python face."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pandas as pd
from bench_rows import bench_frame
from few_parts import few_parts
from gain_designs import file_of, gain_case
from pad_study import EVERY_LEVEL, NONE, ONE_POINT, pad_case
from turning_cases import line_case

import margin
from margin.case.types import Case
from margin.design.measures import read_measures
from margin.diagnosis import causes_found, paths
from margin.diagnosis.catalogue import causes_of
from margin.service.endurance import Drift, LifeData
from margin.service.life_fits import Lives, fit_life
from margin.validation.line import Line


@lru_cache
def case() -> Case:
    """A pad with something at every level of variation."""
    return pad_case(NONE, ONE_POINT, **EVERY_LEVEL, study={"units": 400, "outer": 10})


@lru_cache
def planned() -> Case:
    """A pad whose reference and placements scatter, and nothing that takes long to search."""
    return pad_case(
        NONE,
        ONE_POINT,
        load={"check": 3},
        sensor={"sensitivity": "4 uS +/- 10 % (2 sigma)", "reload_scatter": "1.5 %"},
        station={"reference_scatter": "0.1 N"},
        study={"units": 400},
    )


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
        "accept": margin.accept(
            case(), "one-point", risk="20 %", limits=[0.9], cost_bad=50.0, cost_good=4.0, workers=1
        ),
        "diagnosis": _diagnosis(),
        "age": margin.age(_ageing(), "one-point", points=4, units=400, workers=1),
        "lives": _lives(),
        "drift": _drift(),
        "qualification": margin.qualify(0.9, 0.9, tested=22),
        "plan": margin.plan(planned(), seconds=40, units=400, workers=1),
        "size": margin.size(case(), option="one-point", parts=few_parts(), designs=2, workers=1),
        "overturn": margin.overturn(
            line_case("60 kohm +/- 2 %", sensitivity="4 uS +/- 2 % per unit"), "none"
        ),
        "improve": margin.improve(parts, read_measures(file_of(400.0, 1.0), parts), workers=1),
        "validation": margin.ValidationStudy(lines, 1),
    }


def _diagnosis() -> margin.DiagnoseStudy:
    """A calibrated pad that reports an eighth less than is applied; every third cause, from few draws."""

    def reported(share: float, branch: str, load: float) -> float:
        return share * load * (1.0 + (branch == "down") * load * (60.0 - load) / 4e4)

    rows = [
        (run, branch, load, 25.0, reported(share, branch, load), "N")
        for run, share in enumerate((0.88, 0.90, 0.875))
        for branch, loads in (("up", (0.0, 6.0, 20.0, 40.0, 60.0)), ("down", (40.0, 20.0, 6.0, 0.0)))
        for load in loads
    ]
    columns = ["run", "branch", "load_N", "temperature_degC", "output", "output_unit"]
    data = pd.DataFrame(rows, columns=columns)
    some = patch.object(paths, "causes_of", lambda *known: causes_of(*known)[::3])
    with some, patch.multiple(causes_found, UNITS=150, SIZES=4, TEST_UNITS=80, SAMPLES=10):
        return margin.diagnose(data, case(), option="one-point", units=1000)


def _ageing() -> Case:
    """The pad with a sensor that loses its sensitivity."""
    return margin.change(
        case(), {"sensor.ageing": "0.6 % +/- 0.3 %", "requirement.permissible_error": "12 % of reading"}
    )


def _lives() -> margin.LifeStudy:
    """Four failures among six units."""
    lives = Lives.of_test([120.0, 250.0, 300.0, 420.0, 500.0, 500.0], [True] * 4 + [False] * 2)
    fits = fit_life(lives, "Weibull"), fit_life(lives, "lognormal")
    return margin.LifeStudy("lives.csv", LifeData(lives, "h"), fits)


def _drift() -> margin.DriftStudy:
    """Three units, measured to 100 h."""
    rates, errors = np.array([0.01, 0.02, 0.015]), np.full(3, 0.001)
    return margin.DriftStudy(Path("drift.csv"), Drift(("a", "b", "c"), rates, errors, np.full(3, 100.0), 12))
