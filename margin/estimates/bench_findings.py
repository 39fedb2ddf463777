"""Findings of a bench: every circuit with every interface, differences, and figures not available."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from margin.bench import (
    BenchData,
    Comparison,
    Merit,
    NotMeasurableError,
    SensorFit,
    Spreads,
    compare,
    figures_of_merit,
    fit_sensor,
    spreads_of,
)
from margin.bench.data import at_points
from margin.bench.errors import Lack
from margin.bench.merits.sweeps import (
    SAME_TEMPERATURE,
    Hold,
    Sweeps,
    holds_of,
    sweeps_of,
    usual_temperature,
    without_holds,
)
from margin.bench.merits.table import at_usual_temperature
from margin.bench.one_load import spreads_at_one_load
from margin.bench.spreads import Kind

MAIN_FIGURES = (
    "zero", "sensitivity", "linearity, independent least squares", "hysteresis",
    "repeatability, standard deviation", "reproducibility after remounting", "zero return", "drift per decade",
    "temperature coefficient of zero", "temperature coefficient of span", "resolution",
)  # fmt: skip
"""One of each kind: what is compared between setups. Largest values grow with the number of cycles, and the
linearities by other lines repeat the one named here."""


@dataclass(frozen=True)
class Missing:
    """Something that the data cannot give.

    what     name of the figure, spread or fit
    where    'circuit, interface'; '' for the whole bench
    why      the reason; measure: what to measure to have it
    """

    what: str
    where: str
    why: str
    measure: str


@dataclass(frozen=True)
class SensorReadings:
    """Readings of one sensor with one circuit and interface, for fits and figures."""

    name: str
    sweeps: Sweeps
    holds: tuple[Hold, ...]
    fits: tuple[SensorFit, ...]


@dataclass(frozen=True)
class BenchSize:
    """How much was measured with one circuit and interface: medians where sensors differ.

    mountings of a sensor, cycles of a mounting, readings of a cycle, temperatures cycled at
    """

    sensors: int
    mountings: int
    cycles: int
    readings: int
    temperatures: int


@dataclass(frozen=True)
class Setup:
    """One circuit with one interface. `spreads` is None where the data cannot show any."""

    circuit: str
    interface: str
    size: BenchSize
    sensors: tuple[SensorReadings, ...]
    merits: tuple[Merit, ...]
    spreads: Spreads | None

    @property
    def name(self) -> str:
        return ", ".join(part for part in (self.circuit, self.interface) if part != "unstated") or "bench"

    @property
    def pooled(self) -> dict[str, Merit]:
        """Figures of merit pooled over sensors, by name."""
        return {m.name: m for m in self.merits if m.sensor == "pooled"}


@dataclass(frozen=True)
class Findings:
    """Everything found in one bench.

    comparisons  by 'circuit' and by 'interface', where there are several
    t0           s, to which the drift per decade refers
    """

    data: BenchData
    kind: Kind
    confidence: float
    setups: tuple[Setup, ...]
    comparisons: dict[str, Comparison]
    missing: tuple[Missing, ...]
    t0: float = 10.0

    @property
    def merits(self) -> tuple[Merit, ...]:
        return tuple(merit for setup in self.setups for merit in setup.merits)

    @property
    def notes(self) -> tuple[str, ...]:
        """What was assumed, converted, flagged or left out."""
        left = [
            f"{s.name}: {n}"
            for s in self.setups
            if s.spreads
            for n in s.spreads.notes
            if not isinstance(n, Lack)
        ]
        return (*self.data.notes, *left)


def findings_of(
    data: BenchData,
    kind: Kind,
    *,
    circuit: str | None = None,
    interface: str | None = None,
    reference_load: float | None = None,
    t0: float = 10.0,
    confidence: float = 0.95,
) -> Findings:
    """Characterise each circuit with each interface, and compare them.

    data      conductance for a thin film (see `margin.bench.circuits.conductances`); any output for a bridge
    circuit, interface  only these; None: all there are
    reference_load  N, where a thin film's sensitivity is stated; None: geometric mean of the loads
    t0        s, to which the drift per decade refers

    What the data cannot give becomes an entry of `missing`. Raises NotMeasurableError where no reading belongs to
    the circuit and interface named, or where there is no load at all.
    """
    wanted = {"circuit": circuit, "interface": interface}
    chosen = _chosen(data, wanted)
    usable = chosen.usable()["load_N"]
    if len(usable) and (usable <= 0).all() and (usable < 0).any():
        raise NotMeasurableError(
            f"{data.source}: no load is above zero, the smallest is {usable.min():g} N: a load that presses on the "
            "sensor is positive. Reverse its sign"
        )
    if not (usable > 0).any():
        raise NotMeasurableError(
            f"{data.source}: no usable reading under load", "load the sensors and read them"
        )
    merits = figures_of_merit(chosen, t0=t0, confidence=confidence)
    missing: list[Missing] = []
    setups = tuple(_setups(chosen, kind, merits, reference_load, confidence, missing))
    comparisons = {}
    for by in ("circuit", "interface"):
        names = list(dict.fromkeys(getattr(setup, by) for setup in setups))
        if len(names) > 1:
            comparisons[by] = compare(merits, by, MAIN_FIGURES, confidence)
            if comparisons[by].differences.empty:
                why = "no figure has two sensors on both sides"
                missing.append(
                    Missing(f"difference by {by}", "", why, f"measure the same sensors with each {by}")
                )
        elif wanted[by] is None:
            remedy = f"measure the same sensors with another {by}"
            missing.append(Missing(f"difference by {by}", "", f"only one {by}", remedy))
    return Findings(data, kind, confidence, setups, comparisons, tuple(missing), t0)


def _chosen(data: BenchData, wanted: dict[str, str | None]) -> BenchData:
    frame = data.frame
    for column, name in wanted.items():
        there = [str(each) for each in frame[column].unique()]
        if name is not None and name not in there:
            raise NotMeasurableError(
                f"{data.source}: no readings with {column} '{name}'", f"the data contain {', '.join(there)}"
            )
        frame = frame if name is None else frame[frame[column] == name]
    return dataclasses.replace(data, frame=frame)


def _setups(
    data: BenchData,
    kind: Kind,
    merits: list[Merit],
    reference_load: float | None,
    confidence: float,
    missing: list[Missing],
) -> Iterator[Setup]:
    groups = data.usable().groupby(["circuit", "interface"], observed=True, sort=False)
    for (circuit, interface), frame in groups:
        points = at_points(frame[frame["load_N"].notna()])
        own = tuple(m for m in merits if (m.circuit, m.interface) == (circuit, interface))
        sensors: list[SensorReadings] = []
        where = f"{circuit}, {interface}"
        for (lot, sensor), part in points.groupby(["lot", "sensor"], observed=True, sort=False):
            name = f"{lot} / {sensor}"
            try:
                fits = _fits(part, kind, reference_load)
            except NotMeasurableError as error:
                fits = ()
                missing.append(_missing(f"fit of {name}", where, error.lack))
            sensors.append(SensorReadings(name, sweeps_of(part), tuple(holds_of(part)), fits))
        spreads: Spreads | None = None
        try:
            spreads = spreads_of(
                data, kind, circuit=str(circuit), interface=str(interface), reference_load=reference_load,
                confidence=confidence,
            )  # fmt: skip
        except NotMeasurableError as error:
            spreads = _at_one_load(data, kind, str(circuit), str(interface), confidence)
            if spreads is not None:
                only = "only one load above zero was read"
                missing.append(
                    Missing("load curve and its spreads", where, only, "read several loads in each cycle")
                )
            else:
                missing.append(_missing("spreads by level", where, error.lack))
        setup = Setup(str(circuit), str(interface), _size(points, sensors), tuple(sensors), own, spreads)
        missing.extend(_of_merits(setup, where))
        missing.extend(_of_spreads(spreads, where))
        yield setup


def _at_one_load(
    data: BenchData, kind: Kind, circuit: str, interface: str, confidence: float
) -> Spreads | None:
    """Spreads of the output at the only load; None where there are several loads, or nothing to estimate from."""
    try:
        return spreads_at_one_load(data, kind, circuit=circuit, interface=interface, confidence=confidence)
    except NotMeasurableError:
        return None


def _fits(points: pd.DataFrame, kind: Kind, reference_load: float | None) -> tuple[SensorFit, ...]:
    loads, outputs = fit_readings(points)
    different = np.unique(loads[loads > 0]).size
    if different < 2:
        raise NotMeasurableError(
            f"{different} load(s) above zero going up", "measure at least three, better eight"
        )
    return fit_sensor(loads, outputs, kind, reference_load=reference_load)


def fit_readings(points: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Loads (N) and outputs that a model is fitted to, (n,) each: ascending, at the usual temperature, no holds."""
    rows = without_holds(points)
    rows = rows[rows["branch"] == "up"]
    heat = rows["temperature_degC"].to_numpy(dtype=float)
    if heat.size:
        rows = rows[np.abs(heat - usual_temperature(heat)) <= SAME_TEMPERATURE]
    return rows["point_N"].to_numpy(dtype=float), rows["output"].to_numpy(dtype=float)


