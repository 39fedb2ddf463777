"""From the variance components of a bench to spreads at the levels of a case, and how well they are known."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from margin.bench.components import Component, Components, nested_components
from margin.bench.fitted import FittedSpread
from margin.chain.parameter import Level

LEVEL_OF: Mapping[str, Level] = {"lot": "lot", "sensor": "unit", "mounting": "mounting"}
"""Level of a case by level of the bench. What is left within a mounting is reload scatter or scatter of the
measurement, and becomes no spread of a quantity."""

TAKEN_OFF = 0.1
"""Share of the sensors' mean square that may be scatter from within before the sensors count for fewer."""


LEAST_WORTH = 3
"""Units that an unresolved spread between sensors must be worth: one worth two has no bound above that would be of
use, and the study would draw it without end."""


def components_of(
    table: pd.DataFrame, levels: tuple[str, ...], residual: str, confidence: float
) -> Components:
    """Components of the column `value` of a table. Raises NotMeasurableError for fewer than two rows."""
    labels = {level: table[level].astype(str).to_numpy() for level in levels}
    values = table["value"].to_numpy(dtype=float)
    return nested_components(values, labels, residual=residual, confidence=confidence)


def units_of(component: Component, components: Components) -> int:
    """How many units the knowledge of a component is worth, at least 2.

    Sensors count as they are where scatter from within is at most a tenth of their mean square: its upper end, the
    one that matters, then is that of n - 1 degrees of freedom. Else Satterthwaite's effective degrees of freedom
    (JCGM 100, G.4.1), rounded down, plus one.
    """
    if component.level == "sensor" and component.dof > 0:
        ratio = components.anova.set_index("level")["F"]["sensor"]
        if not ratio < 1.0 / TAKEN_OFF:  # no ratio where nothing lies within
            return max(component.units - max(components["lot"].units - 1, 0), 2)
    return max(int(component.dof) + 1, 2)


def _counts(level: Level, component: Component, components: Components) -> bool:
    """Whether an estimate whose interval reaches down to 0 is a spread all the same."""
    return level == "unit" and units_of(component, components) >= LEAST_WORTH


def spreads_by_level(components: Components, shown: float, unit: str) -> tuple[list[FittedSpread], list[str]]:
    """Spreads that the data resolve, and a line on each level.

    shown, unit  the standard deviation times `shown` is told in `unit`

    Between sensors any positive estimate counts that is worth LEAST_WORTH units; at the other levels, and below that
    worth, only one whose interval leaves out 0.
    """
    spreads: list[FittedSpread] = []
    told: list[str] = []
    for component in components.components:
        level = LEVEL_OF.get(component.level)
        if component.sd is None or component.low is None or component.high is None:
            continue
        line = (
            f"{component.level}: sd {shown * component.sd:.3g} {unit}".rstrip()
            + f" ({100 * components.confidence:g} %: {shown * component.low:.3g} to {shown * component.high:.3g})"
        )
        if level is None:
            told.append(f"{line}, no spread of the sensor")
        elif component.sd > 0 and (component.low > 0 or _counts(level, component, components)):
            units = units_of(component, components)
            spreads.append(FittedSpread(level, component.sd, units))
            counted = f"{component.units} {component.level}s"
            if units == component.units:
                told.append(f"{line}; {counted}")
            else:
                dof = f"{component.dof:.1f} effective degrees of freedom, rounded down"
                told.append(f"{line}; {counted}, {dof}: as from {units} units")
        else:
            told.append(f"{line}: not resolved, left out")
    # units first: the case reads best so
    return sorted(spreads, key=lambda s: ("unit", "mounting", "lot").index(s.level)), told
