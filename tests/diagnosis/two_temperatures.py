"""The small pad read at two temperatures, and readings of a prototype there. All values invented."""

from __future__ import annotations

import dataclasses

import pandas as pd

from margin.bench import read_bench
from margin.case import Case
from margin.case.changes import with_changes
from margin.diagnosis.plan import load_cycle
from margin.diagnosis.prototype import Prototype, prototypes_of
from tests.diagnosis.small_prototype import CYCLE, small_case

WARM = load_cycle([6.0, 20.0, 40.0, 60.0], runs=2, temperature=45.0)
BOTH = dataclasses.replace(CYCLE, elsewhere=(WARM,))
"""The load cycle of the small pad at 25 degC, and two runs at 45 degC in the same mounting."""

COEFFICIENT, ZERO = "temperature coefficient of the sensor", "temperature coefficient of the zero"
RIVALS = (
    "loss of sensitivity", "moisture in the film", "other temperature than stated", "wrong resistor of the front end",
    "wider loop of the sensor", "zero shift of the sensor", "worn film", COEFFICIENT, ZERO,
)  # fmt: skip


def tempered() -> Case:
    """The small pad, whose film conducts 0.2 % less per kelvin."""
    return with_changes(
        small_case(), {"sensor.temperature_coefficient": "-0.2 %/K +/- 0.06 %/K (2 sigma) per unit"}
    )


LOADS = (0.0, 6.0, 20.0, 40.0, 60.0)


def bench(share: float = 1.0, temperature: float = 45.0, remounted: bool = False) -> pd.DataFrame:
    """Three runs at 25 degC that report what is applied, and two at another temperature that report a share of it."""
    rows = [
        {"sensor": "P", "mounting": int(remounted and r > 2), "run": r, "branch": branch, "load_N": load,
         "temperature_degC": 25.0 if r < 3 else temperature, "output": (share if r > 2 else 1.0) * load * noise,
         "output_unit": "N"}
        for r, noise in enumerate((1.0, 1.004, 0.996, 1.002, 0.998))
        for branch, loads in (("up", LOADS), ("down", LOADS[-2::-1]))
        for load in loads
    ]  # fmt: skip
    return pd.DataFrame(rows)


def read(frame: pd.DataFrame) -> Prototype:
    """The one unit of a frame."""
    return prototypes_of(read_bench(frame))[0]
