"""Rated load and full scale of a case, and datasheet figures of the sensor turned into its own quantities."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from distributions import InvalidParameter, scaled
from margin.case import units
from margin.case.build import nominal_element
from margin.case.datasheet import WRITTEN
from margin.case.faults import ValueFault
from margin.case.quantity import Place, within_limits
from margin.case.tables import LoadTable
from margin.case.types import ElementSpec, Quantity, Spread, StatedFigure
from margin.chain import figures
from margin.chain.parameter import Figure, parameters_of

_SMALL = 1e-3
"""Figure at which the factor of a spread is taken where the figure itself is 0."""


@dataclass(frozen=True)
class FullScale:
    """Load to which full scale refers, N; `origin` says whose it is."""

    load: float
    origin: str

    @property
    def words(self) -> str:
        return f"{units.show(self.load, 'N')} ({self.origin})"


def rated_load(sensor: ElementSpec, load: LoadTable) -> FullScale | None:
    """Rated load of the sensor, or that of [load]; None where neither states one.

    Raises ValueFault where both do and differ.
    """
    own = _stands_for(sensor, "rated load")
    if own is None:
        return None if load.rated is None else FullScale(load.rated, "rated load of [load]")
    if load.rated is not None and load.rated != own:
        raise ValueFault(f"is {units.show(own, 'N')} in [sensor]", "leave rated out of [load]")
    return FullScale(own, "rated load of the sensor")


def full_scale(sensor: ElementSpec, load: LoadTable) -> FullScale:
    """Load of full-scale output: the rated load, or the highest load of the range where there is none."""
    return rated_load(sensor, load) or FullScale(load.range[1], "top of the load range")


def with_figures(spec: ElementSpec, scale: FullScale) -> tuple[ElementSpec, dict[str, ValueFault], list[str]]:
    """The sensor with its datasheet figures converted, the faults by key, and a line on how each was read.

    Nonlinearity is converted first, then hysteresis, then creep, each on the sensor as designed with those before it.
    The spread of a figure is scaled like its value.
    """
    declared = parameters_of(spec.cls)
    pending = {name: q for name, q in spec.quantities.items() if q.figure is not None}
    lines: list[str] = []
    faults: dict[str, ValueFault] = {}
    blank = {
        name: dataclasses.replace(q, nominal=0.0, spreads=(), figure=None) for name, q in pending.items()
    }
    done = dataclasses.replace(spec, quantities={**spec.quantities, **blank})
    for figure in ("nonlinearity", "hysteresis", "creep"):
        for name, quantity in pending.items():
            if quantity.figure is None or quantity.figure.figure != figure:
                continue
            try:
                found = _converted(quantity, quantity.figure, name, done, scale)
                within_limits(found.nominal, Place(spec.role, name, declared[name]))
            except ValueFault as fault:
                faults[name] = fault
                continue
            done = dataclasses.replace(done, quantities={**done.quantities, name: found})
            lines.append(_line(quantity, found, declared[name].doc, scale, _reference_time(spec)))
    return done, faults, lines


def _converted(
    quantity: Quantity, stated: StatedFigure, name: str, spec: ElementSpec, scale: FullScale
) -> Quantity:
    """The quantity with the values at which the sensor shows the figure."""
    sensor = nominal_element(spec)
    time = _reference_time(spec)
    mend = f"state {name} itself, without of"
    try:
        shown = _shown(sensor, stated, name, scale.load, time)
        nominal = figures.parameter_for(shown, quantity.nominal)
        small = quantity.nominal or _SMALL
        factor = figures.parameter_for(shown, small) / small
        spreads = tuple(_scaled(spread, factor) for spread in quantity.spreads)
    except figures.NoSuchFigure as error:
        raise ValueFault(f"cannot be read as a {stated.figure} of full scale: {error}", mend) from error
    except InvalidParameter as error:
        raise ValueFault(f"has a spread that cannot be converted ({error})", mend) from error
    return dataclasses.replace(quantity, nominal=nominal, spreads=spreads, figure=None)


def _shown(
    sensor: Any, stated: StatedFigure, name: str, load: float, time: float
) -> Callable[[float], float]:
    """The figure, as stated, that the sensor shows with a value of the quantity."""
    if stated.figure == "hysteresis":
        share = 0.5 if stated.definition == "half width" else 1.0
        return lambda value: share * figures.hysteresis(figures.with_value(sensor, name, value), load, time)
    if stated.figure == "nonlinearity":
        if not figures.is_straight(sensor, load, time):
            raise figures.NoSuchFigure("its characteristic is not straight without it")
        line = stated.definition
        return lambda value: figures.nonlinearity(figures.with_value(sensor, name, value), load, line, time)
    start = time if stated.start is None else stated.start
    end = stated.end if stated.end is not None else start
    if start >= end:
        raise figures.NoSuchFigure(
            f"it ends before the reference time of the sensor, {units.show(time, 's')}"
        )
    of: figures.CreepOf = "applied load" if stated.of == "applied load" else "full-scale output"
    return lambda value: figures.creep(figures.with_value(sensor, name, value), load, of, start, end, time)


def _scaled(spread: Spread, factor: float) -> Spread:
    if spread.relative:
        return spread
    return dataclasses.replace(spread, distribution=scaled(spread.distribution, factor))


def _stands_for(spec: ElementSpec, figure: Figure) -> float | None:
    """Nominal value of the quantity behind a figure; None without one."""
    for name, declared in parameters_of(spec.cls).items():
        if declared.figure == figure and figure not in WRITTEN:
            return spec.quantities[name].nominal
    return None


def _reference_time(spec: ElementSpec) -> float:
    found = _stands_for(spec, "reference time")
    return 1.0 if found is None else found


def _line(stated: Quantity, found: Quantity, doc: str, scale: FullScale, time: float) -> str:
    """'sensor.hysteresis: hysteresis 0.1 % of full-scale output at 100 N (rated load of the sensor), ...'."""
    figure = stated.figure
    if figure is None:
        return ""
    if figure.figure == "creep":
        start = time if figure.start is None else figure.start
        how = f"from {units.show(start, 's')} to {units.show(figure.end or 0.0, 's')} under load"
    elif figure.figure == "hysteresis":
        how = f"{figure.definition} of the loop from zero to full scale and back"
    else:
        how = f"from the {figure.definition} line"
    size = f"{100.0 * stated.nominal:.4g} %" if stated.nominal or not stated.spreads else "0 % and its spread"
    return (
        f"{stated.name}: {figure.figure} {size} of {figure.of} at {scale.words}, {how}, read as "
        f"{100.0 * found.nominal:.4g} % {doc}"
    )
