"""Datasheet figures of a sensor by its own equations, and the parameter with which it shows a stated figure.

Full scale is a load, N; full-scale output is the output under it less that without load, both on the ascending
branch at the reference time. Every figure is a share, signed: positive where the output goes further in the direction
in which the load moves it. A sensor is taken as designed: standardised draws at their centre, at the temperature and
humidity at which its values hold.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from margin.chain.elements import Contact, Sensor
from margin.chain.setting import Setting

LINES: Mapping[str, float] = MappingProxyType(
    {
        "terminal-based": 1.0,
        "zero-based minimax": 4.0 * (math.sqrt(2.0) - 1.0) ** 2,
        "zero-based least squares": 1.0,
        "independent minimax": 0.5,
        "independent least squares": 2.0 / 3.0,
    }
)
"""Largest departure of a parabola from its line, relative to that at half scale from the line through its ends.

Of y = x + 4 d x (1 - x) on [0, 1], read at every point, by the definitions of ISA-51.1 and IEC 61298-2 and their least
squares counterparts. Independent minimax: parallel to the terminal line, halfway up the bow. Zero-based minimax: slope
1 + s at which 4 d x (1 - x) - s x is as large inside, (4 d - s)^2 / 16 d, as it is low at the end, s. Least squares:
the parabola keeps 2/3 d at its ends; through zero the slope is 1 + d, which leaves -d at the end.
"""

CreepOf = Literal["applied load", "full-scale output"]

_POINTS = 401
_ZOOMS = 4
_STEPS = 60
_STRAIGHT = 1e-9
_PARABOLA = 1e-6


class NoSuchFigure(ValueError):
    """A figure that the sensor cannot show, whatever its parameter."""


def full_scale_output(sensor: Sensor, full_scale: float, reference_time: float) -> float:
    """Output at full scale less that without load, S or V/V. Raises NoSuchFigure where there is none."""
    ends = _outputs(sensor, np.array([0.0, full_scale]), _still(full_scale, reference_time))
    found = float(ends[1] - ends[0])
    if not math.isfinite(found) or found == 0.0:
        raise NoSuchFigure("the sensor has no output at full scale")
    return found


def hysteresis(sensor: Sensor, full_scale: float, reference_time: float = 1.0) -> float:
    """Full width of the loop zero-to-full scale: largest descending less ascending output, of full-scale output.

    IEC 61298-2 and ISA-51.1. The load of the largest difference is closed in on by ever finer grids.
    """
    scale = full_scale_output(sensor, full_scale, reference_time)
    up = _still(full_scale, reference_time)
    down = dataclasses.replace(up, descending=1.0)
    low, high = 0.0, full_scale
    largest = 0.0
    for _ in range(_ZOOMS):
        loads = np.linspace(low, high, _POINTS)
        width = (_outputs(sensor, loads, down) - _outputs(sensor, loads, up)) / scale
        best = int(np.argmax(np.abs(width)))
        largest = float(width[best])
        low, high = float(loads[max(best - 1, 0)]), float(loads[min(best + 1, _POINTS - 1)])
    return largest


def nonlinearity(sensor: Sensor, full_scale: float, line: str, reference_time: float = 1.0) -> float:
    """Nonlinearity from a line of `LINES`, of full-scale output; positive for a bow above the line.

    Raises NoSuchFigure where the characteristic is no parabola, KeyError for an unknown line.
    """
    quarter, half, three_quarters = _bow(sensor, full_scale, reference_time)
    if max(abs(quarter - 0.75 * half), abs(three_quarters - 0.75 * half)) > _PARABOLA * max(abs(half), 1e-6):
        raise NoSuchFigure(
            "its characteristic is no parabola, of which alone the line is known in closed form"
        )
    return LINES[line] * float(half)


def creep(
    sensor: Sensor, full_scale: float, of: CreepOf, start: float, end: float, reference_time: float = 1.0
) -> float:
    """Change of the indication of full scale from `start` to `end`, s under load.

    of  'applied load': the change of the load that the output stands for by the characteristic at the reference time,
        relative to the load; 'full-scale output': the change of the output
    """
    setting = _still(full_scale, reference_time)
    load = np.array([full_scale])
    first, last = (
        _outputs(sensor, load, dataclasses.replace(setting, dwell=time))[0] for time in (start, end)
    )
    if of == "full-scale output":
        return float(last - first) / full_scale_output(sensor, full_scale, reference_time)
    loads = np.asarray(sensor.force_from(np.array([first, last]), setting), dtype=np.float64)
    return float(loads[1] - loads[0]) / full_scale


def parameter_for(shown: Callable[[float], float], stated: float) -> float:
    """Parameter p with shown(p) = stated, for a figure that is 0 at 0 and nearly proportional to p.

    Secant method from p = stated. Raises NoSuchFigure where it finds none.
    """
    if stated == 0.0:
        return 0.0
    before, value_before = 0.0, shown(0.0)
    at, value = stated, shown(stated)
    for _ in range(_STEPS):
        if abs(value - stated) <= 1e-12 * abs(stated) + 1e-15:
            return at
        if not math.isfinite(value) or value == value_before:
            break
        step = (stated - value) * (at - before) / (value - value_before)
        before, value_before = at, value
        at += step
        value = shown(at)
    raise NoSuchFigure("no parameter of the sensor shows it")


def with_value(sensor: Any, field: str, value: float) -> Any:
    """The sensor with another value of one quantity."""
    return dataclasses.replace(sensor, **{field: value})


def is_straight(sensor: Sensor, full_scale: float, reference_time: float = 1.0) -> bool:
    """Whether the output is a straight line from zero to full scale."""
    return float(np.abs(_bow(sensor, full_scale, reference_time)).max()) <= _STRAIGHT


def _bow(sensor: Sensor, full_scale: float, reference_time: float) -> NDArray[np.float64]:
    """Departure from the terminal line at 1/4, 1/2 and 3/4 of full scale, of full-scale output."""
    scale = full_scale_output(sensor, full_scale, reference_time)
    shares = np.linspace(0.0, 1.0, 5)
    found = _outputs(sensor, full_scale * shares, _still(full_scale, reference_time))
    inner: NDArray[np.float64] = ((found - found[0]) / scale - shares)[1:4]
    return inner


def _still(full_scale: float, reference_time: float) -> Setting:
    return Setting(dwell=reference_time, peak=full_scale)


def _outputs(sensor: Sensor, loads: NDArray[np.float64], setting: Setting) -> NDArray[np.float64]:
    found = np.asarray(sensor.output(Contact(loads), setting), dtype=np.float64)
    return np.broadcast_to(found, loads.shape)
