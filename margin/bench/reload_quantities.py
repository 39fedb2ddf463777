"""The reload scatter of a bench as quantities of the sensor in a case."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from margin.bench.effects import MEASURE
from margin.bench.fitted import FittedQuantity, FittedSpread
from margin.bench.reload_scatter import LoadScatter

UPPER = (
    "reload_scatter is the residual scatter about the curve of each single cycle: an upper estimate, since it contains "
    f"lack of fit; what moves a whole cycle counts as spread per mounting: {MEASURE['reload_scatter']}"
)


def reload_quantities(found: LoadScatter) -> tuple[list[FittedQuantity], list[str]]:
    """Quantities that hold the scatter, and what they rest on beside the data.

    A thin film scatters by a share of its output, with an exponent where the change with the load is resolved; a
    bridge by a share of its full scale, of its span, or both. The standard deviation of an estimated s is near
    s / sqrt(2 nu) (JCGM 100, E.4.3).
    """
    assumptions = [UPPER] if found.source == "residuals" else []
    told = _told(found)
    if found.kind != "thin film":
        return _of_bridge(found, told), assumptions
    spread, size, more = _between_sensors(found)
    quantities = [FittedQuantity("reload_scatter", size, "%", spread, False, (*told, *more))]
    if found.resolved:
        known = FittedSpread("common", found.shape_sd, None)
        line = (
            f"{100 * found.confidence:g} %: {found.shape_low:.2f} to {found.shape_high:.2f}; "
            "scatter goes with this power of load / reference load"
        )
        quantities.append(FittedQuantity("reload_scatter_exponent", found.shape, "", (known,), told=(line,)))
    return quantities, assumptions


def _of_bridge(found: LoadScatter, told: Sequence[str]) -> list[FittedQuantity]:
    share = found.shape if found.resolved else 0.0
    # where all of it may be of the span, that of the zero is not resolved
    alone = found.resolved and found.shape_high >= 1.0
    parts = {
        "reload_scatter": 0.0 if alone else found.size * np.sqrt(max(1.0 - share, 0.0)),
        "reload_span_scatter": found.size if alone else found.size * np.sqrt(share),
    }
    quantities = []
    lines = tuple(told)
    for key, size in parts.items():
        if size > 0 or key == "reload_scatter":
            spread = (
                (FittedSpread("common", float(size) / np.sqrt(2.0 * found.dof), None),) if size > 0 else ()
            )
            quantities.append(FittedQuantity(key, float(size), "%", spread, False, lines))
            lines = ()
    return quantities


def _between_sensors(found: LoadScatter) -> tuple[tuple[FittedSpread, ...], float, list[str]]:
    """Spread of the size between sensors, or else how well it is known; the size; lines on it."""
    if found.size == 0:
        return (), 0.0, []
    known = FittedSpread("common", found.size / np.sqrt(2.0 * found.dof), None)
    units = found.by_sensor
    if units is None:
        return (known,), found.size, []
    p = f"p {units.p_equal:.2g} (Bartlett)"
    if units.spread <= 0:
        return (known,), found.size, [f"no difference between sensors resolved, {p}"]
    told = [
        f"sensors differ: typical sd {100 * units.typical:.3g} % ({100 * found.confidence:g} %: "
        f"{100 * units.low:.3g} to {100 * units.high:.3g}), sd of ln(scatter) {units.spread:.2g}, {p}"
    ]
    spread = FittedSpread("unit", units.spread * units.typical, len(units.units))
    return (spread,), units.typical, told


def _told(found: LoadScatter) -> list[str]:
    """Sd at the lowest, the reference and the highest load with intervals, and what is said of its change."""
    if found.size == 0:
        return ["repeated readings agree to the last digit"]
    what = "from cycle to cycle" if found.source == "repeated cycles" else "about the curve of each cycle"
    of = "" if found.kind == "thin film" else " of the output at the largest load"
    loads = found.by_load["load_N"].to_numpy(dtype=float)
    places = np.unique([loads.min(), min(max(found.anchor, loads.min()), loads.max()), loads.max()])
    low, high = found.interval(places)
    at = ", ".join(
        f"{100 * sd:.3g} % at {load:.3g} N ({100 * a:.3g} to {100 * b:.3g})"
        for load, sd, a, b in zip(places, found.at(places), low, high, strict=True)
    )
    head = f"sd {what}{of}: {at}; {100 * found.confidence:g} % intervals, {found.dof:.0f} effective degrees of freedom"
    if found.resolved:
        return [head]
    name = "exponent" if found.kind == "thin film" else "share of the span in the variance"
    change = f"{found.shape:.2g} ({found.shape_low:.2g} to {found.shape_high:.2g})"
    return [head, f"no change with the load resolved: {name} {change}, taken as constant"]
