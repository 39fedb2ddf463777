"""From a bench file to figures of merit, fits, spreads by level and the next bench day, in three lines.

import margin
bench = margin.characterise("bench.csv")
print(bench)
bench.save("report")
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from distributions.errors import InvalidArgument
from margin.bench import BenchData, NotMeasurableError, Spreads, condense_bench, read_bench
from margin.bench.circuits import circuits_file, conductances, read_circuits
from margin.bench.data.mapping_file import statements
from margin.bench.model_file import write_model
from margin.bench.sensor_model import fitted_sensor
from margin.bench.spreads import Kind
from margin.bench_study_figures import BenchFigures
from margin.case.build import nominal_element
from margin.case.load import as_case
from margin.case.types import Case
from margin.chain.setting import Setting
from margin.estimates.bench_findings import Missing, Setup, findings_of
from margin.estimates.bench_tables import components_frame, fits_frame, merits_frame, missing_frame
from margin.estimates.next_measurement import UNITS, NextMeasurement, next_measurement
from margin.estimates.stages import Stage, no_progress
from margin.report import bench_files, bench_terminal

DIFFERENCES = (
    "figure", "first", "second", "difference", "low", "high", "unit", "p", "p_adjusted", "test", "pairs", "resolved",
    "by",
)  # fmt: skip
"""Columns of the table of differences."""

LEAST_POSITIVE = 0.9
"""Share of readings under load that must become a conductance above zero if the circuit is the right one."""


@dataclass(frozen=True, repr=False)
class Characterisation(BenchFigures):
    """A finished characterisation. Printing it, or naming it in a notebook, shows what matters.

    Tables are pandas frames, figures methods that give a matplotlib figure (`bench.output_over_load()`).

    outlook         from the first setup; None where there is nothing to look ahead from (`missing` says why)
    reference_load  N, as asked for
    circuits        elements that read the bench, by name, where voltages were turned into conductances
    frame           the data as given, where they were no file

    >>> import margin
    >>> bench = margin.characterise("bench.csv", circuit="amplifier", interface="silicone")
    >>> sorted(bench.components["parameter"].unique())
    ['exponent', 'sensitivity']
    >>> figure = bench.residuals_over_load()
    """

    frame: pd.DataFrame | None = field(default=None, repr=False)

    @property
    def merits(self) -> pd.DataFrame:
        """Figures of merit of single sensors and pooled, one row a figure and sensor.

        Columns:
            name               [text] trade name of the figure
            value, low, high   [SI]   value and ends of its interval, in the unit of `unit`; none where not available
            unit               [text] of the three
            definition         [text] what is meant
            confidence         [1]    level of the interval
            count              [1]    independent values behind the interval (cycles, mountings or sensors)
            note               [text] why there is no value or no interval, and what to measure
            sensor             [text] 'lot / sensor', or 'pooled'
            circuit, interface [text] what it was measured with
        """
        return merits_frame(self.findings.merits)

    @property
    def fits(self) -> pd.DataFrame:
        """Candidate models of each sensor, one row a setup, sensor and model.

        Columns:
            circuit, interface [text] what it was measured with
            sensor             [text] 'lot / sensor'
            model              [text] candidate model
            parameters         [1]    number of parameters
            aicc               [1]    Akaike's criterion, corrected for few readings
            delta              [1]    the same, less that of the sensor's best model
            weight             [1]    Akaike weight
            residual_sd        [SI]   of the residuals, standard deviation: relative for a thin film, else output's unit
            lack_ratio         [1]    lack of fit over pure error, F ratio; none without repeated loads
            lack_p             [1]    chance of such a ratio where the model is right; none without repeated loads
            values             [text] 'name = value +/- standard error' in SI units
        """
        return fits_frame(self.findings.setups)

    @property
    def components(self) -> pd.DataFrame:
        """Variance components, one row a setup, parameter and level of variation.

        Columns:
            circuit, interface [text] what it was measured with
            parameter          [text] 'sensitivity', 'exponent' or 'zero'
            level              [text] 'lot', 'unit', 'mounting', 'loading' or 'reading'
            sd, low, high      [SI]   standard deviation and ends of its interval: relative for the sensitivity, 1 for
                                      the exponent, the output's unit for the zero; none where not available
            share              [1]    share of the variance of the parameter
            units              [1]    instances of the level that were measured
            dof                [1]    degrees of freedom behind the interval
            note               [text] why there is no value, and what to measure
        """
        return components_frame(self.findings.setups)

    @property
    def spreads(self) -> dict[tuple[str, str], Spreads]:
        """Spreads by (circuit, interface), where they are available."""
        return {(s.circuit, s.interface): s.spreads for s in self.findings.setups if s.spreads is not None}

    @property
    def differences(self) -> pd.DataFrame:
        """Circuits and interfaces side by side, one row a figure and pair; empty where there is one of each.

        Columns:
            figure        [text] figure of merit
            first, second [text] the two that are compared
            difference    [SI]   second less first, in the unit of `unit`
            low, high     [SI]   ends of its interval
            unit          [text] of the three
            p             [1]    chance of such a difference where there is none
            p_adjusted    [1]    the same, for the number of comparisons (Holm)
            test          [text] 'paired by sensor' or 'Welch'
            pairs         [1]    sensors measured on both sides
            resolved      [bool] whether the adjusted chance is small enough
            by            [text] 'circuit' or 'interface'
        """
        found = [c.differences.assign(by=by) for by, c in self.findings.comparisons.items()]
        return pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=list(DIFFERENCES))

    @property
    def missing(self) -> pd.DataFrame:
        """Figures and spreads not available from these data, one row each.

        Columns:
            what    [text] figure or spread
            where   [text] circuit and interface, '' for the whole bench
            why     [text] what is missing
            measure [text] what to measure next
        """
        return missing_frame(self.findings.missing)

    def save(self, folder: str | Path, *, replace: bool = False) -> Path:
        """Write page, figures, JSON and CSV; the path of the page. FolderNotOurs over files of someone else.

        replace  also in place of a report of other data
        """
        return bench_files.write_bench(self.findings, self.outlook, folder, replace=replace)

    def save_model(self, path: str | Path) -> Path:
        """Write the fitted sensor as a file that a case takes its sensor from; the path.

        A model of a frame names no file; it keeps the hash of the frame's CSV text. ValueError where there are several
        setups (characterise one of them).
        """
        if len(self.findings.setups) > 1:
            names = "; ".join(setup.name for setup in self.findings.setups)
            raise InvalidArgument(
                f"a model is of one circuit and one interface, the data hold {names}: name one of each"
            )
        setup = self.findings.setups[0]
        fitted = fitted_sensor(
            self.findings.data, self.findings.kind, circuit=setup.circuit, interface=setup.interface,
            reference_load=self.reference_load, confidence=self.findings.confidence, circuits=self.circuits,
        )  # fmt: skip
        return write_model(path, fitted, self.findings.data.source if self.frame is None else self.frame)

    def __str__(self) -> str:
        return bench_terminal.render(self.findings, self.outlook)

    def _repr_html_(self) -> str:
        return bench_terminal.notebook_html(self.findings, self.outlook)


def characterise(
    path_or_frame: str | Path | pd.DataFrame,
    *,
    kind: Kind | None = None,
    circuit: str | None = None,
    interface: str | None = None,
    reference_load: float | None = None,
    t0: float = 10.0,
    confidence: float = 0.95,
    circuits: str | Path | Mapping[str, Any] | None = None,
    case: Case | str | Path | None = None,
    calibration: str | None = None,
    units: int = UNITS,
    output_unit: str | None = None,
    columns: Mapping[str, str | Sequence[str]] | None = None,
    mapping: str | Path | None = None,
    sheet: str | None = None,
    wide: str | None = None,
    condense: bool = False,
    workers: int | None = None,
    stage: Stage = no_progress,
) -> Characterisation:
    """Characterise the sensors of a bench.

    path_or_frame   bench data as `margin.bench.read_bench` takes them
    kind            'thin film' or 'strain-gauge bridge'; None: that of the case, else a bridge where the output is a
                    ratio and a thin film where it is not
    circuit, interface  only these; None: each, and compared side by side
    reference_load  N, where a thin film's sensitivity is stated; None: geometric mean of the loads
    t0              s, to which the drift per decade refers
    circuits        what turns voltages of a thin film into conductance: a file as `margin.bench.circuits` describes
                    it, or circuit elements by name; None: DATA.circuits.toml beside the data, else the circuit of
                    the case
    case            for the outlook on its yield, and for its circuit; or the path of its file
    calibration     option of the case whose yield is looked ahead; None: the one that leads
    units           drawn for each number of sensors looked ahead to
    output_unit     of readings whose column states no unit
    columns         where fields are taken from, such as {"load": "Kraft in kg", "run": "Lauf",
                    "temperature": "= 23 degC", "ignored": ["Bemerkung"]}; the rest is found from names and units
    mapping         file that states the same (`margin.bench.data.mapping_file`); None: DATA.columns.toml beside the
                    data
    sheet           of a spreadsheet; None: the one that holds the readings
    wide            of a table with readings side by side, what they are one of: 'load in N', 'sensor', 'run', ...
    condense        keep means of stays, not readings (`margin.bench.condense_bench`): a file of any length in bounded
                    memory, whose rows that cannot be read are left out and counted
    stage           called with (title, total) when something long begins; returns the counter of progress

    Figures that are not available are listed in `missing`. Raises BenchDataError for data that cannot be read,
    NotMeasurableError where nothing can be estimated, InvalidArgument for voltages of a thin film without a circuit,
    CaseError for a path without a sound case.

    >>> import margin
    >>> bench = margin.characterise("bench.csv", circuit="amplifier", interface="silicone")
    >>> bench.merits.query("sensor == 'pooled' and name == 'hysteresis'")["unit"].tolist()
    ['%']
    >>> figure = bench.hysteresis_over_load()
    """
    case = None if case is None else as_case(case)
    if not 0.5 <= confidence < 1.0:
        raise InvalidArgument(f"confidence must be from 0.5 to below 1, such as 0.95 (got {confidence:g})")
    if reference_load is not None and not (np.isfinite(reference_load) and reference_load > 0):
        raise InvalidArgument(f"the reference load must be above 0 N (got {reference_load:g} N)")
    options = [] if case is None else [one.name for one in case.calibrations]
    if calibration is not None and calibration not in options:
        there = ", ".join(map(repr, options)) or "none without a case"
        raise InvalidArgument(f"no calibration option {calibration!r} to look ahead to; there are {there}")
    if not isinstance(path_or_frame, pd.DataFrame):
        _require_file(Path(path_or_frame))
    stated, wanted = statements(
        path_or_frame, columns=columns, mapping=mapping, sheet=sheet, wide=wide, output_unit=output_unit
    )
    if condense and isinstance(path_or_frame, pd.DataFrame):
        raise InvalidArgument(
            "a frame is in memory already: give the file to condense, or leave condense out"
        )
    reader: Any = condense_bench if condense else read_bench
    data: BenchData = reader(path_or_frame, output_unit, wanted=wanted, stated=stated)
    kind = kind or _kind(data, case)
    elements: Mapping[str, Any] = {}
    if kind == "thin film":
        elements = _circuits(data, circuits, circuit, case, path_or_frame)
        data = _as_conductance(data, elements, circuit)
    findings = findings_of(
        data, kind, circuit=circuit, interface=interface, reference_load=reference_load, t0=t0,
        confidence=confidence,
    )  # fmt: skip
    first = findings.setups[0]
    try:
        outlook: NextMeasurement | None = next_measurement(
            first.size, first.spreads, _single(first), case=case, option=calibration, units=units,
            confidence=confidence, workers=workers, stage=stage,
        )  # fmt: skip
    except NotMeasurableError as error:
        lack = Missing("outlook on more measurements", "", error.lack.why, error.lack.measure)
        findings, outlook = dataclasses.replace(findings, missing=(*findings.missing, lack)), None
    frame = path_or_frame.copy(deep=False) if isinstance(path_or_frame, pd.DataFrame) else None
    return Characterisation(findings, outlook, reference_load, elements, frame)


def _require_file(path: Path) -> None:
    """InvalidArgument for a folder, and for what would never end: a device, pipe or socket."""
    if path.is_dir():
        raise InvalidArgument(f"{path}: a folder, not a file; name the file in it")
    if os.path.lexists(path) and not path.is_file():
        raise InvalidArgument(f"{path}: a device, pipe, socket or broken link, not a file; name a file")


def _single(setup: Setup) -> dict[str, list[Any]]:
    """Figures of single sensors by name."""
    found: dict[str, list[Any]] = {}
    for merit in setup.merits:
        if merit.sensor != "pooled":
            found.setdefault(merit.name, []).append(merit)
    return found


def _kind(data: BenchData, case: Case | None) -> Kind:
    if case is not None and case.elements["sensor"].kind == "strain-gauge bridge":
        return "strain-gauge bridge"
    return "strain-gauge bridge" if case is None and data.quantity == "ratio" else "thin film"


def _circuits(
    data: BenchData,
    given: str | Path | Mapping[str, Any] | None,
    circuit: str | None,
    case: Case | None,
    source: str | Path | pd.DataFrame,
) -> Mapping[str, Any]:
    """Circuit elements by the names in the data."""
    if data.quantity == "conductance":
        return {}
    if isinstance(given, Mapping):
        return given
    if given is not None:
        _require_file(Path(given))
        return read_circuits(Path(given))
    if not isinstance(source, pd.DataFrame) and circuits_file(source).is_file():
        return read_circuits(circuits_file(source))
    names = [circuit] if circuit is not None else [str(name) for name in data.frame["circuit"].unique()]
    if case is not None and len(names) == 1:
        return {names[0]: nominal_element(case.elements["circuit"])}
    beside = (
        "" if isinstance(source, pd.DataFrame) else f" in {circuits_file(source).name} beside the data, or"
    )
    why = "" if case is None else f" (the case has one circuit, the data have {', '.join(names)})"
    raise InvalidArgument(
        f"a thin film is characterised by its conductance, the data hold a {data.quantity}{why}: describe each "
        f"circuit of the bench{beside} in a file of your own (circuits)"
    )


def _as_conductance(data: BenchData, circuits: Mapping[str, Any], circuit: str | None) -> BenchData:
    """Conductance by the inverse of each circuit; ValueError where a circuit does not fit its readings."""
    if data.quantity == "conductance":
        return data
    if circuit is not None:
        there = [str(name) for name in data.frame["circuit"].unique()]
        if circuit not in there:
            raise NotMeasurableError(
                f"{data.source}: no readings with circuit '{circuit}': the data hold {', '.join(there)}"
            )
        data = dataclasses.replace(data, frame=data.frame[data.frame["circuit"] == circuit])
    names = [str(name) for name in data.frame["circuit"].unique()]
    if names == ["unstated"] and len(circuits) == 1:
        circuits = {"unstated": next(iter(circuits.values()))}
    lacking = [name for name in names if name not in circuits]
    if lacking and data.quantity == "voltage":
        raise InvalidArgument(
            f"{data.source}: circuit '{lacking[0]}' of the data is not described (described: "
            f"{', '.join(circuits) or 'none'}): add a table [{lacking[0]}], or characterise another circuit alone"
        )
    found = conductances(data, circuits)
    for name, rows in found.frame.groupby("circuit", observed=True):
        loaded = rows[rows["load_N"] > 0.1 * float(rows["load_N"].max())]
        positive = float((loaded["output"] > 0).mean()) if len(loaded) else 1.0
        if positive < LEAST_POSITIVE:
            element = circuits[str(name)]
            rest = float(element.static_voltage(0.0, Setting()))
            raise InvalidArgument(
                f"circuit '{name}' does not fit its readings: {100 * (1 - positive):.0f} % of those under load give no "
                f"conductance above zero (without load this {element.kind} reads {rest:.3g} V). Describe the circuit "
                "that the bench was read with"
            )
    return found
