"""The chain of a case drawn with its values, from the load to the indicated force."""

from __future__ import annotations

import re
import textwrap
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.case import units
from margin.case.describe import extent
from margin.case.types import Case, ElementSpec, Quantity, Role
from margin.estimates import numbers
from margin.estimates.signals import Signals, nominal_signals
from margin.report import style
from margin.report.axes_parts import load_scale

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ROLES: tuple[Role, ...] = ("interface", "sensor", "circuit", "converter", "firmware")

_MOST = 4
_WIDTH = 7.4
_LINE, _PAD, _ARROW = 0.165, 0.09, 0.36
_TITLE, _VALUES = 0.12, 1.75
_SIGNALS = (1.75, 3.45, 4.75, 6.05)
_FILLED_LINE = 76


def chain_drawing(
    case: Case, ax: Axes | None = None, *, budget: pd.DataFrame | None = None, option: str | None = None
) -> Axes:
    """Each part as a box with its kind and leading values with tolerances as read; on the arrows the nominal signals at
    the lowest, the middle and the highest check load.

    budget, option  of a study (`Results.budget`) and one of its options: values that lead there come first
    """
    from matplotlib.patches import FancyArrowPatch, FancyBboxPatch

    lines = {role: _lines(case, case.elements[role], budget, option) for role in ROLES}
    boxes = {role: 2 * _PAD + _LINE * max(len(found), 2) for role, found in lines.items()}
    height = sum(boxes.values()) + _ARROW * (len(ROLES) + 1) + 0.06
    axes = style.axes_of(ax, _WIDTH, height)
    axes.set_xlim(0.0, _WIDTH)
    axes.set_ylim(height, 0.0)
    axes.set_axis_off()
    signals = nominal_signals(case)
    top = 0.03
    for role in ROLES:
        _arrow_text(axes, top, _signal(case, signals, role))
        axes.add_patch(FancyArrowPatch((0.9, top), (0.9, top + _ARROW), arrowstyle="-|>", mutation_scale=9,
                                       color=style.BLACK, shrinkA=0, shrinkB=0, lw=1.0))  # fmt: skip
        top += _ARROW
        rounded = "round,pad=0,rounding_size=0.06"
        axes.add_patch(FancyBboxPatch((0.03, top), _WIDTH - 0.06, boxes[role], boxstyle=rounded, fc="none",
                                      ec=style.BLACK, lw=1.0, label=role))  # fmt: skip
        kind = case.elements[role].kind
        first = top + _PAD + 0.5 * _LINE
        axes.text(_TITLE, first, role, fontsize=9.0, fontweight="bold", va="center")
        if kind != role:
            axes.text(_TITLE, first + _LINE, style.label(kind, 24), fontsize=8.5, va="center")
        for number, text in enumerate(lines[role]):
            axes.text(_VALUES, first + number * _LINE, style.label(text, 90), fontsize=8.5, va="center")
        top += boxes[role]
    axes.add_patch(FancyArrowPatch((0.9, top), (0.9, top + _ARROW), arrowstyle="-|>", mutation_scale=9,
                                   color=style.BLACK, shrinkA=0, shrinkB=0, lw=1.0))  # fmt: skip
    _arrow_text(axes, top, ("indicated force", ()))
    return axes


def _arrow_text(axes: Axes, top: float, signal: tuple[str, tuple[str, ...]]) -> None:
    """Name of a signal and its values beside an arrow."""
    for where, text in zip(_SIGNALS, (signal[0], *signal[1]), strict=False):
        axes.text(where, top + 0.5 * _ARROW, text, fontsize=8.5, va="center", style="italic")


def _signal(case: Case, signals: Signals, into: Role) -> tuple[str, tuple[str, ...]]:
    """What enters a part: its name, and its values at the loads."""
    scale = load_scale(case)
    if into == "interface":
        return "applied load", _written(signals.loads, scale)
    if into == "sensor":
        return "force at the sensor", _written(signals.force, scale)
    if into == "circuit":
        if signals.output_unit == "S":
            return "conductance", _written(signals.output, numbers.scale_for(signals.output.tolist(), "S"))
        return "bridge ratio", _written(signals.output, numbers.Scale(1e3, "mV/V"))
    if into == "converter":
        return "voltage", _written(signals.voltage, numbers.scale_for(signals.voltage.tolist(), "V"))
    if signals.code is None:
        return "share of full scale", ()
    return "code", tuple(f"{code:.0f} counts" for code in signals.code)


def _written(values: NDArray[np.float64], scale: numbers.Scale) -> tuple[str, ...]:
    return tuple(numbers.plain(float(value), scale=scale) for value in values)


def _lines(case: Case, spec: ElementSpec, budget: pd.DataFrame | None, option: str | None) -> list[str]:
    """The leading values of a part, and for converter and firmware what they do, as lines."""
    found = [_value(quantity) for quantity in _leading(spec, budget, option)]
    bits = spec.options.get("bits")
    if spec.role == "converter" and bits is not None:
        found.insert(0, "ideal, not rounded" if bits == 0 else f"{bits} bit")
    if spec.role == "firmware":
        found.insert(0, "inverts the nominal chain, then applies the calibration")
        if option is not None:
            found.insert(1, f"calibration: {option}")
    if not found:
        found = ["as designed, no spread stated"]
    return [line for text in found for line in textwrap.wrap(text, _FILLED_LINE, subsequent_indent="    ")]


def _leading(spec: ElementSpec, budget: pd.DataFrame | None, option: str | None) -> list[Quantity]:
    """Quantities that were stated or vary: those that lead in the budget first, then those with a spread."""
    ranks: dict[str, float] = {}
    if budget is not None and len(budget):
        rows = budget[(budget["option"] == option) & (budget["verdict"] == "resolved")]
        for factor, rank in zip(rows["factor"], rows["rank"], strict=True):
            name = str(factor).split(" ")[0]
            ranks[name] = min(float(rank), ranks.get(name, np.inf))
    shown = [
        each
        for each in spec.quantities.values()
        if each.spreads or (not each.defaulted and each.nominal != 0.0)
    ]
    shown.sort(key=lambda each: (ranks.get(each.name, np.inf), not each.spreads))
    return shown[:_MOST]


def _value(quantity: Quantity) -> str:
    """'feedback 12 kΩ, ± 1 % per unit'."""
    name = quantity.name.partition(".")[2].replace("_", " ")
    spreads = ", ".join(f"{extent(quantity, spread)} per {spread.level}" for spread in quantity.spreads)
    assumed = " (assumed band)" if quantity.band is not None else ""
    value = units.show(quantity.nominal, quantity.unit)
    return _typeset(f"{name} {value}{', ' if spreads else ''}{spreads}{assumed}")


def _typeset(text: str) -> str:
    """Units as a reader expects them."""
    for written, shown in (("+/-", "±"), ("delta_degC", "K"), ("degC", "°C"), ("ohm", "Ω")):
        text = text.replace(written, shown)
    return re.sub(r"\bu(?=[A-ZΩm])", "µ", text)
