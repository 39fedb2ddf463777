"""Candidate calibrations: structures, coarse layouts of their loads, and the positions that loads may take."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from margin.calibration.cost import seconds_per_unit
from margin.case.build import nominal_element
from margin.case.loads import round_inside
from margin.case.types import CalibrationSpec, Case
from margin.estimates.numbers import scale_for
from margin.propagation.factors import factors_of

POSITIONS = 33
"""Positions that a load may take, from the lowest to the highest load of the range."""

RELOADS = (1, 2, 3, 5)
"""Placements of each load that are tried."""

LEAST_SHARE = 0.01
"""Second position, as a share of the highest load, where the range begins at 0 or close to it (common practice, no
source)."""

_FEWEST_DISTINCT = 25
_WORDS = {1: "one point", 2: "two points", 3: "three points", 4: "four points", 5: "five points"}
_DEGREES = {1: "line", 2: "parabola"}
_LONGEST_NAME = 66
"""Characters of a name, at most; a case allows 80, and a line of a terminal holds key, name and a number after it."""


@dataclass(frozen=True)
class Candidate:
    """A calibration with the dwell of the station, s, under each of its loads."""

    spec: CalibrationSpec
    dwell: float

    @property
    def key(self) -> tuple[Any, ...]:
        """All that matters of it: two candidates alike in it are the same, whatever their names."""
        spec = self.spec
        return (
            spec.kind, spec.space, spec.loads, spec.reloads, spec.samples, spec.fit, spec.degree, spec.weights,
            spec.direction, spec.stage, spec.tare, spec.temperature_correction, spec.classes, self.dwell,
        )  # fmt: skip

    def named(self, name: str) -> Candidate:
        """The same under another name."""
        return dataclasses.replace(self, spec=dataclasses.replace(self.spec, name=name))

    def at(self, loads: tuple[float, ...]) -> Candidate:
        """The same at other loads, N."""
        return dataclasses.replace(self, spec=dataclasses.replace(self.spec, loads=loads))

    def seconds(self, case: Case) -> float:
        """Time on the station, s a unit, as a study of the case counts it."""
        station = nominal_element(with_dwell(case, self.dwell).elements["station"])
        return seconds_per_unit(self.spec, station, case.study.units_per_lot)


@dataclass(frozen=True)
class Structure:
    """A calibration without loads and counts; fields as in `CalibrationSpec`."""

    kind: str
    points: int
    space: Literal["force", "signal", "output", "logarithm"]
    degree: int = 1
    fit: Literal["least squares", "piecewise"] = "least squares"
    weights: Literal["equal", "relative"] = "equal"
    tare: bool = False


STRUCTURES = (
    Structure("none", 0, "force"),
    Structure("tare", 0, "output"),
    Structure("one-point", 1, "force"),
    Structure("one-point", 1, "force", tare=True),
    Structure("one-point", 1, "output", tare=True),
    Structure("two-point", 2, "force"),
    Structure("two-point", 2, "signal"),
    Structure("two-point", 2, "output"),
    Structure("two-point", 2, "logarithm"),
    Structure("multi-point", 3, "force", 1),
    Structure("multi-point", 3, "force", 2),
    Structure("multi-point", 3, "output", 2),
    Structure("multi-point", 3, "logarithm", 1),
    Structure("multi-point", 3, "logarithm", 2),
    Structure("multi-point", 5, "force", 2),
    Structure("multi-point", 5, "force", 2, weights="relative"),
    Structure("multi-point", 5, "force", fit="piecewise"),
    Structure("multi-point", 5, "logarithm", 1),
    Structure("multi-point", 5, "logarithm", 2),
)
"""Structures that are tried. A gain on the logarithm is a gain on the force: it is tried once."""


@dataclass(frozen=True)
class Habits:
    """What candidates take from the case, as nothing that is computed here could choose it.

    stage    what the station calibrates: that of the options of the case, where they agree
    samples  readings averaged in each placement: the most common number of the options of the case
    dwell    of the station, s
    """

    stage: Literal["bare sensor", "sub-assembly", "finished product"]
    samples: int
    dwell: float

    @classmethod
    def of(cls, case: Case) -> Habits:
        loaded = [spec for spec in case.calibrations if spec.loads]
        stages = {spec.stage for spec in loaded}
        samples = Counter(spec.samples for spec in loaded).most_common(1)
        return cls(
            stages.pop() if len(stages) == 1 else "finished product",
            samples[0][0] if samples else 1,
            case.elements["station"].quantities["dwell"].nominal,
        )


def positions(case: Case) -> tuple[float, ...]:
    """Loads, N, that a calibration may use, ascending: midway between even and geometric spacing, both ends exact.

    Rounded to two significant digits, more where a narrow range would leave too few. A load of 0 is one of them where
    the range begins there.
    """
    low, high = case.load_low, case.load_high
    bottom = max(low, LEAST_SHARE * high)
    share = np.linspace(0.0, 1.0, POSITIONS)
    spaced = 0.5 * (bottom + share * (high - bottom)) + 0.5 * bottom * (high / bottom) ** share
    found: set[float] = set()
    for digits in (2, 3, 4, 5):
        found = {round_inside(float(load), low, high, digits) for load in spaced[1:-1]} | {bottom, high}
        if len(found) >= _FEWEST_DISTINCT:
            break
    return tuple(sorted(found | {low}))


def allowed(spec: CalibrationSpec, lattice: tuple[float, ...]) -> tuple[float, ...]:
    """Positions that suit a calibration: a gain, a logarithm and a relative weight have no load of 0."""
    without_zero = spec.kind == "one-point" or spec.space == "logarithm" or spec.weights == "relative"
    return tuple(load for load in lattice if load > 0.0) if without_zero else lattice


def layouts(points: int, places: tuple[float, ...]) -> tuple[tuple[float, ...], ...]:
    """Coarse layouts of so many loads among `places`: for one load three of them, else to the ends and inside them."""
    last = len(places) - 1
    if not points:
        return ((),)
    if points == 1:
        return tuple((places[round(share * last)],) for share in (0.3, 0.6, 0.9))
    spans = ((0.0, 1.0), (0.2, 0.9))
    return tuple(
        tuple(places[round(last * (a + (b - a) * k / (points - 1)))] for k in range(points)) for a, b in spans
    )


def can_correct(case: Case) -> bool:
    """Whether a correction for temperature could do anything: something in the case varies with it."""
    return any(factor.cause == "temperature" for factor in factors_of(case))


def thermometers(case: Case, wanted: bool | None) -> tuple[bool, ...]:
    """Values of 'temperature_correction' that are tried: both unless one is wanted, or it has nothing to correct."""
    if wanted is not None:
        return (wanted,)
    return (False, True) if can_correct(case) else (False,)


def directions(case: Case, spec: CalibrationSpec) -> tuple[Literal["up", "down", "both"], ...]:
    """Branches of the load cycle that are tried: both where use reads on the way down too and there is more than one
    load; a single load would cost no further reading, which no station can do."""
    read_down = case.elements["use"].options["direction"] != "up" or any(
        condition.direction not in (None, "up") for condition in case.conditions
    )
    return ("up", "both") if read_down and len(spec.loads) > 1 else ("up",)


def screened(
    case: Case, lattice: tuple[float, ...], corrections: tuple[bool, ...], reloads: tuple[int, ...] = (1, 3)
) -> Iterator[Candidate]:
    """Every structure at coarse layouts of its loads, with few and with averaged reloads."""
    habits = Habits.of(case)
    for structure in STRUCTURES:
        bare = CalibrationSpec(
            name=structure.kind,
            kind=structure.kind,
            space=structure.space,
            samples=habits.samples,
            fit=structure.fit,
            degree=structure.degree,
            weights=structure.weights,
            stage=habits.stage,
            tare=structure.tare,
        )
        for loads in layouts(structure.points, allowed(bare, lattice)):
            for count in reloads if loads else (1,):
                for corrected in corrections:
                    spec = dataclasses.replace(
                        bare, loads=loads, reloads=count, temperature_correction=corrected
                    )
                    yield Candidate(spec, habits.dwell)


def extended(case: Case, candidate: Candidate) -> Iterator[Candidate]:
    """A candidate with each number of reloads and each direction."""
    if not candidate.spec.loads:
        yield candidate
        return
    for count in RELOADS:
        for direction in directions(case, candidate.spec):
            spec = dataclasses.replace(candidate.spec, reloads=count, direction=direction)
            yield dataclasses.replace(candidate, spec=spec)


def own_options(case: Case, corrections: tuple[bool, ...]) -> Iterator[Candidate]:
    """Options that the case states: they compete with the rest. A curve of the lot draws its lots differently, and is
    left out."""
    dwell = Habits.of(case).dwell
    for spec in case.calibrations:
        if spec.kind != "lot-curve" and spec.temperature_correction in corrections:
            yield Candidate(spec, dwell)


def dwell_is_free(case: Case) -> bool:
    """Whether the dwell of the station is a plain number that may be changed: one with a tolerance is left as it is."""
    quantity = case.elements["station"].quantities["dwell"]
    return not quantity.spreads and quantity.shared_with is None


def with_dwell(case: Case, dwell: float) -> Case:
    """The case with another dwell of its station, s."""
    station = case.elements["station"]
    if station.quantities["dwell"].nominal == dwell:
        return case
    changed = dataclasses.replace(station.quantities["dwell"], nominal=dwell)
    quantities = {**station.quantities, "dwell": changed}
    elements = {**case.elements, "station": dataclasses.replace(station, quantities=quantities)}
    return dataclasses.replace(case, elements=elements)


def name_of(candidate: Candidate, usual: float) -> str:
    """What a calibration is called in a plan: 'two points at 8 and 50 N, 3 reloads, logarithm, thermometer'.

    usual  dwell of the station, s, that is not worth a word
    """
    spec = candidate.spec
    words = [_points(spec) if spec.loads else spec.kind]
    fitted = spec.kind in ("two-point", "multi-point")
    details = []
    if spec.kind == "multi-point":
        piecewise = spec.fit == "piecewise"
        details.append("piecewise" if piecewise else _DEGREES.get(spec.degree, f"degree {spec.degree}"))
    details += [spec.space] if fitted and spec.space != "force" else []
    details += ["relative weights"] if spec.weights == "relative" else []
    rest = [f"{spec.reloads} reloads"] if spec.reloads > 1 else []
    rest += {"up": [], "both": ["both branches"], "down": ["way down"]}[spec.direction]
    rest += ["tared"] if spec.tare else []
    rest += ["thermometer"] if spec.temperature_correction else []
    rest += [f"dwell {candidate.dwell:g} s"] if candidate.dwell != usual else []
    while details and len(", ".join([*words, *details, *rest])) > _LONGEST_NAME:
        details.pop(0)
    if len(", ".join([*words, *rest])) > _LONGEST_NAME and spec.loads:
        words = [_counted(spec)]
    return ", ".join([*words, *details, *rest])


def _points(spec: CalibrationSpec) -> str:
    count = _counted(spec)
    shown, unit = in_one_unit(spec.loads)
    if len(shown) < 3:
        return f"{count} at {' and '.join(shown)} {unit}"
    return f"{count} from {shown[0]} to {shown[-1]} {unit}"


def in_one_unit(loads: tuple[float, ...]) -> tuple[list[str], str]:
    """Loads, N, as numbers of one unit, and that unit."""
    scale = scale_for(list(loads), "N")
    return [f"{load * scale.factor:.5g}" for load in loads], scale.unit


def _counted(spec: CalibrationSpec) -> str:
    return _WORDS.get(len(spec.loads), f"{len(spec.loads)} points")