def _size(points: pd.DataFrame, sensors: list[SensorReadings]) -> BenchSize:
    heat = np.unique(np.rint(points["temperature_degC"].to_numpy(dtype=float) / SAME_TEMPERATURE))
    usual = [at_usual_temperature(sensor.sweeps) for sensor in sensors]
    mountings = np.array([max(sweeps.mountings, 1) for sweeps in usual])
    cycles = np.array([max(sweeps.cycles, 1) for sweeps in usual]) / mountings
    readings = points.groupby(["lot", "sensor", "mounting", "run"], observed=True).size()
    if not any(sweeps.cycles for sweeps in usual):
        # at one load alone a run is no cycle of loads, but it is a repetition all the same
        runs = readings.index.to_frame(index=False)
        by_sensor = runs.groupby(["lot", "sensor"], observed=True)
        mountings = by_sensor["mounting"].nunique().to_numpy()
        cycles = by_sensor.size().to_numpy() / mountings
    return BenchSize(
        len(sensors), int(np.median(mountings)), int(np.median(cycles)), int(readings.median()), heat.size
    )


def _of_merits(setup: Setup, where: str) -> Iterator[Missing]:
    """Figures that no sensor has, and intervals that are lacking for want of repetition."""
    for merit in setup.pooled.values():
        if merit.value is None:
            yield _missing(merit.name, where, merit.note)
    bare = [m.name for m in setup.pooled.values() if m.value is not None and m.low is None]
    if bare:
        why = "only one sensor" if len(setup.sensors) == 1 else "measured on one sensor"
        measure = "measure several sensors" if len(setup.sensors) == 1 else "measure it on several sensors"
        what = (
            "interval over sensors"
            if len(setup.sensors) == 1
            else f"interval over sensors of {', '.join(bare)}"
        )
        yield Missing(what, where, why, measure)
    single = [m for m in setup.merits if m.sensor != "pooled" and m.value is not None and m.low is None]
    for note in dict.fromkeys(m.note for m in single if isinstance(m.note, Lack)):
        names = dict.fromkeys(m.name for m in single if m.note == note)
        yield _missing(f"interval of a single sensor's {', '.join(names)}", where, note)


