"""A budget with a closed form, and how often intervals and ranks agree with it. All values invented.

One load and a linear chain without calibration: the relative error is a sum of independent normal parts (products of
parts of a few per mille are below a hundredth of its spread). Pooled it is normal with the sum of their variances, the
95 % quantile of |error| is 1.96 standard deviations and the yield 2 Phi(limit / sd) - 1.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pad_study import NONE, ONE_POINT, pad_case
from scipy.stats import norm

from margin.case import Case
from margin.estimates.budget import budget_of
from margin.propagation.model import model_of

LOAD = 60.0
LIMIT = 1.6
"""Permissible error in standard deviations of the error: 89 % of the units conform."""

SENSOR, CIRCUIT, LOT, RELOAD = (
    "sensor.sensitivity per unit",
    "circuit.feedback per unit",
    "sensor.sensitivity per lot",
    "sensor.reload_scatter (each loading)",
)
LOT_CURVE = {"kind": "lot-curve", "loads": ["10 N", "30 N", "50 N"]}


@dataclass(frozen=True)
class Parts:
    """Standard deviations of the parts of the error, relative to the load, by cause."""

    sds: dict[str, float]

    @property
    def whole(self) -> float:
        """Standard deviation of the error."""
        return float(np.sqrt(sum(sd**2 for sd in self.sds.values())))

    def case(self, units: int, *calibrations: dict[str, object]) -> Case:
        """The case; its first option has the closed form."""
        percent = {name: f"{100.0 * sd:.6f} %" for name, sd in self.sds.items()}
        spreads = [f"+/- {percent[SENSOR]} (1 sigma) per unit"]
        if LOT in percent:
            spreads.append(f"+/- {percent[LOT]} (1 sigma) per lot")
        return pad_case(
            NONE,
            *calibrations,
            load={"check": [f"{LOAD} N"]},
            requirement={"permissible_error": f"{100.0 * LIMIT * self.whole:.6f} % of reading"},
            sensor={"sensitivity": f"4 uS {', '.join(spreads)}", "reload_scatter": percent[RELOAD]},
            circuit={"feedback": f"60 kohm +/- {percent[CIRCUIT]} (1 sigma)"},
            study={"units": units},
        )

    def change(self, cause: str, scale: float) -> tuple[float, float]:
        """Change of yield and of the 95 % quantile of |error|, N, with the spread of one cause multiplied."""
        after = float(np.sqrt(self.whole**2 + (scale**2 - 1.0) * self.sds[cause] ** 2))
        gained = 2.0 * (norm.cdf(LIMIT * self.whole / after) - norm.cdf(LIMIT))
        return float(gained), float(norm.ppf(0.975) * (after - self.whole) * LOAD)

    @property
    def leader(self) -> str:
        """The cause with the largest spread."""
        return max(self.sds, key=lambda name: self.sds[name])


STATION = "station.reference_gain per station"
WITH_STATION = Parts({STATION: 0.003, RELOAD: 0.002})
"""Of a pad calibrated at its one load: placements in use and at the calibration, the gain of the load cell."""


def station_case(units: int) -> Case:
    """The case whose closed form is WITH_STATION: what is common to all units beside what moves within them."""
    once = 100.0 * WITH_STATION.sds[RELOAD] / np.sqrt(2.0)
    return pad_case(
        {**ONE_POINT, "loads": [f"{LOAD} N"]},
        load={"check": [f"{LOAD} N"]},
        requirement={"permissible_error": f"{100.0 * LIMIT * WITH_STATION.whole:.6f} % of reading"},
        sensor={"sensitivity": "4 uS", "reload_scatter": f"{once:.6f} %"},
        station={"reference_gain": f"+/- {100.0 * WITH_STATION.sds[STATION]:.6f} % (1 sigma)"},
        study={"units": units, "outer": None},
    )


CLEAR = Parts({SENSOR: 0.003, CIRCUIT: 0.002, LOT: 0.0025, RELOAD: 0.0015})
LOT_LEADS = Parts({SENSOR: 0.002, CIRCUIT: 0.0015, LOT: 0.003, RELOAD: 0.0018})
CLOSE = Parts({SENSOR: 0.0026, CIRCUIT: 0.0024, LOT: 0.0025, RELOAD: 0.0023})
NO_LOTS = Parts({SENSOR: 0.003, CIRCUIT: 0.0025, RELOAD: 0.002})


def budgets(case: Case, seeds: Iterable[int]) -> Iterable[pd.DataFrame]:
    """Budget of the first option for each seed."""
    model = model_of(case)
    for seed in seeds:
        found = budget_of(replace(model, seed=seed), workers=1)
        yield found[found["option"] == case.calibrations[0].name]


@dataclass(frozen=True)
class Agreement:
    """Shares of seeds, (seed, cause and change) or (seed, change).

    yields, errors  whether the interval of the change holds the closed form
    first           whether the leading cause ranks first, alone or tied
    wrong           whether another cause ranks first alone
    """

    yields: NDArray[np.bool_]
    errors: NDArray[np.bool_]
    first: NDArray[np.bool_]
    wrong: NDArray[np.bool_]


def agreement(parts: Parts, found: Iterable[pd.DataFrame]) -> Agreement:
    """How a budget of each seed agrees with the closed form."""
    exact = {
        (cause, change): parts.change(cause, scale)
        for cause in parts.sds
        for change, scale in (("frozen", 0.0), ("halved", 0.5))
    }
    covered, leads = [], []
    for budget in found:
        ends = [
            budget[f"{name}_{end}"] for name in ("yield_change", "error_change_N") for end in ("low", "high")
        ]
        of_seed = []
        for cause, change, *of_row in zip(budget["factor"], budget["change"], *ends, strict=True):
            gained, moved = exact[cause, change]
            of_seed.append([of_row[0] <= gained <= of_row[1], of_row[2] <= moved <= of_row[3]])
        covered.append(of_seed)
        firsts = [set(rows[rows["rank"] == 1]["factor"]) for _, rows in budget.groupby("change")]
        leads.append([[parts.leader in each, len(each) == 1 and parts.leader not in each] for each in firsts])
    inside, lead = np.array(covered), np.array(leads)
    return Agreement(inside[..., 0], inside[..., 1], lead[..., 0], lead[..., 1])
