"""One design: its values and grades, what it costs, and the changes that turn the case into it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from margin.case import units
from margin.case.again import toml_of
from margin.case.types import Case
from margin.chain.parameter import options_of, parameters_of
from margin.design.sizing.fronts import apart, coarse, not_dominated
from margin.design.sizing.nominal_screen import Screened
from margin.design.sizing.part_table import Grade, PartTable
from margin.design.sizing.spaces import Space

DIGITS = 6
"""Of values in changes: more than any series or reference has."""

LEAST_RISK = 1e-6
"""Risks of saturation below this tell no designs apart: no fitted tail says anything so far out."""


@dataclass(frozen=True, eq=False)
class Design:
    """A circuit with values and grades, and what the nominal chain says of it (see `Screened`).

    ratios  of the fields `space.cls.ratio_keys`; reference: V, resistor: ohm, capacitor: F
    """

    space: Space
    reference: float
    reference_grade: Grade
    ratios: tuple[float, ...]
    resistor: float
    resistor_grade: Grade
    capacitor: float
    capacitor_grade: Grade
    cost: float
    resolution: float
    noise: float
    risk: float
    swing: float

    @property
    def values(self) -> dict[str, str]:
        """Values of the circuit by key, as a case states them."""
        gain, parameters = self.space.gain_key, parameters_of(self.space.cls)
        found = {
            "reference": _toleranced(self.reference, "V", self.reference_grade),
            "reference_tempco": _tempco(self.reference_grade),
            gain: _toleranced(self.resistor, "ohm", self.resistor_grade),
        }
        if f"{gain}_tempco" in parameters:
            found[f"{gain}_tempco"] = _tempco(self.resistor_grade)
        found |= {key: f"{r:.{DIGITS}g}" for key, r in zip(self.space.ratio_keys, self.ratios, strict=True)}
        if self.capacitor > 0.0:
            found["capacitor"] = _toleranced(self.capacitor, "F", self.capacitor_grade)
        return found

    @property
    def told(self) -> str:
        """The values in one line, without the name of the circuit."""
        ratios = (
            f"{key.removesuffix('_ratio')} {ratio:g}"
            for key, ratio in zip(self.space.ratio_keys, self.ratios, strict=True)
        )
        parts = (
            f"reference {units.show(self.reference, 'V')} ± {100.0 * self.reference_grade.tolerance:g} %",
            *ratios,
            f"{self.space.gain_key.replace('_', ' ')} {units.show(self.resistor, 'ohm')} "
            f"± {100.0 * self.resistor_grade.tolerance:g} %",
            f"capacitor {units.show(self.capacitor, 'F')}" if self.capacitor > 0.0 else "no capacitor",
        )
        return ", ".join(parts)


def changes_of(case: Case, design: Design, swing_high: float | None = None) -> dict[str, str]:
    """Changes of the case by key, each a text, that turn it into the design (see `with_changes`).

    swing_high  V, where another supply moves it. A circuit of another kind replaces the whole table: keys that it
                shares with that of the case stay, such as those of the amplifier.
    """
    spec = case.elements["circuit"]
    values: dict[str, Any] = dict(design.values)
    if swing_high is not None:
        values["swing_high"] = f"{swing_high:.{DIGITS}g} V"
    stated = case.source["circuit"]
    if design.capacitor == 0.0 and "capacitor" in stated:
        values["capacitor"] = "0 F"
    chosen = {
        key: value
        for key, value in design.space.options.items()
        if value is not None and value != options_of(design.space.cls)[key].default
    }
    if design.space.cls is spec.cls:
        values |= {k: toml_of(v) for k, v in design.space.options.items() if v != spec.options[k]}
        return {f"circuit.{key}": value for key, value in values.items()}
    known = {*parameters_of(design.space.cls), *options_of(design.space.cls)}
    kept = {key: value for key, value in stated.items() if key in known and key not in chosen}
    table = {"kind": design.space.cls.kind, **kept, **chosen, **values}
    return {"circuit": toml_of(table)}


def picked(screened: Screened, parts: PartTable, count: int, reference: float) -> list[Design]:
    """Designs of a screen that lie well apart on its front of resolution, noise and risk of saturation.

    reference  V, of the case

    Each comes in the grade of its resistor that is in the middle by cost, and the cheapest grade of the reference.
    """
    if not screened.number.size:
        return []
    risk = np.log10(np.maximum(screened.risk, LEAST_RISK))
    # without a converter, or without noise, there is nothing to tell apart
    sizes = [np.log(np.clip(each, 1e-30, 1e30)) for each in (screened.resolution, screened.noise)]
    objectives = np.stack([*sizes, risk], axis=1)
    # of designs that are alike that with the reference nearest to the case's own, then in most grades, comes first
    space, places = screened.space, screened.space.places(screened.number)
    references = np.array(space.references)[places[0]]
    order = np.lexsort((-space.weights(parts)[places[2]], np.abs(np.log(references / reference))))
    rounded = coarse(objectives[order], np.array([0.02, 0.02, 0.1]))
    _, first = np.unique(rounded, axis=0, return_index=True)
    first = first[not_dominated(rounded[first])]
    chosen = order[first[apart(rounded[first], count)]]
    widest = int(screened.swing.argmax())
    rows = dict.fromkeys([*(int(row) for row in chosen), widest])
    cheapest = min(parts.reference_grades, key=lambda grade: grade.cost)
    return [_design(screened, row, parts, cheapest) for row in rows]


def _design(screened: Screened, row: int, parts: PartTable, reference_grade: Grade) -> Design:
    space = screened.space
    reference, ratios, resistor = (int(p[0]) for p in space.places(screened.number[row : row + 1]))
    ohms = space.resistors[resistor]
    grades = space.grades(ohms, parts)
    grade, capacitor = grades[len(grades) // 2], space.capacitors[int(screened.capacitor[row])]
    return Design(
        space, space.references[reference], reference_grade, space.ratios[ratios], ohms, grade, capacitor,
        parts.capacitor, space.cost(space.ratios[ratios], capacitor, grade, reference_grade, parts),
        float(screened.resolution[row]), float(screened.noise[row]), float(screened.risk[row]),
        float(screened.swing[row]),
    )  # fmt: skip


def _toleranced(value: float, unit: str, grade: Grade) -> str:
    shown = units.show(value, unit, DIGITS)
    return f"{shown} +/- {100.0 * grade.tolerance:.{DIGITS}g} %" if grade.tolerance > 0.0 else shown


def _tempco(grade: Grade) -> str:
    return f"0 ppm/K +/- {1e6 * grade.tempco:.{DIGITS}g} ppm/K" if grade.tempco > 0.0 else "0 ppm/K"
