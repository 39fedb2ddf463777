"""95 % point of |error| over load and temperature in use, of one calibration option."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from distributions.errors import InvalidArgument
from margin.case.types import Case, UseCondition
from margin.estimates.shares.over_temperature import at_temperature, temperatures_in_use
from margin.propagation.block import block_errors
from margin.propagation.frame import permissible_error
from margin.propagation.grouping import Grouping
from margin.propagation.model import model_of
from margin.propagation.readings import use_conditions
from margin.propagation.tally import EvaluationError

Array = NDArray[np.float64]

UNITS = 2000
"""Units drawn: the 95 % point of |error| of so many has a standard deviation of about 2 % of itself."""

TEMPERATURES, LOADS = 9, 10
"""Points of the grid over the range of temperatures and of check loads."""

_DECADE = 10.0


@dataclass(frozen=True)
class ErrorMap:
    """95 % point of |error| on a grid of loads and temperatures in use.

    loads         (load,), N; temperatures: (temperature,), degC
    p95_abs       (temperature, load), N: over all units and, where other conditions of use differ, over these
    permissible   (load,), N
    units, seed   drawn; each unit has a lot and what is unknown of its own
    """

    case: Case
    option: str
    loads: Array
    temperatures: Array
    p95_abs: Array
    permissible: Array
    units: int
    seed: int

    @property
    def relative(self) -> Array:
        """(temperature, load) Relative to the permissible error; not a number where none is permitted."""
        with np.errstate(divide="ignore", invalid="ignore"):
            found: Array = np.where(self.permissible > 0.0, self.p95_abs / self.permissible, np.nan)
        return found

    @property
    def frame(self) -> pd.DataFrame:
        """One row a temperature and load.

        Columns:
            temperature_degC  in use
            load_N            applied
            p95_abs_N         95 % point of |error|
            permissible_N     permissible error
        """
        temperature, load = np.meshgrid(self.temperatures, self.loads, indexing="ij")
        return pd.DataFrame(
            {
                "temperature_degC": temperature.ravel(),
                "load_N": load.ravel(),
                "p95_abs_N": self.p95_abs.ravel(),
                "permissible_N": np.broadcast_to(self.permissible, load.shape).ravel(),
            }
        )


def error_map(case: Case, option: str, *, units: int = UNITS) -> ErrorMap | None:
    """The map of one option; None where the temperature in use does not vary.

    Temperature is held at each point of the grid over all use, everything else is drawn; at all points the units are
    the same. Raises ValueError for an unknown option or no units, EvaluationError where an error is not a number.
    """
    if units < 1:
        raise InvalidArgument(f"a map needs at least one unit (got {units})")
    chosen = tuple(each for each in case.calibrations if each.name == option)
    if not chosen:
        known = ", ".join(repr(each.name) for each in case.calibrations)
        raise InvalidArgument(f"no calibration option {option!r}; there are {known}")
    ends = temperatures_in_use(case)
    if len(ends) < 2:
        return None
    temperatures = np.linspace(ends[0], ends[-1], TEMPERATURES)
    loads = _loads(case)
    fixed = replace(case, calibrations=chosen, check_loads=tuple(loads.tolist()), history=None)
    fixed, others = _at_temperatures(fixed, temperatures)
    study = replace(case.study, conditions=1, loadings=1, readings=1, points="random")
    model = model_of(replace(fixed, study=study))
    (errors,) = block_errors(model, model.source(Grouping(1, 1), 0, units), units).by_option.values()
    found = np.stack(errors)[:, :, 0, 0, 0, :].reshape(temperatures.size, others * units, loads.size)
    if not np.all(np.isfinite(found)):
        raise EvaluationError(
            f"the map of {option!r} over load and temperature has errors that are no numbers"
        )
    return ErrorMap(
        case,
        option,
        loads,
        temperatures,
        np.quantile(np.abs(found), 0.95, axis=1),
        permissible_error(case.requirement, loads, case.span),
        units,
        case.study.seed,
    )


def _loads(case: Case) -> Array:
    """Loads over the range of check loads, evenly by ratio where it spans a decade."""
    low, high = case.check_loads[0], case.check_loads[-1]
    if low > 0.0 and high >= _DECADE * low:
        return np.geomspace(low, high, LOADS)
    return np.linspace(low, high, LOADS)


def _at_temperatures(case: Case, temperatures: Array) -> tuple[Case, int]:
    """The case with a condition of use for each temperature and each set of other conditions, and how many sets there
    are; conditions that differ by their temperature alone are one set."""
    base = at_temperature(case, float(temperatures[0]))
    held = base.elements["use"].quantities["temperature"]
    sets: list[UseCondition] = []
    for condition in use_conditions(base):
        given = condition or UseCondition("use", {})
        own = {name: each for name, each in given.quantities.items() if name != "temperature"}
        if not any(own == kept.quantities and given.direction == kept.direction for kept in sets):
            sets.append(replace(given, quantities=own))
    named = tuple(
        replace(
            each,
            name=f"{each.name} at {temperature:.6g} degC",
            quantities={**each.quantities, "temperature": replace(held, nominal=float(temperature))},
        )
        for temperature in temperatures
        for each in sets
    )
    return replace(base, conditions=named), len(sets)
