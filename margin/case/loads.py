"""Loads that the case leaves to the tool: check loads and the loads of calibrations."""

from __future__ import annotations

from margin.case import units
from margin.case.faults import ValueFault
from margin.case.tables import CalibrationTable
from margin.case.types import CalibrationSpec

DEFAULT_KINDS = ("none", "tare", "one-point", "two-point", "multi-point")
_SHARES: dict[str, tuple[float, ...]] = {
    "none": (),
    "tare": (),
    "one-point": (0.5,),
    "two-point": (0.1, 0.9),
    "multi-point": (0.0, 0.25, 0.5, 0.75, 1.0),
    "lot-curve": (0.0, 0.25, 0.5, 0.75, 1.0),
    "classes": (0.5,),
}
"""Where in the range a calibration is loaded if the case does not say (common practice, no source)."""

_COUNT: dict[str, tuple[int, int | None]] = {
    "none": (0, 0),
    "tare": (0, 0),
    "one-point": (1, 1),
    "two-point": (2, 2),
    "multi-point": (2, None),
    "lot-curve": (2, None),
    "classes": (1, 1),
}


def evenly(low: float, high: float, count: int) -> tuple[float, ...]:
    """Loads from low to high, both ends exact."""
    step = (high - low) / (count - 1)
    inner = (round_inside(low + i * step, low, high, 4) for i in range(1, count - 1))
    return (low, *inner, high)


def round_inside(load: float, low: float, high: float, digits: int = 2) -> float:
    """The load to so many significant digits, if that stays within the range."""
    rounded = float(f"{load:.{digits}g}")
    return rounded if low <= rounded <= high else load


def chosen_loads(kind: str, without_zero: bool, low: float, high: float) -> tuple[float, ...]:
    """Loads for a calibration that names none; the logarithm and the weight of a load of 0 do not exist."""
    shares = _SHARES[kind]
    if low == 0.0 and shares[:1] == (0.0,):
        shares = (0.05, *shares[1:]) if without_zero else shares
    ends = {0.0: low, 1.0: high}
    found = (ends.get(s, round_inside(low + s * (high - low), low, high)) for s in shares)
    return tuple(sorted(set(found)))


def calibration_of(table: CalibrationTable, low: float, high: float) -> CalibrationSpec:
    """Calibration with its loads. Raises ValueFault for loads that do not suit its kind or the range."""
    # a tare of the load estimate cannot see a zero below the designed one, where the design curve ends
    unstated_tare = table.kind == "tare" and "space" not in table.model_fields_set
    without_zero = table.space == "logarithm" or table.weights == "relative"
    loads = table.loads if table.loads is not None else chosen_loads(table.kind, without_zero, low, high)
    require_loads(table.kind, table.space, loads, low, high)
    if table.weights == "relative" and loads and loads[0] == 0.0:
        raise ValueFault(
            'weights "relative" has no load of 0', "leave the load of 0 out, or choose the weights equal"
        )
    if table.rezero is not False and (table.tare or table.kind == "tare"):
        raise ValueFault(
            "a tare removes nothing where each use begins with a new zero",
            'leave the tare out, or write "rezero = false"',
        )
    degree = table.degree if table.degree is not None else default_degree(table.kind, table.fit, len(loads))
    if table.kind in ("multi-point", "lot-curve") and table.fit == "least squares" and degree >= len(loads):
        raise ValueFault(
            f"a polynomial of degree {degree} needs {degree + 1} loads or more (got {len(loads)})",
            "write more loads or a lower degree",
        )
    return CalibrationSpec(
        name=table.name or table.kind,
        kind=table.kind,
        space="output" if unstated_tare else table.space,
        loads=loads,
        reloads=table.reloads,
        samples=table.samples,
        fit=table.fit,
        degree=degree,
        weights=table.weights,
        direction=table.direction,
        stage=table.stage,
        tare=table.tare,
        rezero=table.rezero is not False,
        rezero_every=0.0 if isinstance(table.rezero, bool) else table.rezero,
        temperature_correction=table.temperature_correction,
        classes=table.classes,
        sample_units=table.sample_units,
    )


def default_degree(kind: str, fit: str, loads: int) -> int:
    """A parabola where the loads of a curve allow it, else a straight line."""
    return 2 if kind in ("multi-point", "lot-curve") and fit == "least squares" and loads >= 4 else 1


def require_loads(kind: str, space: str, loads: tuple[float, ...], low: float, high: float) -> None:
    """ValueFault where number, range or space of the loads is wrong."""
    least, most = _COUNT[kind]
    if len(loads) < least or (most is not None and len(loads) > most):
        wanted = str(least) if most == least else f"{least} or more"
        plural = "" if wanted == "1" else "s"
        raise ValueFault(
            f'kind "{kind}" takes {wanted} load{plural} (got {len(loads)})', _load_mend(kind, low, high)
        )
    for load in loads:
        require_inside(load, low, high)
    if loads and kind == "one-point" and loads[0] == 0.0:
        raise ValueFault("a gain cannot be found at a load of 0", _load_mend(kind, low, high))
    if space == "logarithm" and loads and loads[0] == 0.0:
        raise ValueFault(
            'space "logarithm" has no load of 0', "leave the load of 0 out, or choose another space"
        )


def require_inside(load: float, low: float, high: float) -> None:
    """ValueFault for a load outside the range."""
    if not low <= load <= high:
        span = f"{units.show(low, 'N')} to {units.show(high, 'N')}"
        raise ValueFault(
            f"{units.show(load, 'N')} lies outside the load range {span}", "widen the range or move it"
        )


def _load_mend(kind: str, low: float, high: float) -> str:
    chosen = chosen_loads(kind, False, low, high)
    if not chosen:
        return "leave loads out"
    return "write for example [" + ", ".join(f'"{units.show(load, "N")}"' for load in chosen) + "]"