def _of_spreads(spreads: Spreads | None, where: str) -> Iterator[Missing]:
    if spreads is None:
        return
    levels = [c.level for found in spreads.components.values() for c in found.components if not c.measured]
    for level in dict.fromkeys(levels):
        notes = (found[level].note for found in spreads.components.values() if level in found.not_measurable)
        yield Missing(f"spread per {level}", where, _missing("", "", next(notes)).why, _REPEAT[level])
    if not spreads.reading.measured:
        yield Missing("spread per reading", where, "one reading in each placement", _REPEAT["reading"])
    if spreads.together is None and spreads.between is not None:
        names = " and ".join(spreads.components).removeprefix("ln_")
        yield Missing(f"correlation of {names}", where, "fewer than four sensors", "measure four or more")


_REPEAT = {
    "lot": "measure sensors of several lots",
    "sensor": "measure several sensors",
    "mounting": "take each sensor out and mount it again, three times or more",
    "loading": "repeat the cycle without remounting, three times or more",
    "reading": "take ten in a row at one load",
}
"""What shows the spread of each level."""


def _missing(what: str, where: str, note: str) -> Missing:
    """Reason and remedy of a note."""
    return (
        Missing(what, where, note.why, note.measure)
        if isinstance(note, Lack)
        else Missing(what, where, note, "")
    )
